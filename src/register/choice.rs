//! How much of the lens and the air the stars of a burst can tell, and the model that follows.
//!
//! A fuller model is taken only when it lowers the robust sum of squares by more than its parameters
//! would by chance (the criterion of Schwarz, "Estimating the dimension of a model", Annals of Statistics
//! 6, 1978: parameters times the logarithm of the number of values).

use nalgebra::Vector3;
use rayon::prelude::*;

use super::adjust::{Adjust, Adjusted, FINAL_STEPS, FIRST_STEPS, Scene, adjust};
use super::lens_prior::{N_LENS, STATED_FOCAL_SIGMA};
use super::plane::TUKEY;
use super::triangles::angle_of;

/// The air is always there: it is left out only where two random angles could lower the sum of squares as
/// much, once in 400 bursts (χ² with two degrees of freedom).
const AIR_GAIN: f64 = 12.0;
/// A profile is given up where the odds against it are those of three standard deviations.
const PROFILE_DOUBT: f64 = 9.0;
/// Stars that the first guesses at the zenith are judged by.
const STARS_FOR_AIR: usize = 80;
/// Steps at most for each of them, and between links.
const AIR_STEPS: usize = 6;
/// Tukey's cost of an outlier.
const LARGEST_COST: f64 = TUKEY * TUKEY / 3.0;
/// A turn smaller than this bends nothing that could be measured, radians.
const SMALLEST_TURN_FOR_AIR: f64 = 0.008;
/// Zenith guesses: how far the camera looks above the horizon, degrees.
const CAMERA_ALTITUDES_DEG: [f64; 3] = [5.0, 25.0, 50.0];

/// The burst's model.
pub(crate) struct Fit {
    pub(crate) adjusted: Adjusted,
    pub(crate) lens_fitted: bool,
    /// What a person should know of the choice.
    pub(crate) notes: Vec<String>,
    /// Why the lens profile given was not used, where it was not.
    pub(crate) profile_refused: Option<String>,
}

/// The least model that explains the sightings as well as they can be explained.
///
/// `relink` finds the stars of a scene anew, generously: without air, low stars do not come close enough to be
/// linked tightly, and they are the ones that show it.
pub(crate) fn chosen(fitted: Adjusted, relink: &(dyn Fn(&mut Scene) + Sync)) -> Fit {
    let n_values = (2 * fitted.n_sightings).max(2) as f64;
    let held = adjust(with_known_lens(&fitted.scene), Adjust::Rotations, FINAL_STEPS);
    let lens_gain = held.scene.cost(fitted.scale) - fitted.scene.cost(fitted.scale);
    if lens_gain < N_LENS as f64 * n_values.ln() {
        let note = format!(
            "the lens was taken as known: the stars moved too little to measure it better (gain {lens_gain:.0}, {:.0} needed)",
            N_LENS as f64 * n_values.ln()
        );
        return Fit { adjusted: held, lens_fitted: false, notes: vec![note], profile_refused: None };
    }
    let mut wide = fitted.scene.clone();
    relink(&mut wide);
    let without = adjust(wide, Adjust::Lens, FIRST_STEPS);
    if let Some(with_air) = with_air(&without, relink) {
        // Both are judged at the smaller error, so that stars which one of them loses count against it.
        let scale = with_air.scale.min(without.scale);
        let air_gain = explained(&with_air.scene, scale) - explained(&without.scene, scale);
        if air_gain > AIR_GAIN {
            let note = format!("refraction by the air was taken into account (gain {air_gain:.0})");
            return Fit { adjusted: with_air, lens_fitted: true, notes: vec![note], profile_refused: None };
        }
    }
    Fit { adjusted: fitted, lens_fitted: true, notes: Vec::new(), profile_refused: None }
}

/// Of the lens that started from a profile and the lens that did not: the profile's, unless the other explains the
/// stars better by more than chance would, or the camera states another focal length and the stars cannot tell.
pub(super) fn preferred(profile: Fit, other: Fit, stated_px: Option<f64>) -> Fit {
    // Both are judged at the smaller error, as above.
    let scale = profile.adjusted.scale.min(other.adjusted.scale);
    let stars = explained(&other.adjusted.scene, scale) - explained(&profile.adjusted.scene, scale);
    let factor = stated_px.map_or(1.0, |stated_px| profile.adjusted.scene.lens().focal_px / stated_px);
    // The lens without the profile has paid for leaving the stated focal length already.
    let stated = (factor.ln() / STATED_FOCAL_SIGMA).powi(2);
    if stars > PROFILE_DOUBT {
        let from = if stated_px.is_some() { "the focal length that the camera states" } else { "a search" };
        let why = format!("the stars agree better with the lens that they give from {from} (gain {stars:.0})");
        Fit { profile_refused: Some(why), ..other }
    } else if stars + stated > PROFILE_DOUBT {
        let why = format!(
            "its focal length is {factor:.2} times what the camera states, and the stars do not tell which is right"
        );
        Fit { profile_refused: Some(why), ..other }
    } else {
        profile
    }
}

