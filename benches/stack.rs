//! Speed of the stages between calibrated frames and the stack, on invented samples.
//!
//! `cargo bench --no-default-features --bench stack`; `whole_burst` is 16 frames of 24 Mpix, with its memory.

use std::path::PathBuf;
use std::time::Instant;

use divan::Bencher;
use divan::counter::ItemsCount;
use nightsheaf::calibrate::NoiseModel;
use nightsheaf::demosaic::{TYPICAL_NOISE, Window, demosaic, demosaic_window, margin_px};
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{CalibratedFrame, Cfa, Homography, Layout, Mask, Plane, Size, Transform};
use nightsheaf::resample::{Kernel, Resampler, Source, Warp, resample};
use nightsheaf::scratch::{ScratchSpec, ScratchStore};
use nightsheaf::stack::{ColorRule, CombineRule, MemoryFrames, Offset, StackFrame, StackRequest, find_trails, stack};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

const LAYOUT: Layout = Layout::Mosaic(Cfa::RGGB);
const SIGMA: f32 = 0.004;

fn main() {
    divan::main();
}

#[divan::bench]
fn demosaic_frame(bencher: Bencher<'_, '_>) {
    let frame = noise_frame(Size { width: 1024, height: 1024 }, 1);
    bencher.counter(ItemsCount::new(frame.size().area())).bench(|| demosaic(&frame));
}

#[divan::bench]
fn demosaic_tile(bencher: Bencher<'_, '_>) {
    let window = Window { x: 2, y: 2, size: Size { width: 256, height: 128 } };
    let samples = vec![noise_frame(window.grown(margin_px(LAYOUT)).size, 1).planes[0].samples().to_vec()];
    let mut pixels = Vec::new();
    let pixel_count = ItemsCount::new(window.size.area());
    bencher.counter(pixel_count).bench_local(|| demosaic_window(TYPICAL_NOISE, LAYOUT, window, &samples, &mut pixels));
}

#[divan::bench]
fn resample_tile(bencher: Bencher<'_, '_>) {
    let frame = Size { width: 1000, height: 1000 };
    let target = Window { x: 300, y: 300, size: Size { width: 256, height: 128 } };
    let grid = Warp::new(&turned(3), frame).grid(target);
    let window = grid.source_window(frame).expect("inside");
    let noise = noise_frame(window.size, 2);
    let pixels: Vec<[f32; 4]> = noise.planes[0].samples().iter().map(|&sample| [sample, sample, sample, 1.0]).collect();
    let source = Source { window, frame, pixels: &pixels };
    let resampler = Resampler { kernel: Kernel::new(), ring_contrast: [0.1, 0.1, 0.1, f32::INFINITY] };
    let mut lanes: [Vec<f32>; 4] = std::array::from_fn(|_| vec![0.0; target.size.area()]);
    bencher
        .counter(ItemsCount::new(target.size.area()))
        .bench_local(|| resample(&resampler, &source, &grid, target.size, lanes.each_mut().map(Vec::as_mut_slice)));
}

/// Unshifted frames in memory: reading, demosaic, and the combination, for each sample.
#[divan::bench(args = [3, 16, 60])]
fn combine_unshifted(bencher: Bencher<'_, '_>, n_frames: usize) {
    let size = Size { width: 512, height: 512 };
    let frames = MemoryFrames((0..n_frames).map(|idx| noise_frame(size, idx as u64)).collect());
    let request = request((0..n_frames).map(|idx| placed(idx, Transform::Identity)).collect());
    bencher
        .counter(ItemsCount::new(size.area() * n_frames))
        .bench(|| stack(&Monitor::silent(), &frames, &request).expect("in memory"));
}

/// Turned frames in memory: with demosaic and resampling of each, or with samples as they are.
#[divan::bench(args = [ColorRule::Interpolated, ColorRule::Sampled])]
fn combine_turned(bencher: Bencher<'_, '_>, colors: ColorRule) {
    let size = Size { width: 512, height: 512 };
    let n_frames = 16;
    let frames = MemoryFrames((0..n_frames).map(|idx| noise_frame(size, idx as u64)).collect());
    let sky = (0..n_frames).map(|idx| placed(idx, turned(idx))).collect();
    let request = StackRequest { colors, ..request(sky) };
    bencher
        .counter(ItemsCount::new(size.area() * n_frames))
        .bench(|| stack(&Monitor::silent(), &frames, &request).expect("in memory"));
}

