//! The invented sensor: photon noise, dark signal, hot pixels, read noise, quantisation, saturation.

use nalgebra::Matrix3;
use rand::{Rng, RngExt};
use rand_distr::{Distribution, Poisson, StandardNormal};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::pixels::{Plane, Size};
use crate::raw::frame::CameraColor;
use crate::synthetic::noise::{Use, stream};
use crate::synthetic::scene::Scene;

/// Above this mean the Poisson distribution is drawn as a normal one of the same variance.
const NORMAL_FROM: f32 = 30.0;

/// Camera RGB from CIE XYZ; invented, of a plausible shape.
const CAMERA_FROM_XYZ: [[f64; 3]; 3] = [[0.75, -0.22, -0.06], [-0.45, 1.25, 0.22], [-0.10, 0.20, 0.60]];

/// Correlated colour temperature of the camera's white balance, as CIE 1931 x and y of daylight of 5000 K (D50).
const BALANCE_XY: [f64; 2] = [0.345_67, 0.358_50];

/// A pixel with a strong dark signal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HotPixel {
    /// Column.
    pub x: usize,
    /// Row.
    pub y: usize,
    /// Mean dark signal.
    pub electrons_per_sec: f64,
}

/// Colour data of the invented camera.
pub(super) fn camera_color() -> CameraColor {
    let [x, y] = BALANCE_XY;
    let white = Matrix3::from_fn(|row, column| CAMERA_FROM_XYZ[row][column])
        * nalgebra::Vector3::new(x / y, 1.0, (1.0 - x - y) / y);
    // Files hold the neutral as fractions of a million.
    let part = |channel: usize| (white[channel] / white[1] * 1e6).round() / 1e6;
    CameraColor { as_shot_neutral: [part(0), part(1), part(2)], camera_from_xyz: CAMERA_FROM_XYZ }
}

/// The scene's hot pixels, sorted by row and column, each place once.
pub(super) fn hot_pixels(scene: &Scene) -> Vec<HotPixel> {
    let mut random = stream(scene.seed, Use::HotPixels, 0, 0);
    let mut pixels: Vec<HotPixel> = (0..scene.n_hot_pixels)
        .map(|_| HotPixel {
            x: random.random_range(0..scene.size.width),
            y: random.random_range(0..scene.size.height),
            // From 8 to 400, evenly in the logarithm.
            electrons_per_sec: 8.0 * 50_f64.powf(random.random()),
        })
        .collect();
    pixels.sort_by_key(|pixel| (pixel.y, pixel.x));
    pixels.dedup_by_key(|pixel| (pixel.y, pixel.x));
    pixels
}

/// Adds the mean dark signal of `secs` to a row of mean electrons.
pub(super) fn add_dark_signal(scene: &Scene, hot: &[HotPixel], y: usize, secs: f64, electrons: &mut [f32]) {
    let Size { width, height } = scene.size;
    let even = (scene.dark_electrons_per_sec * secs) as f32;
    let glow = scene.amplifier_glow_electrons_per_sec * secs;
    let from_bottom = (height - 1 - y) as f64 / (0.16 * height as f64);
    let row_glow = (glow * (-from_bottom).exp()) as f32;
    // Falls by e over a tenth of the width, as a running product.
    let ratio = (10.0 / width as f64).exp() as f32;
    let mut across = row_glow * (-10.0 * (width - 1) as f64 / width as f64).exp() as f32;
    for sample in electrons.iter_mut() {
        *sample += even + across;
        across *= ratio;
    }
    let first = hot.partition_point(|pixel| pixel.y < y);
    for pixel in hot[first..].iter().take_while(|pixel| pixel.y == y) {
        electrons[pixel.x] += (pixel.electrons_per_sec * secs) as f32;
    }
}

/// Reads out mean electrons: data numbers with noise, each row from its own random numbers.
pub(super) fn read_out(scene: &Scene, electrons: &Plane<f32>, purpose: Use, frame: usize) -> Plane<u16> {
    let width = scene.size.width;
    let mut samples = vec![0_u16; scene.size.area()];
    let columns = offsets(scene, scene.column_noise_electrons, 0, width);
    let rows = offsets(scene, scene.row_noise_electrons, row_set(purpose, frame), scene.size.height);
    samples.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let mut random = stream(scene.seed, purpose, frame, y);
        for (x, (sample, &mean)) in row.iter_mut().zip(electrons.row(y)).enumerate() {
            let black = f32::from(scene.black_level[2 * (y % 2) + x % 2]);
            let read: f32 = StandardNormal.sample(&mut random);
            let collected = photons(mean, &mut random) + read * scene.read_noise_electrons as f32;
            let level = black + (collected + rows[y] + columns[x]) / scene.electrons_per_dn as f32;
            *sample = crate::pixels::to_code_u16(level).min(scene.white_level);
        }
    });
    Plane::from_vec(scene.size, samples).expect("one sample a pixel")
}

