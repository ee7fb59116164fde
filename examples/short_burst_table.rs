//! The tables of docs/stacking.md on noise and trails in bursts of few frames.
//!
//!     cargo run --release --no-default-features --example short_burst_table
//!
//! Invented mosaics: an even sky with noise, drifting by (1.37, -0.81) pixels a frame; in one frame a trail of 2.2 px width.

use nightsheaf::calibrate::NoiseModel;
use nightsheaf::demosaic::demosaic;
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{CalibratedFrame, Cfa, Homography, Layout, LinearImage, Mask, Plane, Size, Transform};
use nightsheaf::stack::{ColorRule, CombineRule, MemoryFrames, Stack, StackFrame, StackRequest};
use nightsheaf::stack::{find_trails, stack};
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};

const SIGMA: f32 = 0.01;
const SKY: f32 = 0.05;
const PEAKS: [f64; 7] = [0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 12.0];
const COUNTS: [usize; 5] = [3, 5, 8, 16, 32];

#[allow(clippy::print_stdout, reason = "an example prints its result")]
fn main() {
    println!("| frames | clipped mean | plain mean | clipped mean of samples as they are |");
    println!("| --- | --- | --- | --- |");
    for n_frames in COUNTS {
        let frames = frames(Size { width: 1200, height: 800 }, n_frames, |_, _, _| 0.0);
        let single = block_deviation(&demosaic(&frames.0[0]));
        let share = |request: &StackRequest<'_>| {
            single / block_deviation(&stacked(&frames, request, true).image) / (n_frames as f64).sqrt()
        };
        let clipped = request(n_frames);
        println!(
            "| {n_frames} | {:.3} | {:.3} | {:.3} |",
            share(&clipped),
            share(&StackRequest { combine: CombineRule::Mean, ..clipped.clone() }),
            share(&StackRequest { colors: ColorRule::Sampled, ..clipped.clone() })
        );
    }
    println!();
    println!("| frames | single samples or the whole trail | {} |", PEAKS.map(|peak| format!("{peak} σ")).join(" | "));
    println!("| --- | --- |{}", " --- |".repeat(PEAKS.len()));
    for n_frames in [3, 5, 8, 12, 16, 32] {
        for (name, along) in [("single samples", false), ("whole trail", true)] {
            let cells = PEAKS.map(|peak| format!("{:.2}", left(n_frames, peak, along)));
            println!("| {n_frames} | {name} | {} |", cells.join(" | "));
        }
    }
}

fn frames(size: Size, count: usize, light: impl Fn(usize, f64, f64) -> f64) -> MemoryFrames {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(31);
    let noise = Normal::new(0.0, SIGMA).expect("a width");
    let frame = |idx| {
        let sample = |x: usize, y: usize| SKY + light(idx, x as f64, y as f64) as f32;
        let plane = Plane::from_fn(size, |x, y| sample(x, y) + noise.sample(&mut random));
        CalibratedFrame { layout: Layout::Mosaic(Cfa::RGGB), planes: vec![plane], saturated: Mask::empty(size) }
    };
    MemoryFrames((0..count).map(frame).collect())
}

/// Frame 1 is the reference.
fn request(n_frames: usize) -> StackRequest<'static> {
    let frame = |frame: usize| {
        let steps = frame as f64 - 1.0;
        let moved = Homography([[1.0, 0.0, 1.37 * steps], [0.0, 1.0, -0.81 * steps], [0.0, 0.0, 1.0]]);
        let light_from_reference = if frame == 1 { Transform::Identity } else { Transform::Homography(moved) };
        StackFrame::plain(frame, light_from_reference)
    };
    StackRequest {
        sky: (0..n_frames).map(frame).collect(),
        noise: Some(NoiseModel { read_variance: SIGMA * SIGMA, photon_variance_per_unit: 0.0 }),
        memory_bytes: 1 << 29,
        ..StackRequest::default()
    }
}

fn stacked(frames: &MemoryFrames, request: &StackRequest<'_>, along: bool) -> Stack {
    let monitor = Monitor::silent();
    let trails = find_trails(&monitor, frames, request).expect("in memory");
    let request = StackRequest { trails: along.then_some(&trails), ..request.clone() };
    stack(&monitor, frames, &request).expect("in memory")
}

/// What a trail leaves in the three rows around it, in standard deviations of a pixel of the stack.
fn left(n_frames: usize, peak: f64, along: bool) -> f64 {
    let across = |x: f64, y: f64| (y - 60.0 - 0.4 * x) / (1.0_f64 + 0.16).sqrt();
    let trail = |x: f64, y: f64| f64::from(SIGMA) * peak * (-across(x, y).powi(2) / 1.75).exp();
    let frames =
        frames(Size { width: 900, height: 520 }, n_frames, |idx, x, y| if idx == 1 { trail(x, y) } else { 0.0 });
    let image = stacked(&frames, &request(n_frames), along).image;
    let green = &image.planes[1];
    let row = |x: usize| (60.0 + 0.4 * x as f64).round() as usize;
    let near = (40..860).flat_map(|x| (0..3).map(move |step| (x, row(x) + step - 1)));
    let values: Vec<f64> = near.map(|(x, y)| f64::from(green.at(x, y) - SKY)).collect();
    let sky: Vec<f64> =
        (450..500).flat_map(|y| (40..400).map(move |x| (x, y))).map(|(x, y)| f64::from(green.at(x, y) - SKY)).collect();
    values.iter().sum::<f64>() / values.len() as f64 / rms(&sky)
}

/// Means of 8 × 8 pixels of green, times 8.
fn block_deviation(image: &LinearImage) -> f64 {
    let Size { width, height } = image.size();
    let starts = |len: usize| (64..len - 72).step_by(8);
    let mean = |(x, y): (usize, usize)| {
        (0..64).map(|k| f64::from(image.planes[1].at(x + k % 8, y + k / 8) - SKY)).sum::<f64>() / 8.0
    };
    rms(&starts(height).flat_map(|y| starts(width).map(move |x| (x, y))).map(mean).collect::<Vec<_>>())
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}
