//! Means along the rows and columns of one frame, of what is left of its samples without the smooth sky.

use std::ops::Range;

use rayon::prelude::*;

use crate::calibrate::margin_lines::Halves;
use crate::calibrate::noise::NoiseModel;
use crate::pixels::statistics::median;
use crate::pixels::{CalibratedFrame, Layout};
use crate::raw::{LineMeans, RawFrame};

/// Parts of a line that must agree.
pub(super) const PARTS: usize = 4;
/// Samples are held within this many standard deviations of the middle of their quarter of the row.
const HOLD_SIGMA: f32 = 3.0;
/// Samples that tell the middle: it need not be known well, for what is held lies evenly around it.
const MOST_FOR_MIDDLE: usize = 64;
/// Smaller frames have too few lines to tell.
const MIN_PX: usize = 75;
/// Rows that one task works on.
const ROWS_PER_TASK: usize = 64;

/// Means along the rows and columns of one frame, in parts.
#[derive(Clone, Debug, PartialEq)]
pub struct LineProfile {
    /// By quarters of the width, then by row.
    pub(super) rows: [Vec<f32>; PARTS],
    /// By quarters of the height, then by column.
    pub(super) columns: [Vec<f32>; PARTS],
    /// Of the masked margins beside rows and columns.
    pub(super) margins: [Option<Halves>; 2],
}

/// The sky behind a mosaic: fills `row` with the level of colour `channel` along row `y`, at `first_x` and every
/// second pixel after it.
pub type SkyRow<'a> = dyn Fn(usize, usize, usize, &mut [f32]) + Sync + 'a;

impl LineProfile {
    /// The profile of a mosaic; `None` for a frame of three planes or one too small to tell.
    #[must_use]
    pub fn of(frame: &CalibratedFrame, noise: &NoiseModel, sky: &SkyRow<'_>) -> Option<Self> {
        let Layout::Mosaic(cfa) = frame.layout else { return None };
        let size = frame.size();
        if size.width.min(size.height) < MIN_PX {
            return None;
        }
        let task = |part: usize, y: usize, end: usize| {
            let mut columns = vec![0.0; size.width];
            let mut rows = Vec::with_capacity(end - y);
            let mut level = vec![0.0; size.width.div_ceil(2)];
            for y in y..end {
                let mut sums = [0.0; PARTS];
                for phase in 0..2 {
                    let level = &mut level[..(size.width - phase).div_ceil(2)];
                    sky(cfa.color_at(phase, y) as usize, y, phase, level);
                    let samples = &frame.planes[0].row(y)[phase..];
                    let columns = &mut columns[phase..];
                    for (quarter, sum) in sums.iter_mut().enumerate() {
                        let places = quarter_of(quarter, level.len());
                        // On land as well as in the sky: samples held at the end of their reach would not move with
                        // their line.
                        let middle = middle_of(samples, level, places.clone());
                        let reach = HOLD_SIGMA * noise.sigma(level[places.start] + middle);
                        for x in places {
                            let held = (samples[2 * x] - level[x] - middle).clamp(-reach, reach);
                            *sum += middle + held;
                            columns[2 * x] += held;
                        }
                    }
                }
                let n = (size.width / PARTS) as f32;
                rows.push(sums.map(|sum| sum / n));
            }
            (part, columns, rows)
        };
        let mut starts = Vec::new();
        for part in 0..PARTS {
            let rows = quarter_of(part, size.height);
            let end = rows.end;
            starts.extend(rows.step_by(ROWS_PER_TASK).map(|y| (part, y, (y + ROWS_PER_TASK).min(end))));
        }
        let done: Vec<_> = starts.into_par_iter().map(|(part, y, end)| task(part, y, end)).collect();
        let mut profile = Self {
            rows: std::array::from_fn(|_| Vec::with_capacity(size.height)),
            columns: std::array::from_fn(|_| vec![0.0; size.width]),
            margins: [None, None],
        };
        for (part, columns, rows) in done {
            let n = quarter_of(part, size.height).len() as f32;
            profile.columns[part].iter_mut().zip(columns).for_each(|(sum, column)| *sum += column / n);
            for row in rows {
                profile.rows.iter_mut().zip(row).for_each(|(rows, value)| rows.push(value));
            }
        }
        Some(profile)
    }
}

impl LineProfile {
    /// With what the masked margins of the same frame show.
    #[must_use]
    pub fn with_margins(mut self, raw: &RawFrame) -> Self {
        let scale = 1.0 / (f32::from(raw.white_level) - raw.black_level.iter().sum::<f32>() / 4.0);
        let size = raw.size();
        let scaled = |means: &Option<LineMeans>, n: usize| {
            let means = means.as_ref().filter(|means| means.halves.iter().all(|half| half.len() == n))?;
            Some(means.halves.each_ref().map(|half| half.iter().map(|mean| mean * scale).collect()))
        };
        self.margins = [scaled(&raw.margins.rows, size.height), scaled(&raw.margins.columns, size.width)];
        self
    }
}

/// Median of what some samples of one colour are over the sky.
fn middle_of(samples: &[f32], level: &[f32], places: Range<usize>) -> f32 {
    let mut left = [0.0; MOST_FOR_MIDDLE];
    let step = places.len().div_ceil(MOST_FOR_MIDDLE).max(1);
    let n = places.len().div_ceil(step);
    left.iter_mut().zip(places.step_by(step)).for_each(|(left, x)| *left = samples[2 * x] - level[x]);
    median(&mut left[..n]).unwrap_or(0.0)
}

fn quarter_of(part: usize, len: usize) -> Range<usize> {
    part * len / PARTS..(part + 1) * len / PARTS
}
