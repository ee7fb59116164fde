//! The foreground mask inside a sheaf file: a 16-bit grey PNG as base64 text, in sensor coordinates.

use std::io::Cursor;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use image::{ImageBuffer, ImageFormat, ImageReader, Luma};

use crate::foreground::ForegroundMask;
use crate::pixels::{Plane, Size, to_code_u16};

/// Characters a line, as in mail (RFC 2045, section 6.8).
const LINE: usize = 76;

/// Pixels of a mask at most: as many as a frame may have.
const MOST_PIXELS: u64 = 160_000_000;

/// The mask with as many steps as a file holds: what a run of the file gets, and so what any run gets.
#[must_use]
pub fn round_mask(mask: &ForegroundMask) -> ForegroundMask {
    ForegroundMask(mask.0.map(|alpha| from_code(code(alpha))))
}

/// A mask as text.
pub(super) fn mask_to_text(mask: &ForegroundMask) -> Result<String, String> {
    let size = mask.size();
    let codes: Vec<u16> = mask.0.samples().iter().map(|&alpha| code(alpha)).collect();
    let side = |len: usize| u32::try_from(len).ok().ok_or_else(|| format!("the mask is {size}, too large to be saved"));
    let picture = ImageBuffer::<Luma<u16>, _>::from_raw(side(size.width)?, side(size.height)?, codes);
    let mut png = Cursor::new(Vec::new());
    let written = picture.expect("one code a pixel").write_to(&mut png, ImageFormat::Png);
    written.map_err(|error| format!("the mask cannot be encoded: {error}"))?;
    let text = STANDARD.encode(png.get_ref());
    let mut lines = String::with_capacity(text.len() + text.len() / LINE + 2);
    lines.push('\n');
    for (place, letter) in text.chars().enumerate() {
        if place > 0 && place % LINE == 0 {
            lines.push('\n');
        }
        lines.push(letter);
    }
    lines.push('\n');
    Ok(lines)
}

/// A mask from its text; says what is wrong with it otherwise.
pub(super) fn mask_from_text(text: &str) -> Result<ForegroundMask, String> {
    let text: String = text.split_ascii_whitespace().collect();
    let png = STANDARD.decode(text).map_err(|error| format!("the mask is no base64 text: {error}"))?;
    let reader = || ImageReader::with_format(Cursor::new(&png), ImageFormat::Png);
    let broken = |error: image::ImageError| format!("the mask is no whole PNG: {error}");
    let (width, height) = reader().into_dimensions().map_err(broken)?;
    if u64::from(width) * u64::from(height) > MOST_PIXELS {
        return Err(format!("the mask says that it is {width} × {height} pixels, no frame is so large"));
    }
    let picture = reader().decode().map_err(broken)?.into_luma16();
    let size = Size { width: picture.width() as usize, height: picture.height() as usize };
    let samples = picture.into_raw().into_iter().map(from_code).collect();
    Ok(ForegroundMask(Plane::from_vec(size, samples).expect("a grey picture has one sample a pixel")))
}

fn code(alpha: f32) -> u16 {
    to_code_u16(alpha * 65535.0)
}

fn from_code(code: u16) -> f32 {
    f32::from(code) / 65535.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mask_comes_back_as_a_run_rounds_it_and_rounding_twice_is_rounding_once() {
        let mask = ForegroundMask(Plane::from_fn(Size { width: 97, height: 61 }, |x, y| {
            ((x * 7919 + y * 104_729) % 100_003) as f32 / 100_003.0
        }));
        let rounded = round_mask(&mask);
        assert_ne!(rounded, mask, "these weights need more steps than a file has");
        assert_eq!(round_mask(&rounded), rounded, "once is enough");
        let text = mask_to_text(&mask).expect("a small mask");
        assert!(text.lines().all(|line| line.len() <= LINE), "in lines");
        assert_eq!(mask_from_text(&text), Ok(rounded), "out of the file as a run takes it");
    }

    #[test]
    fn every_code_survives() {
        assert!((0..=u16::MAX).all(|number| code(from_code(number)) == number), "all 65536 steps");
    }

    #[test]
    fn text_that_is_no_mask_is_told() {
        for (text, part) in [("clouds?", "base64"), ("Y2xvdWRz", "PNG"), ("", "PNG")] {
            let problem = mask_from_text(text).expect_err("no mask");
            assert!(problem.contains(part), "{problem}");
        }
    }
}
