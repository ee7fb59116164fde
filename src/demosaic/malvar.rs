//! Linear interpolation corrected by the gradient of the sampled color.
//!
//! Source: H. S. Malvar, L. He, R. Cutler, "High-quality linear interpolation for demosaicing of
//! Bayer-patterned color images", ICASSP 2004, figure 2: coefficients in sixteenths.

use crate::demosaic::linear::Weights;

const fn sixteenths<const N: usize>(coefficients: [f32; N]) -> [f32; N] {
    let mut weights = coefficients;
    let mut idx = 0;
    while idx < N {
        weights[idx] /= 16.0;
        idx += 1;
    }
    weights
}

/// The method as published.
pub(super) const WEIGHTS: Weights = Weights {
    at_green: sixteenths([10.0, 8.0, -2.0, 0.0, 0.0, 1.0, 0.0, -2.0, 0.0, 0.0, 0.0, 0.0, 0.0]),
    green: sixteenths([8.0, 4.0, -2.0, 0.0, 0.0, 0.0, 0.0, 0.0]),
    other: sixteenths([12.0, 0.0, -3.0, 0.0, 4.0, 0.0, 0.0, 0.0]),
};
