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
use crate::raw::metadata::read_exif;
use crate::raw::tiff_structure::{TiffStructure, tag};

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
    let problem = |error: std::io::Error| Refusal::Read(error.to_string());
    let mut file = File::open(path).map_err(problem)?;
    let mut bytes = Vec::new();
    file.by_ref().take(HEAD_BYTES).read_to_end(&mut bytes).map_err(problem)?;
    let facts = facts_of(&bytes);
    let is_all = (bytes.len() as u64) < HEAD_BYTES;
    let is_picture = picture_format(&bytes).is_some();
    if is_all || is_picture || (facts.metadata.exposure_secs.is_some() && facts.size.is_some()) {
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
    FrameFacts { metadata: read_exif(bytes).metadata, size }
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
    use super::*;

    #[test]
    fn what_is_no_picture_tells_nothing() {
        assert_eq!(facts_of(b"Clouds until midnight."), FrameFacts::default(), "a text");
    }
}
