//! Row and column noise of drawn frames: what is found, what is left, and what is left alone.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::*;
use crate::calibrate::noise::NoiseModel;
use crate::calibrate::scene::{Light, add_noise, shine, sky};
use crate::pixels::{CalibratedFrame, Cfa, Layout, Plane, Point};

const SIZE: Size = Size { width: 600, height: 400 };
const NOISE: NoiseModel = NoiseModel { read_variance: 1e-6, photon_variance_per_unit: 2e-5 };
const N_FRAMES: usize = 8;
/// A sky of 0.01 to 0.03: one sample has a noise of 1.2e-3 in the middle.
const SIGMA: f32 = 1.2e-3;

/// Offsets of the columns (the same in all frames) and of the rows of frame `k`.
fn truth(k: usize, sigma: f32) -> (Vec<f32>, Vec<f32>) {
    let draw = |seed: u64, n: usize| -> Vec<f32> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| sigma * random.sample::<f32, _>(StandardNormal)).collect()
    };
    (draw(7, SIZE.width), draw(100 + k as u64, SIZE.height))
}

/// A sky with stars that move, over land that stands: a level lake with a bright shore, and a trunk.
fn frame(k: usize, sigma: f32) -> CalibratedFrame {
    let mut frame = sky(Layout::Mosaic(Cfa::RGGB), SIZE, 0.01, 0.03);
    let mut random = ChaCha8Rng::seed_from_u64(3);
    for _ in 0..150 {
        let start = Point { x: random.random_range(0.0..600.0), y: random.random_range(0.0..400.0) };
        let center = Point { x: start.x + 2.3 * k as f64, y: start.y + 0.4 * k as f64 };
        shine(&mut frame, Cfa::RGGB, &Light { center, peak: [0.1; 3], fwhm_px: 2.2 });
    }
    for y in 300..400 {
        // Ripples as wide as the picture, and the shore.
        let light = if y == 300 { 0.02 } else { 2e-4 * ((y * 37 % 11) as f32 - 5.0) };
        frame.planes[0].row_mut(y).iter_mut().for_each(|sample| *sample += light);
    }
    for y in 250..400 {
        frame.planes[0].row_mut(y)[200..206].iter_mut().for_each(|sample| *sample -= 0.004);
    }
    add_noise(&mut frame, &NOISE, 1000 + k as u64);
    let (columns, rows) = truth(k, sigma);
    for (y, row) in rows.iter().enumerate() {
        let samples = frame.planes[0].row_mut(y);
        samples.iter_mut().zip(&columns).for_each(|(sample, column)| *sample += row + column);
    }
    frame
}

fn profile(frame: &CalibratedFrame) -> LineProfile {
    // The sky as a mesh would tell it: without the land.
    let sky = |_: usize, _: usize, first_x: usize, row: &mut [f32]| {
        for (k, level) in row.iter_mut().enumerate() {
            *level = 0.01 + 0.02 * (first_x + 2 * k) as f32 / SIZE.width as f32;
        }
    };
    LineProfile::of(frame, &NOISE, &sky).expect("a large mosaic")
}

fn found(sigma: f32) -> Banding {
    let profiles: Vec<LineProfile> = (0..N_FRAMES).map(|k| profile(&frame(k, sigma))).collect();
    Banding::of(&profiles.iter().map(Some).collect::<Vec<_>>(), false)
}

/// A burst whose margins show offsets that its pictures have or not.
fn found_with_margins(in_margins: f32, in_picture: f32) -> Banding {
    let profile = |k: usize| {
        let (columns, rows) = truth(k, in_margins);
        let margins = [rows, columns].map(|offsets| Some([offsets.clone(), offsets]));
        LineProfile { margins, ..profile(&frame(k, in_picture)) }
    };
    let profiles: Vec<LineProfile> = (0..N_FRAMES).map(profile).collect();
    Banding::of(&profiles.iter().map(Some).collect::<Vec<_>>(), false)
}

