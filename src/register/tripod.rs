//! The turn of a knocked camera, measured on the landscape.
//!
//! Gradient-based registration (Lucas and Kanade, "An iterative image registration technique", 1981) of patches of
//! the land, from coarse to fine, with one motion for the whole picture (Bergen, Anandan, Hanna and Hingorani,
//! "Hierarchical model-based motion estimation", 1992): a small rotation of the camera, carried through its
//! lens. The light of a patch may change by a factor and a shift of its own, as dusk, glow and lamps change it;
//! pixels that do not follow count little (Huber 1964).
//!
//! Pixels here are means of 2 × 2 pixels of the frame, which hold all colours of a mosaic.

mod patch;
mod pyramid;

use nalgebra::{Matrix3, Rotation3, Vector3};
use rayon::prelude::*;

use crate::pixels::{CameraTransform, Lens, Plane, Transform};
use patch::{Patch, Sums, best_patches};
pub use pyramid::LandPicture;

/// Fewer patches do not tell how a picture moved.
const MIN_PATCHES: usize = 4;
/// Turns of the fit on one level.
const MAX_TURNS: usize = 8;
/// A level is done when a turn moves no patch by more than this many of its pixels.
const STILL_PX: f64 = 0.003;
/// A turn moves no patch by more.
const LARGEST_STEP_PX: f64 = 1.5;
/// Whole pixels of the coarsest level that are searched on each side.
const SEARCH_PX: isize = 6;
/// A shift that is found by search must agree so much better than none.
const CLEARLY_BETTER: f64 = 0.02;
/// Land that agrees less is not the same land.
const LEAST_AGREEMENT: f64 = 0.08;
/// A motion known less well (standard deviation, pixels of the frame) is not known.
const LARGEST_SIGMA_PX: f64 = 0.1;
/// The blur of the levels makes noise correlate: so many pixels count as one (one over the sum of its
/// squared weights, 174/576 along each axis).
const PIXELS_PER_SAMPLE: f64 = (576.0 / 174.0) * (576.0 / 174.0);

/// How a frame's camera stood beside that of the reference frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LandMotion {
    /// Rotation vector, radians about the camera's axes (right, down, forward): directions in the frame from
    /// directions in the reference frame.
    pub turn: Vector3<f64>,
    /// Root mean square shift of the land, in pixels of the frame.
    pub shift_px: f64,
    /// Standard deviation of that shift.
    pub sigma_px: f64,
}

impl LandMotion {
    /// Turn of the picture about the optical axis.
    #[must_use]
    pub fn roll_deg(&self) -> f64 {
        self.turn.z.to_degrees()
    }
}

/// Where a pixel of the reference frame lies in a frame whose camera turned by `turn`.
#[must_use]
pub fn light_from_reference(lens: &Lens, turn: Vector3<f64>) -> Transform {
    Transform::Camera(Box::new(CameraTransform::new(*lens, Rotation3::new(turn), None)))
}

/// The land of the reference frame, ready to be found in others.
#[derive(Clone, Debug)]
pub struct LandReference {
    lens: Lens,
    /// From fine to coarse.
    levels: Vec<Vec<Patch>>,
}

impl LandReference {
    /// `land` has the size of the finest level: the weight of the land in each pixel. `None` where there is too
    /// little land, or too little to be seen on it.
    #[must_use]
    pub fn new(picture: &LandPicture, land: &Plane<f32>, lens: &Lens) -> Option<Self> {
        let mut land = land.clone();
        let mut levels = Vec::new();
        for (level, plane) in picture.levels().iter().enumerate() {
            if level > 0 {
                land = pyramid::halved(&land);
            }
            let patches = best_patches(plane, &land, lens, pyramid::frame_px(level));
            if patches.len() < MIN_PATCHES {
                break;
            }
            levels.push(patches);
        }
        (!levels.is_empty()).then_some(Self { lens: *lens, levels })
    }

