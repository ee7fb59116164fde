//! Small invented mosaics for the tests of this module: sky, points of light, noise of a known model.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::calibrate::noise::NoiseModel;
use crate::pixels::{CalibratedFrame, Cfa, Layout, Mask, Plane, Point, Size};

/// A round point of light with a Gaussian profile.
#[derive(Clone, Copy)]
pub(super) struct Light {
    pub(super) center: Point,
    /// Of a sample exactly in the center, by color (red, green, blue).
    pub(super) peak: [f32; 3],
    pub(super) fwhm_px: f64,
}

/// A frame without noise whose sky rises from `dark` on the left to `bright` on the right.
pub(super) fn sky(layout: Layout, size: Size, dark: f32, bright: f32) -> CalibratedFrame {
    let plane = Plane::from_fn(size, |x, _| dark + (bright - dark) * x as f32 / size.width as f32);
    CalibratedFrame { layout, planes: vec![plane; layout.n_planes()], saturated: Mask::empty(size) }
}

/// Adds a point of light to a mosaic.
pub(super) fn shine(frame: &mut CalibratedFrame, cfa: Cfa, light: &Light) {
    let size = frame.size();
    let reach = 8.0;
    let range =
        |center: f64, len: usize| (center - reach).max(0.0) as usize..((center + reach).max(0.0) as usize).min(len);
    for y in range(light.center.y, size.height) {
        for x in range(light.center.x, size.width) {
            let distance = light.center.distance(Point { x: x as f64, y: y as f64 });
            // A Gaussian falls to a half at half its full width at half maximum.
            let share = (-4.0 * 2.0_f64.ln() * (distance / light.fwhm_px).powi(2)).exp() as f32;
            let value = frame.planes[0].at(x, y) + share * light.peak[cfa.color_at(x, y) as usize];
            frame.planes[0].set(x, y, value);
        }
    }
}

/// Adds noise of the model to every sample.
pub(super) fn add_noise(frame: &mut CalibratedFrame, noise: &NoiseModel, seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    for value in frame.planes.iter_mut().flat_map(Plane::samples_mut) {
        let deviate: f32 = random.sample(StandardNormal);
        *value += noise.sigma(*value) * deviate;
    }
}
