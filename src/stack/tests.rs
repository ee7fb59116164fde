//! What the stack must do to stars, trails, noise and the edge of the land.
use super::*;
use std::sync::Arc;

use crate::demosaic::OF_GREEN;
use crate::foreground::ForegroundMask;
use crate::job::CancelToken;
use crate::pixels::{CalibratedFrame, Cfa, Homography, Layout, Mask, Point, Size};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

const NOISE: NoiseModel = NoiseModel { read_variance: 1e-4, photon_variance_per_unit: 0.0 };

fn shifted(dx: f64, dy: f64) -> Transform {
    Transform::Homography(Homography([[1.0, 0.0, dx], [0.0, 1.0, dy], [0.0, 0.0, 1.0]]))
}

fn frame(idx: usize, light_from_reference: Transform) -> StackFrame {
    StackFrame::plain(idx, light_from_reference)
}

fn clipped() -> CombineRule {
    CombineRule::ClippedMean { drop_below_sigma: 3.0, drop_above_sigma: 3.0 }
}

fn request(sky: Vec<StackFrame>) -> StackRequest<'static> {
    StackRequest {
        sky,
        land: Vec::new(),
        land_reserve: Vec::new(),
        foreground: None,
        combine: clipped(),
        noise: Some(NOISE),
        memory_bytes: 1 << 30,
        ..StackRequest::default()
    }
}

/// Grey frames, each sample from a function of place and frame plus noise.
fn grey_frames(size: Size, count: usize, sigma: f32, light: impl Fn(usize, f64, f64) -> f32) -> MemoryFrames {
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let noise = Normal::new(0.0, sigma).expect("a width");
    let frames = (0..count).map(|idx| {
        let plane = Plane::from_fn(size, |x, y| light(idx, x as f64, y as f64) + noise.sample(&mut random));
        CalibratedFrame { layout: Layout::Mosaic(Cfa::RGGB), planes: vec![plane], saturated: Mask::empty(size) }
    });
    MemoryFrames(frames.collect())
}

/// White light as a sensor sees it: red and blue are [`OF_GREEN`] of green.
const WHITE: [f32; 3] = [OF_GREEN, 1.0, OF_GREEN];

/// The same of white light.
fn white_frames(size: Size, count: usize, sigma: f32, light: impl Fn(usize, f64, f64) -> f32) -> MemoryFrames {
    let color = |x: f64, y: f64| WHITE[Cfa::RGGB.color_at(x as usize % 2, y as usize % 2) as usize];
    grey_frames(size, count, sigma, |idx, x, y| color(x, y) * light(idx, x, y))
}

fn run(rows: &MemoryFrames, request: &StackRequest<'_>) -> Stack {
    stack(&Monitor::silent(), rows, request).expect("nothing can fail in memory")
}

fn star(x: f64, y: f64, fwhm_px: f64) -> f32 {
    (-4.0 * std::f64::consts::LN_2 * (x * x + y * y) / (fwhm_px * fwhm_px)).exp() as f32
}

fn mean(values: impl Iterator<Item = f32>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + f64::from(value), count + 1.0));
    sum / count
}

fn deviation(values: impl Iterator<Item = f32> + Clone) -> f64 {
    let center = mean(values.clone());
    mean(values.map(|value| (value - center as f32).powi(2))).sqrt()
}

const SIZE: Size = Size { width: 120, height: 90 };

/// Two columns of the frame a step, so that the sky of each frame is another.
fn drifting(n_frames: usize) -> Vec<StackFrame> {
    (0..n_frames).map(|idx| frame(idx, shifted(0.37 * idx as f64, -0.21 * idx as f64))).collect()
}

