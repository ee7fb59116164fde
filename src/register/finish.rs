//! What each frame deserves: the camera model, a map of the plane, or a refusal; and the errors to show.

use nalgebra::Rotation3;
use rayon::prelude::*;

use super::chance::{LN_BELIEF, ln_seeds};
use super::choice::Fit;
use super::field::Field;
use super::lens_prior::{N_LENS, PARAMETER_NAMES};
use super::matching::{N_SEED, PairSolution, agreement, mutual_pairs, places};
use super::plane::{axis_sigma, errors_px, fit_homography, fit_similarity, tukey_weight};
use super::{AlignError, BurstRegistration, LensFit, LensParameter, Model, Registration, Residual, StarMatch};
use crate::pixels::{CameraTransform, Point, Refraction, Transform};

/// Fewest pairs for a homography: twice what it needs.
const MIN_HOMOGRAPHY_PAIRS: usize = 8;
/// A map of the plane replaces the camera when its errors on stars it was not fitted to are smaller by this.
const MUCH_BETTER: f64 = 0.7;
/// Pairs below which the two are not compared: chance decides there.
const MIN_COMPARED_PAIRS: usize = 20;
/// The camera is not doubted below this: maps of the plane win there by chance only.
const GOOD_ENOUGH_PX: f64 = 0.15;

/// A frame on its reference.
struct Finished {
    registration: Registration,
    matches: Vec<StarMatch>,
    residuals: Vec<Residual>,
}

/// Registrations of all frames from their first rotations and the burst's model.
pub(crate) fn finish(
    fields: &[Field],
    reference: usize,
    starts: &[Result<PairSolution, AlignError>],
    fit: Option<Fit>,
    orders: &[Vec<usize>],
    tolerance_px: f64,
) -> BurstRegistration {
    let finished: Vec<Result<Finished, AlignError>> = (starts.par_iter().enumerate())
        .map(|(frame, start)| {
            let start = start.as_ref().map_err(Clone::clone)?;
            if frame == reference {
                return Ok(of_reference(fields[frame].len()));
            }
            let pair = Pair {
                light: &fields[frame],
                reference: &fields[reference],
                orders: [&orders[frame], &orders[reference]],
            };
            pair.finished(start, fit.as_ref().map(|fit| (fit, frame)), tolerance_px)
        })
        .collect();
    let mut registration = BurstRegistration {
        frames: Vec::new(),
        matches: Vec::new(),
        residuals: Vec::new(),
        lens: fit.as_ref().map(lens_fit),
        notes: Vec::new(),
    };
    for finished in finished {
        match finished {
            Ok(finished) => {
                registration.frames.push(Ok(finished.registration));
                registration.matches.push(finished.matches);
                registration.residuals.push(finished.residuals);
            }
            Err(reason) => {
                registration.frames.push(Err(reason));
                registration.matches.push(Vec::new());
                registration.residuals.push(Vec::new());
            }
        }
    }
    registration
}

fn of_reference(n_stars: usize) -> Finished {
    let registration = Registration {
        reference_from_light: Transform::Identity,
        model: Model::Reference,
        n_matched: n_stars,
        rms_px: 0.0,
        reason: None,
    };
    Finished { registration, matches: Vec::new(), residuals: Vec::new() }
}

fn lens_fit(fit: &Fit) -> LensFit {
    let scene = &fit.adjusted.scene;
    let parameter = |idx: usize| LensParameter {
        name: PARAMETER_NAMES[idx].to_owned(),
        value: value_of(fit, idx),
        sigma: scene.prior.sigma[idx]
            * if idx == 0 { scene.lens().focal_px } else { 1.0 }
            * if fit.lens_fitted { fit.adjusted.lens_sigma[idx].min(1.0) } else { 1.0 },
        // Below half of what was known, the stars said more than the prior.
        measured: fit.lens_fitted && fit.adjusted.lens_sigma[idx] < 0.5,
    };
    LensFit {
        lens: scene.lens(),
        zenith: scene.air().as_ref().map(Refraction::zenith).map(|zenith| zenith.into()),
        fitted: fit.lens_fitted,
        from_profile: scene.prior.from_profile,
        profile_refused: fit.profile_refused.clone(),
        parameters: (0..N_LENS).map(parameter).collect(),
        n_stars: scene.stars.len(),
        n_sightings: fit.adjusted.n_sightings,
        noise_ratio: fit.adjusted.noise_ratio,
    }
}

fn value_of(fit: &Fit, idx: usize) -> f64 {
    let lens = fit.adjusted.scene.lens();
    match idx {
        0 => lens.focal_px,
        4 => lens.principal.x,
        5 => lens.principal.y,
        radial => lens.radial[radial - 1],
    }
}

struct Pair<'a> {
    light: &'a Field,
    reference: &'a Field,
    /// Places of the stars in the lists as given.
    orders: [&'a [usize]; 2],
}

