//! A whole burst: first rotations by matching, then one lens for all, then what each frame deserves.

use nalgebra::Rotation3;
use rayon::prelude::*;

use super::adjust::{Adjust, Adjusted, FINAL_STEPS, FIRST_STEPS, Scene, adjust};
use super::choice::{Fit, chosen, preferred};
use super::field::Field;
use super::finish::finish;
use super::lens_prior::{LensPrior, N_LENS, guesses as lens_guesses};
use super::matching::{PairSolution, mutual_pairs, places};
use super::pair_fit::{Freedom, PairModel};
use super::sky::cross_check;
use super::start::{MIN_STARS, motion_px};
use super::starts::{Burst, Starts, trusted_clocks};
use super::still::without_lights;
use super::tracks::link;
use super::{BurstRegistration, FrameStars, Optics, RegisterError, RegisterSettings};
use crate::job::{Cancelled, Monitor};
use crate::pixels::Lens;

/// Frames that the lens is fitted to; more add time and no knowledge.
const FRAMES_IN_FIT: usize = 24;
/// Errors this much larger than the centroids' noise explains make other projections worth a try.
const POOR_FIT: f64 = 1.6;
/// Tolerances of linking while the lens settles, in units of the last one.
const LINK_TOLERANCES: [f64; 3] = [6.0, 3.0, 1.5];

/// The same once air is taken in.
const AIR_TOLERANCES: [f64; 2] = [2.0, 1.0];
/// Stars by which the question of air is decided: the answer needs fewer than the fit.
const STARS_FOR_CHOICE: usize = 160;