/// Frames that moved by parts of a pixel count only where all six taps along each axis lie in them.
#[test]
fn the_edges_count_the_frames_that_cover_them_and_no_others() {
    let rows = grey_frames(SIZE, 8, 0.001, |_, _, _| 0.05);
    let shifts: Vec<(f64, f64)> =
        (0..8).map(|idx| (1.37 * f64::from(idx) - 4.2, 2.5 - 0.81 * f64::from(idx))).collect();
    let sky = (0..8).map(|idx| frame(idx, shifted(shifts[idx].0, shifts[idx].1))).collect();
    let stack = run(&rows, &StackRequest { combine: CombineRule::Mean, ..request(sky) });
    let has_taps = |place: f64, len: usize| place.floor() - 2.0 >= 0.0 && place.floor() + 3.0 < len as f64;
    for (x, y) in (0..SIZE.height).flat_map(|y| (0..SIZE.width).map(move |x| (x, y))) {
        let covers =
            |&&(dx, dy): &&(f64, f64)| has_taps(x as f64 + dx, SIZE.width) && has_taps(y as f64 + dy, SIZE.height);
        let n_covering = shifts.iter().filter(covers).count();
        assert_eq!(usize::from(stack.n_used.at(x, y)), n_covering, "({x}, {y})");
        let level = stack.image.planes[1].at(x, y);
        let expected = if n_covering > 0 { 0.05 } else { 0.0 };
        assert!((level - expected).abs() < 0.006, "({x}, {y}) is {level} of {n_covering} frames");
    }
}

#[test]
fn a_trail_through_one_frame_leaves_less_than_the_noise_of_the_stack() {
    for n_frames in [3, 5, 8] {
        let trail = |idx: usize, x: f64, y: f64| if idx == 1 && (y - 20.0 - 0.4 * x).abs() < 1.5 { 0.1 } else { 0.0 };
        let rows = grey_frames(SIZE, n_frames, 0.01, |idx, x, y| 0.05 + trail(idx, x, y));
        let stack = run(&rows, &request(drifting(n_frames)));
        let green = &stack.image.planes[1];
        let left = mean((10..100).map(|x| green.at(x, (20.0 + 0.4 * x as f64) as usize) - 0.05));
        let sigma_of_stack = 0.01 * (0.5 / n_frames as f64).sqrt();
        assert!(left.abs() < sigma_of_stack, "{n_frames} frames: {left} left, sigma of the stack {sigma_of_stack}");
    }
}

/// In the frames' own coordinates a hot pixel stands still: the sky moves over it.
#[test]
fn a_hot_pixel_of_the_sensor_leaves_nothing_where_the_sky_moved() {
    let rows = grey_frames(SIZE, 8, 0.01, |_, x, y| if (x, y) == (60.0, 40.0) { 0.9 } else { 0.05 });
    let sky = (0..8).map(|idx| frame(idx, shifted(5.3 * idx as f64, 0.0))).collect();
    let stack = run(&rows, &request(sky));
    for plane in &stack.image.planes {
        let brightest = plane.samples().iter().copied().fold(0.0, f32::max);
        // Five deviations of the stack where two frames overlap less.
        assert!(brightest < 0.05 + 0.05, "{brightest} is left");
    }
}

#[test]
fn clipping_noise_costs_hardly_a_sample() {
    let rows = grey_frames(SIZE, 16, 0.01, |_, _, _| 0.05);
    let sky: Vec<StackFrame> = (0..16).map(|idx| frame(idx, Transform::Identity)).collect();
    let clipped = run(&rows, &request(sky.clone()));
    let plain = run(&rows, &StackRequest { combine: CombineRule::Mean, ..request(sky) });
    let sigma = |stack: &Stack| deviation(stack.image.planes[1].samples().iter().copied());
    let ratio = sigma(&clipped) / sigma(&plain);
    assert!(ratio < 1.01, "clipping makes the noise {ratio} times that of the mean");
    let share = mean(clipped.n_rejected.samples().iter().map(|&count| f32::from(count))) / 16.0;
    assert!(share > 0.0005 && share < 0.02, "{share} of the samples left out; 0.0027 a channel lie outside 3 sigma");
    assert_eq!(clipped.n_used.at(5, 5) + clipped.n_rejected.at(5, 5), 16, "every frame was seen");
}

