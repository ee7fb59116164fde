//! The sky behind the stars: level and noise of each colour on a mesh of square cells.
//!
//! As Bertin and Arnouts (1996, section 7.1): samples are clipped at 3 σ around their median until nothing
//! changes, and the mesh is median-filtered 3 × 3 so that a cell full of stars does not stand out. The level
//! is the mean of the middle half of what is left: as robust as the median, less noisy, and it does not stick
//! to whole data numbers. Samples of the foreground take no part; a cell with too few samples takes the mean
//! of its neighbours.

use rayon::prelude::*;

use crate::detect::{DetectSettings, Mesh};
use crate::pixels::statistics::median;
use crate::pixels::{CalibratedFrame, Layout, Mask, Plane, Point, Size};

/// Clip limit in standard deviations (Bertin and Arnouts 1996).
const CLIP_SIGMA: f32 = 3.0;

/// Standard deviation of normal noise over that of its part within 3 σ: 1 / √(1 − 6 φ(3) / (2 Φ(3) − 1)).
const SIGMA_PER_CLIPPED: f32 = 1.0136;

/// Noise of rounding to 16 bits: 1 / (65535 √12). A frame without noise (a drawing) is given this much.
const ROUNDING_SIGMA: f32 = 4.4e-6;

/// Share of a cell that must be sky.
const MIN_CELL_SHARE: f64 = 0.25;

/// Samples taken along each axis of a cell; more only costs time.
const CELL_SAMPLES: usize = 16;

/// Level and noise of each colour.
pub(super) struct Sky {
    pub(super) level: [Mesh; 3],
    /// Standard deviation of one sample of each colour.
    pub(super) sigma: [Mesh; 3],
    /// Standard deviation of one luminance sample (R + 2 G + B) / 4: a quad of a mosaic, a pixel of an RGB frame.
    pub(super) luminance_sigma: Mesh,
    /// Growth of the variance with the level: the shot noise, in units of the white level.
    pub(super) variance_per_level: f64,
}

pub(super) fn measure_sky(frame: &CalibratedFrame, foreground: Option<&Mask>, settings: &DetectSettings) -> Sky {
    let cell_px = settings.cell_px.next_multiple_of(2).max(8);
    let size = frame.size();
    let cells = Size { width: size.width.div_ceil(cell_px).max(1), height: size.height.div_ceil(cell_px).max(1) };
    let measure = |foreground: Option<&Mask>| -> Vec<[Option<Level>; 4]> {
        (0..cells.area())
            .into_par_iter()
            .map_init(CellSamples::default, |samples, index| {
                samples.gather(frame, foreground, (index % cells.width, index / cells.width), cell_px);
                samples.levels(cell_px)
            })
            .collect()
    };
    let mut measured = measure(foreground);
    if measured.iter().all(|cell| cell[1].is_none()) {
        // Nothing but foreground, or a frame smaller than a quarter of a cell: any level is better than none.
        measured = measure(None);
    }
    let mesh = |channel: usize, of: fn(Level) -> f32| {
        let values = measured.iter().map(|cell| cell[channel].map(of)).collect();
        Mesh { cells: smooth(&fill(values, cells)), cell_px }
    };
    let luminance_sigma = match frame.layout {
        Layout::Rgb => mesh(3, |level| level.sigma),
        Layout::Mosaic(_) => {
            let [red, green, blue] = [0, 1, 2].map(|channel| mesh(channel, |level| level.sigma));
            // Four independent samples: R, G, G, B.
            combine([&red, &green, &blue], |[r, g, b]| (r * r + 2.0 * g * g + b * b).sqrt() / 4.0)
        }
    };
    Sky {
        level: [0, 1, 2].map(|channel| mesh(channel, |level| level.level)),
        sigma: [0, 1, 2].map(|channel| mesh(channel, |level| level.sigma)),
        luminance_sigma,
        variance_per_level: variance_per_level(&measured, frame.layout),
    }
}

