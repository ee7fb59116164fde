//! The sky behind the stars: level and noise of each colour on a mesh of square cells.
//!
//! As Bertin and Arnouts (1996, section 7.1): samples are clipped at 3 σ around their center until nothing
//! changes, and the mesh is median-filtered 3 × 3 so that a cell full of stars does not stand out. The center
//! is the mean of the middle half: as robust as the median, less noisy, and it does not stick to whole data
//! numbers. That is done on a part of the samples; the mean of all samples within 2 σ of it is the level.
//! Samples of the foreground take no part; a cell with too few samples takes the mean of its neighbours.

use std::ops::Range;

use pulp::Arch;
use rayon::prelude::*;

use crate::detect::{DetectSettings, Mesh};
use crate::pixels::statistics::median;
use crate::pixels::{CalibratedFrame, CfaColor, Layout, Mask, Plane, Point, Size};

/// Clip limit in standard deviations (Bertin and Arnouts 1996).
const CLIP_SIGMA: f32 = 3.0;

/// Standard deviation of normal noise over that of its part within 3 σ: 1 / √(1 − 6 φ(3) / (2 Φ(3) − 1)).
const SIGMA_PER_CLIPPED: f32 = 1.0136;

/// Noise of rounding to 16 bits: 1 / (65535 √12). A frame without noise (a drawing) is given this much.
const ROUNDING_SIGMA: f32 = 4.4e-6;

/// Share of a cell that must be sky.
const MIN_CELL_SHARE: f64 = 0.25;

/// Blocks taken along the axes of a cell for the robust center: enough to tell sky from stars.
const CELL_COLUMNS: usize = 16;
const CELL_ROWS: usize = 8;