/// Bright stars whose width and place vary a little from frame to frame, as seeing and registration have it.
#[test]
fn star_flux_in_the_stack_is_that_of_the_sky() {
    let photons = NoiseModel { read_variance: 1e-6, photon_variance_per_unit: 2e-5 };
    for n_frames in [3, 8, 16] {
        let rows = white_frames(SIZE, n_frames, 0.001, |idx, x, y| {
            let jitter = 0.12 * ((idx * 7 % 5) as f64 - 2.0) / 2.0;
            let fwhm_px = 2.5 * (1.0 + 0.04 * ((idx * 3 % 7) as f64 - 3.0) / 3.0);
            let area = (2.5 / fwhm_px).powi(2) as f32;
            let (dx, dy) = (0.37 * idx as f64 + jitter, -0.21 * idx as f64 - jitter);
            0.05 + 0.7 * area * star(x - 60.3 - dx, y - 45.4 - dy, fwhm_px)
        });
        let stack = run(&rows, &StackRequest { noise: Some(photons), ..request(drifting(n_frames)) });
        let truth = 0.7 * 2.5 * 2.5 * std::f64::consts::PI / (4.0 * std::f64::consts::LN_2);
        for (channel, plane) in stack.image.planes.iter().enumerate() {
            let near = (0..90).flat_map(|y| (0..120).map(move |x| (x, y)));
            let near = near.filter(|&(x, y)| (x as f64 - 60.3).hypot(y as f64 - 45.4) < 9.0);
            let flux: f64 = near.map(|(x, y)| f64::from(plane.at(x, y) / WHITE[channel]) - 0.05).sum();
            let slope = flux / truth;
            assert!((slope - 1.0).abs() < 0.01, "{n_frames} frames, channel {channel}: {slope} of the flux");
        }
    }
}

/// A bright land below row 60; the sky drifts down into it and up out of it.
fn ridge() -> (ForegroundMask, MemoryFrames, Vec<StackFrame>, Vec<StackFrame>) {
    let mask = ForegroundMask(Plane::from_fn(SIZE, |_, y| ((y as f32 - 58.0) / 4.0).clamp(0.0, 1.0)));
    let alpha = |y: f64| ((y - 58.0) / 4.0).clamp(0.0, 1.0) as f32;
    let rows = white_frames(SIZE, 9, 0.002, |_, _, y| 0.05 * (1.0 - alpha(y)) + 0.4 * alpha(y));
    let sky = (0..9).map(|idx| frame(idx, shifted(0.0, 3.2 * (idx as f64 - 4.0)))).collect();
    let land = (0..9).map(|idx| frame(idx, Transform::Identity)).collect();
    (mask, rows, sky, land)
}

#[test]
fn the_land_leaves_no_ghost_in_the_sky_and_the_sky_none_in_the_land() {
    let (mask, rows, sky, land) = ridge();
    let request = StackRequest {
        land,
        foreground: Some(&mask),
        noise: Some(NoiseModel { read_variance: 4e-6, photon_variance_per_unit: 0.0 }),
        ..request(sky)
    };
    let stack = run(&rows, &request);
    for (y, expected) in (5..58).map(|y| (y, 0.05)).chain((62..85).map(|y| (y, 0.4))) {
        for (plane, white) in stack.image.planes.iter().zip(WHITE) {
            // Demosaic mixes the three rows next to the edge.
            let near_edge = (55..66).contains(&y);
            let row = mean(plane.row(y).iter().map(|sample| sample / white));
            let tolerance = if near_edge { 0.02 } else { 0.0005 };
            assert!((row - expected).abs() < tolerance, "row {y}: {row}, not {expected}");
        }
    }
    let single = crate::demosaic::demosaic(&rows.0[4]);
    for y in 59..70 {
        let row = |image: &LinearImage| mean(image.planes[1].row(y).iter().copied());
        let difference = row(&stack.image) - row(&single);
        assert!(difference.abs() < 0.002, "the edge is that of a single frame; row {y} is off by {difference}");
    }
    assert_eq!(stack.n_without_sky, 0, "frames whose sky moved up saw all of it");
}

