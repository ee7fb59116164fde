//! What EXIF says of the exposure. Nothing here fails: what a file does not say is `None`.
//!
//! Source: EXIF 2.32 (CIPA DC-008-2019), the tags of the exposure, of date and time, and of the focal plane.

use exif::{Exif, Field, In, Reader, Tag, Value};
use jiff::civil;
use jiff::tz::Offset;

use crate::pixels::Orientation;
use crate::raw::frame::{CaptureTime, Metadata, Place};

/// Widths of sensors that exist: a phone's to a plate of film.
const SENSOR_WIDTHS_MM: std::ops::RangeInclusive<f64> = 2.0..=130.0;

/// Temperatures that a camera works at; others stand for an unknown one.
const TEMPERATURES_CELSIUS: std::ops::RangeInclusive<f64> = -60.0..=90.0;

/// What EXIF says of a frame.
#[derive(Debug, Default)]
pub(super) struct ExifFacts {
    pub(super) metadata: Metadata,
    pub(super) orientation: Option<Orientation>,
    /// Pixels a millimetre along x on the sensor.
    pixels_per_mm: Option<f64>,
}

impl ExifFacts {
    /// What a decoder has found in a file whose EXIF cannot be read directly.
    pub(super) fn of_decoder(metadata: Metadata, orientation: Option<Orientation>) -> Self {
        Self { metadata, orientation, pixels_per_mm: None }
    }

    /// Whether the file said nothing of when and how it was exposed.
    pub(super) fn says_nothing(&self) -> bool {
        self.metadata.exposure_secs.is_none() && self.metadata.capture_time.is_none()
    }

    /// Width of the sensor area that a frame of this many columns shows.
    pub(super) fn sensor_width_mm(&self, columns: usize) -> Option<f64> {
        let width = columns as f64 / self.pixels_per_mm?;
        SENSOR_WIDTHS_MM.contains(&width).then_some(width)
    }
}

/// Reads the EXIF of a whole file: TIFF-based raws, DNG, TIFF, JPEG, PNG.
pub(super) fn read_exif(bytes: &[u8]) -> ExifFacts {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    let read = match with_common_magic(bytes) {
        Some(tiff) => reader.read_raw(tiff),
        None => reader.read_from_container(&mut std::io::Cursor::new(bytes)),
    };
    match read.or_else(|error| error.distill_partial_result(|_| ())) {
        Ok(exif) => facts_of(&exif),
        // A file without EXIF is a file that says nothing.
        Err(_) => ExifFacts::default(),
    }
}

/// Some raws are TIFF but for their magic number; with the common one they can be read (from memory).
fn with_common_magic(bytes: &[u8]) -> Option<Vec<u8>> {
    let common: &[u8; 4] = match bytes.get(..4)? {
        b"IIRO" | b"IIRS" | b"IIU\0" => b"II*\0",
        b"MMOR" => b"MM\0*",
        _ => return None,
    };
    let mut tiff = bytes.to_vec();
    tiff[..4].copy_from_slice(common);
    Some(tiff)
}

fn facts_of(exif: &Exif) -> ExifFacts {
    let number = |tag| first_number(exif.get_field(tag, In::PRIMARY)?);
    let positive = |tag| number(tag).filter(|&value| value > 0.0 && value.is_finite());
    let text = |tag| first_text(exif.get_field(tag, In::PRIMARY)?);
    ExifFacts {
        metadata: Metadata {
            make: text(Tag::Make),
            model: text(Tag::Model),
            lens: text(Tag::LensModel),
            exposure_secs: positive(Tag::ExposureTime),
            iso: iso(&positive),
            aperture: positive(Tag::FNumber),
            focal_mm: positive(Tag::FocalLength),
            sensor_width_mm: None,
            capture_time: capture_time(exif),
            temperature_celsius: number(Tag::Temperature).filter(|celsius| TEMPERATURES_CELSIUS.contains(celsius)),
            place: place(exif),
        },
        orientation: number(Tag::Orientation).and_then(|value| Orientation::from_tag(value as u16)),
        pixels_per_mm: pixels_per_mm(&positive),
    }
}

