//! The sky background on a coarse grid: medians of star-free samples, landscape left out.

use rayon::prelude::*;

use crate::foreground::ForegroundMask;
use crate::pixels::statistics::median;
use crate::pixels::{LinearImage, Size};

/// Cells along the longer side of the frame.
const CELLS_ALONG: usize = 48;

/// Samples along each side of a cell; a median of their square is enough for a background.
const SAMPLES_ALONG: usize = 16;

/// Weight of the landscape from which a pixel is no longer sky.
const SKY_BELOW: f32 = 0.05;

/// Share of a cell's samples that must be sky.
const LEAST_SKY_SHARE: f64 = 0.5;

/// The background of one cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyCell {
    /// Middle of the cell, in fractions of the frame's width and height.
    pub at: [f64; 2],
    /// Camera RGB.
    pub level: [f64; 3],
}

/// The sky's cells, row by row; without any sky, all cells.
#[must_use]
pub(super) fn sample_sky(image: &LinearImage, foreground: Option<&ForegroundMask>) -> Vec<SkyCell> {
    let sky = sample_cells(image, foreground);
    if sky.is_empty() && foreground.is_some() { sample_cells(image, None) } else { sky }
}

/// The middle level of each channel; `None` without cells.
#[must_use]
pub(super) fn sky_level(cells: &[SkyCell]) -> Option<[f64; 3]> {
    let middle = |channel: usize| {
        let mut levels: Vec<f32> = cells.iter().map(|cell| cell.level[channel] as f32).collect();
        median(&mut levels).map(f64::from)
    };
    Some([middle(0)?, middle(1)?, middle(2)?])
}

fn sample_cells(image: &LinearImage, foreground: Option<&ForegroundMask>) -> Vec<SkyCell> {
    let size = image.size();
    if size.area() == 0 {
        return Vec::new();
    }
    let cell_px = size.width.max(size.height).div_ceil(CELLS_ALONG).max(1);
    let columns = size.width.div_ceil(cell_px);
    let rows = size.height.div_ceil(cell_px);
    (0..rows * columns)
        .into_par_iter()
        .filter_map(|cell| {
            sample_cell(image, foreground, (cell % columns) * cell_px, (cell / columns) * cell_px, cell_px)
        })
        .collect()
}

fn sample_cell(
    image: &LinearImage,
    foreground: Option<&ForegroundMask>,
    left: usize,
    top: usize,
    cell_px: usize,
) -> Option<SkyCell> {
    let size = image.size();
    let right = (left + cell_px).min(size.width);
    let bottom = (top + cell_px).min(size.height);
    let step = cell_px.div_ceil(SAMPLES_ALONG);
    let mut samples: [Vec<f32>; 3] = std::array::from_fn(|_| Vec::with_capacity(SAMPLES_ALONG * SAMPLES_ALONG));
    let mut n_looked_at = 0;
    for y in (top..bottom).step_by(step) {
        for x in (left..right).step_by(step) {
            n_looked_at += 1;
            let rgb: [f32; 3] = std::array::from_fn(|channel| image.planes[channel].at(x, y));
            let is_sky = foreground.is_none_or(|mask| weight_at(mask, x, y, size) < SKY_BELOW);
            if is_sky && rgb.iter().all(|value| value.is_finite()) {
                for (channel, value) in samples.iter_mut().zip(rgb) {
                    channel.push(value);
                }
            }
        }
    }
    let enough = samples[0].len() as f64 >= LEAST_SKY_SHARE * f64::from(n_looked_at);
    let [red, green, blue] = &mut samples;
    let level = [median(red)?, median(green)?, median(blue)?].map(f64::from);
    let middle = |from: usize, to: usize, len: usize| (from + to) as f64 / (2 * len) as f64;
    enough.then(|| SkyCell { at: [middle(left, right, size.width), middle(top, bottom, size.height)], level })
}

/// The landscape's weight at a pixel of a picture of size `size`, whatever the mask's own size.
fn weight_at(mask: &ForegroundMask, x: usize, y: usize, size: Size) -> f32 {
    let mask_size = mask.size();
    if mask_size.area() == 0 {
        return 0.0;
    }
    mask.0.at(x * mask_size.width / size.width, y * mask_size.height / size.height)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::Plane;

    #[test]
    fn stars_and_land_do_not_count_as_sky() {
        let size = Size { width: 480, height: 320 };
        let level = |x: usize, y: usize| match (x, y) {
            _ if y >= 200 => 0.001,
            _ if x % 10 < 2 && y % 10 < 2 => 0.9,
            _ => 0.02,
        };
        let image = LinearImage { planes: std::array::from_fn(|_| Plane::from_fn(size, level)) };
        let half = Size { width: 240, height: 160 };
        let mask = ForegroundMask(Plane::from_fn(half, |_, y| if y >= 100 { 1.0 } else { 0.0 }));
        let cells = sample_sky(&image, Some(&mask));
        assert_eq!(cells.len(), 48 * 20, "ten-pixel cells of the upper 200 rows");
        assert_eq!(sky_level(&cells), Some([f64::from(0.02_f32); 3]), "the level between the stars");
    }

    #[test]
    fn a_frame_of_land_alone_still_has_a_level() {
        let size = Size { width: 30, height: 20 };
        let image = LinearImage { planes: std::array::from_fn(|_| Plane::filled(size, 0.25)) };
        let cells = sample_sky(&image, Some(&ForegroundMask(Plane::filled(size, 1.0))));
        assert_eq!(sky_level(&cells), Some([0.25; 3]), "the land's level");
    }
}