#[test]
fn sky_that_no_frame_saw_clean_is_told_and_shows_the_land_frames() {
    let (mask, rows, _, land) = ridge();
    let sky = (0..9).map(|idx| frame(idx, shifted(2.0 * idx as f64, 0.0))).collect();
    let request = StackRequest { land, foreground: Some(&mask), ..request(sky) };
    let stack = run(&rows, &request);
    assert!(stack.n_without_sky > 4 * 120, "rows 53 to 58 lie within the kernels' reach: {}", stack.n_without_sky);
    // Demosaic reaches three rows.
    for y in 45..55 {
        let row = mean(stack.image.planes[1].row(y).iter().copied());
        assert!((row - 0.05).abs() < 0.002, "row {y}: {row} of sky at 0.05");
    }
}

/// A star over land that the sky moves along: no frame saw it clean. It is there once, where the reference frame has
/// it, or not at all; never a second time and never as a row of points.
#[test]
fn no_ghost_of_a_star_stands_where_no_frame_saw_clean_sky() {
    const LIGHT: f32 = 0.15;
    let (mask, _, _, _) = ridge();
    let alpha = |y: f64| ((y - 58.0) / 4.0).clamp(0.0, 1.0) as f32;
    for (n_frames, step_px) in [(3, 3.0), (5, 0.4), (5, 1.5), (5, 3.0), (9, 0.4), (9, 1.0), (9, 3.0), (16, 0.25)] {
        let light = |with_star: f32| {
            move |idx: usize, x: f64, y: f64| {
                let star = with_star * star(x - 40.0 - step_px * idx as f64, y - 55.0, 2.5);
                (0.05 + star) * (1.0 - alpha(y)) + 0.4 * alpha(y)
            }
        };
        let stacked = |with_star: f32| {
            let rows = white_frames(SIZE, n_frames, 0.002, light(with_star));
            let sky = (0..n_frames).map(|idx| frame(idx, shifted(step_px * idx as f64, 0.0))).collect();
            let land = (0..n_frames).map(|idx| frame(idx, Transform::Identity)).collect();
            let noise = Some(NoiseModel { read_variance: 4e-6, photon_variance_per_unit: 0.0 });
            run(&rows, &StackRequest { land, foreground: Some(&mask), noise, ..request(sky) })
        };
        let (with, without) = (stacked(LIGHT), stacked(0.0));
        assert!(with.n_without_sky > 0, "{n_frames} frames: the star stands where no frame saw clean sky");
        // The star itself, as long as it moved while it still counts for one: its width to each side.
        let moved_px = (step_px * (n_frames - 1) as f64).min(5.0);
        let (mut highest, mut place) = (0.0_f32, (0, 0));
        for (x, y) in (40..70).flat_map(|y| (4..116).map(move |x| (x, y))) {
            let of_star = (y as f64 - 55.0).abs() < 5.0 && (35.0..45.0 + moved_px).contains(&(x as f64));
            let excess = with.image.planes[1].at(x, y) - without.image.planes[1].at(x, y);
            if !of_star && excess > highest {
                (highest, place) = (excess, (x, y));
            }
        }
        let share = highest / LIGHT;
        assert!(share < 0.05, "{n_frames} frames, {step_px} px apart: a ghost of {share} of the star at {place:?}");
    }
}

/// Above a ridge that the sky sinks towards, each row is seen by fewer frames than the one above, and frames whose
/// weight is rising count in part: a mean with weights w has 1 / ((Σw)² / Σw²) of the variance of one frame.
#[test]
fn noise_above_the_ridge_is_that_of_the_frames_that_saw_it() {
    const N_FRAMES: usize = 9;
    let size = Size { width: 1800, height: 140 };
    let mask = ForegroundMask(Plane::from_fn(size, |_, y| if y >= 100 { 1.0 } else { 0.0 }));
    let rows = grey_frames(size, N_FRAMES, 0.01, |_, _, _| 0.05);
    let sky: Vec<StackFrame> = (0..N_FRAMES).map(|idx| frame(idx, shifted(0.0, 4.0 * idx as f64))).collect();
    let stack = run(&rows, &StackRequest { foreground: Some(&mask), ..request(sky) });
    let noise = |y: usize| deviation(stack.image.planes[1].row(y)[20..1780].iter().copied());
    let whole = (10..40).map(noise).sum::<f64>() / 30.0;
    let mut counts = Vec::new();
    for y in 40..95 {
        let weights = (0..N_FRAMES).map(|idx| (95.0 - y as f64 - 4.0 * idx as f64).clamp(0.0, 8.0) / 8.0);
        let (sum, squares) =
            weights.fold((0.0, 0.0), |(sum, squares), weight| (sum + weight, squares + weight * weight));
        // With the last frame the weight fades out, and the land's frames come in.
        if sum < 1.0 {
            continue;
        }
        let n = sum * sum / squares;
        let ratio = noise(y) / (whole * (N_FRAMES as f64 / n).sqrt());
        assert!((0.9..1.1).contains(&ratio), "row {y}, where {n:.2} frames count: {ratio} of the noise expected");
        counts.push(stack.n_used.at(450, y) + stack.n_rejected.at(450, y));
    }
    counts.dedup();
    assert!(counts.len() >= 7, "rows seen by many numbers of frames: {counts:?}");
}

