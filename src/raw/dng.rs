//! What a DNG says of its raw picture, and its samples where they are not compressed.
//!
//! Source: Adobe DNG specification 1.4 (2012) and TIFF 6.0. Conventions of DNG: the patterns of the colour
//! filter array and of the black level begin at the top left of the active area; codes go through the
//! linearization table first, so black and white level are in its output; packed samples begin with the
//! most significant bit and each row on a byte.

use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;

use crate::pixels::{Cfa, CfaColor, Layout, Plane, Rect, Size};
use crate::raw::adapters::{camera_color, every};
use crate::raw::error::Refusal;
use crate::raw::frame::CameraColor;
use crate::raw::pictures::check_pixels;
use crate::raw::tiff_structure::{CFA, Directory, TiffStructure, tag};

/// EXIF LightSource value of D65.
const ILLUMINANT_D65: f64 = 21.0;

/// What a DNG says of its raw picture.
pub(super) struct DngFacts {
    pub(super) layout: Layout,
    pub(super) black_level: [f32; 4],
    pub(super) white_level: u16,
    pub(super) color: CameraColor,
    pub(super) coding: Coding,
    stored: Size,
    samples_per_pixel: usize,
    visible: Rect,
    linearization: Option<Vec<u16>>,
}

/// How the samples are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Coding {
    /// As they are, this many bits each.
    Plain { bits: usize },
    /// ITU-T T.81, process 14.
    LosslessJpeg,
}

impl DngFacts {
    /// Reads and checks them; the size is checked against the limit before anything is allocated.
    pub(super) fn read(structure: &TiffStructure<'_>, max_pixels: usize) -> Result<Self, Refusal> {
        let raw = structure
            .raw_directory()
            .ok_or_else(|| Refusal::unsupported("the DNG holds no raw picture in full size; is it a preview only?"))?;
        let needed = |tag, name| {
            let missing =
                || Refusal::malformed(format!("the DNG does not say its {name}; copy it from the card again"));
            structure.number(raw, tag).map(|value| value as usize).ok_or_else(missing)
        };
        let stored = Size { width: needed(tag::IMAGE_WIDTH, "width")?, height: needed(tag::IMAGE_LENGTH, "height")? };
        check_pixels(stored, max_pixels)?;
        let bits = needed(tag::BITS_PER_SAMPLE, "bits a sample")?;
        let samples_per_pixel = structure.number(raw, tag::SAMPLES_PER_PIXEL).unwrap_or(1) as usize;
        let coding = coding(needed(tag::COMPRESSION, "compression")?, bits)?;
        let full_scale = ((1_u64 << bits.min(16)) - 1) as u32;
        let white = structure.number(raw, tag::WHITE_LEVEL).unwrap_or(full_scale);
        let layout = layout(structure, raw, samples_per_pixel)?;
        let white_level = u16::try_from(white).map_err(|_too_large| {
            Refusal::unsupported(format!("the white level is {white}: samples of more than 16 bits are not read"))
        })?;
        let black_level = black_level(structure, raw, samples_per_pixel);
        check_levels(black_level, white_level)?;
        Ok(Self {
            layout,
            black_level,
            white_level,
            color: color(structure),
            coding,
            stored,
            samples_per_pixel,
            visible: active_area(structure, raw, stored)?,
            linearization: structure
                .numbers(raw, tag::LINEARIZATION_TABLE)
                .filter(|table| !table.is_empty())
                .map(|table| table.iter().map(|&level| level as u16).collect()),
        })
    }

