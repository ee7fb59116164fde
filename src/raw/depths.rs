//! Samples of depths that the outside decoders give up at, though the coding is one that they read.
//!
//! Lossless JPEG of less than ten bits (ITU-T T.81, process 14): the depth enters nothing but the first prediction of a
//! block, 2 to the power of depth − 1. Every later sample is predicted from those before it (table H.1), and a constant
//! passes through each of those predictors unchanged. So the depth is raised, and what that adds is taken off again.
//! JPEG XL (ISO/IEC 18181) of other depths than 8 and 16: the samples come as parts of the depth's highest code.

use jxl_oxide::JxlImage;

use crate::pixels::Size;
use crate::raw::dng::DngFacts;
use crate::raw::error::Refusal;
use crate::raw::rawler_adapter::{self, RawRefusal};
use crate::raw::tiff_structure::{TiffStructure, tag};

/// The least depth of lossless JPEG that the second decoder takes.
pub(super) const LEAST_LOSSLESS_BITS: usize = 10;

/// A part may be larger than the picture, not much: pixels of a large tile, and how many times the larger of both.
const LARGE_TILE: usize = 1 << 20;
const MOST_PADDING: usize = 4;

/// Start of image, and start of frame of process 14 (T.81, table B.1).
const START_OF_IMAGE: [u8; 2] = [0xFF, 0xD8];
const START_OF_FRAME: [u8; 2] = [0xFF, 0xC3];

/// The samples of a DNG whose blocks are lossless JPEG of less than ten bits.
pub(super) fn shallow_lossless_samples(structure: &TiffStructure<'_>) -> Result<Vec<u16>, RawRefusal> {
    let raw = structure.raw_directory().ok_or(RawRefusal::NoRaw)?;
    let mut bytes = structure.without(tag::LINEARIZATION_TABLE);
    let mut added = None;
    for (offset, length) in structure.data_blocks(raw) {
        let (start, length) = (offset as usize, length as usize);
        let block = start.checked_add(length).and_then(|end| bytes.get_mut(start..end)).ok_or(RawRefusal::NoRaw)?;
        let constant = raise_depth(block).ok_or_else(no_header)?;
        if *added.get_or_insert(constant) != constant {
            return Err(no_header());
        }
    }
    let mut samples = rawler_adapter::dng_samples(bytes)?;
    let added = added.unwrap_or(0);
    samples.iter_mut().for_each(|sample| *sample = sample.wrapping_sub(added));
    Ok(samples)
}

fn no_header() -> RawRefusal {
    RawRefusal::Damaged("a block of lossless JPEG has no header".to_owned())
}

/// Raises the depth of a block; what that adds to every sample. `None` where the header is not found.
pub(super) fn raise_depth(block: &mut [u8]) -> Option<u16> {
    let mut at = START_OF_IMAGE.len();
    if !block.starts_with(&START_OF_IMAGE) {
        return None;
    }
    loop {
        let length = u16::from_be_bytes(block.get(at + 2..at + 4)?.try_into().ok()?);
        if block[at..at + 2] == START_OF_FRAME {
            let depth = block.get_mut(at + 4)?;
            let (was, raised) = (*depth, LEAST_LOSSLESS_BITS as u8);
            if !(2..raised).contains(&was) {
                return None;
            }
            *depth = raised;
            return Some((1 << (raised - 1)) - (1 << (was - 1)));
        }
        at += 2 + usize::from(length);
    }
}

impl DngFacts {
    /// The samples of a DNG whose strips or tiles are JPEG XL of any depth up to 16 bits.
    pub(super) fn jpeg_xl_samples(&self, structure: &TiffStructure<'_>) -> Result<Vec<u16>, Refusal> {
        let raw = structure.raw_directory().expect("the facts were read from it");
        let number = |tag| structure.number(raw, tag).map(|value| (value as usize).max(1));
        let tile = number(tag::TILE_WIDTH).zip(number(tag::TILE_LENGTH));
        let strip = (self.stored.width, number(tag::ROWS_PER_STRIP).unwrap_or(self.stored.height));
        let (width, height) = tile.unwrap_or(strip);
        if width.saturating_mul(height) > MOST_PADDING * self.stored.area().max(LARGE_TILE) {
            return Err(Refusal::malformed(format!(
                "parts of {width} × {height} pixels are no parts of {}",
                self.stored
            )));
        }
        let across = self.stored.width.div_ceil(width);
        let n = self.samples_per_pixel;
        let row_samples = self.stored.width * n;
        let mut samples = vec![0; self.stored.height * row_samples];
        let blocks = structure.data_blocks(raw);
        for (number, rows) in samples.chunks_mut(height.saturating_mul(row_samples)).enumerate() {
            let n_rows = rows.len() / row_samples;
            for column in 0..across {
                let block = blocks.get(number * across + column).and_then(|&block| structure.block_bytes(block));
                let block = block.ok_or_else(|| Refusal::malformed("a part of the picture is missing"))?;
                // A tile at the edge is padded; the last strip ends with the picture.
                let size = Size { width, height: if tile.is_some() { height } else { n_rows } };
                let decoded = jpeg_xl_block(block, size, n)?;
                let (first, length) = (column * width * n, (self.stored.width - column * width).min(width) * n);
                for (row, decoded) in rows.chunks_exact_mut(row_samples).zip(decoded.chunks_exact(width * n)) {
                    row[first..first + length].copy_from_slice(&decoded[..length]);
                }
            }
        }
        Ok(samples)
    }
}

/// One block of `size` with `n` samples a pixel.
fn jpeg_xl_block(bytes: &[u8], size: Size, n: usize) -> Result<Vec<u16>, Refusal> {
    let damaged = |_error| Refusal::malformed("its JPEG XL is damaged; copy it from the card again");
    let image = JxlImage::builder().read(bytes).map_err(damaged)?;
    let found = Size { width: image.width() as usize, height: image.height() as usize };
    if found != size {
        return Err(Refusal::malformed(format!("a part of the picture is {found} where {size} are needed")));
    }
    let highest = (1_u32 << image.image_header().metadata.bit_depth.bits_per_sample().min(16)) - 1;
    let frame = image.render_frame(0).map_err(damaged)?;
    let mut stream = frame.stream_no_alpha();
    let mut parts = vec![0.0_f32; size.area() * n];
    if stream.channels() as usize != n || stream.write_to_buffer(&mut parts) != parts.len() {
        return Err(Refusal::malformed(format!(
            "a part of the picture has {} samples a pixel where {n} are needed",
            stream.channels()
        )));
    }
    // A float has room for every code of 16 bits; the cast keeps within them.
    Ok(parts.into_iter().map(|part| (part * highest as f32).round() as u16).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_depth_is_raised_behind_other_segments_and_nothing_else_is_touched() {
        let mut block = b"\xFF\xD8\xFF\xC4\0\x04\x01\x02\xFF\xC3\0\x0B\x08\0\x10\0\x10\x01".to_vec();
        let before = block.clone();
        assert_eq!(raise_depth(&mut block), Some(512 - 128), "half of ten bits less half of eight");
        assert_eq!(block[12], 10, "the depth");
        block[12] = 8;
        assert_eq!(block, before, "all else is as it was");
        for length in 0..12 {
            assert_eq!(raise_depth(&mut before[..length].to_vec()), None, "cut at {length}");
        }
    }
}