    /// How the land moved from the reference frame to another; `None` where that cannot be told.
    #[must_use]
    pub fn motion(&self, picture: &LandPicture) -> Option<LandMotion> {
        let mut turn = self.search(picture);
        let mut last = Sums::default();
        for level in (0..self.levels.len()).rev() {
            (turn, last) = self.fit(picture, level, turn)?;
        }
        (last.agreement() > LEAST_AGREEMENT).then_some(())?;
        let covariance = last.normal.try_inverse()? * PIXELS_PER_SAMPLE;
        let patches = &self.levels[0];
        let frame_px = pyramid::frame_px(0);
        let mean = |value: &dyn Fn(&Patch) -> f64| patches.iter().map(value).sum::<f64>() / patches.len() as f64;
        let shift_px = frame_px * mean(&|patch| (patch.pixels_per_radian * turn).norm_squared()).sqrt();
        let spread = |patch: &Patch| {
            let jacobian = &patch.pixels_per_radian;
            (jacobian * covariance * jacobian.transpose()).trace()
        };
        let sigma_px = frame_px * mean(&spread).sqrt();
        (sigma_px < LARGEST_SIGMA_PX).then_some(LandMotion { turn, shift_px, sigma_px })
    }

    /// The turn behind the whole shift of the coarsest level that agrees best.
    fn search(&self, picture: &LandPicture) -> Vector3<f64> {
        let level = self.levels.len() - 1;
        let patches = &self.levels[level];
        let plane = &picture.levels()[level];
        let agreement = |dx: isize, dy: isize| {
            let sums = patches.iter().map(|patch| patch.compare_at_whole_shift(plane, dx, dy));
            sums.fold(Sums::default(), Sums::plus).agreement()
        };
        let still = agreement(0, 0);
        let shifts = (-SEARCH_PX..=SEARCH_PX).flat_map(|dy| (-SEARCH_PX..=SEARCH_PX).map(move |dx| (dx, dy)));
        let best = shifts.map(|(dx, dy)| (agreement(dx, dy), dx, dy)).max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((found, dx, dy)) = best.filter(|best| best.0 > still + CLEARLY_BETTER) else {
            return Vector3::zeros();
        };
        debug_assert!(found.is_finite(), "an agreement lies between -1 and 1");
        // The mean patch tells which turns about the first two axes shift the picture so.
        let sum = patches.iter().map(|patch| patch.pixels_per_radian).sum::<nalgebra::Matrix2x3<f64>>();
        let mean = sum.fixed_columns::<2>(0) / patches.len() as f64;
        let turn = mean.try_inverse().map(|inverse| inverse * nalgebra::Vector2::new(dx as f64, dy as f64));
        turn.map_or_else(Vector3::zeros, |turn| Vector3::new(turn.x, turn.y, 0.0))
    }

    /// Improves a turn on one level; the sums are those of the last comparison. `None` where the level does not
    /// hold the motion.
    fn fit(&self, picture: &LandPicture, level: usize, start: Vector3<f64>) -> Option<(Vector3<f64>, Sums)> {
        let patches = &self.levels[level];
        let plane = &picture.levels()[level];
        let reach = self.lens.reach();
        let mut turn = start;
        let mut sums = Sums::default();
        let gain = patch::common_gain(patches, plane);
        for _ in 0..MAX_TURNS {
            let rotation = Rotation3::new(turn);
            let parts: Vec<Sums> =
                patches.par_iter().map(|patch| patch.compare(plane, &self.lens, reach, &rotation, gain)).collect();
            // In the order of the patches: the same on any number of cores.
            sums = parts.into_iter().fold(Sums::default(), Sums::plus);
            let mut step = -(invertible(&sums.normal)? * sums.gradient);
            let largest = patches.iter().map(|patch| (patch.pixels_per_radian * step).norm()).fold(0.0, f64::max);
            if largest > LARGEST_STEP_PX {
                step *= LARGEST_STEP_PX / largest;
            }
            turn += step;
            if largest < STILL_PX {
                break;
            }
        }
        turn.iter().all(|angle| angle.is_finite()).then_some((turn, sums))
    }
}

fn invertible(normal: &Matrix3<f64>) -> Option<Matrix3<f64>> {
    normal.try_inverse().filter(|inverse| inverse.iter().all(|entry| entry.is_finite()))
}

#[cfg(test)]
mod tests;
