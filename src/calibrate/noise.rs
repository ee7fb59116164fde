//! The noise of one sample as a function of its level, fitted on the frames themselves (photon transfer).
//!
//! The variance of a sample is the read noise's plus a share that grows with the light. In the difference of
//! two frames whatever stands still cancels, and twice the variance is left: variance against mean over many
//! small blocks is a straight line. Source: Janesick, *Photon Transfer* (SPIE Press, 2007); EMVA 1288, release
//! 4.0, section 2. Blocks with stars, which move, have too much variance: of the blocks of one level the lower
//! quartile counts, scaled by what it is for noise alone, and the line goes through these.

use rayon::prelude::*;

use crate::calibrate::neighbours::{at_stride, median_of};
use crate::pixels::{CalibratedFrame, Layout};

/// Edge of a block in pixels: 16 samples of each position of a mosaic, few enough to lie between stars.
const BLOCK_PX: usize = 8;
/// Blocks looked at: more would not sharpen the line.
const MAX_BLOCKS: usize = 60_000;
/// Blocks of one level.
const BLOCKS_PER_LEVEL: usize = 250;
/// Fewer levels give no line.
const MIN_LEVELS: usize = 4;
/// Levels this far (relative) from the line are no noise: stars that fill their blocks.
const LINE_TOLERANCE: f64 = 0.3;
/// Blocks with brighter samples are left out: near the white level the variance falls.
const MAX_LEVEL: f32 = 0.9;

/// Variance of one sample: read + photon · level, in linear units (1.0 at the white level).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct NoiseModel {
    /// Variance without light.
    pub read_variance: f32,
    /// Growth of the variance with the level: one over the electrons at the white level.
    pub photon_variance_per_unit: f32,
}

impl NoiseModel {
    /// Variance of a sample at a level; below black as at black.
    #[must_use]
    #[inline]
    pub fn variance(&self, level: f32) -> f32 {
        self.read_variance + self.photon_variance_per_unit * level.max(0.0)
    }

    /// Standard deviation of a sample at a level.
    #[must_use]
    pub fn sigma(&self, level: f32) -> f32 {
        self.variance(level).sqrt()
    }

    /// Fitted on the difference of two frames of one scene; `None` where too few blocks can be used.
    ///
    /// Panics where sizes or layouts differ.
    #[must_use]
    pub fn from_pair(first: &CalibratedFrame, second: &CalibratedFrame) -> Option<Self> {
        assert_eq!(first.layout, second.layout, "frames of one burst have one layout");
        assert_eq!(first.size(), second.size(), "frames of one burst have one size");
        fit(blocks_of(first, |channel, block| {
            let (a, b) = (&first.planes[channel], &second.planes[channel]);
            measure(block.places().map(|(x, y)| (a.at(x, y), b.at(x, y))))
        }))
    }

    /// Fitted on the differences of neighbours of one colour: for a frame that has no second.
    ///
    /// Texture counts as noise, so this is an upper bound in detailed landscape.
    #[must_use]
    pub fn from_single(frame: &CalibratedFrame) -> Option<Self> {
        fit(blocks_of(frame, |channel, block| {
            let plane = &frame.planes[channel];
            measure(block.rows().flat_map(|y| {
                let left = block.columns().step_by(2 * block.step);
                left.map(move |x| (plane.at(x, y), plane.at(x + block.step, y)))
            }))
        }))
    }
}

/// Samples of one plane and position in a square of [`BLOCK_PX`].
#[derive(Clone, Copy)]
struct Block {
    x: usize,
    y: usize,
    step: usize,
}

impl Block {
    fn rows(self) -> impl Iterator<Item = usize> {
        (self.y..self.y + BLOCK_PX).step_by(self.step)
    }

    fn columns(self) -> std::ops::Range<usize> {
        self.x..self.x + BLOCK_PX
    }

    fn places(self) -> impl Iterator<Item = (usize, usize)> {
        self.rows().flat_map(move |y| self.columns().step_by(self.step).map(move |x| (x, y)))
    }
}

/// Level and variance of one block.
#[derive(Clone, Copy)]
struct Point {
    level: f32,
    variance: f32,
    /// Degrees of freedom of the variance.
    freedom: usize,
}