/// How much less the robust sum of squares is than if every sighting were an outlier: a star that is not linked
/// explains nothing, so scenes with different links compare.
pub(super) fn explained(scene: &Scene, scale: f64) -> f64 {
    let n_sightings: usize = scene.sightings.iter().map(Vec::len).sum();
    n_sightings as f64 * LARGEST_COST - scene.cost(scale)
}

/// The scene under the lens as it was known before; the stars where their first sightings put them.
fn with_known_lens(scene: &Scene) -> Scene {
    let mut known = Scene { parameters: [0.0; N_LENS], ..scene.clone() };
    place_stars(&mut known, scene);
    known
}

/// Puts the stars of `scene` where the lens of `scene` sees what `before` saw in their first frame.
fn place_stars(scene: &mut Scene, before: &Scene) {
    let (new, old) = (scene.view(), before.view());
    for (star, direction) in scene.stars.iter_mut().enumerate() {
        let Some(first) = before.sightings[star].first() else { continue };
        let seen = before.predicted(&old, star, first.frame);
        if let Some(ray) = seen.and_then(|seen| new.ray(seen)) {
            *direction = scene.frames[first.frame].inverse() * ray;
        }
    }
}

/// The scene with the zenith that fits best; `None` where the sky turned too little to tell.
fn with_air(without: &Adjusted, relink: &(dyn Fn(&mut Scene) + Sync)) -> Option<Adjusted> {
    let turn = without.scene.frames.iter().map(angle_of).fold(0.0, f64::max);
    if turn < SMALLEST_TURN_FOR_AIR {
        return None;
    }
    let few = thinned(&without.scene);
    let best_of_side = |side: Vector3<f64>| {
        let found = CAMERA_ALTITUDES_DEG.map(|altitude_deg| {
            let adjusted = adjust(under_air(&few, zenith_guess(side, altitude_deg)), Adjust::LensAndAir, AIR_STEPS);
            (adjusted.scene.cost(without.scale), adjusted.scene.zenith)
        });
        found.into_iter().min_by(|a, b| a.0.total_cmp(&b.0)).and_then(|(_, zenith)| zenith)
    };
    // Guesses on different sides end in different places: the best of each is judged by all stars.
    let candidates: Vec<Adjusted> = (sides().into_par_iter())
        .filter_map(best_of_side)
        .map(|zenith| {
            let mut scene = under_air(&without.scene, zenith);
            for _ in 0..2 {
                scene = adjust(scene, Adjust::LensAndAir, AIR_STEPS).scene;
                relink(&mut scene);
            }
            adjust(scene, Adjust::LensAndAir, AIR_STEPS)
        })
        .collect();
    let scale = candidates.iter().map(|candidate| candidate.scale).fold(f64::INFINITY, f64::min);
    candidates.into_iter().max_by(|a, b| explained(&a.scene, scale).total_cmp(&explained(&b.scene, scale)))
}

fn under_air(scene: &Scene, zenith: Vector3<f64>) -> Scene {
    let mut under = Scene { zenith: Some(zenith), ..scene.clone() };
    place_stars(&mut under, scene);
    under
}

fn thinned(scene: &Scene) -> Scene {
    let stride = scene.stars.len().div_ceil(STARS_FOR_AIR).max(1);
    Scene {
        stars: scene.stars.iter().step_by(stride).copied().collect(),
        sightings: scene.sightings.iter().step_by(stride).cloned().collect(),
        ..scene.clone()
    }
}

/// Up may be any side of the picture: the camera is held upright, on either side, or hangs.
fn sides() -> [Vector3<f64>; 4] {
    [-Vector3::y(), Vector3::x(), -Vector3::x(), Vector3::y()]
}

fn zenith_guess(side: Vector3<f64>, altitude_deg: f64) -> Vector3<f64> {
    let (sine, cosine) = altitude_deg.to_radians().sin_cos();
    side * cosine + Vector3::z() * sine
}