/// A mesh computed cell by cell from three others.
pub(super) fn combine(meshes: [&Mesh; 3], value: impl Fn([f32; 3]) -> f32) -> Mesh {
    let size = meshes[0].cells.size();
    let cells = Plane::from_fn(size, |x, y| value(meshes.map(|mesh| mesh.cells.at(x, y))));
    Mesh { cells, cell_px: meshes[0].cell_px }
}

impl Mesh {
    /// The value at a point, interpolated between the centres of the cells; level outside the outermost centres.
    #[must_use]
    pub fn at(&self, point: Point) -> f32 {
        let (left, right, across) = self.between(point.x, self.cells.width());
        let (top, bottom, down) = self.between(point.y, self.cells.height());
        let row = |y| lerp(self.cells.at(left, y), self.cells.at(right, y), across);
        lerp(row(top), row(bottom), down)
    }

    /// The values along row `y` at `first_x`, `first_x + step_px` and so on: as [`Self::at`], but fast.
    pub fn fill_row(&self, y: f64, first_x: f64, step_px: f64, row: &mut [f32]) {
        let n_cells = self.cells.width();
        let (top, bottom, down) = self.between(y, self.cells.height());
        let cell = |x: usize| lerp(self.cells.at(x, top), self.cells.at(x, bottom), down);
        let position = |index: usize| self.position(first_x + step_px * index as f64);
        let mut begin = 0;
        while begin < row.len() {
            let here = position(begin);
            let left = (here.max(0.0) as usize).min(n_cells - 1);
            let right = (left + 1).min(n_cells - 1);
            // Up to the next cell centre; the last piece, and the one before the first centre, are level.
            let next = if here < 0.0 { 0.0 } else { left as f64 + 1.0 };
            let cells_per_step = step_px / self.cell_px as f64;
            let steps = ((next - here) / cells_per_step).ceil().max(1.0);
            let end = if left == right { row.len() } else { row.len().min(begin + steps as usize) };
            let from = cell(left);
            let slope = if here < 0.0 { 0.0 } else { cell(right) - from };
            let (start, per_step) = ((here - left as f64) as f32, cells_per_step as f32);
            for (index, value) in row[begin..end].iter_mut().enumerate() {
                *value = from + slope * (start + per_step * index as f32);
            }
            begin = end;
        }
    }

    /// The median of the cells.
    #[must_use]
    pub fn median(&self) -> f32 {
        median(&mut self.cells.samples().to_vec()).expect("a mesh has a cell")
    }

    /// Place along an axis in units of cells, 0.0 at the centre of the first.
    fn position(&self, pixel: f64) -> f64 {
        (pixel + 0.5) / self.cell_px as f64 - 0.5
    }

    /// The cells before and after a place along an axis, and how far it is from the first to the second.
    fn between(&self, pixel: f64, n_cells: usize) -> (usize, usize, f32) {
        let position = self.position(pixel).clamp(0.0, n_cells as f64 - 1.0);
        let first = position as usize;
        (first, (first + 1).min(n_cells - 1), (position - first as f64) as f32)
    }
}

fn lerp(from: f32, to: f32, share: f32) -> f32 {
    from + (to - from) * share
}

#[derive(Clone, Copy, Debug)]
struct Level {
    level: f32,
    sigma: f32,
}

/// Samples of one cell as keys that sort like the floats they stand for: red, green, blue, luminance.
#[derive(Default)]
struct CellSamples {
    keys: [Vec<i32>; 4],
    values: Vec<f32>,
}

