//! Where a direction is seen through air and lens, and how that place moves with all that may move it.

use nalgebra::{Matrix3x2, SMatrix, Vector2, Vector3};

use super::adjust::Scene;
use super::lens_prior::N_LENS;
use crate::pixels::camera::Reach;
use crate::pixels::{Lens, Point, Refraction};

/// Lens, then two angles of the zenith.
pub(super) const N_GLOBAL: usize = N_LENS + 2;
/// Step of a numeric derivative by a direction, radians.
const STEP: f64 = 1e-6;

/// A lens and the air before it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct View {
    lens: Lens,
    reach: Reach,
    air: Option<Refraction>,
}

impl View {
    pub(crate) fn new(lens: Lens, air: Option<Refraction>) -> Self {
        Self { lens, reach: lens.reach(), air }
    }

    /// Where a direction above the air is seen.
    pub(crate) fn see(&self, ray: &Vector3<f64>) -> Option<Point> {
        self.lens.point(self.reach, &self.bent(ray))
    }

    /// The direction above the air that is seen at a point.
    pub(crate) fn ray(&self, point: Point) -> Option<Vector3<f64>> {
        let seen = self.lens.ray(self.reach, point)?;
        Some(self.air.map_or(seen, |air| air.true_from_apparent(&seen)))
    }

    fn bent(&self, ray: &Vector3<f64>) -> Vector3<f64> {
        self.air.as_ref().map_or(*ray, |air| air.apparent_from_true(ray))
    }
}

/// A lens parameter moved by the step given.
pub(super) type Varied = (f64, View);

/// How the place of a star in a frame moves with all that may move it.
pub(super) struct Slopes {
    pub(super) seen: Point,
    pub(super) by_ray: SMatrix<f64, 2, 3>,
    pub(super) by_global: SMatrix<f64, 2, N_GLOBAL>,
}

impl Slopes {
    pub(super) fn at(ray: &Vector3<f64>, view: &View, lenses: &[Varied], zeniths: &[Varied]) -> Option<Self> {
        let bent = view.bent(ray);
        let seen = view.lens.point(view.reach, &bent)?;
        let slope = |moved: Option<Point>, step: f64| {
            let moved = moved.unwrap_or(seen);
            Vector2::new((moved.x - seen.x) / step, (moved.y - seen.y) / step)
        };
        let mut by_ray = SMatrix::<f64, 2, 3>::zeros();
        for axis in 0..3 {
            let mut moved = *ray;
            moved[axis] += STEP;
            by_ray.set_column(axis, &slope(view.see(&moved), STEP));
        }
        let mut by_global = SMatrix::<f64, 2, N_GLOBAL>::zeros();
        for (idx, (step, varied)) in lenses.iter().enumerate() {
            by_global.set_column(idx, &slope(varied.lens.point(varied.reach, &bent), *step));
        }
        for (idx, (step, varied)) in zeniths.iter().enumerate() {
            by_global.set_column(N_LENS + idx, &slope(varied.see(ray), *step));
        }
        Some(Self { seen, by_ray, by_global })
    }
}

pub(super) fn varied_lenses(scene: &Scene) -> Vec<Varied> {
    let step = 1e-4;
    let varied = |idx: usize| {
        let mut parameters = scene.parameters;
        parameters[idx] += step;
        (step, View::new(scene.prior.lens(&parameters), scene.air()))
    };
    (0..N_LENS).map(varied).collect()
}

pub(super) fn varied_zeniths(scene: &Scene) -> Vec<Varied> {
    let step = 1e-5;
    let Some(zenith) = scene.zenith else { return Vec::new() };
    let axes = tangent_axes(&zenith);
    let varied = |idx: usize| (step, View::new(scene.lens(), Some(Refraction::new(zenith + axes.column(idx) * step))));
    (0..2).map(varied).collect()
}

/// Two directions across a direction.
pub(super) fn tangent_axes(ray: &Vector3<f64>) -> Matrix3x2<f64> {
    let helper = if ray.x.abs() < 0.6 { Vector3::x() } else { Vector3::y() };
    let first = ray.cross(&helper).normalize();
    Matrix3x2::from_columns(&[first, ray.cross(&first)])
}
