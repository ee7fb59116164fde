//! JPEG for sharing: 8 bits, full color resolution, with profile and exposure data.

use std::io::Write;
use std::path::Path;

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder, ImageError};

use crate::export::exif::{FileMetadata, JpegFacts, exif_block};
use crate::export::replace::replace_file;
use crate::export::strips::{finished_rows, for_each_strip};
use crate::export::{ExportError, Finished, icc, sides, xmp};
use crate::job::Monitor;
use crate::pixels::Orientation;

/// Quality that leaves no visible trace at the size of a screen. Common practice, no source.
pub const DEFAULT_JPEG_QUALITY: u8 = 92;

/// Most pixels along a side (ITU-T T.81: 16 bits).
const MOST_ALONG_A_SIDE: u32 = 65_535;

/// Writes a JPEG; `quality` is 1 to 100.
pub fn write_jpeg(
    monitor: &Monitor,
    path: &Path,
    picture: Finished<'_>,
    orientation: Orientation,
    metadata: &FileMetadata,
    quality: u8,
) -> Result<(), ExportError> {
    let upright = orientation.upright_size(picture.size());
    let (width, height) = sides(upright, "JPEG", MOST_ALONG_A_SIDE)?;
    replace_file(path, 3 * upright.area() as u64, |file| {
        let mut bytes = Vec::with_capacity(3 * upright.area());
        let make = |rows| finished_rows(picture, orientation, rows);
        for_each_strip(monitor, upright.height, make, |strip| {
            // 65535 / 255 = 257: rounded, at most 255.
            bytes.extend(strip.as_flattened().iter().map(|&code| ((u32::from(code) + 128) / 257) as u8));
            Ok(())
        })?;
        let mut packed = Vec::with_capacity(upright.area());
        let mut encoder = JpegEncoder::new_with_quality(&mut packed, quality.clamp(1, 100));
        encoder.set_icc_profile(icc::profile(picture.encoding())).map_err(ImageError::Unsupported)?;
        let exif = exif_block(metadata, picture.encoding(), Some(JpegFacts { width, height }))?;
        encoder.set_exif_metadata(exif).map_err(ImageError::Unsupported)?;
        encoder.write_image(&bytes, width, height, ExtendedColorType::Rgb8)?;
        let (head, rest) = packed.split_at(end_of_application_data(&packed));
        file.write_all(head)?;
        file.write_all(&xmp_segment(metadata))?;
        Ok(file.write_all(rest)?)
    })
}

/// Where the segments end that describe the file and not the coding (ITU-T T.81, annex B: APP0 to APP15).
fn end_of_application_data(jpeg: &[u8]) -> usize {
    let mut at = 2;
    while let Some(&[0xFF, 0xE0..=0xEF, high, low]) = jpeg.get(at..at + 4).and_then(|head| head.first_chunk::<4>()) {
        at += 2 + usize::from(u16::from_be_bytes([high, low]));
    }
    at.min(jpeg.len())
}

fn xmp_segment(metadata: &FileMetadata) -> Vec<u8> {
    let packet = xmp::packet(metadata);
    let length = 2 + xmp::JPEG_SIGNATURE.len() + packet.len();
    // Names of cameras and lenses are short; a packet beyond 64 KiB is left out, as EXIF says the same.
    let Ok(length) = u16::try_from(length) else { return Vec::new() };
    [&[0xFF, 0xE1][..], &length.to_be_bytes(), xmp::JPEG_SIGNATURE, &packet].concat()
}

impl From<ImageError> for ExportError {
    fn from(error: ImageError) -> Self {
        match error {
            ImageError::IoError(error) => error.into(),
            other => Self::Encode(other.to_string()),
        }
    }
}
