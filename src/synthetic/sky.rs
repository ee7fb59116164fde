//! The sky between the stars: airglow, the galaxy's band, and a distant town's glow.
//!
//! The band turns with the stars, the glow stands on the ground. Both are smooth, so they are
//! computed on a coarse grid and joined in between.

use nalgebra::{Rotation3, Vector3};
use rayon::prelude::*;

use crate::pixels::{Point, Size};
use crate::synthetic::camera::{Camera, altitude_rad};
use crate::synthetic::noise::{rise, space_octaves};
use crate::synthetic::scene::{Cloud, Scene};
use crate::synthetic::stars::DAYLIGHT;

/// Pixels between grid points.
const STEP_PX: usize = 8;

/// Colours over daylight.
const AIRGLOW: [f64; 3] = [0.93, 1.0, 1.12];
const BAND: [f64; 3] = [1.12, 1.0, 0.95];
const TOWN: [f64; 3] = [2.1, 1.0, 0.42];
const MOON: [f64; 3] = [1.06, 1.0, 0.9];

/// The galaxy's band: a great circle fixed among the stars.
#[derive(Clone, Copy, Debug)]
pub(super) struct Band {
    /// Pole of the great circle at time 0.
    pole: Vector3<f64>,
    seed: u32,
}

impl Band {
    /// A band that crosses the frame at mid-burst, leaning to the right.
    pub(super) fn across(scene: &Scene, camera: &Camera) -> Self {
        let still = Rotation3::identity();
        let at = |x: f64, y: f64| {
            let pixel = Point { x: x * scene.size.width as f64, y: y * scene.size.height as f64 };
            camera.direction(pixel, &still).unwrap_or_else(Vector3::z)
        };
        let pole = at(0.40, 0.78).cross(&at(0.74, 0.10)).normalize();
        let middle_secs = scene.opening_secs(scene.n_lights) / 2.0;
        Self { pole: camera.at_start(&pole, middle_secs), seed: scene.seed as u32 }
    }

    /// Brightness of the band at a true direction of time 0; about 1 at its middle.
    pub(super) fn brightness(&self, at_start: &Vector3<f64>) -> f32 {
        let latitude = at_start.dot(&self.pole).clamp(-1.0, 1.0).asin().to_degrees() as f32;
        let scaled = |scale: f64| [at_start.x * scale, at_start.y * scale, at_start.z * scale];
        let clouds = space_octaves(scaled(6.0), 5, self.seed);
        let wisps = space_octaves(scaled(17.0), 4, self.seed.wrapping_add(50));
        let bent = latitude + 2.5 * space_octaves(scaled(4.0), 3, self.seed.wrapping_add(90));
        let wide = (-(bent / 13.0).powi(2)).exp();
        let core = (-(bent / 5.5).powi(2)).exp();
        let lane = (-((bent - 1.0) / 2.4).powi(2)).exp() * rise(-0.35, 0.75, wisps + 0.4 * clouds);
        let patches = (1.0 + 0.55 * clouds + 0.35 * wisps).max(0.1);
        ((0.35 * wide + 0.75 * core) * patches * (1.0 - 0.72 * lane)).max(0.0)
    }
}

/// Electrons of one exposure on a grid, before vignetting.
#[derive(Clone, Debug)]
pub(super) struct SkyGrid {
    columns: usize,
    values: Vec<[f32; 3]>,
}

impl SkyGrid {
    /// The sky of light frame `idx`.
    pub(super) fn new(scene: &Scene, camera: &Camera, band: &Band, idx: usize, knock: &Rotation3<f64>) -> Self {
        let Size { width, height } = scene.size;
        let (columns, rows) = (width.div_ceil(STEP_PX) + 1, height.div_ceil(STEP_PX) + 1);
        let secs = scene.opening_secs(idx) + scene.exposure_secs / 2.0;
        let values = (0..columns * rows)
            .into_par_iter()
            .map(|place| {
                let pixel = Point { x: (place % columns * STEP_PX) as f64, y: (place / columns * STEP_PX) as f64 };
                let direction = camera.direction(pixel, knock);
                let cloud = scene.cloud(idx).at(pixel, scene.size);
                direction.map_or([0.0; 3], |direction| electrons(scene, camera, band, idx, secs, &direction, cloud))
            })
            .collect();
        Self { columns, values }
    }

    /// Fills `row` with the three channels of row `y`.
    pub(super) fn row(&self, y: usize, row: &mut [[f32; 3]]) {
        let upper = &self.values[y / STEP_PX * self.columns..][..self.columns];
        let lower = &self.values[(y / STEP_PX + 1) * self.columns..][..self.columns];
        let down = (y % STEP_PX) as f32 / STEP_PX as f32;
        let joined = |column: usize| -> [f32; 3] {
            std::array::from_fn(|c| upper[column][c] + down * (lower[column][c] - upper[column][c]))
        };
        for (column, cell) in row.chunks_mut(STEP_PX).enumerate() {
            let (left, right) = (joined(column), joined(column + 1));
            for (place, value) in cell.iter_mut().enumerate() {
                let across = place as f32 / STEP_PX as f32;
                *value = std::array::from_fn(|c| left[c] + across * (right[c] - left[c]));
            }
        }
    }
}

/// Electrons of one exposure in a direction.
fn electrons(
    scene: &Scene,
    camera: &Camera,
    band: &Band,
    idx: usize,
    secs: f64,
    direction: &Vector3<f64>,
    cloud: Cloud,
) -> [f32; 3] {
    let altitude = altitude_rad(direction).max(0.0);
    // Airglow is a thin layer: it thickens towards the horizon.
    let airglow = 1.0 + 0.45 * (1.0 - altitude.sin()).powi(3);
    let galaxy = scene.band * f64::from(band.brightness(&camera.at_start(direction, secs)));
    let town_azimuth = (scene.pointing.azimuth_deg + 24.0).to_radians();
    let aside = (direction.x.atan2(direction.y) - town_azimuth).sin_cos();
    let aside = aside.0.atan2(aside.1);
    let town = scene.glow * scene.glow_strength(idx) * (-(aside / 0.42).powi(2)).exp() * (-altitude / 0.12).exp();
    // Scattered all over the sky, and more on the side where the Moon rises.
    let moon_azimuth = (scene.pointing.azimuth_deg - 60.0).to_radians();
    let toward = direction.x * moon_azimuth.sin() + direction.y * moon_azimuth.cos();
    let moon = scene.moonlight_in(idx) * (0.6 + 0.4 * toward);
    let dark = scene.sky_electrons_per_sec * scene.exposure_secs;
    let haze = super::stars::extinction(direction) * cloud.transparency;
    std::array::from_fn(|channel| {
        let light = airglow * AIRGLOW[channel]
            + galaxy * haze * BAND[channel]
            + town * (1.0 + cloud.veil) * TOWN[channel]
            + moon * MOON[channel]
            + cloud.veil;
        (dark * DAYLIGHT[channel] * light) as f32
    })
}
