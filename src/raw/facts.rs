//! What a file says of itself, read without decoding its samples.
//!
//! Files of cameras begin with their directories (TIFF 6.0 lets them stand anywhere, cameras write them first),
//! so the head of a file is enough as a rule; where it does not name the exposure, the whole file is read.

use std::fs::File;
use std::io::{Cursor, Read};
use std::path::Path;

use image::{ImageFormat, ImageReader};
use serde::{Deserialize, Serialize};

use crate::pixels::Size;
use crate::raw::dng::active_area;
use crate::raw::error::Refusal;
use crate::raw::frame::Metadata;
use crate::raw::metadata::{ExifFacts, read_exif};
use crate::raw::rawler_adapter;
use crate::raw::tiff_structure::{TiffStructure, tag};
use crate::system::InWords;

/// Bytes of a file that are read first.
const HEAD_BYTES: u64 = 1 << 20;

/// What a file says of itself; what it does not say is `None`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameFacts {
    /// What EXIF says of the exposure.
    pub metadata: Metadata,
    /// Width by height of the visible area, of kinds of files that tell it without being decoded.
    pub size: Option<Size>,
}

/// Reads them in this process, which damaged files may end: call it in a child only.
pub(super) fn facts_in_this_process(path: &Path) -> Result<FrameFacts, Refusal> {
    let problem = |error: std::io::Error| Refusal::Read(InWords(&error).to_string());
    let mut file = File::open(path).map_err(problem)?;
    let mut bytes = Vec::new();
    file.by_ref().take(HEAD_BYTES).read_to_end(&mut bytes).map_err(problem)?;
    let facts = facts_of(&bytes);
    let is_all = (bytes.len() as u64) < HEAD_BYTES;
    let is_picture = picture_format(&bytes).is_some();
    // Only a TIFF tells its size without being decoded.
    let knows_size = facts.size.is_some() || TiffStructure::parse(&bytes).is_none();
    if is_all || is_picture || (facts.metadata.exposure_secs.is_some() && knows_size) {
        return Ok(facts);
    }
    file.read_to_end(&mut bytes).map_err(problem)?;
    Ok(facts_of(&bytes))
}

fn facts_of(bytes: &[u8]) -> FrameFacts {
    let size = match picture_format(bytes) {
        Some(format) => picture_size(bytes, format),
        None => tiff_size(bytes),
    };
    FrameFacts { metadata: exposure_of(bytes).metadata, size }
}

/// What EXIF says of the exposure. In containers that a reader of EXIF does not open (CR3, RAF and others) the second
/// decoder finds it.
pub(super) fn exposure_of(bytes: &[u8]) -> ExifFacts {
    let exif = read_exif(bytes);
    let is_closed = picture_format(bytes).is_none() && TiffStructure::parse(bytes).is_none();
    if exif.says_nothing() && is_closed { rawler_adapter::exposure(bytes.to_vec()) } else { exif }
}

fn picture_format(bytes: &[u8]) -> Option<ImageFormat> {
    if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        return Some(ImageFormat::Png);
    }
    bytes.starts_with(&[0xFF, 0xD8, 0xFF]).then_some(ImageFormat::Jpeg)
}

fn picture_size(bytes: &[u8], format: ImageFormat) -> Option<Size> {
    let (width, height) = ImageReader::with_format(Cursor::new(bytes), format).into_dimensions().ok()?;
    Some(Size { width: width as usize, height: height as usize })
}

/// Of a DNG the active area; of a developed TIFF the first picture. Other raws have margins that only their
/// decoder knows.
fn tiff_size(bytes: &[u8]) -> Option<Size> {
    let structure = TiffStructure::parse(bytes)?;
    let directory = match structure.raw_directory() {
        Some(raw) if structure.is_dng() => raw,
        Some(_) => return None,
        None => structure.first_directory(),
    };
    let number = |tag| structure.number(directory, tag).map(|value| value as usize);
    let stored = Size { width: number(tag::IMAGE_WIDTH)?, height: number(tag::IMAGE_LENGTH)? };
    active_area(&structure, directory, stored).ok().map(|visible| visible.size)
}

#[cfg(test)]
mod tests {
    use exif::experimental::Writer;
    use exif::{Field, In, Rational, Tag, Value};

    use super::*;

    /// The head of a camera raw that is no TIFF: a pointer to a JPEG, whose EXIF is a TIFF of its own.
    fn raf(fields: &[Field]) -> Vec<u8> {
        let mut writer = Writer::new();
        fields.iter().for_each(|field| writer.push_field(field));
        let mut tiff = Cursor::new(Vec::new());
        writer.write(&mut tiff, false).expect("memory takes everything");
        let mut bytes = b"FUJIFILMCCD-RAW 0201FF383501X-A1".to_vec();
        bytes.resize(160, 0);
        bytes[84..88].copy_from_slice(&160_u32.to_be_bytes());
        bytes.extend(b"\xFF\xD8\xFF\xE1\x10\0Exif\0\0");
        bytes.extend(tiff.into_inner());
        bytes.resize(bytes.len() + 64, 0);
        bytes
    }

    fn field(tag: Tag, value: Value) -> Field {
        Field { tag, ifd_num: In::PRIMARY, value }
    }

    fn ascii(tag: Tag, text: &str) -> Field {
        field(tag, Value::Ascii(vec![text.as_bytes().to_vec()]))
    }

    #[test]
    fn a_raw_that_is_no_tiff_tells_its_exposure_without_being_decoded() {
        let rational = |num, denom| Value::Rational(vec![Rational { num, denom }]);
        // One directory without an entry, 12 bytes behind the maker's name.
        let notes = Value::Undefined(b"FUJIFILM\x0C\0\0\0\0\0\0\0\0\0\0\0\0\0".to_vec(), 0);
        let bytes = raf(&[
            ascii(Tag::Make, "FUJIFILM"),
            ascii(Tag::Model, "X-A1"),
            field(Tag::ExposureTime, rational(13, 1)),
            field(Tag::PhotographicSensitivity, Value::Short(vec![3200])),
            ascii(Tag::DateTimeOriginal, "2027:03:10 23:45:01"),
            field(Tag::MakerNote, notes),
        ]);
        assert!(read_exif(&bytes).says_nothing(), "a reader of EXIF does not find it: this test tells something");
        let found = facts_of(&bytes);
        assert_eq!(found.metadata.exposure_secs, Some(13.0), "{found:?}");
        assert_eq!(found.metadata.iso, Some(3200), "{found:?}");
        assert_eq!(found.metadata.model.as_deref(), Some("X-A1"), "{found:?}");
        assert!(found.metadata.capture_time.is_some(), "{found:?}");
        assert_eq!(found.size, None, "its margins are known to its decoder only");
    }

    #[test]
    fn what_is_no_picture_tells_nothing() {
        assert_eq!(facts_of(b"Clouds until midnight."), FrameFacts::default(), "a text");
    }
}
