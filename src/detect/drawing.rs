//! Small frames drawn for the tests of this module: even sky, noise, stars with colours and trails.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

use crate::pixels::{CalibratedFrame, Cfa, Layout, Mask, Plane, Point, Size};

/// A star as it is, before the sensor.
#[derive(Clone, Copy, Debug)]
pub(super) struct TrueStar {
    pub(super) center: Point,
    /// Sum over all pixels in red, green, blue.
    pub(super) flux: [f64; 3],
}

pub(super) struct Drawing {
    pub(super) size: Size,
    pub(super) layout: Layout,
    pub(super) sky: [f64; 3],
    /// Standard deviation of the sky in each colour.
    pub(super) sigma: [f64; 3],
    /// Variance per level of the stars' own light.
    pub(super) variance_per_level: f64,
    pub(super) psf_sigma_px: f64,
    /// Extent of the uniform trail from its middle to its end.
    pub(super) half_trail: Point,
}

impl Drawing {
    pub(super) fn mosaic(width: usize, height: usize) -> Self {
        Self {
            size: Size { width, height },
            layout: Layout::Mosaic(Cfa::RGGB),
            sky: [0.02, 0.04, 0.03],
            sigma: [0.0015, 0.002, 0.0018],
            variance_per_level: 0.0,
            psf_sigma_px: 0.95,
            half_trail: Point { x: 0.0, y: 0.0 },
        }
    }

    /// Light of a star of flux 1 that falls on pixel (x, y): the profile, averaged over trail and pixel.
    pub(super) fn share(&self, center: Point, x: usize, y: usize) -> f64 {
        let trail_steps = if self.half_trail == Point::default() { 1 } else { 41 };
        // Three-point Gauss-Legendre quadrature over the pixel, exact to the fifth power.
        let nodes = [(-0.774_596_669, 5.0 / 9.0), (0.0, 8.0 / 9.0), (0.774_596_669, 5.0 / 9.0)];
        let scale = 1.0 / (self.psf_sigma_px * self.psf_sigma_px);
        let mut sum = 0.0;
        for step in 0..trail_steps {
            let along = (2.0 * (f64::from(step) + 0.5) / f64::from(trail_steps)) - 1.0;
            let dx = x as f64 - center.x - along * self.half_trail.x;
            let dy = y as f64 - center.y - along * self.half_trail.y;
            if dx.hypot(dy) > 6.0 * self.psf_sigma_px + 1.0 {
                continue;
            }
            let axis = |offset: f64| -> f64 {
                nodes.iter().map(|(node, w)| 0.5 * w * (-0.5 * scale * (offset + 0.5 * node).powi(2)).exp()).sum()
            };
            sum += axis(dx) * axis(dy);
        }
        sum * scale / std::f64::consts::TAU / f64::from(trail_steps)
    }

    pub(super) fn draw(&self, stars: &[TrueStar], seed: u64) -> CalibratedFrame {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let normal = Normal::new(0.0, 1.0).expect("a spread of 1");
        let mut light = [0, 1, 2].map(|_| Plane::filled(self.size, 0.0f64));
        let reach = 7.0 * self.psf_sigma_px + self.half_trail.x.hypot(self.half_trail.y) + 2.0;
        for star in stars {
            let range = |middle: f64, len: usize| {
                (middle - reach).max(0.0) as usize..((middle + reach).max(0.0) as usize + 1).min(len)
            };
            for y in range(star.center.y, self.size.height) {
                for x in range(star.center.x, self.size.width) {
                    let share = self.share(star.center, x, y);
                    for (plane, flux) in light.iter_mut().zip(star.flux) {
                        plane.set(x, y, plane.at(x, y) + share * flux);
                    }
                }
            }
        }
        let mut saturated = Mask::empty(self.size);
        let mut planes = vec![Plane::filled(self.size, 0.0f32); self.layout.n_planes()];
        for y in 0..self.size.height {
            for x in 0..self.size.width {
                for (index, plane) in planes.iter_mut().enumerate() {
                    let channel = match self.layout {
                        Layout::Mosaic(cfa) => cfa.color_at(x, y) as usize,
                        Layout::Rgb => index,
                    };
                    let star = light[channel].at(x, y);
                    let sigma = (self.sigma[channel].powi(2) + self.variance_per_level * star).sqrt();
                    let value = self.sky[channel] + star + sigma * normal.sample(&mut random);
                    if value >= 1.0 {
                        saturated.0.set(x, y, true);
                    }
                    plane.set(x, y, value.min(1.0) as f32);
                }
            }
        }
        CalibratedFrame { layout: self.layout, planes, saturated }
    }
}