impl CellSamples {
    fn gather(&mut self, frame: &CalibratedFrame, mask: Option<&Mask>, cell: (usize, usize), cell_px: usize) {
        self.keys.iter_mut().for_each(Vec::clear);
        let size = frame.size();
        let step = (cell_px / 2).div_ceil(CELL_SAMPLES).max(1) * 2;
        let end = |first: usize, len: usize| (first + cell_px).min(len.saturating_sub(1));
        let (first_x, first_y) = (cell.0 * cell_px, cell.1 * cell_px);
        for y in (first_y..end(first_y, size.height)).step_by(step) {
            for x in (first_x..end(first_x, size.width)).step_by(step) {
                if mask.is_some_and(|mask| mask.contains(x, y) || mask.contains(x + 1, y + 1)) {
                    continue;
                }
                match frame.layout {
                    Layout::Mosaic(cfa) => {
                        let plane = &frame.planes[0];
                        // Both greens have their turn, and there are as many of each colour.
                        let green_row = (x / step) % 2;
                        for (dy, dx) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
                            let channel = cfa.color_at(x + dx, y + dy) as usize;
                            if channel != 1 || dy == green_row {
                                self.keys[channel].push(sortable(plane.at(x + dx, y + dy)));
                            }
                        }
                    }
                    Layout::Rgb => {
                        let rgb = [0, 1, 2].map(|channel| frame.planes[channel].at(x, y));
                        for (keys, value) in self.keys.iter_mut().zip(rgb) {
                            keys.push(sortable(value));
                        }
                        self.keys[3].push(sortable(0.25 * (rgb[0] + 2.0 * rgb[1] + rgb[2])));
                    }
                }
            }
        }
    }

    fn levels(&mut self, cell_px: usize) -> [Option<Level>; 4] {
        let per_axis = (cell_px / 2).div_ceil((cell_px / 2).div_ceil(CELL_SAMPLES).max(1));
        let needed = (MIN_CELL_SHARE * (per_axis * per_axis) as f64).max(8.0) as usize;
        let values = &mut self.values;
        let mut one = |keys: &mut Vec<i32>| {
            if keys.len() < needed {
                return None;
            }
            keys.sort_unstable();
            values.clear();
            values.extend(keys.iter().map(|&key| from_sortable(key)));
            Some(clipped_level(values))
        };
        let [red, green, blue, luminance] = &mut self.keys;
        [one(red), one(green), one(blue), one(luminance)]
    }
}

fn sortable(value: f32) -> i32 {
    let bits = value.to_bits().cast_signed();
    bits ^ ((bits >> 31) & i32::MAX)
}

fn from_sortable(key: i32) -> f32 {
    f32::from_bits((key ^ ((key >> 31) & i32::MAX)).cast_unsigned())
}

/// Clips sorted values until nothing changes; the level and noise of what is left.
fn clipped_level(sorted: &[f32]) -> Level {
    let quantile = |share: f32| sorted[((sorted.len() - 1) as f32 * share) as usize];
    let mut center = quantile(0.5);
    // Half of the central 68.3 % is one standard deviation.
    let mut sigma = (0.5 * (quantile(0.8413) - quantile(0.1587))).max(ROUNDING_SIGMA);
    let mut kept = (0, sorted.len());
    for _ in 0..8 {
        let reach = CLIP_SIGMA * sigma;
        let low = sorted.partition_point(|&value| value < center - reach);
        let high = sorted.partition_point(|&value| value <= center + reach);
        if (low, high) == kept || high < low + 2 {
            break;
        }
        kept = (low, high);
        let values = &sorted[low..high];
        let quarter = values.len() / 4;
        center = mean(&values[quarter..values.len() - quarter], center);
        let variance = mean_square(values, center);
        sigma = (SIGMA_PER_CLIPPED * variance.sqrt()).max(ROUNDING_SIGMA);
    }
    Level { level: center, sigma }
}

/// Mean, summed as differences from `near` for the sake of digits.
fn mean(values: &[f32], near: f32) -> f32 {
    near + values.iter().map(|value| value - near).sum::<f32>() / values.len() as f32
}

fn mean_square(values: &[f32], center: f32) -> f32 {
    values.iter().map(|value| (value - center) * (value - center)).sum::<f32>() / (values.len() - 1) as f32
}

