//! The same facts as EXIF in an XMP packet (ISO 16684-1:2019; property names of CIPA DC-010), for programs that
//! read one and not the other. What EXIF has no place for stands in a namespace of its own.

use std::fmt::Write as _;

use crate::export::exif::{FileMetadata, SOFTWARE, description, rational};
use crate::raw::CaptureTime;

/// Begins the XMP segment of a JPEG (ISO 16684-3).
pub(super) const JPEG_SIGNATURE: &[u8] = b"http://ns.adobe.com/xap/1.0/\0";

/// Keyword of the XMP text in a PNG (ISO 16684-3).
pub(super) const PNG_KEYWORD: &str = "XML:com.adobe.xmp";

/// The packet, UTF-8; read-only, so nothing is left free for edits in place.
pub(super) fn packet(metadata: &FileMetadata) -> Vec<u8> {
    let first = &metadata.first;
    let mut body = String::new();
    let mut add = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            // Writing to a string cannot fail.
            let _ = writeln!(body, "   <{name}>{}</{name}>", escaped(&value));
        }
    };
    let fraction = |value: Option<f64>| {
        let value = value.filter(|value| value.is_finite() && *value > 0.0)?;
        let fraction = rational(value);
        Some(format!("{}/{}", fraction.n, fraction.d))
    };
    add("tiff:Make", first.make.clone());
    add("tiff:Model", first.model.clone());
    add("exifEX:LensModel", first.lens.clone());
    add("exif:ExposureTime", fraction(first.exposure_secs));
    add("exif:FNumber", fraction(first.aperture));
    add("exif:FocalLength", fraction(first.focal_mm));
    add("exif:DateTimeOriginal", first.capture_time.and_then(CaptureTime::text));
    add("xmp:CreateDate", first.capture_time.and_then(CaptureTime::text));
    add("xmp:CreatorTool", Some(SOFTWARE.to_owned()));
    add("sheaf:Frames", Some(metadata.n_frames.to_string()));
    add("sheaf:TotalExposureSeconds", metadata.total_exposure_secs.map(|secs| format!("{secs}")));
    if let Some(place) = first.place {
        add("exif:GPSLatitude", Some(coordinate(place.latitude_deg, ['N', 'S'])));
        add("exif:GPSLongitude", Some(coordinate(place.longitude_deg, ['E', 'W'])));
        if let Some(meters) = place.altitude_m {
            add("exif:GPSAltitudeRef", Some(u8::from(meters < 0.0).to_string()));
            add("exif:GPSAltitude", Some(format!("{}/100", (meters.abs() * 100.0).round())));
        }
    }
    if let Some(iso) = first.iso {
        let _ =
            writeln!(body, "   <exif:ISOSpeedRatings><rdf:Seq><rdf:li>{iso}</rdf:li></rdf:Seq></exif:ISOSpeedRatings>");
    }
    let text = escaped(&description(metadata));
    let _ = writeln!(
        body,
        "   <dc:description><rdf:Alt><rdf:li xml:lang=\"x-default\">{text}</rdf:li></rdf:Alt></dc:description>"
    );
    format!("{HEAD}{body}{TAIL}").into_bytes()
}

const HEAD: &str = "<?xpacket begin=\"\u{FEFF}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n\
<x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n \
<rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n  \
<rdf:Description rdf:about=\"\" xmlns:tiff=\"http://ns.adobe.com/tiff/1.0/\" \
xmlns:exif=\"http://ns.adobe.com/exif/1.0/\" xmlns:exifEX=\"http://cipa.jp/exif/1.0/\" \
xmlns:xmp=\"http://ns.adobe.com/xap/1.0/\" xmlns:dc=\"http://purl.org/dc/elements/1.1/\" \
xmlns:sheaf=\"urn:nightsheaf:burst:1\">\n";

const TAIL: &str = "  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n<?xpacket end=\"r\"?>";

/// Degrees and decimal minutes with a letter: `46,30.5000N`.
fn coordinate(degrees: f64, [positive, negative]: [char; 2]) -> String {
    let letter = if degrees < 0.0 { negative } else { positive };
    let minutes = (degrees.abs() * 60.0 * 1e6).round() / 1e6;
    format!("{},{:.6}{letter}", (minutes / 60.0).floor(), minutes % 60.0)
}

/// Text as XML holds it; control characters, which it cannot hold, are left out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.trim().chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            letter if letter.is_control() || ['\u{FFFE}', '\u{FFFF}'].contains(&letter) => {}
            letter => out.push(letter),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raw::Metadata;

    #[test]
    fn names_are_escaped_and_keep_their_letters() {
        let first = Metadata { lens: Some("Léman <12> & \u{1}more".to_owned()), ..Metadata::default() };
        let packet = packet(&FileMetadata { first, n_frames: 3, ..FileMetadata::default() });
        let text = String::from_utf8(packet).expect("UTF-8");
        assert!(text.contains("<exifEX:LensModel>Léman &lt;12&gt; &amp; more</exifEX:LensModel>"), "{text}");
        assert!(text.contains("<sheaf:Frames>3</sheaf:Frames>"), "{text}");
    }

    #[test]
    fn a_coordinate_has_degrees_minutes_and_a_letter() {
        assert_eq!(coordinate(46.508_333_333, ['N', 'S']), "46,30.500000N", "north");
        assert_eq!(coordinate(-8.999_999_999_9, ['E', 'W']), "9,0.000000W", "rounding carries over");
    }
}
