//! The landscape of a burst: its light from frame to frame.

use crate::error::Error;
use crate::foreground::ForegroundMask;
use crate::pipeline::burst::Aligned;
use crate::pipeline::rows::RepairedRows;
use crate::pixels::statistics::median;
use crate::pixels::{Layout, Transform};
use crate::stack::{MosaicRows, Offset, StackFrame};

/// Strips of the frame that the land's light is compared on.
const N_STRIPS: usize = 24;
/// Rows of each.
const STRIP_ROWS: usize = 8;
/// Land for sure.
const SURELY_LAND: f32 = 0.99;
/// Fewer samples of a channel leave its light as it is.
const MIN_SAMPLES: usize = 200;

/// The frames as the stack of the land takes them: unshifted, each channel brought to the reference's level.
pub(super) fn frames(
    rows: &RepairedRows<'_>,
    aligned: &Aligned,
    foreground: Option<&ForegroundMask>,
    sky: &[StackFrame],
) -> Result<Vec<StackFrame>, Error> {
    let Some(foreground) = foreground else { return Ok(Vec::new()) };
    let land = LandSamples::new(rows, foreground);
    let reference = land.read(rows, aligned.reference)?;
    sky.iter()
        .map(|frame| {
            let light = land.read(rows, frame.frame)?;
            Ok(StackFrame {
                frame: frame.frame,
                light_from_reference: Transform::Identity,
                // The noise of dark land is read noise, the same in all frames of one setting.
                weight: 1.0,
                scale: 1.0,
                offset: Offset::Constant(level_difference(&reference, &light)),
            })
        })
        .collect()
}

/// Median of reference minus light, by channel: texture cancels, passing lights do not count.
fn level_difference(reference: &[Vec<f32>; 3], light: &[Vec<f32>; 3]) -> [f32; 3] {
    std::array::from_fn(|channel| {
        let mut differences: Vec<f32> =
            reference[channel].iter().zip(&light[channel]).map(|(target, found)| target - found).collect();
        if differences.len() < MIN_SAMPLES { 0.0 } else { median(&mut differences).unwrap_or(0.0) }
    })
}

/// Which samples of the strips are land.
struct LandSamples<'a> {
    foreground: &'a ForegroundMask,
    first_rows: Vec<usize>,
}

impl<'a> LandSamples<'a> {
    fn new(rows: &RepairedRows<'_>, foreground: &'a ForegroundMask) -> Self {
        let n_strips = N_STRIPS.min(rows.size().height / STRIP_ROWS).max(1);
        Self { foreground, first_rows: rows.strip_rows(n_strips, STRIP_ROWS) }
    }

    /// Samples of sure land, by channel, in a fixed order.
    fn read(&self, rows: &RepairedRows<'_>, frame: usize) -> Result<[Vec<f32>; 3], Error> {
        let mut samples: [Vec<f32>; 3] = Default::default();
        let strips = rows.strips(frame, &self.first_rows, STRIP_ROWS)?;
        let rows_of_frame = self.first_rows.iter().flat_map(|&first| first..first + STRIP_ROWS);
        for (y, row_of_frame) in (0..strips.size().height).zip(rows_of_frame) {
            let mask = self.foreground.0.row(row_of_frame);
            for (x, _) in mask.iter().enumerate().filter(|&(_, &alpha)| alpha >= SURELY_LAND) {
                match strips.layout {
                    Layout::Mosaic(cfa) => samples[cfa.color_at(x, y) as usize].push(strips.planes[0].at(x, y)),
                    Layout::Rgb => {
                        for (channel, plane) in samples.iter_mut().zip(&strips.planes) {
                            channel.push(plane.at(x, y));
                        }
                    }
                }
            }
        }
        Ok(samples)
    }
}