/// The measures of blocks spread evenly over the frame, saturated ones left out.
fn blocks_of(frame: &CalibratedFrame, measure: impl Fn(usize, Block) -> Point + Sync) -> Vec<Point> {
    let size = frame.size();
    let (columns, rows) = (size.width / BLOCK_PX, size.height / BLOCK_PX);
    let step = match frame.layout {
        Layout::Mosaic(_) => 2,
        Layout::Rgb => 1,
    };
    let most = MAX_BLOCKS / (frame.planes.len() * step * step);
    // The same stride along both axes reaches every part of the frame.
    let stride = (1..).find(|stride| columns.div_ceil(*stride) * rows.div_ceil(*stride) <= most).unwrap_or(1);
    let places: Vec<(usize, usize)> = (0..rows)
        .step_by(stride)
        .flat_map(|row| (0..columns).step_by(stride).map(move |column| (column * BLOCK_PX, row * BLOCK_PX)))
        .collect();
    let measured = places.par_iter().flat_map_iter(|&(left, top)| {
        let is_saturated =
            (top..top + BLOCK_PX).any(|y| frame.saturated.0.row(y)[left..left + BLOCK_PX].contains(&true));
        let n_channels = if is_saturated { 0 } else { frame.planes.len() };
        let measure = &measure;
        (0..n_channels).flat_map(move |channel| {
            (0..step * step)
                .map(move |phase| measure(channel, Block { x: left + phase % step, y: top + phase / step, step }))
        })
    });
    measured.filter(|point| point.level < MAX_LEVEL && point.variance > 0.0).collect()
}

/// Level and variance of samples that come in pairs of one level.
fn measure(pairs: impl Iterator<Item = (f32, f32)>) -> Point {
    let mut differences = [0.0; BLOCK_PX * BLOCK_PX];
    let (mut n, mut level, mut difference) = (0, 0.0, 0.0);
    for (slot, (a, b)) in differences.iter_mut().zip(pairs) {
        *slot = a - b;
        difference += *slot;
        level += 0.5 * (a + b);
        n += 1;
    }
    let (count, freedom) = (n as f32, n - 1);
    let mean = difference / count;
    let squares: f32 = differences[..n].iter().map(|difference| (difference - mean).powi(2)).sum();
    // A difference has twice the variance of a sample.
    Point { level: level / count, variance: 0.5 * squares / freedom as f32, freedom }
}

/// The straight line through the levels.
fn fit(mut points: Vec<Point>) -> Option<NoiseModel> {
    points.sort_by(|a, b| a.level.total_cmp(&b.level).then(a.variance.total_cmp(&b.variance)));
    let levels: Vec<(f64, f64)> = points
        .chunks_exact(BLOCKS_PER_LEVEL)
        .map(|blocks| {
            let level = at_stride(blocks, BLOCKS_PER_LEVEL, |block| block.level);
            let mut variances: Vec<f32> = blocks.iter().map(|block| block.variance).collect();
            let (_, &mut quartile, _) = variances.select_nth_unstable_by(BLOCKS_PER_LEVEL / 4, f32::total_cmp);
            (f64::from(level), f64::from(quartile) / lower_quartile(blocks[0].freedom))
        })
        .collect();
    if levels.len() < MIN_LEVELS {
        return None;
    }
    let line = robust_line(&levels);
    Some(NoiseModel { read_variance: line.0 as f32, photon_variance_per_unit: line.1 as f32 })
}

/// Lower quartile over mean of a variance with this many degrees of freedom (Wilson and Hilferty 1931).
fn lower_quartile(freedom: usize) -> f64 {
    /// Of the standard normal distribution.
    const LOWER_QUARTILE: f64 = -0.674_490;
    let variance = 2.0 / (9.0 * freedom as f64);
    (1.0 - variance + LOWER_QUARTILE * variance.sqrt()).powi(3)
}

/// Intercept and slope, neither below zero: Theil's median of slopes, then least squares of relative errors.
pub(super) fn robust_line(levels: &[(f64, f64)]) -> (f64, f64) {
    let pairs = || levels.iter().enumerate().flat_map(|(index, a)| levels[index + 1..].iter().map(move |b| (a, b)));
    let slope = median_of(pairs().filter(|(a, b)| b.0 > a.0).map(|(a, b)| (b.1 - a.1) / (b.0 - a.0))).unwrap_or(0.0);
    let mut line = with_slope(levels, slope);
    for _ in 0..5 {
        let near = levels.iter().filter(|(level, variance)| {
            let expected = line.0 + line.1 * level.max(0.0);
            (variance / expected - 1.0).abs() < LINE_TOLERANCE
        });
        let near: Vec<(f64, f64)> = near.copied().collect();
        if near.len() < MIN_LEVELS {
            break;
        }
        line = least_squares(&near, line);
    }
    line
}

/// The line of a given slope through the middle; what it says at the levels of the frames is right in any case.
fn with_slope(levels: &[(f64, f64)], slope: f64) -> (f64, f64) {
    let slope = slope.max(0.0);
    let intercept = median_of(levels.iter().map(|(level, variance)| variance - slope * level.max(0.0))).unwrap_or(0.0);
    let least = levels.iter().map(|level| level.1).fold(f64::INFINITY, f64::min);
    (intercept.clamp(least * 1e-3, least), slope)
}