/// The short tag ends at 65535, which stands for "see the long ones".
fn iso(positive: &impl Fn(Tag) -> Option<f64>) -> Option<u32> {
    let short = positive(Tag::PhotographicSensitivity).filter(|&iso| iso < 65_535.0);
    let iso = short.or_else(|| positive(Tag::RecommendedExposureIndex)).or_else(|| positive(Tag::ISOSpeed))?;
    Some(iso as u32)
}

fn pixels_per_mm(positive: &impl Fn(Tag) -> Option<f64>) -> Option<f64> {
    let unit_mm = match positive(Tag::FocalPlaneResolutionUnit).unwrap_or(2.0) as u32 {
        2 => 25.4,
        3 => 10.0,
        4 => 1.0,
        5 => 0.001,
        _ => return None,
    };
    Some(positive(Tag::FocalPlaneXResolution)? / unit_mm)
}

fn capture_time(exif: &Exif) -> Option<CaptureTime> {
    read_time(exif, Tag::DateTimeOriginal, Tag::SubSecTimeOriginal, Tag::OffsetTimeOriginal)
        .or_else(|| read_time(exif, Tag::DateTimeDigitized, Tag::SubSecTimeDigitized, Tag::OffsetTimeDigitized))
}

fn read_time(exif: &Exif, date: Tag, fraction: Tag, offset: Tag) -> Option<CaptureTime> {
    let ascii = |tag| first_ascii(exif.get_field(tag, In::PRIMARY)?);
    clock(ascii(date), ascii(fraction), ascii(offset))
}

/// A camera's clock from "YYYY:MM:DD HH:MM:SS", the digits of its fraction, and "+HH:MM".
pub(super) fn clock(date: Option<&[u8]>, fraction: Option<&[u8]>, offset: Option<&[u8]>) -> Option<CaptureTime> {
    let mut time = exif::DateTime::from_ascii(date?).ok()?;
    // A fraction or an offset that cannot be read is as good as none.
    let _ = fraction.map(|digits| time.parse_subsec(digits));
    let _ = offset.map(|text| time.parse_offset(text));
    let clock = civil::DateTime::new(
        i16::try_from(time.year).ok()?,
        i8::try_from(time.month).ok()?,
        i8::try_from(time.day).ok()?,
        i8::try_from(time.hour).ok()?,
        i8::try_from(time.minute).ok()?,
        i8::try_from(time.second).ok()?,
        0,
    );
    let whole_secs = Offset::UTC.to_timestamp(clock.ok()?).ok()?.as_second();
    let nanosecond = time.nanosecond.unwrap_or(0);
    Some(CaptureTime { clock_secs: whole_secs as f64 + f64::from(nanosecond) * 1e-9, utc_offset_minutes: time.offset })
}

/// Degrees, minutes and seconds with a letter for the hemisphere (EXIF 2.32, GPS attributes).
fn place(exif: &Exif) -> Option<Place> {
    let angle = |tag, letter_tag, negative: u8| {
        let Value::Rational(parts) = &exif.get_field(tag, In::PRIMARY)?.value else { return None };
        let part =
            |index: usize| parts.get(index).map_or(Some(0.0), |part| Some(part.to_f64()).filter(|x| !x.is_nan()));
        let degrees = part(0)? + part(1)? / 60.0 + part(2)? / 3600.0;
        let letter = exif.get_field(letter_tag, In::PRIMARY).and_then(first_ascii)?.first()?.to_ascii_uppercase();
        Some(if letter == negative { -degrees } else { degrees })
    };
    let below_sea = exif.get_field(Tag::GPSAltitudeRef, In::PRIMARY).and_then(first_number) == Some(1.0);
    let altitude = exif.get_field(Tag::GPSAltitude, In::PRIMARY).and_then(first_number).filter(|x| x.is_finite());
    Place::new(
        angle(Tag::GPSLatitude, Tag::GPSLatitudeRef, b'S')?,
        angle(Tag::GPSLongitude, Tag::GPSLongitudeRef, b'W')?,
        altitude.map(|meters| if below_sea { -meters } else { meters }),
    )
}