/// The whole sensor around the visible samples of a frame: masked columns on the left, masked rows on top.
pub(super) fn with_margins(scene: &Scene, visible: &Plane<u16>, purpose: Use, frame: usize) -> Plane<u16> {
    let Size { width, height } = scene.size;
    let margin = scene.masked_px;
    let columns = offsets(scene, scene.column_noise_electrons, 0, width);
    let rows = offsets(scene, scene.row_noise_electrons, row_set(purpose, frame), height);
    let size = Size { width: width + margin, height: height + margin };
    let mut samples = Vec::with_capacity(size.area());
    for y in 0..size.height {
        let mut random = stream(scene.seed, Use::Margins, (purpose as usize) << 16 | frame, y);
        for x in 0..size.width {
            if let (Some(x), Some(y)) = (x.checked_sub(margin), y.checked_sub(margin)) {
                samples.push(visible.at(x, y));
                continue;
            }
            let read: f32 = StandardNormal.sample(&mut random);
            let line = |offsets: &[f32], at: usize| at.checked_sub(margin).map_or(0.0, |at| offsets[at]);
            let electrons = read * scene.read_noise_electrons as f32 + line(&rows, y) + line(&columns, x);
            // The margin is even: the pattern goes on.
            let black = f32::from(scene.black_level[2 * (y % 2) + x % 2]);
            samples.push(crate::pixels::to_code_u16(black + electrons / scene.electrons_per_dn as f32));
        }
    }
    Plane::from_vec(size, samples).expect("one sample a pixel")
}

/// Each kind of frame has rows of its own.
fn row_set(purpose: Use, frame: usize) -> usize {
    (purpose as usize) << 16 | (frame + 1)
}

/// Offsets of `n` rows or columns, in electrons.
fn offsets(scene: &Scene, sigma_electrons: f64, set: usize, n: usize) -> Vec<f32> {
    if sigma_electrons == 0.0 {
        return vec![0.0; n];
    }
    let mut random = stream(scene.seed, Use::Offsets, 0, set);
    (0..n)
        .map(|_| {
            let deviate: f32 = StandardNormal.sample(&mut random);
            deviate * sigma_electrons as f32
        })
        .collect()
}

fn photons(mean: f32, random: &mut impl Rng) -> f32 {
    if mean > NORMAL_FROM {
        let normal: f32 = StandardNormal.sample(random);
        mean + mean.sqrt() * normal
    } else {
        // A mean of 0 or less has no distribution and no photons.
        Poisson::new(mean).map_or(0.0, |poisson| poisson.sample(random))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn statistics(samples: &[u16]) -> (f64, f64) {
        let n = samples.len() as f64;
        let mean = samples.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
        let variance = samples.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (mean, variance)
    }

    /// Variance in data numbers: (electrons + read noise²) / gain² + 1/12 of rounding.
    #[test]
    fn the_variance_grows_with_the_light() {
        let scene = Scene::small();
        for mean in [5.0_f32, 100.0, 2000.0] {
            let frame = read_out(&scene, &Plane::filled(scene.size, mean), Use::FlatNoise, 0);
            let (level, variance) = statistics(frame.samples());
            let gain = scene.electrons_per_dn;
            let expected_level = 512.0 + f64::from(mean) / gain;
            let expected = (f64::from(mean) + scene.read_noise_electrons.powi(2)) / gain.powi(2) + 1.0 / 12.0;
            // 153 600 samples: the mean is known to σ/392, the variance to 0.36 %; four times that is allowed.
            assert!((level - expected_level).abs() < 4.0 * variance.sqrt() / 392.0, "level {level}, {expected_level}");
            assert!((variance / expected - 1.0).abs() < 0.0145, "variance {variance}, expected {expected}");
        }
    }

    #[test]
    fn light_beyond_the_white_level_is_cut_off() {
        let scene = Scene::small();
        let frame = read_out(&scene, &Plane::filled(scene.size, 1e6), Use::FlatNoise, 0);
        assert!(frame.samples().iter().all(|&sample| sample == scene.white_level), "every sample at white");
    }

    #[test]
    fn daylight_is_what_the_matrix_makes_of_it() {
        // CIE D65, 2° observer: X = 0.95047, Y = 1, Z = 1.08883.
        let white = Matrix3::from_fn(|row, column| CAMERA_FROM_XYZ[row][column])
            * nalgebra::Vector3::new(0.950_47, 1.0, 1.088_83);
        for channel in 0..3 {
            let expected = crate::synthetic::stars::DAYLIGHT[channel];
            assert!((white[channel] / white[1] - expected).abs() < 5e-4, "{white} against {expected}");
        }
    }
}
