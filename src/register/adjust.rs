//! One lens, one rotation a frame and one direction a star, from all sightings of all frames together.
//!
//! Robust least squares by Gauss and Newton with damping (Levenberg 1944, Marquardt 1963) and weights after
//! Tukey. The stars are eliminated first (each needs a 2 × 2 inverse only), so what is solved is as small as
//! the lens and the rotations: the bundle adjustment of photogrammetry (Brown 1958; Triggs et al. 2000).

use nalgebra::{DMatrix, DVector, Matrix2, Matrix3x2, Rotation3, SMatrix, Vector2, Vector3};

use super::lens_prior::{LensPrior, N_LENS};
use super::plane::{TUKEY, axis_sigma, tukey_weight};
use super::slopes::{N_GLOBAL, Slopes, Varied, View, tangent_axes, varied_lenses, varied_zeniths};
use crate::pixels::{Lens, Point, Refraction};

/// Steps at most, when the result is the final one.
pub(crate) const FINAL_STEPS: usize = 20;
/// Steps at most on the way there.
pub(crate) const FIRST_STEPS: usize = 12;
/// Standard deviation of a zenith that is only guessed, radians: weak, but keeps it from running away.
const ZENITH_SIGMA: f64 = 0.7;
/// Centroids are not trusted beyond this, whatever the noise says: pixels have structure.
const SMALLEST_SIGMA_PX: f64 = 0.02;

/// A star seen in a frame.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sighting {
    pub(crate) frame: usize,
    pub(crate) seen: Point,
    pub(crate) sigma_px: f64,
}

/// The burst as a geometry.
#[derive(Clone, Debug)]
pub(crate) struct Scene {
    pub(crate) prior: LensPrior,
    pub(crate) parameters: [f64; N_LENS],
    pub(crate) zenith: Option<Vector3<f64>>,
    /// Frame directions from reference directions; the reference's own stays as it is.
    pub(crate) frames: Vec<Rotation3<f64>>,
    pub(crate) reference: usize,
    /// Directions of the stars in the reference frame, above the air.
    pub(crate) stars: Vec<Vector3<f64>>,
    /// Where each star was seen.
    pub(crate) sightings: Vec<Vec<Sighting>>,
}

/// What of the scene may move besides rotations and stars.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Adjust {
    /// Nothing: the lens is as known.
    Rotations,
    /// The lens.
    Lens,
    /// The lens, and the direction of the zenith of an air that refracts.
    LensAndAir,
}

/// An adjusted scene and how good it is.
#[derive(Clone, Debug)]
pub(crate) struct Adjusted {
    pub(crate) scene: Scene,
    /// Standard deviations of the lens parameters, in units of the prior's.
    pub(crate) lens_sigma: [f64; N_LENS],
    /// Ordinary error over the error that the centroids' own noise explains, at least 1: what errors are weighed by.
    pub(crate) scale: f64,
    /// The same as it was found; below 1 where centroids are better than they were believed to be.
    pub(crate) noise_ratio: f64,
    pub(crate) n_sightings: usize,
}

impl Scene {
    /// The lens as it stands.
    pub(crate) fn lens(&self) -> Lens {
        self.prior.lens(&self.parameters)
    }

    /// The air, where it is part of the scene.
    pub(crate) fn air(&self) -> Option<Refraction> {
        self.zenith.map(Refraction::new)
    }

    /// Where a star is seen in a frame.
    pub(crate) fn predicted(&self, view: &View, star: usize, frame: usize) -> Option<Point> {
        view.see(&(self.frames[frame] * self.stars[star]))
    }

    /// Lens and air, ready to look through.
    pub(crate) fn view(&self) -> View {
        View::new(self.lens(), self.air())
    }

    /// Distances of all sightings from where they are predicted, in standard deviations.
    pub(crate) fn normalized_errors(&self) -> Vec<f64> {
        let view = self.view();
        let of_star = |(star, sightings): (usize, &Vec<Sighting>)| -> Vec<f64> {
            let error = |sighting: &Sighting| {
                let seen = self.predicted(&view, star, sighting.frame);
                seen.map_or(f64::INFINITY, |seen| seen.distance(sighting.seen) / sigma_px(sighting))
            };
            sightings.iter().map(error).collect()
        };
        self.sightings.iter().enumerate().flat_map(of_star).collect()
    }

    /// Robust sum of squares (Tukey) in units of `scale`, the prior of the lens included.
    pub(crate) fn cost(&self, scale: f64) -> f64 {
        let errors: f64 = self.normalized_errors().iter().map(|error| tukey_cost(error / scale)).sum();
        errors + self.parameters.iter().map(|parameter| parameter * parameter).sum::<f64>()
    }
}

