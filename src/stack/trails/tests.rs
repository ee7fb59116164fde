//! Faint trails are found, stars and noise are not.
use super::*;
use crate::calibrate::NoiseModel;
use crate::pixels::{CalibratedFrame, Cfa, Homography, Layout, Mask, Plane, Transform};
use crate::stack::{CombineRule, MemoryFrames, StackFrame};
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};

const SIZE: Size = Size { width: 640, height: 420 };
const SIGMA: f32 = 0.01;

fn frames(n_frames: usize, light: impl Fn(usize, f64, f64) -> f32) -> MemoryFrames {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(77);
    let noise = Normal::new(0.0, SIGMA).expect("a width");
    let frame = |idx| {
        let plane = Plane::from_fn(SIZE, |x, y| light(idx, x as f64, y as f64) + noise.sample(&mut random));
        CalibratedFrame { layout: Layout::Mosaic(Cfa::RGGB), planes: vec![plane], saturated: Mask::empty(SIZE) }
    };
    MemoryFrames((0..n_frames).map(frame).collect())
}

/// The sky drifts by (1.37, −0.81) pixels a frame.
fn find(rows: &MemoryFrames) -> Trails {
    let sky = (0..rows.0.len()).map(|idx| {
        let drift = [[1.0, 0.0, 1.37 * idx as f64], [0.0, 1.0, -0.81 * idx as f64], [0.0, 0.0, 1.0]];
        StackFrame::plain(idx, Transform::Homography(Homography(drift)))
    });
    let request = StackRequest {
        sky: sky.collect(),
        combine: CombineRule::ClippedMean { drop_below_sigma: 3.0, drop_above_sigma: 3.0 },
        noise: Some(NoiseModel { read_variance: SIGMA * SIGMA, photon_variance_per_unit: 0.0 }),
        ..StackRequest::default()
    };
    find_trails(&Monitor::silent(), rows, &request).expect("in memory")
}

/// A line of 2.2 px width from (40, 60) at a slope of 0.45, `peak` standard deviations of a sample high.
fn trail(x: f64, y: f64, peak: f64) -> f32 {
    let across = (y - 60.0 - 0.45 * x) / (1.0 + 0.45_f64 * 0.45).sqrt();
    if (40.0..600.0).contains(&x) {
        (f64::from(SIGMA) * peak * (-across * across / (2.0 * 0.93_f64.powi(2))).exp()) as f32
    } else {
        0.0
    }
}

/// Share of all cells of a frame that are marked.
fn share(trails: &Trails, frame: usize) -> f64 {
    trails.n_cells(frame) as f64 / cells_of(SIZE).area() as f64
}

/// Share of the cells along the trail that are marked, in reference coordinates.
fn found_share(trails: &Trails, frame: usize) -> f64 {
    let steps = (60..580).map(|x| {
        let (x, y) = (x as f64 - 1.37 * frame as f64, 60.0 + 0.45 * x as f64 + 0.81 * frame as f64);
        let (column, row) = ((x / 4.0) as usize, (y / 4.0) as usize);
        trails.columns_of(frame, column..column + 1, row).count()
    });
    steps.sum::<usize>() as f64 / 520.0
}

#[test]
fn a_trail_too_faint_for_any_single_sample_is_found_along_its_length() {
    for n_frames in [3, 5, 8, 12] {
        let rows = frames(n_frames, |idx, x, y| 0.05 + if idx == 1 { trail(x, y, 1.5) } else { 0.0 });
        let trails = find(&rows);
        let found = found_share(&trails, 1);
        assert!(found > 0.95, "{n_frames} frames: {found} of the trail");
        let others: f64 = (0..n_frames).filter(|&idx| idx != 1).map(|idx| share(&trails, idx)).sum();
        assert!(others < 0.004 * n_frames as f64, "{n_frames} frames: {others} of the others");
        assert!(
            trails.frames().all(|frame| frame == 1),
            "{n_frames} frames: {:?}",
            trails.frames().collect::<Vec<_>>()
        );
    }
}

#[test]
fn noise_and_stars_that_breathe_are_no_trails() {
    let rows = frames(6, |idx, x, y| {
        // Two hundred stars up to 60 sigma whose width and place vary as seeing and registration have it.
        let star = |number: usize| {
            let (star_x, star_y) = ((number * 197 % 640) as f64, (number * 83 % 420) as f64);
            let jitter = 0.1 * ((idx * 7 % 5) as f64 - 2.0) / 2.0;
            let (dx, dy) = (x - star_x - 1.37 * idx as f64 - jitter, y - star_y + 0.81 * idx as f64);
            let fwhm_px = 2.4 * (1.0 + 0.04 * ((idx * 3 % 7) as f64 - 3.0) / 3.0);
            let height = 0.6 / (1.0 + number as f64) * (2.4 / fwhm_px).powi(2);
            if dx.abs() < 9.0 && dy.abs() < 9.0 {
                height * (-2.772_6 * (dx * dx + dy * dy) / (fwhm_px * fwhm_px)).exp()
            } else {
                0.0
            }
        };
        0.05 + (0..200).map(star).sum::<f64>() as f32
    });
    let trails = find(&rows);
    assert_eq!(trails.frames().count(), 0, "nothing crossed");
    let shares: Vec<f64> = (0..6).map(|idx| share(&trails, idx)).collect();
    assert!(shares.iter().all(|&share| share < 0.006), "{shares:?} of the cells");
}

#[test]
fn a_broad_glow_in_one_frame_is_no_trail() {
    let rows = frames(5, |idx, x, _| if idx == 2 { 0.05 + 0.03 * (x / 640.0) as f32 } else { 0.05 });
    let share = share(&find(&rows), 2);
    assert!(share < 0.006, "{share} of the cells");
}