/// Cells without a value take the mean of their neighbours, ring by ring.
fn fill(mut values: Vec<Option<f32>>, size: Size) -> Plane<f32> {
    while values.iter().any(Option::is_none) {
        let known = values.clone();
        let at = |x: usize, y: usize| known[y * size.width + x];
        for (index, value) in values.iter_mut().enumerate().filter(|(_, value)| value.is_none()) {
            let neighbours: Vec<f32> =
                around(index % size.width, index / size.width, size).filter_map(|(x, y)| at(x, y)).collect();
            if !neighbours.is_empty() {
                *value = Some(neighbours.iter().sum::<f32>() / neighbours.len() as f32);
            }
        }
        if values == known {
            break;
        }
    }
    // Only a frame too small for a single cell has nothing to fill from.
    let samples = values.into_iter().map(|value| value.unwrap_or(ROUNDING_SIGMA)).collect();
    Plane::from_vec(size, samples).expect("one value a cell")
}

/// Median filter over 3 × 3 cells.
fn smooth(cells: &Plane<f32>) -> Plane<f32> {
    let size = cells.size();
    Plane::from_fn(size, |x, y| {
        let mut near: Vec<f32> = around(x, y, size).map(|(x, y)| cells.at(x, y)).collect();
        median(&mut near).expect("a cell is its own neighbour")
    })
}

/// A cell and its neighbours, as far as they exist.
fn around(x: usize, y: usize, size: Size) -> impl Iterator<Item = (usize, usize)> {
    let columns = x.saturating_sub(1)..(x + 2).min(size.width);
    (y.saturating_sub(1)..(y + 2).min(size.height)).flat_map(move |y| columns.clone().map(move |x| (x, y)))
}

/// Slope of the line through variance against level over all cells (photon transfer; Janesick 2007), at most
/// what pure shot noise of the median sky would give, at least 0.
fn variance_per_level(measured: &[[Option<Level>; 4]], layout: Layout) -> f64 {
    let channels = match layout {
        Layout::Mosaic(_) => 0..3,
        Layout::Rgb => 3..4,
    };
    let points: Vec<(f64, f64)> = measured
        .iter()
        .flat_map(|cell| cell[channels.clone()].iter().flatten())
        .map(|level| (f64::from(level.level), f64::from(level.sigma).powi(2)))
        .collect();
    let middle = |of: fn(&(f64, f64)) -> f64| {
        let mut values: Vec<f32> = points.iter().map(|point| of(point) as f32).collect();
        f64::from(median(&mut values).unwrap_or(0.0))
    };
    let (level, variance) = (middle(|point| point.0), middle(|point| point.1));
    if level <= 0.0 || variance <= 0.0 {
        return 0.0;
    }
    let most = variance / level;
    // Textured land has far more variance than any sky; two rounds leave it out.
    let mut line = (variance, 0.0);
    for limit in [4.0, 2.0] {
        let near: Vec<_> = points
            .iter()
            .filter(|(x, y)| *y < limit * (line.0 + line.1 * (x - level)).max(0.1 * variance))
            .copied()
            .collect();
        line = fit_line(&near, level).unwrap_or((variance, most));
    }
    line.1.clamp(0.0, most)
}

/// Value at `origin` and slope; `None` where the points have no spread.
fn fit_line(points: &[(f64, f64)], origin: f64) -> Option<(f64, f64)> {
    let n = points.len() as f64;
    let mean_x = points.iter().map(|point| point.0).sum::<f64>() / n;
    let mean_y = points.iter().map(|point| point.1).sum::<f64>() / n;
    let xx: f64 = points.iter().map(|point| (point.0 - mean_x).powi(2)).sum();
    let xy: f64 = points.iter().map(|point| (point.0 - mean_x) * (point.1 - mean_y)).sum();
    let spread = (xx / n).sqrt();
    // A spread under a tenth of the level says nothing of the slope.
    (n >= 8.0 && spread > 0.1 * mean_x.abs()).then(|| (mean_y + xy / xx * (origin - mean_x), xy / xx))
}