/// Errors of a variance are in proportion to it, so the weights are one over the square of the line.
pub(super) fn least_squares(levels: &[(f64, f64)], line: (f64, f64)) -> (f64, f64) {
    let [mut w, mut x, mut y, mut xx, mut xy] = [0.0; 5];
    for &(level, variance) in levels {
        let level = level.max(0.0);
        let weight = (line.0 + line.1 * level).powi(-2);
        w += weight;
        x += weight * level;
        y += weight * variance;
        xx += weight * level * level;
        xy += weight * level * variance;
    }
    let determinant = w * xx - x * x;
    if determinant <= 1e-12 * w * xx {
        return line;
    }
    let slope = (w * xy - x * y) / determinant;
    let intercept = (y - slope * x) / w;
    match (intercept >= 0.0, slope >= 0.0) {
        (true, true) => (intercept, slope),
        // A constant alone, or a line through the origin alone.
        (true, false) => (y / w, 0.0),
        (false, _) => (0.0, xy / xx),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::scene::{Light, add_noise, shine, sky};
    use crate::pixels::{Cfa, Point, Size};

    /// A camera of 14 bits: 40 000 electrons at white, read noise of 4 electrons.
    const TRUTH: NoiseModel = NoiseModel { read_variance: 1e-8, photon_variance_per_unit: 2.5e-5 };
    const SIZE: Size = Size { width: 640, height: 480 };

    fn frame(layout: Layout, drift_px: f64, seed: u64) -> CalibratedFrame {
        let mut frame = sky(layout, SIZE, 0.0, 0.08);
        if let Layout::Mosaic(cfa) = layout {
            // A star in every 900 pixels, on a lattice out of step with the blocks, moving between frames.
            for index in 0..340 {
                let center = Point { x: (index * 89 % 640) as f64 + drift_px, y: (index * 53 % 480) as f64 };
                shine(&mut frame, cfa, &Light { center, peak: [0.05; 3], fwhm_px: 2.2 });
            }
        }
        add_noise(&mut frame, &TRUTH, seed);
        frame
    }

    /// Tolerance 6 % and a fifth of the read noise: 19 000 blocks in some 76 levels, stars in a third of them.
    fn check(found: NoiseModel, photon_tolerance: f32) {
        let photon = found.photon_variance_per_unit / TRUTH.photon_variance_per_unit;
        assert!((photon - 1.0).abs() < photon_tolerance, "photon noise {photon} of the truth");
        let read = (found.read_variance / TRUTH.read_variance).sqrt();
        assert!((read - 1.0).abs() < 0.2, "read noise {read} of the truth");
    }

    #[test]
    fn two_frames_tell_read_and_photon_noise_under_moving_stars() {
        let layout = Layout::Mosaic(Cfa::RGGB);
        let (first, second) = (frame(layout, 0.0, 1), frame(layout, 3.0, 2));
        check(NoiseModel::from_pair(&first, &second).expect("thousands of blocks"), 0.06);
    }

    #[test]
    fn two_frames_of_three_planes_tell_it_too() {
        let (first, second) = (frame(Layout::Rgb, 0.0, 3), frame(Layout::Rgb, 3.0, 4));
        check(NoiseModel::from_pair(&first, &second).expect("thousands of blocks"), 0.06);
    }

    #[test]
    fn one_frame_alone_gives_an_upper_bound_near_the_truth() {
        let frame = frame(Layout::Mosaic(Cfa::RGGB), 0.0, 5);
        check(NoiseModel::from_single(&frame).expect("thousands of blocks"), 0.12);
    }

    #[test]
    fn a_frame_too_small_for_levels_gives_none() {
        let small = sky(Layout::Mosaic(Cfa::RGGB), Size { width: 40, height: 30 }, 0.0, 0.1);
        assert_eq!(NoiseModel::from_pair(&small, &small), None, "fifteen blocks without variance");
    }

    /// The lower quartile of chi-square with 15 degrees of freedom is 11.037 (common tables).
    #[test]
    fn the_quartile_of_a_variance_is_that_of_the_tables() {
        assert!((lower_quartile(15) - 11.037 / 15.0).abs() < 1e-3, "found {}", lower_quartile(15));
    }

    #[test]
    fn the_line_ignores_levels_full_of_stars() {
        let mut levels: Vec<(f64, f64)> = (0..20).map(|k| (f64::from(k) * 0.01, 2.0 + f64::from(k) * 0.5)).collect();
        for level in &mut levels[16..] {
            level.1 *= 4.0;
        }
        let (read, photon) = robust_line(&levels);
        assert!((read - 2.0).abs() < 1e-9 && (photon - 50.0).abs() < 1e-7, "intercept {read}, slope {photon}");
    }
}