/// Registers every frame of a burst on its reference frame.
///
/// A frame that cannot be registered is a finding, not a failure.
pub fn register_burst(
    monitor: &Monitor,
    frames: &[FrameStars<'_>],
    reference: usize,
    optics: &Optics,
    settings: &RegisterSettings,
) -> Result<BurstRegistration, RegisterError> {
    let all: Vec<(Field, Vec<usize>)> = frames.iter().map(|frame| Field::new(frame.stars, optics.size)).collect();
    let fields: Vec<Field> = all.iter().map(|(field, _)| field.brightest(settings.stars_per_frame)).collect();
    let n_reference = fields[reference].len();
    if n_reference < MIN_STARS {
        return Err(RegisterError::Reference { found: n_reference, needed: MIN_STARS });
    }
    let known = optics.profile.as_ref().map(|profile| profile.prior(optics.size));
    let guesses = lens_guesses(optics.size, optics.focal_px, known);
    let clocks = trusted_clocks(frames);
    let (stated_px, tolerance_px) = (optics.focal_px, settings.tolerance_px);
    let mut burst = Burst { clocks: &clocks, fields, reference, guesses, stated_px, tolerance_px };
    let mut starts = burst.starts(monitor)?;
    if optics.focal_px.is_some() && !burst.any_matched(&starts) {
        let any = lens_guesses(optics.size, None, None).into_iter();
        burst.guesses = any.map(|guess| LensPrior { is_last_resort: true, ..guess }).collect();
        starts = burst.starts(monitor)?;
    }
    let n_pairs = |starts: &Starts| starts.iter().map(|s| s.as_ref().map_or(0, |s| s.pairs.len())).collect::<Vec<_>>();
    let n_before = n_pairs(&starts);
    let (fields, kept): (Vec<_>, Vec<_>) = without_lights(&burst.fields, reference, &mut starts).into_iter().unzip();
    burst.fields = fields;
    // A frame that was matched by lamps mostly, because the tripod was knocked, is matched again without them.
    for (frame, (before, after)) in n_before.into_iter().zip(n_pairs(&starts)).enumerate() {
        if frame != reference && 2 * after < before {
            monitor.check()?;
            starts[frame] = burst.blind(frame, reference, &burst.guesses);
        }
    }
    let mut notes = Vec::new();
    let fit = burst.fitted(monitor, &starts, settings, &mut notes)?;
    notes.extend(fit.as_ref().zip(optics.focal_px).and_then(|(fit, stated_px)| focal_note(fit, stated_px)));
    monitor.step("Aligning", frames.len(), frames.len())?;
    // Places in the lists as given.
    let orders: Vec<Vec<usize>> =
        all.iter().zip(&kept).map(|((_, order), kept)| kept.iter().map(|&idx| order[idx]).collect()).collect();
    let mut registration = finish(&burst.fields, reference, &starts, fit, &orders, settings.tolerance_px);
    notes.append(&mut registration.notes);
    notes.extend(cross_check(&registration.frames, &clocks, reference));
    Ok(BurstRegistration { notes, ..registration })
}

/// Told where the stars contradict the camera, as after a lens change that the camera did not see.
fn focal_note(fit: &Fit, stated_px: f64) -> Option<String> {
    let found_px = fit.adjusted.scene.lens().focal_px;
    let factor = found_px / stated_px;
    (fit.lens_fitted && (factor.ln()).abs() > 0.15).then(|| {
        format!("the focal length is {factor:.2} times what the camera states, by the stars; they were believed")
    })
}

impl Burst<'_> {
    /// One lens for the burst; `None` where no frame but the reference was matched, or no lens fits.
    fn fitted(
        &self,
        monitor: &Monitor,
        starts: &Starts,
        settings: &RegisterSettings,
        notes: &mut Vec<String>,
    ) -> Result<Option<Fit>, Cancelled> {
        let matched = |frame: usize| starts[frame].as_ref().ok().filter(|_| frame != self.reference);
        // The pair that says most about the lens: many stars, moved far.
        let weight = |frame: usize, solution: &PairSolution| {
            motion_px(solution, &self.fields[frame]).min(2000.0) * (solution.pairs.len() as f64).sqrt()
        };
        let best = (0..starts.len())
            .filter_map(|frame| matched(frame).map(|solution| (weight(frame, solution), frame)))
            .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))
            .and_then(|(_, frame)| Some((frame, matched(frame)?)));
        let Some((best_frame, best)) = best else { return Ok(None) };
        let mut order: Vec<usize> = (0..starts.len()).filter(|&frame| matched(frame).is_some()).collect();
        order.sort_by_key(|&frame| (frame.abs_diff(self.reference), frame));
        let stride = order.len().div_ceil(FRAMES_IN_FIT - 1).max(1);
        // Counted from the far end: the frames that moved most say most.
        let mut in_fit: Vec<usize> = order.iter().rev().step_by(stride).copied().collect();
        in_fit.push(self.reference);
        in_fit.reverse();
        let mut fit = self.best_fit(monitor, &best.model, starts, &in_fit, settings)?;
        if let Some(rival) = self.rival(best_frame, &best.model) {
            monitor.check()?;
            let rival = self.best_fit(monitor, &rival, starts, &in_fit, settings)?;
            let (profile, other) = if best.model.prior.from_profile { (fit, rival) } else { (rival, fit) };
            fit = preferred(profile, other, self.stated_px);
        }
        notes.append(&mut fit.notes);
        for frame in order.into_iter().filter(|frame| !in_fit.contains(frame)) {
            self.resect(&mut fit.adjusted.scene, frame);
        }
        Ok(Some(fit))
    }

    /// The lens profile given.
    fn profile(&self) -> Option<&LensPrior> {
        self.guesses.iter().find(|guess| guess.from_profile)
    }

    /// Where a profile was given, the start that the best match did not have: the profile, or what the stars say
    /// without it.
    fn rival(&self, frame: usize, best: &PairModel) -> Option<PairModel> {
        let profile = *self.profile()?;
        if !best.prior.from_profile {
            return Some(PairModel { prior: profile, parameters: [0.0; N_LENS], ..*best });
        }
        let others: Vec<LensPrior> = self.guesses.iter().filter(|guess| !guess.from_profile).copied().collect();
        let unmatched = PairModel { prior: others[0], parameters: [0.0; N_LENS], ..*best };
        Some(self.blind(frame, self.reference, &others).map_or(unmatched, |solution| solution.model))
    }

    /// The lens from a start; where it fits poorly, from others.
    fn best_fit(
        &self,
        monitor: &Monitor,
        start: &PairModel,
        starts: &Starts,
        in_fit: &[usize],
        settings: &RegisterSettings,
    ) -> Result<Fit, Cancelled> {
        let mut fit = self.fitted_from(monitor, start.prior, start.parameters, starts, in_fit, settings)?;
        if fit.adjusted.scale > POOR_FIT && !start.prior.from_profile {
            for prior in self.other_lenses(&start.prior.lens) {
                let other = self.fitted_from(monitor, prior, [0.0; N_LENS], starts, in_fit, settings)?;
                let enough = 5 * other.adjusted.n_sightings > 4 * fit.adjusted.n_sightings;
                if enough && other.adjusted.scale < fit.adjusted.scale {
                    fit = other;
                }
            }
        }
        Ok(fit)
    }

    /// Lens and air as far as the stars can tell them, from one guess at the lens.
    fn fitted_from(
        &self,
        monitor: &Monitor,
        prior: LensPrior,
        parameters: [f64; N_LENS],
        starts: &Starts,
        in_fit: &[usize],
        settings: &RegisterSettings,
    ) -> Result<Fit, Cancelled> {
        let settled = self.settled(monitor, prior, parameters, starts, in_fit, settings)?;
        monitor.check()?;
        let fields: Vec<&Field> = self.fields.iter().collect();
        let wide_px = LINK_TOLERANCES[0] * self.tolerance_px;
        let n_stars = settings.stars_in_fit.min(STARS_FOR_CHOICE);
        let mut fit = chosen(settled, &|scene| link(scene, &fields, in_fit, wide_px, n_stars));
        if fit.adjusted.scene.zenith.is_some() {
            for tolerance in AIR_TOLERANCES.map(|factor| factor * self.tolerance_px) {
                monitor.check()?;
                link(&mut fit.adjusted.scene, &fields, in_fit, tolerance, settings.stars_in_fit);
                fit.adjusted = adjust(fit.adjusted.scene, Adjust::LensAndAir, FINAL_STEPS);
            }
        }
        Ok(fit)
    }

    /// Stars linked and lens fitted in turn, until links are tight, from one guess at the lens.
    fn settled(
        &self,
        monitor: &Monitor,
        prior: LensPrior,
        parameters: [f64; N_LENS],
        starts: &Starts,
        in_fit: &[usize],
        settings: &RegisterSettings,
    ) -> Result<Adjusted, Cancelled> {
        let mut scene = Scene {
            prior,
            parameters,
            zenith: None,
            frames: vec![Rotation3::identity(); starts.len()],
            reference: self.reference,
            stars: Vec::new(),
            sightings: Vec::new(),
        };
        self.follow_all(&mut scene, starts);
        let fields: Vec<&Field> = self.fields.iter().collect();
        for tolerance in LINK_TOLERANCES.map(|factor| factor * self.tolerance_px) {
            monitor.check()?;
            link(&mut scene, &fields, in_fit, tolerance, settings.stars_in_fit);
            scene = adjust(scene, Adjust::Lens, FIRST_STEPS).scene;
        }
        link(&mut scene, &fields, in_fit, self.tolerance_px, settings.stars_in_fit);
        Ok(adjust(scene, Adjust::Lens, FINAL_STEPS))
    }

    /// What to try where a lens fits poorly: other projections, and focal lengths that nobody stated.
    fn other_lenses(&self, known: &Lens) -> Vec<LensPrior> {
        let mut others: Vec<LensPrior> = Vec::new();
        for guess in self.guesses.iter().chain(&lens_guesses(self.fields[self.reference].size, None, None)) {
            let alike = |lens: &Lens| {
                lens.projection == guess.lens.projection && (lens.focal_px / guess.lens.focal_px).ln().abs() < 0.1
            };
            if !guess.from_profile && !alike(known) && !others.iter().any(|other| alike(&other.lens)) {
                others.push(*guess);
            }
        }
        others
    }

    /// The rotation of one more frame, from the stars as they are known.
    fn resect(&self, scene: &mut Scene, frame: usize) {
        let view = scene.view();
        let seen: Vec<_> = scene.stars.iter().filter_map(|star| view.see(star)).collect();
        let sigma_px = vec![0.0; seen.len()];
        let known = Field::from_points(seen, sigma_px, self.fields[frame].size);
        let mut model = PairModel {
            prior: scene.prior,
            parameters: scene.parameters,
            air: scene.air(),
            reference_from_light: scene.frames[frame].inverse(),
        };
        for tolerance in [8.0, 4.0, 2.0, 1.0, 1.0].map(|factor| factor * self.tolerance_px) {
            let transform = model.transform();
            let pairs = mutual_pairs(&self.fields[frame], &known, tolerance, |point| transform.apply(point));
            model = model.improved(&places(&pairs, &self.fields[frame], &known), 0.3 * tolerance, Freedom::Rotation);
        }
        scene.frames[frame] = model.reference_from_light.inverse();
    }

    /// Brings the rotations of all frames, found under different lenses, to one lens.
    fn follow_all(&self, scene: &mut Scene, starts: &Starts) {
        let (prior, parameters) = (scene.prior, scene.parameters);
        let lens_model = |rotation| PairModel { prior, parameters, air: None, reference_from_light: rotation };
        let found: Vec<Option<Rotation3<f64>>> = (starts.par_iter().enumerate())
            .map(|(frame, start)| {
                let start = start.as_ref().ok().filter(|_| frame != self.reference)?;
                let mut model = lens_model(start.model.reference_from_light);
                let places: Vec<_> = (start.pairs.iter())
                    .filter(|(from, to)| *from < self.fields[frame].len() && *to < self.fields[self.reference].len())
                    .map(|&(from, to)| (self.fields[frame].points[from], self.fields[self.reference].points[to]))
                    .collect();
                for _ in 0..4 {
                    model = model.improved(&places, 10.0, Freedom::Rotation);
                }
                Some(model.reference_from_light.inverse())
            })
            .collect();
        for (frame, found) in found.into_iter().enumerate() {
            scene.frames[frame] = found.unwrap_or_else(Rotation3::identity);
        }
    }
}