/// The scene that explains the sightings best.
pub(crate) fn adjust(mut scene: Scene, what: Adjust, n_steps: usize) -> Adjusted {
    let mut damping = 1e-6;
    let mut scale = scale_of(&scene);
    let mut normal = Normal::assemble(&scene, what, scale);
    let mut cost = scene.cost(scale);
    for _ in 0..n_steps {
        let Some(moved) = normal.solved(&scene, damping) else { break };
        let moved_cost = moved.cost(scale);
        // At the bottom the cost changes by rounding only.
        if moved_cost > cost * (1.0 + 1e-9) {
            damping *= 30.0;
            if damping > 1e4 {
                break;
            }
            continue;
        }
        let settled = cost - moved_cost < 1e-3;
        scene = moved;
        damping = (damping * 0.1).max(1e-9);
        let moved_scale = scale_of(&scene);
        let scale_settled = (moved_scale / scale - 1.0).abs() < 1e-3;
        scale = moved_scale;
        normal = Normal::assemble(&scene, what, scale);
        cost = scene.cost(scale);
        if settled && scale_settled {
            break;
        }
    }
    let n_sightings = scene.sightings.iter().map(Vec::len).sum();
    let lens_sigma = normal.lens_sigma().unwrap_or([1.0; N_LENS]);
    let noise_ratio = noise_ratio(&scene);
    Adjusted { scene, lens_sigma, scale, noise_ratio, n_sightings }
}

fn sigma_px(sighting: &Sighting) -> f64 {
    sighting.sigma_px.max(SMALLEST_SIGMA_PX)
}

fn tukey_cost(sigmas: f64) -> f64 {
    let rest = (1.0 - (sigmas / TUKEY).powi(2)).max(0.0);
    TUKEY * TUKEY / 3.0 * (1.0 - rest.powi(3))
}

/// Ordinary error in units of the centroids' own noise, but not below it: a few stars can agree by luck, and the
/// others would be thrown out.
fn scale_of(scene: &Scene) -> f64 {
    noise_ratio(scene).max(1.0)
}

/// Ordinary error in units of the centroids' own noise, freed from what the stars' own directions absorb.
fn noise_ratio(scene: &Scene) -> f64 {
    let errors = scene.normalized_errors();
    let n_unknowns = 2 * scene.stars.len() + 3 * scene.frames.len();
    let n_values = 2 * errors.len();
    let share = (n_values.saturating_sub(n_unknowns)).max(1) as f64 / n_values.max(1) as f64;
    axis_sigma(&errors) / share.sqrt()
}

/// The normal equations with the stars set apart.
struct Normal {
    matrix: DMatrix<f64>,
    right: DVector<f64>,
    stars: Vec<StarBlock>,
    zenith_axes: Option<Matrix3x2<f64>>,
}

struct StarBlock {
    own: Matrix2<f64>,
    right: Vector2<f64>,
    axes: Matrix3x2<f64>,
    /// First row in the matrix, and the coupling of up to three or eight rows from there.
    global: SMatrix<f64, N_GLOBAL, 2>,
    frames: Vec<(usize, SMatrix<f64, 3, 2>)>,
}

impl Normal {
    fn assemble(scene: &Scene, what: Adjust, scale: f64) -> Self {
        let n = N_GLOBAL + 3 * scene.frames.len();
        let mut normal = Self {
            matrix: DMatrix::zeros(n, n),
            right: DVector::zeros(n),
            stars: Vec::with_capacity(scene.stars.len()),
            zenith_axes: scene.zenith.map(|zenith| tangent_axes(&zenith)),
        };
        let view = scene.view();
        let lenses = if what == Adjust::Rotations { Vec::new() } else { varied_lenses(scene) };
        let zeniths = if what == Adjust::LensAndAir { varied_zeniths(scene) } else { Vec::new() };
        for idx in 0..N_LENS {
            normal.matrix[(idx, idx)] = 1.0;
            normal.right[idx] = if lenses.is_empty() { 0.0 } else { -scene.parameters[idx] };
        }
        for idx in N_LENS..N_GLOBAL {
            normal.matrix[(idx, idx)] = ZENITH_SIGMA.powi(-2);
        }
        for idx in N_GLOBAL..n {
            let of_reference = (idx - N_GLOBAL) / 3 == scene.reference;
            normal.matrix[(idx, idx)] = if of_reference { 1.0 } else { 1e-9 };
        }
        for star in 0..scene.stars.len() {
            let block = normal.star_block(scene, star, &view, &lenses, &zeniths, scale);
            normal.stars.push(block);
        }
        normal
    }

