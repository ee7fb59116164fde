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
        let n_of_phase = |phase: usize| (size.width - phase).div_ceil(2);
        let task = |part: usize, y: usize, end: usize| {
            let mut of_phase = [0, 1].map(|phase| vec![0.0; n_of_phase(phase)]);
            let mut rows = Vec::with_capacity(end - y);
            let mut buffer = vec![0.0; n_of_phase(0)];
            for y in y..end {
                let mut sums = [0.0; PARTS];
                for (phase, columns) in of_phase.iter_mut().enumerate() {
                    let level = &mut buffer[..columns.len()];
                    sky(cfa.color_at(phase, y) as usize, y, phase, level);
                    let level_at: [f32; PARTS] = std::array::from_fn(|quarter| level[quarter_of(quarter, level.len()).start]);
                    let over = level;
                    let samples = frame.planes[0].row(y)[phase..].iter().step_by(2);
                    over.iter_mut().zip(samples).for_each(|(level, sample)| *level = sample - *level);
                    for (quarter, (sum, level)) in sums.iter_mut().zip(level_at).enumerate() {
                        let places = quarter_of(quarter, over.len());
                        let (over, columns) = (&mut over[places.clone()], &mut columns[places]);
                        // On land as well as in the sky: samples held at the end of their reach would not move with
                        // their line.
                        let middle = middle_of(over);
                        let reach = HOLD_SIGMA * noise.sigma(level + middle);
                        over.iter_mut().for_each(|over| *over = (*over - middle).clamp(-reach, reach));
                        columns.iter_mut().zip(&*over).for_each(|(column, held)| *column += held);
                        *sum += middle * over.len() as f32 + sum_of(over);
                    }
                }
                let n = (size.width / PARTS) as f32;
                rows.push(sums.map(|sum| sum / n));
            }
            let columns = (0..size.width).map(|x| of_phase[x % 2][x / 2]).collect::<Vec<f32>>();
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

/// Median of some of the samples.
fn middle_of(over: &[f32]) -> f32 {
    let mut some = [0.0; MOST_FOR_MIDDLE];
    let step = over.len().div_ceil(MOST_FOR_MIDDLE).max(1);
    let n = over.len().div_ceil(step);
    some.iter_mut().zip(over.iter().step_by(step)).for_each(|(some, over)| *some = *over);
    median(&mut some[..n]).unwrap_or(0.0)
}

/// Sum of samples, eight of them side by side.
fn sum_of(samples: &[f32]) -> f32 {
    let (groups, rest) = samples.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for group in groups {
        sums.iter_mut().zip(group).for_each(|(sum, sample)| *sum += sample);
    }
    sums.iter().chain(rest).sum()
}

fn quarter_of(part: usize, len: usize) -> Range<usize> {
    part * len / PARTS..(part + 1) * len / PARTS
}
