//! Rotation and lens from pairs of stars in two frames: robust least squares by Gauss and Newton.
//!
//! Errors are pixels in the reference frame. Weights after Cauchy: a pair that lies wide counts little.

use nalgebra::{Rotation3, SMatrix, SVector, Vector3};

use super::lens_prior::{LensPrior, N_LENS};
use crate::pixels::{CameraTransform, Lens, Point, Refraction};

/// How much of the lens is adjusted along with the rotation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Freedom {
    /// Rotation only.
    Rotation,
    /// Also focal length, k₁ and k₂.
    RotationAndLens,
}

/// One lens, one rotation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PairModel {
    pub(crate) prior: LensPrior,
    pub(crate) parameters: [f64; N_LENS],
    pub(crate) air: Option<Refraction>,
    pub(crate) reference_from_light: Rotation3<f64>,
}

/// Rotation vector, then focal length, k₁, k₂.
const N_ALL: usize = 6;

impl PairModel {
    /// The lens as it stands.
    pub(crate) fn lens(&self) -> Lens {
        self.prior.lens(&self.parameters)
    }

    /// From light to reference frame.
    pub(crate) fn transform(&self) -> CameraTransform {
        CameraTransform::new(self.lens(), self.reference_from_light, self.air)
    }

    /// One step towards the least weighted squares; `scale_px` is the size of an ordinary error.
    pub(crate) fn improved(&self, pairs: &[(Point, Point)], scale_px: f64, freedom: Freedom) -> Self {
        let n_free = if freedom == Freedom::Rotation { 3 } else { N_ALL };
        let varied = self.variations(n_free);
        let here = self.transform();
        let mut normal = SMatrix::<f64, N_ALL, N_ALL>::zeros();
        let mut right = SVector::<f64, N_ALL>::zeros();
        for idx in 0..N_ALL {
            if idx >= 3 {
                // What is known of the lens counts as one observation of each parameter.
                normal[(idx, idx)] = 1.0;
                right[idx] = -self.parameters[idx - 3];
            } else {
                // Keeps a rotation about a lone star solvable; far below what one star says.
                normal[(idx, idx)] = 1e-6;
            }
        }
        for &(light, reference) in pairs {
            let Some(seen) = here.apply(light) else { continue };
            let (error_x, error_y) = (reference.x - seen.x, reference.y - seen.y);
            let square = (error_x * error_x + error_y * error_y) / (scale_px * scale_px);
            let weight = 1.0 / ((1.0 + square) * scale_px * scale_px);
            let mut slope_x = SVector::<f64, N_ALL>::zeros();
            let mut slope_y = SVector::<f64, N_ALL>::zeros();
            for (idx, (step, varied)) in varied.iter().enumerate() {
                if let Some(moved) = varied.apply(light) {
                    slope_x[idx] = (moved.x - seen.x) / step;
                    slope_y[idx] = (moved.y - seen.y) / step;
                }
            }
            normal += (slope_x * slope_x.transpose() + slope_y * slope_y.transpose()) * weight;
            right += (slope_x * error_x + slope_y * error_y) * weight;
        }
        let Some(step) = normal.cholesky().map(|factor| factor.solve(&right)) else { return *self };
        let mut parameters = self.parameters;
        if freedom == Freedom::RotationAndLens {
            for idx in 3..N_ALL {
                // Six standard deviations off is no lens of this kind.
                parameters[idx - 3] = (parameters[idx - 3] + step[idx]).clamp(-6.0, 6.0);
            }
        }
        let reference_from_light = self.turned(&Vector3::new(step[0], step[1], step[2]));
        Self { parameters, reference_from_light, ..*self }
    }

    fn turned(&self, by: &Vector3<f64>) -> Rotation3<f64> {
        let mut rotation = Rotation3::new(*by) * self.reference_from_light;
        rotation.renormalize();
        rotation
    }

    /// The transform with each free parameter moved a little, and by how much.
    fn variations(&self, n_free: usize) -> Vec<(f64, CameraTransform)> {
        let step = 1e-6;
        let rotations = (0..3).map(|axis| {
            let mut by = Vector3::zeros();
            by[axis] = step;
            (step, Self { reference_from_light: self.turned(&by), ..*self }.transform())
        });
        let lenses = (0..n_free.saturating_sub(3)).map(|idx| {
            let step = 1e-4;
            let mut varied = *self;
            varied.parameters[idx] += step;
            (step, varied.transform())
        });
        rotations.chain(lenses).collect()
    }
}
