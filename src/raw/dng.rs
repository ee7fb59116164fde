//! What a DNG says of its raw picture, and its samples where they are not compressed.
//!
//! Source: Adobe DNG specification 1.4 (2012) and TIFF 6.0. Conventions of DNG: the patterns of the colour
//! filter array and of the black level begin at the top left of the active area; codes go through the
//! linearization table first, so black and white level are in its output; packed samples begin with the
//! most significant bit and each row on a byte.

use crate::pixels::{Cfa, CfaColor, Layout, Plane, Rect, Size};
use crate::raw::adapters::{camera_color, every};
use crate::raw::error::Refusal;
use crate::raw::frame::CameraColor;
use crate::raw::margins::{Margins, Sensor};
use crate::raw::pictures::check_pixels;
use crate::raw::tiff_structure::{CFA, Directory, TiffStructure, tag};
use nalgebra::{Matrix3, Vector3};

/// EXIF LightSource value of D65.
const ILLUMINANT_D65: f64 = 21.0;

/// What a DNG says of its raw picture.
pub(super) struct DngFacts {
    pub(super) layout: Layout,
    pub(super) black_level: [f32; 4],
    pub(super) white_level: u16,
    pub(super) color: CameraColor,
    pub(super) coding: Coding,
    pub(super) bits: usize,
    pub(super) stored: Size,
    pub(super) samples_per_pixel: usize,
    visible: Rect,
    masked: Vec<Rect>,
    linearization: Option<Vec<u16>>,
}

/// How the samples are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Coding {
    /// As they are, this many bits each.
    Plain { bits: usize },
    /// ITU-T T.81, process 14.
    LosslessJpeg,
    /// Lossy JPEG, which the second decoder reads.
    LossyJpeg,
    /// Which the second decoder reads in some depths.
    JpegXl,
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
        // TIFF 6.0 and technical note 3: 1 whole numbers without a sign, 3 floating point.
        if structure.number(raw, tag::SAMPLE_FORMAT).is_some_and(|format| format != 1) {
            return Err(Refusal::unsupported(
                "the DNG has floating-point samples: whole numbers are read; convert it to a DNG of 16 bits",
            ));
        }
        let coding = coding(needed(tag::COMPRESSION, "compression")?, bits)?;
        let full_scale = ((1_u64 << bits.min(16)) - 1) as u32;
        let white = structure.number(raw, tag::WHITE_LEVEL).unwrap_or(full_scale);
        let area = active_area(structure, raw, stored)?;
        let visible = default_crop(structure, raw, area)?;
        // Both patterns begin at the active area, and the crop may begin at its odd rows and columns.
        let (left, top) = (visible.x - area.x, visible.y - area.y);
        let layout = shifted(layout(structure, raw, samples_per_pixel)?, left, top);
        let white_level = u16::try_from(white).map_err(|_too_large| {
            Refusal::unsupported(format!("the white level is {white}: samples of more than 16 bits are not read"))
        })?;
        let of_area = black_level(structure, raw, samples_per_pixel);
        let black_level = match layout {
            Layout::Rgb => of_area,
            Layout::Mosaic(_) => {
                std::array::from_fn(|position| of_area[2 * ((position / 2 + top) % 2) + (position + left) % 2])
            }
        };
        check_levels(black_level, white_level)?;
        Ok(Self {
            layout,
            black_level,
            white_level,
            color: color(structure),
            coding,
            bits,
            stored,
            samples_per_pixel,
            visible,
            masked: masked_areas(structure, raw),
            linearization: structure
                .numbers(raw, tag::LINEARIZATION_TABLE)
                .filter(|table| !table.is_empty())
                .map(|table| table.iter().map(|&level| level as u16).collect()),
        })
    }

    /// The planes of the active area and what the masked areas show, from the samples of the whole sensor.
    pub(super) fn planes(&self, mut samples: Vec<u16>) -> Result<(Vec<Plane<u16>>, Margins), Refusal> {
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
        let margins = match self.layout {
            Layout::Mosaic(_) => {
                let Self { stored, visible, black_level, .. } = *self;
                Sensor { samples: &samples, stored, visible, black_level }.margins(&self.masked)
            }
            Layout::Rgb => Margins::default(),
        };
        let planes = match (self.layout, self.samples_per_pixel) {
            (Layout::Mosaic(_), _) => vec![crop(samples, self.stored, self.visible)],
            (Layout::Rgb, 1) => vec![crop(samples, self.stored, self.visible); 3],
            (Layout::Rgb, n) => {
                (0..3).map(|channel| every(self.stored, &samples, channel, n).crop(self.visible)).collect()
            }
        };
        Ok((planes, margins))
    }
}

