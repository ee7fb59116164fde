//! How much cleaner the stack is than one frame, measured on the sky itself.
//!
//! Stars, faint ones above all, would count as noise in any single picture. So some rows of the sky are
//! stacked twice more, from every other frame each: the difference of the two half stacks has no sky in it,
//! only noise. A mean with weights w of samples of variance v has Σw²v/(Σw)², which gives the whole from the
//! difference; and the reference frame less the stack, of which it is a part, has its own variance less
//! 2wv/Σw, plus that of the stack.
//!
//! Interpolation smooths the noise of single pixels, so a blurred stack would look clean. The mean of a
//! block of 8 × 8 pixels is hardly touched by a kernel of 6: the noise quoted here is that of block means,
//! times 8, of the green channel; the median absolute deviation keeps edges of stars from counting.

use std::ops::Range;

use crate::calibrate::NoiseModel;
use crate::demosaic::demosaic;
use crate::error::Error;
use crate::job::Monitor;
use crate::pipeline::lights::{Basis, Reading};
use crate::pipeline::report::{NoiseModelReport, NoiseReport};
use crate::pipeline::rows::RepairedRows;
use crate::pixels::statistics::median_and_sigma;
use crate::pixels::{Layout, LinearImage, Size};
use crate::stack::{CombineRule, MosaicRows, Stack, StackFrame, StackRequest, stack_rows};

/// Edge of a block.
const BLOCK_PX: usize = 8;
/// Rows looked at together: one row of blocks, and on both sides room for the demosaic.
const MARGIN_ROWS: usize = 4;
/// Blocks enough for a standard error of 1 %.
const WANTED_BLOCKS: usize = 6000;
/// Share of the samples of a block that may be left out beyond twice what noise alone leaves out.
const MOST_LEFT_OUT: f64 = 0.02;
/// Fewer give no figure worth printing.
const MIN_BLOCKS: usize = 150;
/// Standard error of a standard deviation from the median absolute deviation of n normal values, as a share: this over
/// √n (efficiency of 0.37; Rousseeuw and Croux 1993).
const MAD_ERROR: f64 = 1.162;
/// Rows are spread over so many places at the least, so that no one patch of sky decides.
const MIN_PLACES: usize = 12;

