//! What the stack must do to stars, trails, noise and the edge of the land.
use super::*;
use crate::job::CancelToken;
use crate::pixels::{CalibratedFrame, Cfa, Homography, Layout, Mask, Size};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

const NOISE: NoiseModel = NoiseModel { read_variance: 1e-4, photon_variance_per_unit: 0.0 };

fn shifted(dx: f64, dy: f64) -> Transform {
    Transform::Homography(Homography([[1.0, 0.0, dx], [0.0, 1.0, dy], [0.0, 0.0, 1.0]]))
}

fn frame(idx: usize, light_from_reference: Transform) -> StackFrame {
    StackFrame { frame: idx, light_from_reference, weight: 1.0, scale: 1.0, offset: Offset::Constant([0.0; 3]) }
}

fn clipped() -> CombineRule {
    CombineRule::ClippedMean { drop_below_sigma: 3.0, drop_above_sigma: 3.0 }
}

fn request(sky: Vec<StackFrame>) -> StackRequest<'static> {
    StackRequest {
        sky,
        land: Vec::new(),
        foreground: None,
        combine: clipped(),
        noise: Some(NOISE),
        memory_bytes: 1 << 30,
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

fn run(rows: &MemoryFrames, request: &StackRequest<'_>) -> Stack {
    stack(&Monitor::silent(), rows, request).expect("nothing can fail in memory")
}

fn star(x: f64, y: f64, fwhm_px: f64) -> f32 {
    (-4.0 * std::f64::consts::LN_2 * (x * x + y * y) / (fwhm_px * fwhm_px)).exp() as f32
}

fn rms(values: impl Iterator<Item = f32>) -> f64 {
    let (sum, count) = values.fold((0.0, 0), |(sum, count), value| (sum + f64::from(value).powi(2), count + 1));
    (sum / f64::from(count)).sqrt()
}

#[test]
fn a_trail_through_one_of_eight_frames_leaves_nothing() {
    let size = Size { width: 120, height: 90 };
    for n_frames in [3, 5, 8] {
        let trail = |idx: usize, x: f64, y: f64| if idx == 1 && (y - 20.0 - 0.4 * x).abs() < 1.5 { 0.1 } else { 0.0 };
        let rows = grey_frames(size, n_frames, 0.01, |idx, x, y| 0.05 + trail(idx, x, y));
        let sky = (0..n_frames).map(|idx| frame(idx, shifted(0.3 * idx as f64, -0.2 * idx as f64))).collect();
        let stack = run(&rows, &request(sky));
        let green = &stack.image.planes[1];
        let along = (10..100).map(|x| green.at(x, (20.0 + 0.4 * x as f64) as usize) - 0.05);
        let mean = along.clone().sum::<f32>() / along.count() as f32;
        let sigma_of_stack = 0.01 * (0.5 / n_frames as f32).sqrt();
        assert!(mean.abs() < sigma_of_stack, "{n_frames} frames: {mean} left, sigma of the stack {sigma_of_stack}");
    }
}