fn coding(compression: usize, bits: usize) -> Result<Coding, Refusal> {
    match compression {
        1 if (8..=16).contains(&bits) => Ok(Coding::Plain { bits }),
        7 if bits <= 16 => Ok(Coding::LosslessJpeg),
        1 | 7 => Err(Refusal::unsupported(format!(
            "the DNG has {bits} bits a sample: 8 to 16 are read; convert it to a DNG with whole numbers"
        ))),
        34_892 if bits <= 16 => Ok(Coding::LossyJpeg),
        52_546 if bits <= 16 => Ok(Coding::JpegXl),
        other => Err(Refusal::unsupported(format!(
            "the DNG is compressed by method {other} with {bits} bits a sample: none (1), lossless JPEG (7), lossy JPEG \
             (34892) and JPEG XL (52546) are read; convert it to one of them"
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
    // DNG: 1 is the rectangular arrangement, and the default.
    if let Some(arrangement) = structure.number(raw, tag::CFA_LAYOUT).filter(|&arrangement| arrangement != 1) {
        return Err(Refusal::unsupported(format!(
            "the sensor's colour filter array is staggered (arrangement {arrangement}): rectangular ones are read; \
             develop the frames to 16-bit TIFF first"
        )));
    }
    match (repeat.as_slice(), colors.as_slice()) {
        ([2.0, 2.0], &[a, b, c, d]) => bayer([[a, b], [c, d]]).map(Layout::Mosaic),
        ([rows, columns, ..], _) => Err(not_bayer(*columns as usize, *rows as usize, &colors)),
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
        return Err(not_bayer(2, 2, &[a, b, c, d]));
    }
    let color = |number| [CfaColor::Red, CfaColor::Green, CfaColor::Blue][number];
    Ok(Cfa(colors.map(|row| row.map(color))))
}

/// The message for any other colour filter array of these colour numbers (TIFF/EP), row by row.
pub(super) fn not_bayer(width: usize, height: usize, colors: &[usize]) -> Refusal {
    const LETTERS: [char; 7] = ['R', 'G', 'B', 'C', 'M', 'Y', 'W'];
    let mut kinds = colors.to_vec();
    kinds.sort_unstable();
    kinds.dedup();
    // A damaged file may name any number of kinds.
    let letters: String =
        kinds.iter().take(LETTERS.len() + 1).map(|&kind| LETTERS.get(kind).copied().unwrap_or('?')).collect();
    let name = match (width, height, kinds.as_slice()) {
        (6, 6, [0, 1, 2]) => "X-Trans (6 × 6)".to_owned(),
        (4, 4, [0, 1, 2]) => "quad Bayer (4 × 4)".to_owned(),
        _ => format!("{letters} ({width} × {height})"),
    };
    Refusal::unsupported(format!(
        "the sensor has a colour filter array of kind {name}: Bayer arrays (2 × 2: red, twice green, blue) are read; \
         develop the frames to 16-bit TIFF first"
    ))
}

/// A mosaic's pattern as it is seen from another corner.
fn shifted(layout: Layout, left: usize, top: usize) -> Layout {
    let Layout::Mosaic(cfa) = layout else { return layout };
    Layout::Mosaic(Cfa(std::array::from_fn(|y| std::array::from_fn(|x| cfa.color_at(x + left, y + top)))))
}

/// The mean of the repeating block over each position of 2 × 2; blocks are 1 × 1 or 2 × 2 in practice.
fn black_level(structure: &TiffStructure<'_>, raw: &Directory, samples_per_pixel: usize) -> [f32; 4] {
    let Some(levels) = structure.numbers(raw, tag::BLACK_LEVEL).filter(|levels| !levels.is_empty()) else {
        return [0.0; 4];
    };
    let level = |index: usize| levels.get(index).copied().unwrap_or(levels[0]);
    // Levels that vary along rows and columns are taken by their mean.
    let mean = |tag| {
        let deltas = structure.numbers(raw, tag).filter(|deltas| !deltas.is_empty()).unwrap_or_else(|| vec![0.0]);
        deltas.iter().sum::<f64>() / deltas.len() as f64
    };
    let delta = mean(tag::BLACK_LEVEL_DELTA_H) + mean(tag::BLACK_LEVEL_DELTA_V);
    let level = |index: usize| level(index) + delta;
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
    // Some files name the light by its chromaticity instead: seen through the matrix it is the neutral.
    let white = || {
        let [x, y] = structure.anywhere(tag::AS_SHOT_WHITE_XY)?.try_into().ok()?;
        Some((camera_from_xyz? * Vector3::new(x / y, 1.0, (1.0 - x - y) / y)).into())
    };
    camera_color(camera_from_xyz, neutral.or_else(white))
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
            "the active area {:?} does not lie within {stored}: the DNG is damaged",
            &sides[..sides.len().min(4)]
        ))),
    }
}

/// The areas that no light reaches (top, left, bottom, right of each); what is no area is none.
fn masked_areas(structure: &TiffStructure<'_>, raw: &Directory) -> Vec<Rect> {
    let sides = structure.numbers(raw, tag::MASKED_AREAS).unwrap_or_default();
    let area = |sides: &[f64]| {
        let [top, left, bottom, right] = [0, 1, 2, 3].map(|side| sides[side] as usize);
        let size = Size { width: right.checked_sub(left)?, height: bottom.checked_sub(top)? };
        Some(Rect { x: left, y: top, size })
    };
    // The specification allows four.
    sides.chunks_exact(4).take(4).filter_map(area).collect()
}

/// The part of the active area that is meant to be seen, to whole pixels; the whole of it where none is named.
fn default_crop(structure: &TiffStructure<'_>, raw: &Directory, area: Rect) -> Result<Rect, Refusal> {
    let pair = |tag| -> Option<[usize; 2]> {
        let values = structure.numbers(raw, tag)?;
        let whole = |index: usize| values.get(index).map(|value| value.round().max(0.0) as usize);
        Some([whole(0)?, whole(1)?])
    };
    let Some([width, height]) = pair(tag::DEFAULT_CROP_SIZE) else { return Ok(area) };
    let [left, top] = pair(tag::DEFAULT_CROP_ORIGIN).unwrap_or_default();
    let fits = |start: usize, length: usize, side: usize| start.checked_add(length).is_some_and(|end| end <= side);
    if width < 2 || height < 2 || !fits(left, width, area.size.width) || !fits(top, height, area.size.height) {
        return Err(Refusal::malformed(format!(
            "the crop of {width} × {height} pixels at ({left}, {top}) does not lie within {}: the DNG is damaged",
            area.size
        )));
    }
    Ok(Rect { x: area.x + left, y: area.y + top, size: Size { width, height } })
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

#[cfg(test)]
mod tests {
    use super::*;

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
