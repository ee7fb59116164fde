//! Samples that a DNG stores as they are: strips or tiles of 8 to 16 bits a sample (TIFF 6.0).

use rayon::prelude::*;

use crate::raw::dng::DngFacts;
use crate::raw::error::Refusal;
use crate::raw::tiff_structure::{TiffStructure, tag};

impl DngFacts {
    /// The samples of the whole sensor where they are stored as they are.
    pub(super) fn plain_samples(&self, structure: &TiffStructure<'_>, bits: usize) -> Result<Vec<u16>, Refusal> {
        let raw = structure.raw_directory().expect("the facts were read from it");
        let number = |tag| structure.number(raw, tag).map(|value| (value as usize).max(1));
        let tile = number(tag::TILE_WIDTH).zip(number(tag::TILE_LENGTH));
        let strip = (self.stored.width, number(tag::ROWS_PER_STRIP).unwrap_or(self.stored.height));
        let (block_width, block_height) = tile.unwrap_or(strip);
        let across = self.stored.width.div_ceil(block_width);
        let row_bytes = (block_width.saturating_mul(self.samples_per_pixel * bits)).div_ceil(8);
        let blocks = structure.data_blocks(raw);
        let row_samples = self.stored.width * self.samples_per_pixel;
        let mut samples = vec![0; self.stored.height * row_samples];
        samples.par_chunks_mut(row_samples).enumerate().try_for_each(|(y, row)| {
            for (column, part) in row.chunks_mut(block_width.saturating_mul(self.samples_per_pixel)).enumerate() {
                let block = blocks.get(y / block_height * across + column);
                let start = (y % block_height).saturating_mul(row_bytes);
                // Rows of a tile at the right edge are padded: only the part within the picture must be there.
                let length = (part.len() * bits).div_ceil(8);
                let source = block.and_then(|&block| structure.block_bytes(block)?.get(start..)?.get(..length));
                let source = source.ok_or_else(|| {
                    Refusal::malformed(format!("the samples of row {y} of {} are missing", self.stored.height))
                })?;
                unpack(source, bits, structure.is_big_endian(), part);
            }
            Ok(())
        })?;
        Ok(samples)
    }
}

/// One row of samples of 8 to 16 bits.
fn unpack(source: &[u8], bits: usize, big_endian: bool, row: &mut [u16]) {
    match bits {
        8 => row.iter_mut().zip(source).for_each(|(sample, &byte)| *sample = u16::from(byte)),
        16 if big_endian => {
            let pairs = source.chunks_exact(2);
            row.iter_mut().zip(pairs).for_each(|(sample, pair)| *sample = u16::from_be_bytes([pair[0], pair[1]]));
        }
        16 => {
            let pairs = source.chunks_exact(2);
            row.iter_mut().zip(pairs).for_each(|(sample, pair)| *sample = u16::from_le_bytes([pair[0], pair[1]]));
        }
        _ => unpack_bits(source, bits, row),
    }
}

fn unpack_bits(source: &[u8], bits: usize, row: &mut [u16]) {
    let mask = (1_u32 << bits) - 1;
    let mut bytes = source.iter();
    let (mut held, mut n_held) = (0_u32, 0);
    for sample in row {
        while n_held < bits {
            held = held << 8 | u32::from(bytes.next().copied().unwrap_or(0));
            n_held += 8;
        }
        n_held -= bits;
        *sample = (held >> n_held & mask) as u16;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packed_samples_begin_with_the_most_significant_bit() {
        let mut row = [0; 4];
        // 0xABC, 0x123, 0xFFF, 0x001 of 12 bits each.
        unpack(&[0xAB, 0xC1, 0x23, 0xFF, 0xF0, 0x01], 12, false, &mut row);
        assert_eq!(row, [0xABC, 0x123, 0xFFF, 0x001], "two samples in three bytes");
        // Fourteen bits: 11111111111111 00000000000001 10000000000000 00000000000010.
        unpack(&[0xFF, 0xFC, 0x00, 0x18, 0x00, 0x00, 0x02], 14, false, &mut row);
        assert_eq!(row, [0x3FFF, 1, 0x2000, 2], "four samples in seven bytes");
    }
}