/// Noise of the green sky before and after; `None` where too little of it was seen by all frames, or where
/// the stack is no mean.
pub(super) fn measure(
    monitor: &Monitor,
    rows: &RepairedRows<'_>,
    stacked: &Stack,
    request: &StackRequest<'_>,
    own_variance: &dyn Fn(&StackFrame) -> f64,
    reference: usize,
) -> Result<Option<NoiseReport>, Error> {
    let Some(reference_frame) = request.sky.iter().find(|frame| frame.frame == reference) else { return Ok(None) };
    let halves: [StackRequest<'_>; 2] = std::array::from_fn(|half| StackRequest {
        sky: request.sky.iter().skip(half).step_by(2).cloned().collect(),
        land: Vec::new(),
        land_reserve: Vec::new(),
        // Only places that every frame saw clean count below.
        foreground: None,
        ..request.clone()
    });
    if halves.iter().any(|half| half.sky.len() < MIN_FRAMES_OF_A_HALF) {
        return Ok(None);
    }
    let [first_weight, second_weight] = halves.each_ref().map(|half| weight(&half.sky));
    let whole_weight = first_weight + second_weight;
    // The many small stacks are one step to whoever watches.
    let quiet = Monitor::new(monitor.cancel_token(), |_| {});
    let mut between_halves = Vec::new();
    let mut from_whole = Vec::new();
    let places = places(request, rows.size());
    for (done, place) in places.iter().enumerate() {
        monitor.step("Measuring the noise", done, places.len())?;
        let around = grown(place, rows.size().height);
        let [first, second] = [
            stack_rows(&quiet, rows, &halves[0], place.clone())?.image,
            stack_rows(&quiet, rows, &halves[1], place.clone())?.image,
        ];
        let single = demosaic(&rows.strips(reference, &[around.start], around.len())?);
        let columns: Vec<usize> = (0..rows.size().width / BLOCK_PX)
            .map(|block| block * BLOCK_PX)
            .filter(|&x| is_seen_by_all(stacked, request, place, x))
            .collect();
        let green = |image: &LinearImage, x: usize, y: usize| image.planes[1].at(x, y);
        let shift = place.start - around.start;
        between_halves.extend(block_means(&columns, |x, y| green(&first, x, y) - green(&second, x, y)));
        from_whole.extend(block_means(&columns, |x, y| {
            green(&single, x, y + shift) - green(&stacked.image, x, y + place.start)
        }));
    }
    if between_halves.len() < MIN_BLOCKS {
        return Ok(None);
    }
    // Not empty, as just checked.
    let spread = |means: &mut [f32]| median_and_sigma(means).map_or(0.0, |(_, sigma)| f64::from(sigma));
    let of_pixels = |means: &mut [f32]| (BLOCK_PX as f64 * spread(means)).powi(2);
    let spreads = halves.each_ref().map(|half| spread_of(&half.sky, own_variance));
    let whole_spread = spreads[0] + spreads[1];
    let of_halves = spreads[0] / first_weight.powi(2) + spreads[1] / second_weight.powi(2);
    let whole = of_pixels(&mut between_halves) * whole_spread / whole_weight.powi(2) / of_halves;
    let reference_share =
        f64::from(reference_frame.weight) * own_variance(reference_frame) * whole_weight / whole_spread;
    let difference = of_pixels(&mut from_whole);
    let single = difference + whole * (2.0 * reference_share - 1.0);
    // Weights by inverse variance alone would leave the least noise.
    let reference_variance = own_variance(reference_frame);
    let ideal = request.sky.iter().map(|frame| reference_variance / own_variance(frame)).sum::<f64>().sqrt();
    // The gain's square is the ratio of both variances that were measured, and a number that is known.
    let measured_ratio = difference / whole;
    let error_of_ratio = 2.0 * MAD_ERROR * (1.0 / between_halves.len() as f64 + 1.0 / from_whole.len() as f64).sqrt();
    let (single, stack) = (single.sqrt(), whole.sqrt());
    let gain = single / stack;
    Ok(Some(NoiseReport { single, stack, gain, gain_sigma: measured_ratio * error_of_ratio / (2.0 * gain), ideal }))
}

/// Variance of one sample of a frame's own sky after scaling; that of the frame's own figure where no model is known.
pub(super) fn own_variance(model: Option<&NoiseModel>, readings: &[Reading], frame: &StackFrame) -> f64 {
    match (model, readings[frame.frame].as_ref()) {
        (Some(model), Ok(light)) => f64::from(frame.scale * frame.scale * model.variance(light.measure.sky_level[1])),
        _ => f64::from(frame.variance),
    }
}

/// Gain and read noise of the model, and the noise that it predicts for the figures of [`measure`].
///
/// Green of a mosaic is interpolated: each green sample takes part in two pixels' worth of a block, which leaves
/// its mean with twice the variance of as many independent samples.
pub(super) fn predicted(
    request: &StackRequest<'_>,
    readings: &[Reading],
    reference: usize,
    basis: &Basis,
) -> Option<NoiseModelReport> {
    let model = request.noise.filter(|model| model.photon_variance_per_unit > 0.0)?;
    let electrons_at_white = 1.0 / f64::from(model.photon_variance_per_unit);
    let level = readings[reference].as_ref().ok()?.measure.sky_level[1];
    let samples_per_green = match basis.layout {
        Layout::Mosaic(_) => 2.0,
        Layout::Rgb => 1.0,
    };
    let predicted_single = (samples_per_green * f64::from(model.variance(level))).sqrt();
    let own = |frame: &StackFrame| samples_per_green * own_variance(Some(&model), readings, frame);
    let electrons_per_dn = basis.range_dn.map(|range| electrons_at_white / f64::from(range));
    // Rounding is even over one data number.
    let rounding_electrons = electrons_per_dn.map(|electrons| electrons / 12.0_f64.sqrt());
    let without_light = f64::from(model.read_variance) * electrons_at_white.powi(2);
    Some(NoiseModelReport {
        electrons_at_white,
        electrons_per_dn,
        read_noise_electrons: (without_light - rounding_electrons.unwrap_or(0.0).powi(2)).max(0.0).sqrt(),
        rounding_electrons,
        predicted_single,
        predicted_stack: spread_of(&request.sky, &own).sqrt() / weight(&request.sky),
    })
}