    /// The planes of the active area, from the samples of the whole sensor.
    pub(super) fn planes(&self, mut samples: Vec<u16>) -> Result<Vec<Plane<u16>>, Refusal> {
        let needed = self.stored.area() * self.samples_per_pixel;
        if samples.len() != needed {
            return Err(Refusal::malformed(format!(
                "found {} samples where {} need {needed}: the DNG is damaged",
                samples.len(),
                self.stored
            )));
        }
        if let Some(table) = &self.linearization {
            // A code beyond the table has the table's last level.
            samples.iter_mut().for_each(|sample| *sample = table[usize::from(*sample).min(table.len() - 1)]);
        }
        Ok(match (self.layout, self.samples_per_pixel) {
            (Layout::Mosaic(_), _) => vec![crop(samples, self.stored, self.visible)],
            (Layout::Rgb, 1) => vec![crop(samples, self.stored, self.visible); 3],
            (Layout::Rgb, n) => {
                (0..3).map(|channel| every(self.stored, &samples, channel, n).crop(self.visible)).collect()
            }
        })
    }

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

fn coding(compression: usize, bits: usize) -> Result<Coding, Refusal> {
    match compression {
        1 if (8..=16).contains(&bits) => Ok(Coding::Plain { bits }),
        7 if bits <= 16 => Ok(Coding::LosslessJpeg),
        1 | 7 => Err(Refusal::unsupported(format!(
            "the DNG has {bits} bits a sample: 8 to 16 are read; convert it to a DNG with whole numbers"
        ))),
        other => Err(Refusal::unsupported(format!(
            "the DNG is compressed by method {other}: none (1) and lossless JPEG (7) are read; convert it without lossy compression"
        ))),
    }
}

fn layout(structure: &TiffStructure<'_>, raw: &Directory, samples_per_pixel: usize) -> Result<Layout, Refusal> {
    if structure.number(raw, tag::PHOTOMETRIC) != Some(CFA) {
        return match samples_per_pixel {
            1 | 3 => Ok(Layout::Rgb),
            n => Err(Refusal::unsupported(format!("the DNG has {n} samples a pixel: 1 or 3 are read"))),
        };
    }
    if samples_per_pixel != 1 {
        return Err(Refusal::unsupported(format!(
            "the DNG has {samples_per_pixel} samples a pixel behind its colour filter array: 1 is read"
        )));
    }
    let repeat = structure.numbers(raw, tag::CFA_REPEAT).unwrap_or_default();
    let pattern = structure.numbers(raw, tag::CFA_PATTERN).unwrap_or_default();
    let colors: Vec<usize> = pattern.iter().map(|&color| color as usize).collect();
    match (repeat.as_slice(), colors.as_slice()) {
        ([2.0, 2.0], &[a, b, c, d]) => bayer([[a, b], [c, d]]).map(Layout::Mosaic),
        ([rows, columns, ..], _) => Err(not_bayer(*columns as usize, *rows as usize)),
        _ => Err(Refusal::malformed("the DNG does not say its colour filter array; copy it from the card again")),
    }
}

/// The Bayer pattern of these colour numbers (0 red, 1 green, 2 blue).
pub(super) fn bayer(colors: [[usize; 2]; 2]) -> Result<Cfa, Refusal> {
    let [[a, b], [c, d]] = colors;
    let greens_touch_at_corners = (a == 1 && d == 1) || (b == 1 && c == 1);
    let mut sorted = [a, b, c, d];
    sorted.sort_unstable();
    if sorted != [0, 1, 1, 2] || !greens_touch_at_corners {
        return Err(not_bayer(2, 2));
    }
    let color = |number| [CfaColor::Red, CfaColor::Green, CfaColor::Blue][number];
    Ok(Cfa(colors.map(|row| row.map(color))))
}

/// The message for any other colour filter array.
pub(super) fn not_bayer(width: usize, height: usize) -> Refusal {
    let name =
        if (width, height) == (6, 6) { "X-Trans (6 × 6)".to_owned() } else { format!("other ({width} × {height})") };
    Refusal::unsupported(format!(
        "the sensor has a colour filter array of kind {name}: Bayer arrays (2 × 2: red, twice green, blue) are read; \
         develop the frames to 16-bit TIFF first"
    ))
}

/// The mean of the repeating block over each position of 2 × 2; blocks are 1 × 1 or 2 × 2 in practice.
fn black_level(structure: &TiffStructure<'_>, raw: &Directory, samples_per_pixel: usize) -> [f32; 4] {
    let Some(levels) = structure.numbers(raw, tag::BLACK_LEVEL).filter(|levels| !levels.is_empty()) else {
        return [0.0; 4];
    };
    let level = |index: usize| levels.get(index).copied().unwrap_or(levels[0]);
    if samples_per_pixel > 1 {
        return std::array::from_fn(|channel| level(channel) as f32);
    }
    let repeat = structure.numbers(raw, tag::BLACK_LEVEL_REPEAT).unwrap_or_default();
    let side = |index: usize| repeat.get(index).map_or(1, |&side| (side as usize).clamp(1, 64));
    let (rows, columns) = (side(0), side(1));
    // Two blocks in a row cover an odd block at both of its phases.
    let phases = |start: usize, side: usize| (start..2 * side).step_by(2).map(move |index| index % side);
    std::array::from_fn(|position| {
        let (y, x) = (position / 2, position % 2);
        let values: Vec<f64> = phases(y, rows)
            .flat_map(|row| phases(x, columns).map(move |column| row * columns + column))
            .map(level)
            .collect();
        (values.iter().sum::<f64>() / values.len() as f64) as f32
    })
}

/// Refuses levels that no sample can lie between.
pub(super) fn check_levels(black_level: [f32; 4], white_level: u16) -> Result<(), Refusal> {
    if black_level.iter().all(|&black| black >= 0.0 && black < f32::from(white_level)) {
        return Ok(());
    }
    Err(Refusal::malformed(format!(
        "the white level {white_level} is not above the black level {black_level:?}: the file is damaged"
    )))
}

/// Camera from XYZ is AnalogBalance · CameraCalibration · ColorMatrix, of the calibration at D65 if there is one.
fn color(structure: &TiffStructure<'_>) -> CameraColor {
    let first = (tag::COLOR_MATRIX_1, tag::CAMERA_CALIBRATION_1, tag::ILLUMINANT_1);
    let second = (tag::COLOR_MATRIX_2, tag::CAMERA_CALIBRATION_2, tag::ILLUMINANT_2);
    let is_daylight = |(_, _, light): (u16, u16, u16)| {
        structure.anywhere(light).is_some_and(|light| light.first() == Some(&ILLUMINANT_D65))
    };
    let use_first = structure.anywhere(second.0).is_none() || (is_daylight(first) && !is_daylight(second));
    let (matrix, calibration, _) = if use_first { first } else { second };
    let matrix3 =
        |tag| structure.anywhere(tag).filter(|values| values.len() == 9).map(|values| Matrix3::from_row_slice(&values));
    let balance = structure
        .anywhere(tag::ANALOG_BALANCE)
        .filter(|values| values.len() == 3)
        .map_or_else(Matrix3::identity, |values| Matrix3::from_diagonal(&Vector3::from_column_slice(&values)));
    let camera_from_xyz =
        matrix3(matrix).map(|matrix| balance * matrix3(calibration).unwrap_or_else(Matrix3::identity) * matrix);
    let neutral = structure.anywhere(tag::AS_SHOT_NEUTRAL).and_then(|values| <[f64; 3]>::try_from(values).ok());
    camera_color(camera_from_xyz, neutral)
}

/// The active area (top, left, bottom, right), or the whole sensor.
pub(super) fn active_area(structure: &TiffStructure<'_>, raw: &Directory, stored: Size) -> Result<Rect, Refusal> {
    let Some(area) = structure.numbers(raw, tag::ACTIVE_AREA) else {
        return Ok(Rect { x: 0, y: 0, size: stored });
    };
    let sides: Vec<usize> = area.iter().map(|&side| side as usize).collect();
    match *sides.as_slice() {
        [top, left, bottom, right]
            if top + 2 <= bottom && left + 2 <= right && bottom <= stored.height && right <= stored.width =>
        {
            Ok(Rect { x: left, y: top, size: Size { width: right - left, height: bottom - top } })
        }
        _ => Err(Refusal::malformed(format!(
            "the active area {sides:?} does not lie within {stored}: the DNG is damaged"
        ))),
    }
}

/// Crops without a second copy.
pub(super) fn crop(mut samples: Vec<u16>, stored: Size, visible: Rect) -> Plane<u16> {
    if visible.size != stored {
        for y in 0..visible.size.height {
            let source = (visible.y + y) * stored.width + visible.x;
            samples.copy_within(source..source + visible.size.width, y * visible.size.width);
        }
        samples.truncate(visible.size.area());
    }
    Plane::from_vec(visible.size, samples).expect("a crop has one sample a pixel")
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

    #[test]
    fn a_pattern_with_greens_side_by_side_is_no_bayer_array() {
        assert!(bayer([[0, 1], [2, 1]]).is_err(), "greens in one column");
        assert_eq!(
            bayer([[2, 1], [1, 0]]).ok(),
            Some(Cfa([[CfaColor::Blue, CfaColor::Green], [CfaColor::Green, CfaColor::Red]])),
            "BGGR"
        );
    }
}
