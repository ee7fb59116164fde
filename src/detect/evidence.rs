//! Whether what was fitted is a star, a hot pixel, or nothing: how much of the samples each would explain.

use crate::detect::fit::{Fit, Window};
use crate::detect::measure::Scene;
use crate::detect::shape::Shape;
use crate::pixels::Point;

/// Share of the squared threshold that a star of common shape must reach on the local sky; the rest is allowed
/// for its own width and colour.
const MIN_ENERGY: f64 = 0.75;

/// How much of what is seen, in squared standard deviations, two explanations account for.
pub(super) struct Evidence {
    /// A star of given place, shape and colour.
    star: f64,
    /// A single sample.
    sample: f64,
}

impl Evidence {
    pub(super) fn of(window: &Window, place: Point, shape: Shape, neutral: [f64; 3]) -> Self {
        let metric = shape.inverse();
        let (mut product, mut square, mut sample_alone) = (0.0, 1e-30, 0.0f64);
        for (samples, neutral) in window.colors.iter().zip(neutral) {
            for sample in samples {
                let (dx, dy) = (f64::from(sample.x) - place.x, f64::from(sample.y) - place.y);
                let model = neutral * (-0.5 * metric.form(dx, dy)).exp();
                let (value, variance) = (f64::from(sample.value), f64::from(sample.variance));
                product += value * model / variance;
                square += model * model / variance;
                sample_alone = sample_alone.max(value * value.abs() / variance);
            }
        }
        Self { star: product * product.max(0.0) / square, sample: sample_alone }
    }

    /// A single sample explains more than a star would. A star of the sharpest kind, right in the middle of a
    /// sample, still has a fifth of its energy in the neighbours.
    pub(super) fn is_hot_pixel(&self) -> bool {
        self.star < self.sample
    }
}

impl Scene<'_> {
    /// Whether a star of the common shape and colour stands out where the fit found something, and explains it
    /// better than a hot pixel would.
    pub(super) fn is_star(&self, window: &Window, fit: &Fit) -> bool {
        let evidence = Evidence::of(window, Point { x: fit.x, y: fit.y }, self.shape, self.neutral);
        let needed = MIN_ENERGY * f64::from(self.threshold_sigma).powi(2);
        evidence.star > needed && !evidence.is_hot_pixel()
    }
}