/// The level is the mean of all samples this near to the robust center, in standard deviations: the light of
/// faint stars stays out, and a center that is off by δ leaves the mean off by 0.23 δ only.
const MEAN_SIGMA: f32 = 2.0;

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
                samples.measure(frame, foreground, (index % cells.width, index / cells.width), cell_px)
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
            // A 32-bit counter is what vector units turn into floats.
            for (index, value) in (0i32..).zip(&mut row[begin..end]) {
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
    /// Level of red, green, blue and (of an RGB frame) luminance; `None` with too few samples.
    fn measure(
        &mut self,
        frame: &CalibratedFrame,
        mask: Option<&Mask>,
        cell: (usize, usize),
        cell_px: usize,
    ) -> [Option<Level>; 4] {
        let size = frame.size();
        // Whole blocks of the frame within the cell.
        let span = |cell: usize, len: usize| cell * cell_px..(cell * cell_px + cell_px).min(len & !1);
        let (columns, rows) = (span(cell.0, size.width), span(cell.1, size.height));
        let step = |count: usize| (cell_px / 2).div_ceil(count).max(1) * 2;
        let (step_x, step_y) = (step(CELL_COLUMNS), step(CELL_ROWS));
        self.keys.iter_mut().for_each(Vec::clear);
        let mut is_whole = true;
        for y in rows.clone().step_by(step_y) {
            for x in columns.clone().step_by(step_x) {
                if mask.is_some_and(|mask| mask.contains(x, y) || mask.contains(x + 1, y + 1)) {
                    is_whole = false;
                } else {
                    // Both greens of a mosaic have their turn.
                    self.take(frame, x, y, (x / step_x) % 2);
                }
            }
        }
        let whole_cell = cell_px.div_ceil(step_x) * cell_px.div_ceil(step_y);
        let needed = (MIN_CELL_SHARE * whole_cell as f64).max(8.0) as usize;
        let mut levels = self.keys.each_mut().map(|keys| {
            (keys.len() >= needed).then(|| {
                keys.sort_unstable();
                self.values.clear();
                self.values.extend(keys.iter().map(|&key| from_sortable(key)));
                clipped_level(&self.values)
            })
        });
        // Where land and sky share a cell the few samples known to be sky must do.
        if is_whole && let [Some(red), Some(green), Some(blue), _] = &mut levels {
            refine(frame, columns, rows, [red, green, blue]);
        }
        levels
    }

    /// Takes one sample of each colour of the block at (x, y).
    fn take(&mut self, frame: &CalibratedFrame, x: usize, y: usize, green_row: usize) {
        match frame.layout {
            Layout::Mosaic(cfa) => {
                for dy in 0..2 {
                    let block = &frame.planes[0].row(y + dy)[x..x + 2];
                    for (color, &value) in cfa.0[dy].iter().zip(block) {
                        if *color != CfaColor::Green || dy == green_row {
                            self.keys[*color as usize].push(sortable(value));
                        }
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

/// Moves each level to the mean of all samples near it.
fn refine(frame: &CalibratedFrame, columns: Range<usize>, rows: Range<usize>, levels: [&mut Level; 3]) {
    let arch = Arch::new();
    let mut sums = [Near::default(); 3];
    for y in rows {
        for (index, plane) in frame.planes.iter().enumerate() {
            // Colours of the even and the odd columns.
            let pair = match frame.layout {
                Layout::Mosaic(cfa) => cfa.0[y % 2].map(|color| color as usize),
                Layout::Rgb => [index, index],
            };
            let centers = pair.map(|channel| levels[channel].level);
            let reaches = pair.map(|channel| MEAN_SIGMA * levels[channel].sigma);
            let row = &plane.row(y)[columns.clone()];
            let near = arch.dispatch(
                #[inline(always)]
                || sum_near(row, centers, reaches),
            );
            for (channel, near) in pair.into_iter().zip(near) {
                sums[channel].count += near.count;
                sums[channel].sum += near.sum;
            }
        }
    }
    for (level, near) in levels.into_iter().zip(sums) {
        if near.count > 0.0 {
            level.level += near.sum / near.count;
        }
    }
}

/// How many samples are near a center, and the sum of their differences from it.
#[derive(Clone, Copy, Default)]
struct Near {
    count: f32,
    sum: f32,
}

/// Sums over the even and the odd places of a row, `LANES` side by side; a rest of the row takes no part.
#[inline(always)]
fn sum_near(row: &[f32], centers: [f32; 2], reaches: [f32; 2]) -> [Near; 2] {
    const LANES: usize = 16;
    let center: [f32; LANES] = std::array::from_fn(|lane| centers[lane % 2]);
    let reach: [f32; LANES] = std::array::from_fn(|lane| reaches[lane % 2]);
    let mut count = [0.0f32; LANES];
    let mut sum = [0.0f32; LANES];
    for values in row.as_chunks::<LANES>().0 {
        for lane in 0..LANES {
            let difference = values[lane] - center[lane];
            let near = difference.abs() <= reach[lane];
            sum[lane] += if near { difference } else { 0.0 };
            count[lane] += if near { 1.0 } else { 0.0 };
        }
    }
    [0, 1].map(|first| {
        let total = |lanes: &[f32; LANES]| lanes.iter().skip(first).step_by(2).sum();
        Near { count: total(&count), sum: total(&sum) }
    })
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

/// Median filter over 3 × 3 cells; along the border only over neighbours on both sides, so that a slope stays.
fn smooth(cells: &Plane<f32>) -> Plane<f32> {
    let size = cells.size();
    let both_sides = |place: usize, len: usize| {
        let reach = usize::from(place > 0 && place + 1 < len);
        place - reach..place + reach + 1
    };
    Plane::from_fn(size, |x, y| {
        let columns = both_sides(x, size.width);
        let mut near: Vec<f32> =
            both_sides(y, size.height).flat_map(|y| cells.row(y)[columns.clone()].iter().copied()).collect();
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

#[cfg(test)]
mod tests {
    use super::*;

    fn mesh(width: usize, height: usize, value: impl Fn(usize, usize) -> f32) -> Mesh {
        Mesh { cells: Plane::from_fn(Size { width, height }, |x, y| value(x, y)), cell_px: 8 }
    }

    #[test]
    fn a_mesh_is_exact_at_its_centers_and_linear_between() {
        let mesh = mesh(3, 2, |x, y| (10 * x + y) as f32);
        assert_eq!(mesh.at(Point { x: 3.5, y: 3.5 }), 0.0, "centre of the first cell");
        assert_eq!(mesh.at(Point { x: 7.5, y: 7.5 }), 5.5, "half way to the next of both axes");
        assert_eq!(mesh.at(Point { x: -50.0, y: 99.0 }), 1.0, "level outside");
    }

    #[test]
    fn a_row_of_a_mesh_is_what_its_points_are() {
        for (width, first_x, step_px) in [(3, 0.5, 2.0), (1, 0.0, 1.0), (5, -9.25, 1.5), (4, 0.0, 11.0)] {
            let mesh = mesh(width, 3, |x, y| (x * x + 7 * y) as f32);
            let mut row = vec![0.0; 40];
            mesh.fill_row(9.0, first_x, step_px, &mut row);
            for (index, value) in row.into_iter().enumerate() {
                let expected = mesh.at(Point { x: first_x + step_px * index as f64, y: 9.0 });
                assert!((value - expected).abs() < 1e-4, "{width} cells, place {index}: {value} for {expected}");
            }
        }
    }

    #[test]
    fn the_filter_takes_out_a_lone_cell_and_keeps_a_slope() {
        let slope = Plane::from_fn(Size { width: 6, height: 5 }, |x, y| (3 * x + y) as f32);
        assert_eq!(smooth(&slope), slope, "a slope up to the border");
        let mut spiked = slope.clone();
        spiked.set(2, 2, 99.0);
        assert!((smooth(&spiked).at(2, 2) - slope.at(2, 2)).abs() <= 1.0, "the lone cell is gone");
    }

    #[test]
    fn keys_sort_as_their_floats() {
        let values = [f32::MIN, -2.5, -1e-30, -0.0, 0.0, 1e-30, 0.75, f32::MAX];
        let mut keys: Vec<i32> = values.iter().rev().map(|&value| sortable(value)).collect();
        keys.sort_unstable();
        let back: Vec<u32> = keys.into_iter().map(|key| from_sortable(key).to_bits()).collect();
        assert_eq!(back, values.map(f32::to_bits), "there and back in order");
    }

    #[test]
    fn cells_of_foreground_take_the_mean_of_their_neighbours() {
        let filled = fill(vec![Some(1.0), None, Some(3.0), None], Size { width: 4, height: 1 });
        assert_eq!(filled.samples(), &[1.0, 2.0, 3.0, 3.0], "between two, and beyond one");
    }
}