fn first_number(field: &Field) -> Option<f64> {
    match &field.value {
        Value::Rational(values) => values.first().map(exif::Rational::to_f64),
        Value::SRational(values) => values.first().map(exif::SRational::to_f64),
        Value::Float(values) => values.first().map(|&value| f64::from(value)),
        Value::Double(values) => values.first().copied(),
        other => other.get_uint(0).map(f64::from),
    }
}

fn first_ascii(field: &Field) -> Option<&[u8]> {
    let Value::Ascii(lines) = &field.value else { return None };
    lines.first().map(Vec::as_slice)
}

fn first_text(field: &Field) -> Option<String> {
    let text = String::from_utf8_lossy(first_ascii(field)?);
    let text = text.trim_matches(|symbol: char| symbol.is_whitespace() || symbol == '\0');
    (!text.is_empty()).then(|| text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use exif::Rational;
    use exif::experimental::Writer;

    fn ascii(tag: Tag, text: &str) -> Field {
        Field { tag, ifd_num: In::PRIMARY, value: Value::Ascii(vec![text.as_bytes().to_vec()]) }
    }

    fn rational(tag: Tag, num: u32, denom: u32) -> Field {
        Field { tag, ifd_num: In::PRIMARY, value: Value::Rational(vec![Rational { num, denom }]) }
    }

    fn read(fields: &[Field]) -> ExifFacts {
        let mut writer = Writer::new();
        fields.iter().for_each(|field| writer.push_field(field));
        let mut tiff = std::io::Cursor::new(Vec::new());
        writer.write(&mut tiff, false).expect("memory takes everything");
        read_exif(tiff.get_ref())
    }

    #[test]
    fn a_capture_time_keeps_fraction_and_offset() {
        let facts = read(&[
            ascii(Tag::DateTimeOriginal, "2001:09:09 01:46:41"),
            ascii(Tag::SubSecTimeOriginal, "25"),
            ascii(Tag::OffsetTimeOriginal, "-03:30"),
        ]);
        // 2001-09-09T01:46:40 is second 1 000 000 000 of the common epoch.
        let expected = CaptureTime { clock_secs: 1_000_000_001.25, utc_offset_minutes: Some(-210) };
        assert_eq!(facts.metadata.capture_time, Some(expected), "clock, fraction and offset");
    }

    #[test]
    fn a_date_that_does_not_exist_is_no_date() {
        let facts = read(&[ascii(Tag::DateTimeOriginal, "2027:02:30 01:46:41")]);
        assert_eq!(facts.metadata.capture_time, None, "February has no 30th day");
        assert_eq!(read(&[ascii(Tag::DateTimeOriginal, "0000:00:00 00:00:00")]).metadata.capture_time, None, "unset");
    }

    #[test]
    fn the_sensor_width_follows_from_the_focal_plane_resolution() {
        let facts = read(&[
            rational(Tag::FocalPlaneXResolution, 6000 * 254, 235),
            rational(Tag::ExposureTime, 13, 1),
            rational(Tag::FNumber, 0, 0),
        ]);
        let width = facts.sensor_width_mm(6000).expect("a resolution was given");
        assert!((width - 23.5).abs() < 1e-9, "6000 pixels at 6000 / 23.5 a millimetre: {width}");
        assert_eq!(facts.metadata.exposure_secs, Some(13.0), "the exposure");
        assert_eq!(facts.metadata.aperture, None, "0/0 is no number");
    }
}
