//! Row and column noise: offsets that a sensor's readout adds to whole rows, anew in each frame, and to whole
//! columns, the same in all frames.
//!
//! Of each frame only means along its rows and columns are kept, of what is left of the samples after the smooth
//! sky is taken away, each sample held within 3 σ of the middle of its quarter of the row, so that stars and edges
//! count little and the land tells as much as the sky. What stands still in
//! all frames (the land, the horizon) is no row noise: the mean over the frames is taken from each row's
//! mean, and a running median over neighbouring rows takes what is smooth (a drifting glow, a cloud). Columns are
//! the mean over the frames, less their running median.
//!
//! Every mean is taken in four parts of the line. Noise of the readout is the same in all four, and nothing else
//! is: its variance is the covariance of two halves, the least over the three ways to halve four parts. It is
//! removed where that covariance is many standard errors above zero, and then by the share that leaves the
//! least error (Wiener): variance of the offsets over variance of the measured means. Method our own; the
//! model of an offset a row and one a column is that of EMVA 1288, release 4.0 (spatial nonuniformity by rows
//! and columns).
//!
//! Rows that stand still from frame to frame cannot be told from a level horizon and stay; darks or bias frames
//! take them away. Frames of three planes have been demosaiced and are left alone.

use serde::{Deserialize, Serialize};

use crate::calibrate::line_profile::{LineProfile, PARTS};
use crate::pixels::Size;
use crate::pixels::statistics::{SIGMA_PER_MAD, median};

/// The three ways to halve four parts.
const HALVES: [[usize; PARTS]; 3] = [[0, 1, 2, 3], [0, 2, 1, 3], [0, 3, 1, 2]];
/// Lines on both sides that the running median looks at.
const SMOOTH_REACH: usize = 25;
/// An offset this many times the typical one is a structure of the picture.
const MOST_SIGMA: f32 = 6.0;
/// And so is a line whose parts differ by this many times what they typically do.
const MOST_RANGE: f32 = 3.5;
/// Covariance over its standard error from which the noise is there: chance has it once in 10⁹.
const SIGNIFICANT: f64 = 6.0;
/// Fewer lines tell nothing.
const MIN_LINES: usize = 3 * SMOOTH_REACH;

/// What was found about the lines of one direction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LineNoise {
    /// Standard deviation of the offsets, 1.0 at the white level; 0 where none is seen.
    pub sigma: f64,
    /// How many standard errors it stands above zero.
    pub significance: f64,
    /// Whether it was removed.
    pub removed: bool,
}

/// The offsets of a burst's rows and columns.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Banding {
    /// By frame, then by row; empty for a frame without offsets.
    rows: Vec<Vec<f32>>,
    /// By column; empty where there are none.
    columns: Vec<f32>,
    /// Of the rows.
    pub row_noise: LineNoise,
    /// Of the columns.
    pub column_noise: LineNoise,
}

impl Banding {
    /// What the profiles of a burst tell; `None` stands for a frame that has none.
    #[must_use]
    pub fn of(profiles: &[Option<&LineProfile>]) -> Self {
        let known: Vec<&LineProfile> = profiles.iter().flatten().copied().collect();
        if known.len() < 2 {
            return Self::default();
        }
        let still = |part: usize| mean_of(known.iter().map(|profile| profile.rows[part].as_slice()));
        let still: [Vec<f32>; PARTS] = std::array::from_fn(still);
        let moving: Vec<[Vec<f32>; PARTS]> = known
            .iter()
            .map(|profile| {
                std::array::from_fn(|part| {
                    let own = profile.rows[part].iter().zip(&still[part]);
                    without_smooth(&own.map(|(own, still)| own - still).collect::<Vec<_>>())
                })
            })
            .collect();
        // The mean of n frames has taken a share of 1/n of each frame's own offsets away.
        let (row_noise, belief) = assess(&moving, (known.len() - 1) as f64 / known.len() as f64);
        let mut offsets = moving.iter().map(|parts| belief.offsets(parts));
        let rows = match row_noise.removed {
            true => profiles.iter().map(|profile| profile.and_then(|_| offsets.next()).unwrap_or_default()).collect(),
            false => Vec::new(),
        };
        let columns: [Vec<f32>; PARTS] = std::array::from_fn(|part| {
            without_smooth(&mean_of(known.iter().map(|profile| profile.columns[part].as_slice())))
        });
        let columns = [columns];
        let (column_noise, belief) = assess(&columns, 1.0);
        let columns = if column_noise.removed { belief.offsets(&columns[0]) } else { Vec::new() };
        Self { rows, columns, row_noise, column_noise }
    }

