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
//! Rows that stand still from frame to frame cannot be told from a level horizon by the picture and stay; darks, bias
//! frames, or masked margins take them away (`margin_lines`). Where there are margins, their word counts: an offset is
//! the mean of what margin and picture say, by their errors, and what the picture alone believes to see, where the
//! margins would have seen it, is none.
//! Frames of three planes have been demosaiced and are left alone.

use serde::{Deserialize, Serialize};

use crate::calibrate::line_profile::{LineProfile, PARTS};
use crate::calibrate::margin_lines::{Halves, Told, moving_and_still};
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
pub(super) const SIGNIFICANT: f64 = 6.0;
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
    /// Whether masked margins of the sensor told it.
    #[serde(default)]
    pub by_margins: bool,
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
    /// What the profiles of a burst tell; `None` stands for a frame that has none. `is_settled` says that darks or
    /// bias frames have taken away what stands still.
    #[must_use]
    pub fn of(profiles: &[Option<&LineProfile>], is_settled: bool) -> Self {
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
        let margins = |direction: usize| -> Option<(Told, Told)> {
            let halves: Option<Vec<&Halves>> = known.iter().map(|lines| lines.margins[direction].as_ref()).collect();
            halves.map(|halves| moving_and_still(&halves))
        };
        let (row_noise, by_frame) = match margins(0) {
            Some((own, still)) => with_margin(row_noise, belief, &moving, &own, Some(&still).filter(|_| !is_settled)),
            None => (row_noise, plain(row_noise, belief, &moving)),
        };
        let mut by_frame = by_frame.into_iter();
        let rows = match row_noise.removed {
            true => profiles.iter().map(|profile| profile.and_then(|_| by_frame.next()).unwrap_or_default()).collect(),
            false => Vec::new(),
        };
        let columns: [Vec<f32>; PARTS] = std::array::from_fn(|part| {
            without_smooth(&mean_of(known.iter().map(|profile| profile.columns[part].as_slice())))
        });
        let columns = [columns];
        let (column_noise, belief) = assess(&columns, 1.0);
        // What darks or bias frames have taken from the picture still stands in the margins.
        let (column_noise, columns) = match margins(1).filter(|_| !is_settled) {
            Some((_, still)) => with_margin(column_noise, belief, &columns, &still, None),
            None => (column_noise, plain(column_noise, belief, &columns)),
        };
        Self { rows, columns: columns.into_iter().next().unwrap_or_default(), row_noise, column_noise }
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

pub(super) fn mean_of<'a>(profiles: impl ExactSizeIterator<Item = &'a [f32]>) -> Vec<f32> {
    let n = profiles.len() as f32;
    let mut mean = Vec::new();
    for profile in profiles {
        mean.resize(profile.len(), 0.0);
        mean.iter_mut().zip(profile).for_each(|(sum, value)| *sum += value / n);
    }
    mean
}

/// Less the running median.
pub(super) fn without_smooth(values: &[f32]) -> Vec<f32> {
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

/// Offsets by the picture alone, by set; none where there is no noise.
fn plain(noise: LineNoise, belief: Belief, sets: &[[Vec<f32>; PARTS]]) -> Vec<Vec<f32>> {
    if noise.removed { sets.iter().map(|parts| belief.offsets(parts)).collect() } else { Vec::new() }
}

/// Whether the picture has the offsets that the margins tell, as far as it can say: a camera may have levelled its
/// picture by its margins, and to take their offsets from it would bring them back.
fn is_shared(belief: Belief, sets: &[[Vec<f32>; PARTS]], margin: &Told) -> bool {
    let (mut together, mut own) = (0.0, 0.0);
    for (set, parts) in sets.iter().enumerate() {
        for line in (0..margin.n_lines()).filter(|&line| belief.believes(parts, line)) {
            let offset = f64::from(margin.offset(set, line, None));
            together += offset * f64::from(whole(parts, line));
            own += offset * offset;
        }
    }
    // The slope of the picture's offsets over the margins' and three of its errors: 1 where they are the same.
    own <= 0.0 || together / own + 3.0 * (belief.error / own).sqrt() > 0.5
}

/// Offsets by the picture and the margins, by set; `still` are those that stand still in all frames.
fn with_margin(
    noise: LineNoise,
    belief: Belief,
    sets: &[[Vec<f32>; PARTS]],
    margin: &Told,
    still: Option<&Told>,
) -> (LineNoise, Vec<Vec<f32>>) {
    if !is_shared(belief, sets, margin) {
        return (noise, plain(noise, belief, sets));
    }
    let still = still.filter(|still| still.noise.removed);
    if !margin.noise.removed && still.is_none() {
        // Offsets of this size would have been seen beside the picture as well.
        let is_of_picture = noise.sigma.powi(2) > margin.limit;
        let noise = if is_of_picture { margin.noise } else { noise };
        return (noise, plain(noise, belief, sets));
    }
    let of_set = |(set, parts): (usize, &[Vec<f32>; PARTS])| {
        let line = |line: usize| {
            let of_picture =
                (noise.removed && belief.believes(parts, line)).then(|| (whole(parts, line), belief.error));
            let moving = if margin.noise.removed { margin.offset(set, line, of_picture) } else { 0.0 };
            moving + still.map_or(0.0, |still| still.offset(0, line, None))
        };
        (0..margin.n_lines()).map(line).collect()
    };
    let of_margin = if margin.noise.removed { margin.noise.sigma } else { 0.0 };
    // The mean of n frames still has 1/n of the variance of what does not stand still.
    let from_moving = of_margin.powi(2) / sets.len() as f64;
    let of_still = still.map_or(0.0, |still| (still.noise.sigma.powi(2) - from_moving).max(0.0).sqrt());
    let significance = still.map_or(0.0, |still| still.noise.significance).max(margin.noise.significance);
    let noise_found = LineNoise { sigma: of_margin.hypot(of_still), significance, removed: true, by_margins: true };
    (noise_found, sets.iter().enumerate().map(of_set).collect())
}

/// Which measured offsets are believed, and how far.
#[derive(Clone, Copy, Debug, Default)]
struct Belief {
    /// Of the measured mean.
    share: f32,
    most: f32,
    most_range: f32,
    /// Variance of the error of the measured mean.
    error: f64,
}

impl Belief {
    fn believes(self, parts: &[Vec<f32>; PARTS], line: usize) -> bool {
        whole(parts, line).abs() <= self.most && range(parts, line) <= self.most_range
    }

    /// What to take from each line: nothing where it is a structure of the picture.
    fn offsets(self, parts: &[Vec<f32>; PARTS]) -> Vec<f32> {
        let believed = |line: &usize| self.believes(parts, *line);
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
    let noise = LineNoise { sigma, significance, removed: significance >= SIGNIFICANT, by_margins: false };
    let error = (measured - variance.max(0.0)).max(1e-3 * measured);
    (noise, Belief { share: (variance.max(0.0) / measured).min(1.0) as f32, most, most_range, error })
}

#[cfg(test)]
mod tests;