/// Bursts of up to 12 frames only.
#[divan::bench]
fn looking_for_trails(bencher: Bencher<'_, '_>) {
    let size = Size { width: 1024, height: 1024 };
    let n_frames = 8;
    let frames = MemoryFrames((0..n_frames).map(|idx| noise_frame(size, idx as u64)).collect());
    let request = request((0..n_frames).map(|idx| placed(idx, turned(idx))).collect());
    bencher
        .counter(ItemsCount::new(size.area() * n_frames))
        .bench(|| find_trails(&Monitor::silent(), &frames, &request).expect("in memory"));
}

#[divan::bench(sample_count = 1, sample_size = 1)]
fn whole_burst(bencher: Bencher<'_, '_>) {
    let size = Size { width: 6000, height: 4000 };
    let n_frames = 16;
    let spec = ScratchSpec { layout: LAYOUT, size, n_frames, lowest: -0.1, highest: 1.5 };
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let store = ScratchStore::create(&[folder], spec).expect("room for 770 MB");
    let mut frame = noise_frame(size, 3);
    let mut writing = 0.0;
    for idx in 0..n_frames {
        frame.planes[0].samples_mut().rotate_left(7_654_321);
        let start = Instant::now();
        store.write(idx, &frame).expect("reserved");
        writing += start.elapsed().as_secs_f64();
    }
    drop(frame);
    let frames: Vec<StackFrame> = (0..n_frames).map(|idx| placed(idx, turned(idx))).collect();
    bencher.bench_local(|| {
        let before = processor_secs().unwrap_or_default();
        let stack = stack(&Monitor::silent(), &store, &request(frames.clone())).expect("just written");
        let memory = peak_memory().unwrap_or_default();
        let secs = processor_secs().unwrap_or_default() - before;
        report(&format!("writing {writing:.2} s on one thread; stacking {secs:.2} s of processor time; {memory}"));
        stack
    });
}

#[allow(clippy::print_stderr, reason = "a benchmark reports to a terminal")]
fn report(text: &str) {
    eprintln!("{text}");
}

/// Processor time of all threads so far, where the system tells: elapsed time says little on a busy machine.
fn processor_secs() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let ticks = stat.rsplit(')').next()?.split_whitespace().skip(11).take(2);
    // Linux counts in hundredths of a second.
    Some(ticks.filter_map(|ticks| ticks.parse::<f64>().ok()).sum::<f64>() / 100.0)
}

/// Largest memory of the process so far, where the system tells.
fn peak_memory() -> Option<String> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    status.lines().find(|line| line.starts_with("VmHWM")).map(str::to_owned)
}

fn request(sky: Vec<StackFrame>) -> StackRequest<'static> {
    StackRequest {
        sky,
        land: Vec::new(),
        land_reserve: Vec::new(),
        foreground: None,
        combine: CombineRule::ClippedMean { drop_below_sigma: 3.0, drop_above_sigma: 3.0 },
        noise: Some(NoiseModel { read_variance: SIGMA * SIGMA, photon_variance_per_unit: 0.0 }),
        memory_bytes: 1 << 30,
        ..StackRequest::default()
    }
}

fn placed(frame: usize, light_from_reference: Transform) -> StackFrame {
    StackFrame { offset: Offset::Constant([0.001; 3]), ..StackFrame::plain(frame, light_from_reference) }
}

/// The sky turned about a point of the frame, a sixteenth of a degree a frame.
fn turned(frame: usize) -> Transform {
    let (sin, cos) = (frame as f64 / 16.0).to_radians().sin_cos();
    let (x, y) = (3000.0, -2000.0);
    Transform::Homography(Homography([
        [cos, -sin, x - cos * x + sin * y],
        [sin, cos, y - sin * x - cos * y],
        [0.0, 0.0, 1.0],
    ]))
}

fn noise_frame(size: Size, seed: u64) -> CalibratedFrame {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.05, SIGMA).expect("a width");
    let plane = Plane::from_fn(size, |_, _| noise.sample(&mut random));
    CalibratedFrame { layout: LAYOUT, planes: vec![plane], saturated: Mask::empty(size) }
}