#[test]
fn margins_whose_offsets_the_picture_does_not_have_are_not_believed() {
    let levelled = found_with_margins(SIGMA / 3.0, 0.0);
    assert!(!levelled.row_noise.removed && !levelled.column_noise.removed, "{levelled:?}");
    let shared = found_with_margins(SIGMA / 3.0, SIGMA / 3.0);
    assert!(shared.row_noise.by_margins && shared.column_noise.by_margins, "{:?}", shared.row_noise);
}

/// What is left of the offsets, and what there was, as root mean squares over the rows (of all frames) and
/// the columns.
fn left(banding: &Banding, sigma: f32) -> ([f32; 2], [f32; 2]) {
    let [mut rows, mut columns] = [[0.0; 2]; 2];
    for k in 0..N_FRAMES {
        let (true_columns, true_rows) = truth(k, sigma);
        let mut plane = Plane::from_fn(SIZE, |x, y| true_rows[y] + true_columns[x]);
        banding.remove(k, (0, 0), SIZE, plane.samples_mut());
        for (y, true_row) in true_rows.iter().enumerate().take(SIZE.height - 20).skip(20) {
            let mean = plane.row(y).iter().sum::<f32>() / SIZE.width as f32;
            rows[0] += mean * mean / (360 * N_FRAMES) as f32;
            rows[1] += true_row * true_row / (360 * N_FRAMES) as f32;
        }
        for (x, true_column) in true_columns.iter().enumerate().take(SIZE.width - 20).skip(20) {
            let mean = (0..SIZE.height).map(|y| plane.at(x, y)).sum::<f32>() / SIZE.height as f32;
            columns[0] += mean * mean / (560 * N_FRAMES) as f32;
            columns[1] += true_column * true_column / (560 * N_FRAMES) as f32;
        }
    }
    (rows.map(f32::sqrt), columns.map(f32::sqrt))
}

#[test]
fn row_and_column_noise_of_a_third_of_the_noise_is_found_and_mostly_removed() {
    let sigma = SIGMA / 3.0;
    let banding = found(sigma);
    for (noise, name) in [(banding.row_noise, "rows"), (banding.column_noise, "columns")] {
        assert!(noise.removed, "{name}: {noise:?}");
        let ratio = noise.sigma / f64::from(sigma);
        // The running median over 51 lines takes a little of it.
        assert!((0.9..1.1).contains(&ratio), "{name} have {ratio} of the true offsets");
    }
    let (rows, columns) = left(&banding, sigma);
    // Errors: 1.2e-3 / √600 = 0.05e-3 a row plus 1/8 that the mean of the frames keeps, of 0.4e-3.
    assert!(rows[0] < 0.45 * rows[1], "rows: {} of {} are left", rows[0], rows[1]);
    assert!(columns[0] < 0.35 * columns[1], "columns: {} of {} are left", columns[0], columns[1]);
}

#[test]
fn where_there_is_none_nothing_is_changed_by_stars_shore_ripples_or_trunk() {
    let banding = found(0.0);
    assert!(!banding.row_noise.removed, "{:?}", banding.row_noise);
    assert!(!banding.column_noise.removed, "{:?}", banding.column_noise);
    assert!((0..N_FRAMES).all(|k| banding.is_none_for(k)), "no frame needs work");
}

#[test]
fn the_shore_stays_where_rows_are_mended() {
    let banding = found(SIGMA / 3.0);
    let shore: f32 = (0..N_FRAMES).map(|k| banding.rows[k][300]).sum::<f32>() / N_FRAMES as f32;
    assert!(shore.abs() < 2e-4, "{shore} of the shore's 0.02 is taken");
    let trunk = banding.columns[203] - truth(0, SIGMA / 3.0).0[203];
    assert!(trunk.abs() < 3e-4, "{trunk} of the trunk's 0.004 is taken");
}

#[test]
fn a_frame_alone_or_of_three_planes_is_left_alone() {
    let one = profile(&frame(0, SIGMA));
    assert_eq!(Banding::of(&[Some(&one), None], false), Banding::default(), "one frame");
    let rgb = sky(Layout::Rgb, SIZE, 0.01, 0.03);
    assert_eq!(LineProfile::of(&rgb, &NOISE, &|_, _, _, _| {}), None, "demosaiced");
}