#[test]
fn the_picture_does_not_depend_on_threads_or_memory() {
    let (mask, rows, sky, land) = ridge();
    let offset =
        Mesh { cells: Plane::from_fn(Size { width: 4, height: 3 }, |x, y| (x + y) as f32 * 0.01), cell_px: 40 };
    let mut request = StackRequest { land, foreground: Some(&mask), ..request(sky) };
    for frame in &mut request.sky {
        frame.light_from_reference = Transform::Homography(Homography([
            [0.999, -0.02 * frame.frame as f64, 3.3],
            [0.02 * frame.frame as f64, 0.999, -1.7],
            [1e-5, 2e-5, 1.0],
        ]));
        frame.offset = Offset::Smooth(Box::new([offset.clone(), offset.clone(), offset.clone()]));
        frame.scale = 1.0 + 0.01 * frame.frame as f32;
    }
    let with = |threads: usize, memory_bytes: u64| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        let request = StackRequest { memory_bytes, ..request.clone() };
        pool.install(|| run(&rows, &request))
    };
    let (one, three) = (with(1, 1 << 30), with(3, 0));
    assert_eq!(one.image, three.image, "one thread with large tiles, three with small ones");
    assert_eq!(one.n_rejected, three.n_rejected, "what is left out");
}

#[test]
fn mean_median_and_maximum_are_what_they_say() {
    let rows = grey_frames(SIZE, 4, 0.0, |idx, _, _| [0.1, 0.5, 0.2, 0.3][idx]);
    let sky: Vec<StackFrame> = (0..4).map(|idx| frame(idx, Transform::Identity)).collect();
    for (combine, expected) in [(CombineRule::Mean, 0.275), (CombineRule::Median, 0.25), (CombineRule::Maximum, 0.5)] {
        let stack = run(&rows, &StackRequest { combine, ..request(sky.clone()) });
        for plane in &stack.image.planes {
            assert!(plane.samples().iter().all(|sample| (sample - expected).abs() < 1e-6), "{combine:?}");
        }
        assert!(stack.n_used.samples().iter().all(|&count| count == 4), "{combine:?} uses all");
    }
}

#[test]
fn weights_and_levels_of_frames_count() {
    let rows = grey_frames(SIZE, 3, 0.0, |idx, _, _| [0.2, 0.1, 0.5][idx]);
    let mut sky: Vec<StackFrame> = (0..3).map(|idx| frame(idx, Transform::Identity)).collect();
    // Half the light brought back, a veil taken off: all three show 0.2, then one is 0.01 off.
    (sky[1].scale, sky[1].weight) = (2.0, 0.25);
    (sky[2].offset, sky[2].weight) = (Offset::Constant([-0.29; 3]), 0.75);
    let stack = run(&rows, &request(sky));
    let expected = 0.2 + 0.01 * 0.75 / 2.0;
    assert!((stack.image.planes[0].at(50, 50) - expected).abs() < 1e-6, "weighted mean of 0.2, 0.2, 0.21");
}