/// A half of one frame would be clipped against nothing.
const MIN_FRAMES_OF_A_HALF: usize = 2;

/// Sum of weight squared times variance.
fn spread_of(frames: &[StackFrame], own_variance: &dyn Fn(&StackFrame) -> f64) -> f64 {
    frames.iter().map(|frame| f64::from(frame.weight).powi(2) * own_variance(frame)).sum()
}

fn weight(frames: &[StackFrame]) -> f64 {
    frames.iter().map(|frame| f64::from(frame.weight)).sum()
}

/// Rows of blocks that have sky in them, spread from top to bottom.
fn places(request: &StackRequest<'_>, size: Size) -> Vec<Range<usize>> {
    let has_sky = |y: usize| {
        let mut row = (0..BLOCK_PX).map(|k| y * BLOCK_PX + k);
        row.all(|y| request.foreground.is_none_or(|mask| mask.0.row(y).iter().any(|&alpha| alpha <= 0.0)))
    };
    let candidates: Vec<usize> = (0..size.height / BLOCK_PX).filter(|&y| has_sky(y)).collect();
    let blocks_a_row = (size.width / BLOCK_PX).max(1);
    let wanted = WANTED_BLOCKS.div_ceil(blocks_a_row).max(MIN_PLACES).min(candidates.len());
    (0..wanted).map(|k| candidates[k * candidates.len() / wanted] * BLOCK_PX).map(|y| y..y + BLOCK_PX).collect()
}

/// The rows and those that the demosaic looks at, at an even start to keep the phase of the mosaic.
fn grown(place: &Range<usize>, height: usize) -> Range<usize> {
    place.start.saturating_sub(MARGIN_ROWS)..(place.end + MARGIN_ROWS).min(height)
}

/// Whether a block is sky alone that every frame saw, and that hardly any frame was left out of: where something stands
/// still in a sky that moves, as land without a mask, clipping leaves out much, and the stack is no mean of one scene.
fn is_seen_by_all(stacked: &Stack, request: &StackRequest<'_>, place: &Range<usize>, x: usize) -> bool {
    let full = u16::try_from(request.sky.len()).unwrap_or(u16::MAX);
    let columns = x..x + BLOCK_PX;
    let n_left_out: usize =
        place.clone().flat_map(|y| &stacked.n_rejected.row(y)[columns.clone()]).map(|&n| usize::from(n)).sum();
    let n_samples = place.len() * BLOCK_PX * request.sky.len();
    n_left_out as f64 <= most_left_out(request.combine) * n_samples as f64
        && place.clone().all(|y| {
            (x..x + BLOCK_PX).all(|x| {
                let seen = stacked.n_used.at(x, y).saturating_add(stacked.n_rejected.at(x, y));
                seen >= full && request.foreground.is_none_or(|mask| mask.0.at(x, y) <= 0.0)
            })
        })
}

/// Share of the samples of clean sky that clipping may leave out; a sample goes with any of its three colors.
fn most_left_out(combine: CombineRule) -> f64 {
    match combine {
        CombineRule::ClippedMean { drop_below_sigma, drop_above_sigma } => {
            MOST_LEFT_OUT + 2.0 * 3.0 * (normal_tail(drop_below_sigma) + normal_tail(drop_above_sigma))
        }
        CombineRule::Mean | CombineRule::Median | CombineRule::Maximum => MOST_LEFT_OUT,
    }
}

/// Share of a normal distribution above so many standard deviations, to 1e-5 (Abramowitz and Stegun 1964, 26.2.16).
fn normal_tail(sigma: f32) -> f64 {
    let sigma = f64::from(sigma);
    let t = 1.0 / (1.0 + 0.33267 * sigma);
    let density = (-0.5 * sigma * sigma).exp() / (2.0 * std::f64::consts::PI).sqrt();
    density * (0.436_183_6 * t - 0.120_167_6 * t * t + 0.937_298_0 * t * t * t)
}

