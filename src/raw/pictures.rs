//! TIFF, PNG and JPEG files as frames: developed as their colour profile says; sRGB where they have none.

use std::io::Cursor;

use image::{DynamicImage, ImageDecoder, ImageError, ImageFormat, ImageReader, Limits};

use crate::pixels::{Layout, Orientation, Plane, Size};
use crate::raw::adapters::every;
use crate::raw::error::Refusal;
use crate::raw::frame::{CameraColor, Metadata, RawFrame, TransferFunction};
use crate::raw::profile::apply_profile;
use crate::raw::tiff_structure::{TiffStructure, tag};

/// The frame in a picture file of the given format.
pub(super) fn decode_picture(bytes: &[u8], format: ImageFormat, max_pixels: usize) -> Result<RawFrame, Refusal> {
    if format == ImageFormat::Jpeg && !jpeg_is_complete(bytes) {
        return Err(Refusal::malformed("the JPEG data stop before their end marker: the file is truncated"));
    }
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    // The process has a memory limit of its own, and the pixels are counted below.
    reader.limits(Limits::no_limits());
    let mut decoder = reader.into_decoder().map_err(refusal)?;
    let (width, height) = decoder.dimensions();
    let size = Size { width: width as usize, height: height as usize };
    check_pixels(size, max_pixels)?;
    let profile = match TiffStructure::parse(bytes) {
        Some(tiff) => tiff.tag_bytes(tiff.first_directory(), tag::ICC_PROFILE).map(<[u8]>::to_vec),
        None => decoder.icc_profile().map_err(refusal)?,
    };
    let picture = DynamicImage::from_decoder(decoder).map_err(refusal)?;
    let (planes, white_level) = planes_of(picture, size)?;
    let mut frame = RawFrame {
        layout: Layout::Rgb,
        planes,
        black_level: [0.0; 4],
        white_level,
        transfer: TransferFunction::Srgb,
        color: CameraColor::SRGB,
        orientation: Orientation::Normal,
        metadata: Metadata::default(),
        margins: crate::raw::Margins::default(),
    };
    if let Some(profile) = profile {
        apply_profile(&mut frame, &profile)?;
    }
    Ok(frame)
}

/// Refuses a declared size over the limit, or without pixels.
pub(super) fn check_pixels(size: Size, max_pixels: usize) -> Result<(), Refusal> {
    if size.width.saturating_mul(size.height) > max_pixels {
        return Err(Refusal::LimitExceeded(format!(
            "the file declares {size} pixels where {} megapixels are allowed: it is damaged, or no single frame",
            max_pixels / 1_000_000
        )));
    }
    if size.width < 2 || size.height < 2 {
        return Err(Refusal::malformed(format!("the file declares {size} pixels: at least 2 × 2 are needed")));
    }
    Ok(())
}

/// Whether an end-of-image marker follows the start of the scan (ITU-T T.81, annex B).
///
/// Before the scan a marker can belong to an embedded preview; within it, 0xFF 0xD9 never stands for data.
pub(super) fn jpeg_is_complete(bytes: &[u8]) -> bool {
    let mut at = 2;
    while let Some(&[0xFF, marker, high, low]) = bytes.get(at..at + 4).and_then(|head| head.first_chunk::<4>()) {
        if marker == 0xDA {
            return bytes[at..].windows(2).any(|pair| pair == [0xFF, 0xD9]);
        }
        let is_fill = marker == 0xFF;
        at += if is_fill { 1 } else { 2 + usize::from(u16::from_be_bytes([high, low])) };
    }
    false
}

