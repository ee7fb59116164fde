//! What is known of the lens before the stars are asked, and the guesses to start from.
//!
//! Adjustable parameters are counted in standard deviations of what is known, so that all of them are
//! near one and "as expected" is zero.

use crate::pixels::{Lens, Point, Projection, Size};

/// Number of adjustable parameters of a lens: focal length, three radial terms, principal point.
pub(crate) const N_LENS: usize = 6;

/// Names of the adjustable parameters, in order.
pub(crate) const PARAMETER_NAMES: [&str; N_LENS] =
    ["focal length", "distortion k1", "distortion k2", "distortion k3", "principal point x", "principal point y"];

/// Standard deviation of a focal length as cameras state it: rounded to millimeters, changed by focusing.
/// Common practice, no source.
pub(super) const STATED_FOCAL_SIGMA: f64 = 0.04;
/// Standard deviation of the shift of the corner by each radial term, as a share of the corner's radius.
/// Wide lenses shift it by 2 to 14 %. Common practice, no source.
const CORNER_SHIFT_SIGMA: [f64; 3] = [0.06, 0.03, 0.015];
/// Standard deviation of the principal point, as a share of the half diagonal: about 20 px at 24 megapixels.
const PRINCIPAL_SIGMA: f64 = 0.006;

/// A lens, and how well it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LensPrior {
    pub(crate) lens: Lens,
    /// Standard deviations: relative focal length, k₁ to k₃, principal point x and y in pixels.
    pub(crate) sigma: [f64; N_LENS],
    /// Whether an earlier burst measured it.
    pub(crate) from_profile: bool,
}

impl LensPrior {
    /// The lens whose parameters differ from what is known by so many standard deviations.
    pub(crate) fn lens(&self, parameters: &[f64; N_LENS]) -> Lens {
        let off: [f64; N_LENS] = std::array::from_fn(|idx| parameters[idx] * self.sigma[idx]);
        let Lens { focal_px, principal, radial, .. } = self.lens;
        Lens {
            focal_px: focal_px * off[0].exp(),
            radial: std::array::from_fn(|term| radial[term] + off[term + 1]),
            principal: Point { x: principal.x + off[4], y: principal.y + off[5] },
            ..self.lens
        }
    }

    /// A lens of which only the projection, roughly the focal length and the shift of the corner are guessed.
    fn guessed(size: Size, projection: Projection, focal_px: f64, focal_sigma: f64, corner_shift: f64) -> Self {
        let half_diagonal = 0.5 * (size.width as f64).hypot(size.height as f64);
        let ideal_corner = (half_diagonal / focal_px / (1.0 + corner_shift)).max(1e-3);
        let mut lens = Lens::ideal(projection, focal_px, size.center());
        lens.radial[0] = corner_shift / ideal_corner.powi(2);
        let principal_sigma = PRINCIPAL_SIGMA * half_diagonal;
        let [first, second, third] = CORNER_SHIFT_SIGMA;
        let sigma = [
            focal_sigma,
            first / ideal_corner.powi(2),
            second / ideal_corner.powi(4),
            third / ideal_corner.powi(6),
            principal_sigma,
            principal_sigma,
        ];
        Self { lens, sigma, from_profile: false }
    }
}

/// Lenses to try, likeliest first: around the camera's stated focal length, or over all that tripods carry.
pub(crate) fn guesses(size: Size, focal_px: Option<f64>, known: Option<LensPrior>) -> Vec<LensPrior> {
    let mut guesses: Vec<LensPrior> = known.into_iter().collect();
    let diagonal = (size.width as f64).hypot(size.height as f64);
    match focal_px.filter(|focal_px| focal_px.is_finite() && *focal_px > 0.1 * diagonal) {
        Some(focal_px) => {
            // At long focal lengths the corner shift is all of distortion; at short ones the projection counts too.
            for corner_shift in [-0.03, -0.10, -0.15, 0.03] {
                guesses.push(LensPrior::guessed(
                    size,
                    Projection::Rectilinear,
                    focal_px,
                    STATED_FOCAL_SIGMA,
                    corner_shift,
                ));
            }
            if focal_px < 0.8 * diagonal {
                let fisheye = [Projection::EquidistantFisheye, Projection::StereographicFisheye];
                for projection in fisheye {
                    guesses.push(LensPrior::guessed(size, projection, focal_px, STATED_FOCAL_SIGMA, 0.0));
                }
            }
        }
        None => {
            for focal_diagonals in [0.45, 0.65, 1.0, 1.7, 5.0] {
                for corner_shift in [-0.03, -0.12] {
                    let focal_px = focal_diagonals * diagonal;
                    guesses.push(LensPrior::guessed(size, Projection::Rectilinear, focal_px, 0.2, corner_shift));
                }
            }
            guesses.push(LensPrior::guessed(size, Projection::EquidistantFisheye, 0.35 * diagonal, 0.2, 0.0));
            guesses.push(LensPrior::guessed(size, Projection::EquidistantFisheye, 0.5 * diagonal, 0.2, 0.0));
        }
    }
    guesses
}