/// Means over those clean blocks of one row of blocks.
fn block_means(columns: &[usize], value: impl Fn(usize, usize) -> f32) -> impl Iterator<Item = f32> {
    columns.iter().map(move |&first| {
        let block = (0..BLOCK_PX).flat_map(|y| (first..first + BLOCK_PX).map(move |x| (x, y)));
        block.map(|(x, y)| value(x, y)).sum::<f32>() / (BLOCK_PX * BLOCK_PX) as f32
    })
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;
    use crate::calibrate::{Banding, Defects};
    use crate::foreground::ForegroundMask;
    use crate::pixels::{CalibratedFrame, Mask, Plane, Transform};
    use crate::scratch::{ScratchSpec, ScratchStore};
    use crate::stack::{CombineRule, stack};

    const SIZE: Size = Size { width: 320, height: 240 };
    const SIGMA: f32 = 0.01;
    const N_FRAMES: usize = 9;

    /// A sky full of faint stars, the same in every frame, under noise of its own in each.
    fn frame(seed: u64) -> CalibratedFrame {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let noise = Normal::new(0.0, SIGMA).expect("a positive sigma");
        let star = |x: usize, y: usize| if (7 * x + 13 * y).is_multiple_of(97) { 3.0 * SIGMA } else { 0.0 };
        let plane = Plane::from_fn(SIZE, |x, y| 0.1 + 1e-4 * x as f32 + star(x, y) + noise.sample(&mut random));
        CalibratedFrame { layout: Layout::Rgb, planes: vec![plane; 3], saturated: Mask::empty(SIZE) }
    }

    fn report(foreground: Option<&ForegroundMask>) -> Option<NoiseReport> {
        let folder = tempfile::tempdir_in(env!("CARGO_MANIFEST_DIR")).expect("a folder on disk");
        let spec = ScratchSpec { layout: Layout::Rgb, size: SIZE, n_frames: N_FRAMES, lowest: -0.1, highest: 1.05 };
        let store = ScratchStore::create(&[folder.path().to_owned()], spec).expect("room for nine small frames");
        for idx in 0..N_FRAMES {
            store.write(idx, &frame(idx as u64)).expect("the space is reserved");
        }
        let still = |idx| StackFrame::plain(idx, Transform::Identity);
        let request = StackRequest {
            sky: (0..N_FRAMES).map(still).collect(),
            land: Vec::new(),
            land_reserve: Vec::new(),
            foreground,
            combine: CombineRule::Mean,
            memory_bytes: 1 << 30,
            ..StackRequest::default()
        };
        let rows = RepairedRows { store: &store, defects: &Defects::none(Layout::Rgb), banding: &Banding::default() };
        let stacked = stack(&Monitor::silent(), &rows, &request).expect("nine frames");
        let own_variance = |frame: &StackFrame| f64::from(frame.variance);
        measure(&Monitor::silent(), &rows, &stacked, &request, &own_variance, 4).expect("nine frames")
    }

    #[test]
    fn nine_frames_have_a_third_of_the_noise_whatever_stars_there_are() {
        let report = report(None).expect("plenty of sky");
        // Some 1,200 blocks: the scaled MAD has a standard error of about 3.4 %.
        assert!((report.single / f64::from(SIGMA) - 1.0).abs() < 0.1, "single {}", report.single);
        assert!((report.gain / 3.0 - 1.0).abs() < 0.1, "gain {}", report.gain);
        // √(9 − 1) of 3 comes from the ratio of the variances: 8 / 3 · 1.162 · √(2 / 1200).
        assert!((report.gain_sigma / 0.127 - 1.0).abs() < 0.25, "error {}", report.gain_sigma);
        assert!((report.gain - 3.0).abs() < 3.0 * report.gain_sigma, "{report:?}");
        assert!((report.ideal - 3.0).abs() < 1e-6, "nine equal weights: {}", report.ideal);
    }

    #[test]
    fn where_all_is_land_there_is_no_sky_to_measure() {
        assert_eq!(report(Some(&ForegroundMask(Plane::filled(SIZE, 1.0)))), None, "all land");
    }
}