impl Pair<'_> {
    fn finished(
        &self,
        start: &PairSolution,
        fit: Option<(&Fit, usize)>,
        tolerance_px: f64,
    ) -> Result<Finished, AlignError> {
        let mut reason = "no lens fits the burst".to_owned();
        if let Some((fit, frame)) = fit {
            let scene = &fit.adjusted.scene;
            let rotation: Rotation3<f64> = scene.frames[frame].inverse();
            let camera = Transform::Camera(Box::new(CameraTransform::new(scene.lens(), rotation, scene.air())));
            let pairs = self.pairs(&camera, tolerance_px);
            if self.is_believed(&camera, pairs.len(), tolerance_px) {
                let (model, held) = match fit.lens_fitted {
                    true => (Model::LensFitted, None),
                    false => (Model::LensHeld, Some("the stars moved too little to measure the lens".to_owned())),
                };
                match self.doubt(&camera, &pairs) {
                    None => return Ok(self.wrapped(camera, model, pairs, held)),
                    Some(doubt) => reason = doubt,
                }
            } else {
                reason = "the lens of the burst does not explain its stars".to_owned();
            }
        }
        self.in_the_plane(start, &reason, tolerance_px).ok_or(AlignError::NoMatch { stars: self.light.len() })
    }

    fn pairs(&self, transform: &Transform, tolerance_px: f64) -> Vec<(usize, usize)> {
        mutual_pairs(self.light, self.reference, tolerance_px, |point| transform.apply(point))
    }

    fn is_believed(&self, transform: &Transform, n_pairs: usize, tolerance_px: f64) -> bool {
        let agreement = agreement(self.light, self.reference, n_pairs, tolerance_px, |point| transform.apply(point));
        agreement.ln_false_alarms(N_SEED, ln_seeds(self.light.len(), self.reference.len())) < LN_BELIEF
    }

    /// Why a homography would be better than the camera, if it would: each half of the stars is predicted by
    /// the homography of the other half.
    fn doubt(&self, camera: &Transform, pairs: &[(usize, usize)]) -> Option<String> {
        if pairs.len() < MIN_COMPARED_PAIRS {
            return None;
        }
        let places = places(pairs, self.light, self.reference);
        let camera_px = axis_sigma(&errors_px(&places, |point| camera.apply(point)));
        if camera_px < GOOD_ENOUGH_PX {
            return None;
        }
        let half = |parity: usize| places.iter().skip(parity).step_by(2).copied().collect::<Vec<_>>();
        let mut errors = Vec::new();
        for (learn, test) in [(0, 1), (1, 0)] {
            let map = fit_homography(&half(learn))?;
            errors.extend(errors_px(&half(test), |point| map.apply(point)));
        }
        let plane_px = axis_sigma(&errors);
        (plane_px < MUCH_BETTER * camera_px).then(|| {
            format!("a homography predicts its stars to {plane_px:.2} px, the lens of the burst to {camera_px:.2} px")
        })
    }

    /// Homography, or similarity for few pairs, from the pairs of the first match.
    fn in_the_plane(&self, start: &PairSolution, reason: &str, tolerance_px: f64) -> Option<Finished> {
        let first = places(&start.pairs, self.light, self.reference);
        let homography = fit_homography(&first).filter(|_| first.len() >= MIN_HOMOGRAPHY_PAIRS);
        let candidates = [(homography, Model::Homography), (fit_similarity(&first), Model::Similarity)];
        for (map, model) in candidates {
            let Some(map) = map else { continue };
            let transform = Transform::Homography(map);
            // A map of the plane errs by more than the camera does, and is judged at what it can do.
            for factor in [1.0, 3.0] {
                let pairs = self.pairs(&transform, factor * tolerance_px);
                if self.is_believed(&transform, pairs.len(), factor * tolerance_px) {
                    return Some(self.wrapped(transform, model, pairs, Some(reason.to_owned())));
                }
            }
        }
        None
    }

    fn wrapped(
        &self,
        transform: Transform,
        model: Model,
        pairs: Vec<(usize, usize)>,
        reason: Option<String>,
    ) -> Finished {
        let places = places(&pairs, self.light, self.reference);
        let errors = errors_px(&places, |point| transform.apply(point));
        let sigma = axis_sigma(&errors).max(0.02);
        let agree: Vec<usize> = (0..pairs.len()).filter(|&idx| tukey_weight(errors[idx] / sigma) > 0.0).collect();
        let squares: f64 = agree.iter().map(|&idx| errors[idx] * errors[idx]).sum();
        let rms_px = (squares / agree.len().max(1) as f64).sqrt();
        let residual = |&idx: &usize| {
            let (light, reference) = places[idx];
            let seen = transform.apply(light)?;
            let error = Point { x: seen.x - reference.x, y: seen.y - reference.y };
            Some(Residual { reference, error })
        };
        let star_match =
            |&idx: &usize| StarMatch { light: self.orders[0][pairs[idx].0], reference: self.orders[1][pairs[idx].1] };
        Finished {
            matches: agree.iter().map(star_match).collect(),
            residuals: agree.iter().filter_map(residual).collect(),
            registration: Registration {
                reference_from_light: transform,
                model,
                n_matched: agree.len(),
                rms_px,
                reason,
            },
        }
    }
}