/// Cloud on the right took half of the light there: it is given back, and counts a quarter.
#[test]
fn light_is_matched_place_by_place_and_what_was_brightened_counts_less() {
    let factors = Plane::from_vec(Size { width: 2, height: 1 }, vec![1.0, 2.0]).expect("two cells");
    let local = Mesh { cells: factors, cell_px: 50 };
    let at = |x: f64, y: f64| local.at(Point { x, y });
    let rows = grey_frames(SIZE, 2, 0.0, |idx, x, y| if idx == 0 { 0.2 } else { 0.21 / at(x, y) });
    let mut sky: Vec<StackFrame> = (0..2).map(|idx| frame(idx, Transform::Identity)).collect();
    sky[1].local_scale = Some(Arc::new(local.clone()));
    for colors in [ColorRule::Interpolated, ColorRule::Sampled] {
        let stack = run(&rows, &StackRequest { combine: CombineRule::Mean, colors, ..request(sky.clone()) });
        for (x, share) in [(10, 1.0), (90, 0.25)] {
            let expected = 0.2 + 0.01 * share / (1.0 + share);
            let found = stack.image.planes[1].at(x, 50);
            assert!((found - expected).abs() < 2e-4, "{colors:?}, column {x}: {found}, not {expected}");
        }
    }
}

/// A frame that is not sharp counts less, but its noise is that of the others: what lies 4.5 σ off is left out, though
/// its weight alone would let it lie 6 σ off.
#[test]
fn clipping_goes_by_the_variance_and_the_mean_by_the_weight() {
    let off = |idx: usize| if idx == 3 { 4.5 * 0.01 } else { 0.0 };
    let rows = grey_frames(SIZE, 9, 0.0, |idx, _, _| 0.2 + off(idx));
    let noise = Some(NoiseModel { read_variance: 1e-4, photon_variance_per_unit: 0.0 });
    let with = |weight: f32, variance: f32| {
        let mut sky: Vec<StackFrame> = (0..9).map(|idx| frame(idx, Transform::Identity)).collect();
        (sky[3].weight, sky[3].variance) = (weight, variance);
        let stack = run(&rows, &StackRequest { noise, ..request(sky) });
        (stack.image.planes[1].at(50, 50), stack.n_rejected.at(50, 50))
    };
    let (value, n_rejected) = with(0.25, 1.0);
    assert!(n_rejected == 1 && (value - 0.2).abs() < 1e-6, "a soft frame: {value}, {n_rejected} left out");
    let (value, n_rejected) = with(0.25, 4.0);
    let expected = 0.2 + off(3) * 0.25 / 8.25;
    assert!(n_rejected == 0 && (value - expected).abs() < 1e-6, "a noisy frame: {value}, {n_rejected} left out");
}

#[test]
fn a_cancel_at_any_step_ends_the_stack() {
    let rows = grey_frames(SIZE, 3, 0.01, |_, _, _| 0.05);
    let request = StackRequest { memory_bytes: 0, ..request(drifting(3)) };
    let count = Arc::new(AtomicUsize::new(0));
    let counter = Arc::clone(&count);
    let monitor = Monitor::new(CancelToken::default(), move |_| {
        counter.fetch_add(1, Ordering::Relaxed);
    });
    stack(&monitor, &rows, &request).expect("not cancelled");
    let n_steps = count.load(Ordering::Relaxed);
    assert!(n_steps >= 20, "only {n_steps} steps");
    for last in 0..n_steps {
        let token = CancelToken::default();
        let (canceller, seen) = (token.clone(), AtomicUsize::new(0));
        let monitor = Monitor::new(token, move |_| {
            if seen.fetch_add(1, Ordering::Relaxed) == last {
                canceller.cancel();
            }
        });
        let result = stack(&monitor, &rows, &request);
        assert!(matches!(result, Err(StackError::Cancelled(_))), "cancelled at step {last} of {n_steps}");
    }
}

#[test]
fn no_frames_are_an_error() {
    let rows = grey_frames(SIZE, 1, 0.01, |_, _, _| 0.05);
    let result = stack(&Monitor::silent(), &rows, &request(Vec::new()));
    assert!(matches!(result, Err(StackError::NoFrames)), "nothing to stack");
}

mod bursts;
mod rings;