    fn star_block(
        &mut self,
        scene: &Scene,
        star: usize,
        view: &View,
        lenses: &[Varied],
        zeniths: &[Varied],
        scale: f64,
    ) -> StarBlock {
        let axes = tangent_axes(&scene.stars[star]);
        let mut block = StarBlock {
            own: Matrix2::zeros(),
            right: Vector2::zeros(),
            axes,
            global: SMatrix::zeros(),
            frames: Vec::with_capacity(scene.sightings[star].len()),
        };
        for sighting in &scene.sightings[star] {
            let rotation = &scene.frames[sighting.frame];
            let ray = rotation * scene.stars[star];
            let Some(slopes) = Slopes::at(&ray, view, lenses, zeniths) else { continue };
            let error = Vector2::new(sighting.seen.x - slopes.seen.x, sighting.seen.y - slopes.seen.y);
            let sigma = scale * sigma_px(sighting);
            let weight = tukey_weight(error.norm() / sigma) / (sigma * sigma);
            if weight == 0.0 {
                continue;
            }
            let by_star = slopes.by_ray * (rotation.matrix() * axes);
            block.own += by_star.transpose() * by_star * weight;
            block.right += by_star.transpose() * error * weight;
            block.global += slopes.by_global.transpose() * by_star * weight;
            let mut top = self.matrix.fixed_view_mut::<N_GLOBAL, N_GLOBAL>(0, 0);
            top += slopes.by_global.transpose() * slopes.by_global * weight;
            let mut right = self.right.fixed_rows_mut::<N_GLOBAL>(0);
            right += slopes.by_global.transpose() * error * weight;
            if sighting.frame == scene.reference {
                continue;
            }
            // A small turn ω moves the ray by ω × ray.
            let by_turn = slopes.by_ray * ray.cross_matrix() * -1.0;
            let at = N_GLOBAL + 3 * sighting.frame;
            let mut own = self.matrix.fixed_view_mut::<3, 3>(at, at);
            own += by_turn.transpose() * by_turn * weight;
            let mut with_global = self.matrix.fixed_view_mut::<3, N_GLOBAL>(at, 0);
            with_global += by_turn.transpose() * slopes.by_global * weight;
            let mut right = self.right.fixed_rows_mut::<3>(at);
            right += by_turn.transpose() * error * weight;
            block.frames.push((at, by_turn.transpose() * by_star * weight));
        }
        block
    }

    /// The lower triangle with the stars eliminated, and its right side.
    fn reduced(&self, damping: f64) -> (DMatrix<f64>, DVector<f64>) {
        let (mut matrix, mut right) = (self.matrix.clone(), self.right.clone());
        for idx in 0..matrix.nrows() {
            matrix[(idx, idx)] *= 1.0 + damping;
        }
        for star in &self.stars {
            let Some(inverse) = star.inverse(damping) else { continue };
            let global = star.global * inverse;
            let mut top = matrix.fixed_view_mut::<N_GLOBAL, N_GLOBAL>(0, 0);
            top -= global * star.global.transpose();
            let mut rows = right.fixed_rows_mut::<N_GLOBAL>(0);
            rows -= global * star.right;
            for (nth, (at, coupling)) in star.frames.iter().enumerate() {
                let scaled = coupling * inverse;
                let mut with_global = matrix.fixed_view_mut::<3, N_GLOBAL>(*at, 0);
                with_global -= scaled * star.global.transpose();
                let mut rows = right.fixed_rows_mut::<3>(*at);
                rows -= scaled * star.right;
                for (other, other_coupling) in &star.frames[..=nth] {
                    let product = scaled * other_coupling.transpose();
                    // A star is sighted in ascending frames, so this is the lower triangle.
                    let mut block = matrix.fixed_view_mut::<3, 3>(*at, *other);
                    block -= product;
                }
            }
        }
        (matrix, right)
    }

    /// The scene after one step; `None` where the equations have no solution.
    fn solved(&self, scene: &Scene, damping: f64) -> Option<Scene> {
        let (matrix, right) = self.reduced(damping);
        let step = matrix.cholesky()?.solve(&right);
        let mut moved = scene.clone();
        for (idx, parameter) in moved.parameters.iter_mut().enumerate() {
            *parameter += step[idx];
        }
        if let (Some(zenith), Some(axes)) = (&mut moved.zenith, &self.zenith_axes) {
            *zenith = (*zenith + axes * Vector2::new(step[N_LENS], step[N_LENS + 1])).normalize();
        }
        for (frame, rotation) in moved.frames.iter_mut().enumerate() {
            let at = N_GLOBAL + 3 * frame;
            *rotation = Rotation3::new(Vector3::new(step[at], step[at + 1], step[at + 2])) * *rotation;
            rotation.renormalize();
        }
        for (star, block) in moved.stars.iter_mut().zip(&self.stars) {
            let Some(inverse) = block.inverse(damping) else { continue };
            let mut right = block.right - block.global.transpose() * step.fixed_rows::<N_GLOBAL>(0);
            for (at, coupling) in &block.frames {
                right -= coupling.transpose() * step.fixed_rows::<3>(*at);
            }
            *star = (*star + block.axes * (inverse * right)).normalize();
        }
        Some(moved)
    }

    /// Standard deviations of the lens from the inverse of the reduced matrix.
    fn lens_sigma(&self) -> Option<[f64; N_LENS]> {
        let inverse = self.reduced(0.0).0.cholesky()?.inverse();
        Some(std::array::from_fn(|idx| inverse[(idx, idx)].max(0.0).sqrt()))
    }
}

impl StarBlock {
    fn inverse(&self, damping: f64) -> Option<Matrix2<f64>> {
        // Radians: anything below this is a star without weight.
        let matrix = self.own * (1.0 + damping);
        (matrix.determinant() > 1.0).then(|| matrix.try_inverse()).flatten()
    }
}
