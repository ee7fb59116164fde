//! Known functions and stars through known shifts.
use super::*;
use crate::pixels::{Homography, Transform};

const FRAME: Size = Size { width: 160, height: 120 };

fn moved(dx: f64, dy: f64, angle: f64) -> Transform {
    let (sin, cos) = angle.sin_cos();
    Transform::Homography(Homography([[cos, -sin, dx], [sin, cos, dy], [0.0, 0.0, 1.0]]))
}

/// Resamples a function of the source position over the whole frame; all four lanes alike but the last.
fn seen(transform: &Transform, ring_contrast: f32, light: impl Fn(f64, f64) -> f64) -> [Vec<f32>; 4] {
    let target = Window { x: 0, y: 0, size: FRAME };
    let grid = Warp::new(transform, FRAME).grid(target);
    let window = grid.source_window(FRAME).expect("frames that overlap");
    let pixel = |place: usize| {
        let x = window.x as f64 + (place % window.size.width) as f64;
        let y = window.y as f64 + (place / window.size.width) as f64;
        let sample = light(x, y) as f32;
        [sample, 2.0 * sample, -sample, 1.0]
    };
    let pixels: Vec<Pixel> = (0..window.size.area()).map(pixel).collect();
    let source = Source { window, frame: FRAME, pixels: &pixels };
    let resampler = Resampler { kernel: Kernel::new(), ring_contrast: [ring_contrast; 4] };
    let mut lanes: [Vec<f32>; 4] = std::array::from_fn(|_| vec![0.0; FRAME.area()]);
    resample(&resampler, &source, &grid, FRAME, lanes.each_mut().map(Vec::as_mut_slice));
    lanes
}

fn pixels() -> impl Iterator<Item = (usize, f64, f64)> {
    (0..FRAME.area()).map(|place| (place, (place % FRAME.width) as f64, (place / FRAME.width) as f64))
}

fn star(x: f64, y: f64, fwhm_px: f64) -> f64 {
    (-4.0 * std::f64::consts::LN_2 * (x * x + y * y) / (fwhm_px * fwhm_px)).exp()
}

/// Waves of 8 px: sinc · sinc passes them with an error below half a per cent (from the kernel's formula).
#[test]
fn a_smooth_function_keeps_its_values_at_the_positions_of_the_transform() {
    let light = |x: f64, y: f64| 0.5 + 0.25 * (x * 0.785).sin() * (y * 0.4).cos();
    let transform = moved(3.37, -2.61, 0.03);
    let [red, green, blue, cover] = seen(&transform, f32::INFINITY, light);
    let mut n_covered = 0;
    for (place, x, y) in pixels().filter(|&(place, ..)| cover[place] > 0.0) {
        let there = transform.apply(crate::pixels::Point { x, y }).expect("everywhere");
        let expected = light(there.x, there.y) as f32;
        assert!((red[place] - expected).abs() < 0.003, "({x}, {y}): {} for {expected}", red[place]);
        assert!((green[place] - 2.0 * red[place]).abs() < 1e-5, "lanes do not mix");
        assert!((blue[place] + red[place]).abs() < 1e-5, "lanes do not mix");
        n_covered += 1;
    }
    assert!(n_covered > 140 * 100, "only {n_covered} pixels covered");
}

#[test]
fn a_pixel_is_covered_only_where_its_taps_lie_in_the_frame() {
    let [.., half] = seen(&moved(0.5, 0.0, 0.0), f32::INFINITY, |_, _| 1.0);
    let row: Vec<usize> = (0..FRAME.width).filter(|&x| half[60 * FRAME.width + x] > 0.0).collect();
    assert_eq!((row[0], row[row.len() - 1], row.len()), (2, 156, 155), "taps from x - 2 to x + 3");
    let [.., whole] = seen(&moved(-4.0, 7.0, 0.0), f32::INFINITY, |_, _| 1.0);
    for (place, x, y) in pixels() {
        assert_eq!(whole[place] > 0.0, x >= 4.0 && y + 7.0 < FRAME.height as f64, "({x}, {y}): one tap is enough");
    }
}

#[test]
fn no_shift_copies_bit_for_bit() {
    let light = |x: f64, y: f64| (x * 12.9898 + y * 78.233).sin();
    let [red, ..] = seen(&Transform::Identity, 0.0, light);
    for (place, x, y) in pixels() {
        assert_eq!(red[place], light(x, y) as f32, "({x}, {y})");
    }
}

#[test]
fn star_flux_survives_sub_pixel_shifts_within_half_a_per_cent() {
    for fwhm_px in [2.0, 2.2, 3.0, 5.0] {
        for (dx, dy) in [(0.0, 0.5), (0.25, 0.75), (0.5, 0.5), (0.33, 0.1), (0.9, 0.6)] {
            // On the level of the sky, with the ring limit of a bright star at work.
            let light = |x: f64, y: f64| 0.05 + 0.8 * star(x - 80.0, y - 60.0, fwhm_px);
            let [red, ..] = seen(&moved(dx, dy, 0.0), 0.1, light);
            let near = pixels().filter(|&(_, x, y)| (x - 80.0).hypot(y - 60.0) < 20.0);
            let flux: f64 = near.map(|(place, ..)| f64::from(red[place]) - 0.05).sum();
            let truth = 0.8 * fwhm_px * fwhm_px * std::f64::consts::PI / (4.0 * std::f64::consts::LN_2);
            assert!((flux / truth - 1.0).abs() < 0.005, "fwhm {fwhm_px} by ({dx}, {dy}): {flux} of {truth}");
        }
    }
}

/// A saturated star: a plateau with steep flanks. A little is left where the plateau is just out of the kernel.
#[test]
fn a_saturated_star_has_hardly_a_dark_ring() {
    let light = |x: f64, y: f64| (40.0 * star(x - 80.0, y - 60.0, 3.0)).min(1.0) + 0.05;
    let deepest = |ring_contrast: f32| {
        let [red, _, _, cover] = seen(&moved(0.45, 0.55, 0.0), ring_contrast, light);
        pixels().filter(|&(place, ..)| cover[place] > 0.0).map(|(place, ..)| red[place]).fold(1.0, f32::min) - 0.05
    };
    assert!(deepest(f32::INFINITY) < -0.01, "without the limit: {}", deepest(f32::INFINITY));
    assert!(deepest(0.1) > -0.003, "with the limit: {}", deepest(0.1));
}

/// White noise: the variance left is the sum of squared weights, and the table's mean is that over phases.
#[test]
fn the_noise_gain_is_what_the_noise_shows() {
    let transform = moved(0.37, 0.21, 0.05);
    let mut state = 1u64;
    let noise: Vec<f32> = (0..FRAME.area())
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 40) as f32 / (1u64 << 24) as f32 - 0.5) * 12.0f32.sqrt()
        })
        .collect();
    let at = |x: f64, y: f64| {
        let column = (x as usize).min(FRAME.width - 1);
        f64::from(noise[(y as usize).min(FRAME.height - 1) * FRAME.width + column])
    };
    let [red, _, _, cover] = seen(&transform, f32::INFINITY, at);
    let covered: Vec<f64> =
        pixels().filter(|&(place, ..)| cover[place] > 0.0).map(|(place, ..)| f64::from(red[place])).collect();
    let variance = covered.iter().map(|value| value * value).sum::<f64>() / covered.len() as f64;
    let gain = f64::from(Kernel::new().mean_noise_gain());
    // 13,000 samples, a little correlated: a standard error of the variance is about 1.5 %.
    assert!((variance / gain - 1.0).abs() < 0.05, "variance {variance}, gain of the kernel {gain}");
}