    /// Whether a part of a frame needs no work.
    #[must_use]
    pub fn is_none_for(&self, frame: usize) -> bool {
        self.columns.is_empty() && self.rows.get(frame).is_none_or(Vec::is_empty)
    }

    /// Takes the offsets from a part of a frame, row by row: `left` and `top` are its place, `size` its size.
    pub fn remove(&self, frame: usize, (left, top): (usize, usize), size: Size, samples: &mut [f32]) {
        let rows = self.rows.get(frame).filter(|rows| !rows.is_empty());
        for (y, row) in samples.chunks_exact_mut(size.width).enumerate() {
            let offset = rows.map_or(0.0, |rows| rows[top + y]);
            if self.columns.is_empty() {
                row.iter_mut().for_each(|sample| *sample -= offset);
            } else {
                let columns = &self.columns[left..left + size.width];
                row.iter_mut().zip(columns).for_each(|(sample, column)| *sample -= offset + column);
            }
        }
    }
}

fn mean_of<'a>(profiles: impl ExactSizeIterator<Item = &'a [f32]>) -> Vec<f32> {
    let n = profiles.len() as f32;
    let mut mean = Vec::new();
    for profile in profiles {
        mean.resize(profile.len(), 0.0);
        mean.iter_mut().zip(profile).for_each(|(sum, value)| *sum += value / n);
    }
    mean
}

/// Less the running median.
fn without_smooth(values: &[f32]) -> Vec<f32> {
    let mut near = Vec::with_capacity(2 * SMOOTH_REACH + 1);
    (0..values.len())
        .map(|idx| {
            // The same reach on both sides keeps a slope up to the ends.
            let reach = SMOOTH_REACH.min(idx).min(values.len() - 1 - idx);
            near.clear();
            near.extend_from_slice(&values[idx - reach..=idx + reach]);
            if reach == 0 { 0.0 } else { values[idx] - median(&mut near).unwrap_or(0.0) }
        })
        .collect()
}

fn whole(parts: &[Vec<f32>; PARTS], line: usize) -> f32 {
    parts.iter().map(|part| part[line]).sum::<f32>() / PARTS as f32
}

/// From the least to the greatest of the parts.
fn range(parts: &[Vec<f32>; PARTS], line: usize) -> f32 {
    let values = parts.each_ref().map(|part| part[line]);
    values.iter().copied().fold(f32::MIN, f32::max) - values.iter().copied().fold(f32::MAX, f32::min)
}

/// Which measured offsets are believed, and how far.
#[derive(Clone, Copy, Debug, Default)]
struct Belief {
    /// Of the measured mean.
    share: f32,
    most: f32,
    most_range: f32,
}

impl Belief {
    /// What to take from each line: nothing where it is a structure of the picture.
    fn offsets(self, parts: &[Vec<f32>; PARTS]) -> Vec<f32> {
        let believed = |line: &usize| whole(parts, *line).abs() <= self.most && range(parts, *line) <= self.most_range;
        let offset = |line: usize| Some(line).filter(believed).map_or(0.0, |line| self.share * whole(parts, line));
        (0..parts[0].len()).map(offset).collect()
    }
}