fn planes_of(picture: DynamicImage, size: Size) -> Result<(Vec<Plane<u16>>, u16), Refusal> {
    const WHITE_8: u16 = 0xFF;
    const WHITE_16: u16 = 0xFFFF;
    Ok(match picture {
        DynamicImage::ImageLuma8(grey) => (grey_planes(size, grey.as_raw(), 1), WHITE_8),
        DynamicImage::ImageLumaA8(grey) => (grey_planes(size, grey.as_raw(), 2), WHITE_8),
        DynamicImage::ImageLuma16(grey) => (grey_planes(size, grey.as_raw(), 1), WHITE_16),
        DynamicImage::ImageLumaA16(grey) => (grey_planes(size, grey.as_raw(), 2), WHITE_16),
        DynamicImage::ImageRgb8(color) => (color_planes(size, color.as_raw(), 3), WHITE_8),
        DynamicImage::ImageRgba8(color) => (color_planes(size, color.as_raw(), 4), WHITE_8),
        DynamicImage::ImageRgb16(color) => (color_planes(size, color.as_raw(), 3), WHITE_16),
        DynamicImage::ImageRgba16(color) => (color_planes(size, color.as_raw(), 4), WHITE_16),
        other => {
            let kind = other.color();
            return Err(Refusal::unsupported(format!(
                "the picture has samples of kind {kind:?}: 8 or 16 bits a sample are needed; export it as 16-bit TIFF"
            )));
        }
    })
}

fn grey_planes<T: Copy + Into<u16>>(size: Size, samples: &[T], stride: usize) -> Vec<Plane<u16>> {
    vec![every(size, samples, 0, stride); 3]
}

fn color_planes<T: Copy + Into<u16>>(size: Size, samples: &[T], stride: usize) -> Vec<Plane<u16>> {
    (0..3).map(|channel| every(size, samples, channel, stride)).collect()
}

fn refusal(error: ImageError) -> Refusal {
    match error {
        ImageError::Unsupported(reason) => {
            Refusal::unsupported(format!("{reason}; export the frame as 16-bit TIFF without compression"))
        }
        ImageError::Limits(reason) => Refusal::LimitExceeded(reason.to_string()),
        other => Refusal::malformed(format!("damaged picture file: {other}; copy it again")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn jpeg() -> Vec<u8> {
        let picture = image::RgbImage::from_fn(32, 24, |x, y| image::Rgb([(x * 8) as u8, (y * 10) as u8, 77]));
        let mut bytes = Cursor::new(Vec::new());
        picture.write_to(&mut bytes, ImageFormat::Jpeg).expect("memory takes everything");
        bytes.into_inner()
    }

    #[test]
    fn a_jpeg_without_its_end_marker_is_truncated() {
        let bytes = jpeg();
        assert!(jpeg_is_complete(&bytes), "as it was written");
        for length in [0, 1, 2, 20, bytes.len() / 2, bytes.len() - 2] {
            assert!(!jpeg_is_complete(&bytes[..length]), "{length} bytes of {}", bytes.len());
        }
    }

    #[test]
    fn grey_becomes_three_equal_planes() {
        let picture =
            DynamicImage::ImageLuma16(image::ImageBuffer::from_fn(5, 3, |x, y| image::Luma([(x + 10 * y) as u16])));
        let mut bytes = Cursor::new(Vec::new());
        picture.write_to(&mut bytes, ImageFormat::Png).expect("memory takes everything");
        let frame = decode_picture(bytes.get_ref(), ImageFormat::Png, 100).expect("a picture");
        assert_eq!(frame.planes.len(), 3, "red, green, blue");
        assert_eq!(frame.planes[2].row(2), &[20, 21, 22, 23, 24], "the last row in blue");
        assert_eq!(frame.white_level, 0xFFFF, "16 bits");
    }

    #[test]
    fn a_picture_over_the_limit_is_refused_with_both_numbers() {
        let refused = check_pixels(Size { width: 50_000, height: 40_000 }, 160_000_000).expect_err("2000 megapixels");
        assert!(format!("{refused:?}").contains("50000 × 40000"), "the size found: {refused:?}");
        assert!(format!("{refused:?}").contains("160 megapixels"), "the size allowed: {refused:?}");
    }
}
