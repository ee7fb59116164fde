//! The landscape of a burst: its light from frame to frame.
//!
//! Where the land is clearly above black its light is matched by a factor, as glow that comes and goes lights
//! it; what is left, by a shift of each channel.

use rayon::prelude::*;

use crate::calibrate::NoiseModel;
use crate::error::Error;
use crate::foreground::ForegroundMask;
use crate::pipeline::rows::RepairedRows;
use crate::pipeline::tripod::Tripod;
use crate::pixels::statistics::{median, median_and_sigma};
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

/// What the land of a burst is made from.
pub(super) struct LandSource<'a> {
    pub(super) rows: &'a RepairedRows<'a>,
    /// Which part of the reference frame is land.
    pub(super) mask: &'a ForegroundMask,
    /// Light frame that the land is brought to.
    pub(super) reference: usize,
    /// The reference frame on itself: nothing moves but the colors that the lens puts apart.
    pub(super) still: Transform,
    pub(super) noise: Option<&'a NoiseModel>,
}

/// A frame that the land may be made from.
pub(super) struct LandFrame {
    /// Its number in the scratch store.
    pub(super) frame: usize,
    /// The reference's light over its own, as exposure, ISO and aperture have it.
    pub(super) expected_scale: f32,
    /// Samples this bright show nothing.
    pub(super) ceiling: f32,
}

impl LandSource<'_> {
    /// The frames as the stack of the land takes them: on the reference frame's tripod, each channel brought to
    /// the reference's level, weighted by inverse variance.
    pub(super) fn frames(&self, frames: &[LandFrame], tripod: &Tripod) -> Result<Vec<StackFrame>, Error> {
        self.other_frames(frames, tripod, self.noise)
    }

    /// The same for frames whose samples have noise of their own.
    pub(super) fn other_frames(
        &self,
        frames: &[LandFrame],
        tripod: &Tripod,
        noise: Option<&NoiseModel>,
    ) -> Result<Vec<StackFrame>, Error> {
        let land = LandSamples::new(self.rows, self.mask);
        let reference = land.read(self.rows, self.reference)?;
        let reference_variance = variance(self.noise, &reference[GREEN]);
        let found: Vec<_> = frames.iter().filter(|frame| !tripod.lost.contains(&frame.frame)).collect();
        found
            .into_par_iter()
            .map(|&LandFrame { frame, expected_scale, ceiling }| {
                let light = land.read(self.rows, frame)?;
                let scale = level_ratio(&reference[GREEN], &light[GREEN]).unwrap_or(expected_scale);
                let variance = scale * scale * variance(noise, &light[GREEN]);
                Ok(StackFrame {
                    weight: reference_variance / variance,
                    variance: variance / reference_variance,
                    scale,
                    offset: Offset::Constant(level_difference(&reference, &light, scale)),
                    ceiling,
                    ..StackFrame::plain(frame, tripod.light_from_reference(frame, &self.still))
                })
            })
            .collect()
    }
}

/// Variance of a sample of typical land.
fn variance(noise: Option<&NoiseModel>, samples: &[f32]) -> f32 {
    let level = median(&mut samples.to_vec()).unwrap_or(0.0);
    noise.map_or(1.0, |noise| noise.variance(level))
}

/// Channel that the scale is taken from: twice as many samples as the others.
const GREEN: usize = 1;
/// A median level this many of its standard errors above black tells a ratio to 2 %.
const CLEAR_LEVEL: f32 = 50.0;
/// Standard error of a median over that of a mean, for normal noise: √(π/2).
const MEDIAN_ERROR: f32 = 1.253_314;

/// Light of the reference over that of a frame, by their median levels; `None` where the land is too dark to tell.
fn level_ratio(reference: &[f32], light: &[f32]) -> Option<f32> {
    let level = |samples: &[f32]| {
        let (level, sigma) = median_and_sigma(&mut samples.to_vec())?;
        let error = MEDIAN_ERROR * sigma / (samples.len() as f32).sqrt();
        (samples.len() >= MIN_SAMPLES && level > CLEAR_LEVEL * error).then_some(level)
    };
    level(reference).zip(level(light)).map(|(reference, light)| reference / light)
}

/// Median of reference minus scaled light, by channel: texture cancels, passing lights do not count.
fn level_difference(reference: &[Vec<f32>; 3], light: &[Vec<f32>; 3], scale: f32) -> [f32; 3] {
    std::array::from_fn(|channel| {
        let mut differences: Vec<f32> =
            reference[channel].iter().zip(&light[channel]).map(|(target, found)| target - scale * found).collect();
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn land_that_is_lit_more_is_scaled_and_land_in_the_dark_is_shifted() {
        let texture = |idx: usize| 1.0 + 0.2 * (idx % 7) as f32;
        let lit: Vec<f32> = (0..2000).map(|idx| 0.01 * texture(idx)).collect();
        let brighter: Vec<f32> = lit.iter().map(|sample| 1.25 * sample).collect();
        let scale = level_ratio(&brighter, &lit).expect("clearly above black");
        assert!((scale - 1.25).abs() < 1e-5, "lit by a quarter more: {scale}");
        let dark: Vec<f32> = (0..2000).map(|idx| 0.01 * (idx % 7) as f32 - 0.03).collect();
        assert_eq!(level_ratio(&dark, &dark), None, "noise around black has no ratio");
        let shifted: Vec<f32> = dark.iter().map(|sample| sample + 0.002).collect();
        let difference = level_difference(&[const { Vec::new() }; 3], &[const { Vec::new() }; 3], 1.0);
        assert_eq!(difference, [0.0; 3], "no land, no shift");
        let three = |samples: &[f32]| std::array::from_fn(|_| samples.to_vec());
        let difference = level_difference(&three(&shifted), &three(&dark), 1.0)[2];
        assert!((difference - 0.002).abs() < 1e-6, "shifted by {difference}");
    }
}