/// How strong the common offsets are, and which to believe; `kept` is the share of the variance that the preparation
/// has left.
fn assess(sets: &[[Vec<f32>; PARTS]], kept: f64) -> (LineNoise, Belief) {
    let all = || sets.iter().flat_map(|parts| (0..parts[0].len()).map(move |line| (parts, line)));
    let mut sizes: Vec<f32> = all().map(|(parts, line)| whole(parts, line).abs()).collect();
    let most = MOST_SIGMA * SIGMA_PER_MAD * median(&mut sizes).unwrap_or(0.0);
    let mut ranges: Vec<f32> = all().map(|(parts, line)| range(parts, line)).collect();
    let most_range = MOST_RANGE * median(&mut ranges).unwrap_or(0.0);
    let is_usual = |(parts, line): &(&[Vec<f32>; PARTS], usize)| {
        whole(parts, *line).abs() <= most && range(parts, *line) <= most_range
    };
    let usual: Vec<_> = all().filter(is_usual).collect();
    let n = usual.len() as f64;
    if usual.len() < MIN_LINES {
        return (LineNoise::default(), Belief::default());
    }
    let moments = |[a, b, c, d]: [usize; PARTS]| {
        let [mut together, mut first, mut second] = [0.0_f64; 3];
        for (parts, line) in &usual {
            let half = |a: usize, b: usize| 0.5 * f64::from(parts[a][*line] + parts[b][*line]);
            let (x, y) = (half(a, b), half(c, d));
            together += x * y;
            first += x * x;
            second += y * y;
        }
        // The standard error of a covariance of what does not hang together.
        (together / n, (first * second).sqrt() / n / (n * kept).sqrt())
    };
    let (variance, error) =
        HALVES.map(moments).into_iter().min_by(|a, b| a.0.total_cmp(&b.0)).expect("there are three ways");
    let measured = usual.iter().map(|(parts, line)| f64::from(whole(parts, *line)).powi(2)).sum::<f64>() / n;
    if measured <= 0.0 || error <= 0.0 {
        return (LineNoise::default(), Belief::default());
    }
    let significance = variance / error;
    let sigma = (variance.max(0.0) / kept).sqrt();
    let noise = LineNoise { sigma, significance, removed: significance >= SIGNIFICANT };
    (noise, Belief { share: (variance.max(0.0) / measured).min(1.0) as f32, most, most_range })
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    use super::*;
    use crate::calibrate::noise::NoiseModel;
    use crate::calibrate::scene::{Light, add_noise, shine, sky};
    use crate::pixels::{CalibratedFrame, Cfa, Layout, Plane, Point};

    const SIZE: Size = Size { width: 600, height: 400 };
    const NOISE: NoiseModel = NoiseModel { read_variance: 1e-6, photon_variance_per_unit: 2e-5 };
    const N_FRAMES: usize = 8;
    /// A sky of 0.01 to 0.03: one sample has a noise of 1.2e-3 in the middle.
    const SIGMA: f32 = 1.2e-3;

    /// Offsets of the columns (the same in all frames) and of the rows of frame `k`.
    fn truth(k: usize, sigma: f32) -> (Vec<f32>, Vec<f32>) {
        let draw = |seed: u64, n: usize| -> Vec<f32> {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            (0..n).map(|_| sigma * random.sample::<f32, _>(StandardNormal)).collect()
        };
        (draw(7, SIZE.width), draw(100 + k as u64, SIZE.height))
    }

    /// A sky with stars that move, over land that stands: a level lake with a bright shore, and a trunk.
    fn frame(k: usize, sigma: f32) -> CalibratedFrame {
        let mut frame = sky(Layout::Mosaic(Cfa::RGGB), SIZE, 0.01, 0.03);
        let mut random = ChaCha8Rng::seed_from_u64(3);
        for _ in 0..150 {
            let start = Point { x: random.random_range(0.0..600.0), y: random.random_range(0.0..400.0) };
            let center = Point { x: start.x + 2.3 * k as f64, y: start.y + 0.4 * k as f64 };
            shine(&mut frame, Cfa::RGGB, &Light { center, peak: [0.1; 3], fwhm_px: 2.2 });
        }
        for y in 300..400 {
            // Ripples as wide as the picture, and the shore.
            let light = if y == 300 { 0.02 } else { 2e-4 * ((y * 37 % 11) as f32 - 5.0) };
            frame.planes[0].row_mut(y).iter_mut().for_each(|sample| *sample += light);
        }
        for y in 250..400 {
            frame.planes[0].row_mut(y)[200..206].iter_mut().for_each(|sample| *sample -= 0.004);
        }
        add_noise(&mut frame, &NOISE, 1000 + k as u64);
        let (columns, rows) = truth(k, sigma);
        for (y, row) in rows.iter().enumerate() {
            let samples = frame.planes[0].row_mut(y);
            samples.iter_mut().zip(&columns).for_each(|(sample, column)| *sample += row + column);
        }
        frame
    }

    fn profile(frame: &CalibratedFrame) -> LineProfile {
        // The sky as a mesh would tell it: without the land.
        let sky = |_: usize, _: usize, first_x: usize, row: &mut [f32]| {
            for (k, level) in row.iter_mut().enumerate() {
                *level = 0.01 + 0.02 * (first_x + 2 * k) as f32 / SIZE.width as f32;
            }
        };
        LineProfile::of(frame, &NOISE, &sky).expect("a large mosaic")
    }

    fn found(sigma: f32) -> Banding {
        let profiles: Vec<LineProfile> = (0..N_FRAMES).map(|k| profile(&frame(k, sigma))).collect();
        Banding::of(&profiles.iter().map(Some).collect::<Vec<_>>())
    }

    /// What is left of the offsets, and what there was, as root mean squares over the rows (of all frames) and
    /// the columns.
    fn left(banding: &Banding, sigma: f32) -> ([f32; 2], [f32; 2]) {
        let [mut rows, mut columns] = [[0.0; 2]; 2];
        for k in 0..N_FRAMES {
            let (true_columns, true_rows) = truth(k, sigma);
            let mut plane = Plane::from_fn(SIZE, |x, y| true_rows[y] + true_columns[x]);
            banding.remove(k, (0, 0), SIZE, plane.samples_mut());
            for (y, true_row) in true_rows.iter().enumerate().take(SIZE.height - 20).skip(20) {
                let mean = plane.row(y).iter().sum::<f32>() / SIZE.width as f32;
                rows[0] += mean * mean / (360 * N_FRAMES) as f32;
                rows[1] += true_row * true_row / (360 * N_FRAMES) as f32;
            }
            for (x, true_column) in true_columns.iter().enumerate().take(SIZE.width - 20).skip(20) {
                let mean = (0..SIZE.height).map(|y| plane.at(x, y)).sum::<f32>() / SIZE.height as f32;
                columns[0] += mean * mean / (560 * N_FRAMES) as f32;
                columns[1] += true_column * true_column / (560 * N_FRAMES) as f32;
            }
        }
        (rows.map(f32::sqrt), columns.map(f32::sqrt))
    }

    #[test]
    fn row_and_column_noise_of_a_third_of_the_noise_is_found_and_mostly_removed() {
        let sigma = SIGMA / 3.0;
        let banding = found(sigma);
        for (noise, name) in [(banding.row_noise, "rows"), (banding.column_noise, "columns")] {
            assert!(noise.removed, "{name}: {noise:?}");
            let ratio = noise.sigma / f64::from(sigma);
            // The running median over 51 lines takes a little of it.
            assert!((0.9..1.1).contains(&ratio), "{name} have {ratio} of the true offsets");
        }
        let (rows, columns) = left(&banding, sigma);
        // Errors: 1.2e-3 / √600 = 0.05e-3 a row plus 1/8 that the mean of the frames keeps, of 0.4e-3.
        assert!(rows[0] < 0.45 * rows[1], "rows: {} of {} are left", rows[0], rows[1]);
        assert!(columns[0] < 0.35 * columns[1], "columns: {} of {} are left", columns[0], columns[1]);
    }

    #[test]
    fn where_there_is_none_nothing_is_changed_by_stars_shore_ripples_or_trunk() {
        let banding = found(0.0);
        assert!(!banding.row_noise.removed, "{:?}", banding.row_noise);
        assert!(!banding.column_noise.removed, "{:?}", banding.column_noise);
        assert!((0..N_FRAMES).all(|k| banding.is_none_for(k)), "no frame needs work");
    }

    #[test]
    fn the_shore_stays_where_rows_are_mended() {
        let banding = found(SIGMA / 3.0);
        let shore: f32 = (0..N_FRAMES).map(|k| banding.rows[k][300]).sum::<f32>() / N_FRAMES as f32;
        assert!(shore.abs() < 2e-4, "{shore} of the shore's 0.02 is taken");
        let trunk = banding.columns[203] - truth(0, SIGMA / 3.0).0[203];
        assert!(trunk.abs() < 3e-4, "{trunk} of the trunk's 0.004 is taken");
    }

    #[test]
    fn a_frame_alone_or_of_three_planes_is_left_alone() {
        let one = profile(&frame(0, SIGMA));
        assert_eq!(Banding::of(&[Some(&one), None]), Banding::default(), "one frame");
        let rgb = sky(Layout::Rgb, SIZE, 0.01, 0.03);
        assert_eq!(LineProfile::of(&rgb, &NOISE, &|_, _, _, _| {}), None, "demosaiced");
    }
}
