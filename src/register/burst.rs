//! A whole burst: first rotations by matching, then one lens for all, then what each frame deserves.

use nalgebra::Rotation3;
use rayon::prelude::*;

use super::adjust::{Adjust, Adjusted, Scene, adjust};
use super::choice::{Fit, chosen};
use super::field::Field;
use super::finish::finish;
use super::lens_prior::{LensPrior, N_LENS, guesses as lens_guesses};
use super::matching::{PairSolution, follow, mutual_pairs, places};
use super::pair_fit::{Freedom, PairModel};
use super::sky::cross_check;
use super::start::{MIN_STARS, SIDEREAL_RAD_PER_SEC, motion_px, start};
use super::still::without_lights;
use super::tracks::link;
use super::{AlignError, BurstRegistration, FrameStars, Optics, RegisterError, RegisterSettings};
use crate::job::{Cancelled, Monitor};
use crate::pixels::Lens;

/// Frames that the lens is fitted to; more add time and no knowledge.
const FRAMES_IN_FIT: usize = 24;
/// Frames that are matched with no start; in a longer burst the others start from their neighbors.
const FRAMES_MATCHED_BLIND: usize = 32;
/// Frames of a long burst that are started at once, each from those before.
const FRAMES_AT_ONCE: usize = 8;
/// Errors this much larger than the centroids' noise explains make other projections worth a try.
const POOR_FIT: f64 = 1.6;
/// Tolerances of linking while the lens settles, in units of the last one.
const LINK_TOLERANCES: [f64; 3] = [6.0, 3.0, 1.5];
/// How far a start taken from a neighbor may be off.
const START_TOLERANCE_PX: f64 = 30.0;

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
    let mut burst = Burst { clocks: &clocks, fields, reference, guesses, tolerance_px: settings.tolerance_px };
    let mut starts = burst.starts(monitor)?;
    if optics.focal_px.is_some() && !burst.any_matched(&starts) {
        burst.guesses = lens_guesses(optics.size, None, None);
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
        format!("The focal length is {factor:.2} times what the camera states, by the stars; they were believed")
    })
}

/// The surest match of a frame with the reference.
fn best_of(starts: &Starts, reference: usize) -> Option<&PairSolution> {
    (starts.iter().enumerate())
        .filter(|(frame, _)| *frame != reference)
        .filter_map(|(_, start)| start.as_ref().ok())
        .min_by(|a, b| a.ln_false_alarms.total_cmp(&b.ln_false_alarms))
}

/// The clocks, if they run: a burst whose frames all bear one time says nothing about it.
fn trusted_clocks(frames: &[FrameStars<'_>]) -> Vec<Option<f64>> {
    let clocks: Vec<Option<f64>> =
        frames.iter().map(|frame| frame.capture_time_secs.filter(|secs| secs.is_finite())).collect();
    let mut known = clocks.iter().flatten();
    let first = known.next();
    let runs = known.any(|secs| Some(secs) != first);
    if runs { clocks } else { vec![None; frames.len()] }
}

struct Burst<'a> {
    /// Middle of each exposure, where a clock tells.
    clocks: &'a [Option<f64>],
    /// Brightest first; after the first rotations without the lights that stand still.
    fields: Vec<Field>,
    reference: usize,
    guesses: Vec<LensPrior>,
    tolerance_px: f64,
}

type Starts = Vec<Result<PairSolution, AlignError>>;

impl Burst<'_> {
    /// A first rotation for each frame.
    fn starts(&self, monitor: &Monitor) -> Result<Starts, RegisterError> {
        let n = self.fields.len();
        let stride = n.div_ceil(FRAMES_MATCHED_BLIND);
        let blind: Vec<usize> = (0..n).filter(|frame| frame.abs_diff(self.reference) % stride == 0).collect();
        let mut starts: Starts =
            (0..n).map(|frame| Err(AlignError::NoMatch { stars: self.fields[frame].len() })).collect();
        for (done, chunk) in blind.chunks(4).enumerate() {
            monitor.step("Aligning", 4 * done, n)?;
            let found: Vec<_> =
                chunk.par_iter().map(|&frame| self.blind(frame, self.reference, &self.guesses)).collect();
            for (&frame, found) in chunk.iter().zip(found) {
                starts[frame] = found;
            }
        }
        let mut open: Vec<usize> = (0..n).filter(|&frame| starts[frame].is_err()).collect();
        // From the reference outwards, so that a neighbor closer to it is there first.
        open.sort_by_key(|&frame| (frame.abs_diff(self.reference), frame));
        // Once the lens is known from other frames, no other is tried: a clouded frame would take as long as ten.
        let known_lens: Vec<LensPrior> = best_of(&starts, self.reference)
            .map(|best| LensPrior { lens: best.model.lens(), ..best.model.prior })
            .into_iter()
            .collect();
        for chunk in open.chunks(FRAMES_AT_ONCE) {
            monitor.check()?;
            let found: Vec<_> = (chunk.par_iter())
                .map(|&frame| {
                    let beside = self.beside_neighbors(frame, &starts, &known_lens);
                    let tried = blind.contains(&frame) || known_lens.is_empty();
                    beside.or_else(|| self.blind(frame, self.reference, &known_lens).ok().filter(|_| !tried))
                })
                .collect();
            for (&frame, found) in chunk.iter().zip(found) {
                if let Some(found) = found {
                    starts[frame] = Ok(found);
                }
            }
        }
        Ok(starts)
    }

    fn any_matched(&self, starts: &Starts) -> bool {
        starts.iter().enumerate().any(|(frame, start)| frame != self.reference && start.is_ok())
    }

    fn blind(&self, frame: usize, onto: usize, guesses: &[LensPrior]) -> Result<PairSolution, AlignError> {
        if frame == onto {
            // The reference lies on itself, whatever the lens.
            let model = PairModel {
                prior: guesses[0],
                parameters: [0.0; N_LENS],
                air: None,
                reference_from_light: Rotation3::identity(),
            };
            let pairs = (0..self.fields[frame].len()).map(|idx| (idx, idx)).collect();
            return Ok(PairSolution { model, pairs, ln_false_alarms: f64::NEG_INFINITY });
        }
        start(&self.fields[frame], &self.fields[onto], guesses, self.turn_rad(frame, onto), self.tolerance_px)
    }

    /// How far the sky turned between two frames by the camera's clock.
    fn turn_rad(&self, one: usize, other: usize) -> Option<f64> {
        let secs = self.clocks[one]? - self.clocks[other]?;
        Some(secs.abs() * SIDEREAL_RAD_PER_SEC)
    }

    /// A frame started from where its neighbors are; at last, matched to a neighbor instead of the reference.
    fn beside_neighbors(&self, frame: usize, starts: &Starts, known_lens: &[LensPrior]) -> Option<PairSolution> {
        let light = &self.fields[frame];
        if light.len() < MIN_STARS {
            return None;
        }
        let is_known = |&other: &usize| starts[other].is_ok() && other != frame;
        let before = (0..frame).rev().find(is_known);
        let after = (frame + 1..starts.len()).find(is_known);
        let best = best_of(starts, self.reference);
        let known: Vec<(usize, &PairSolution)> = [before, after]
            .into_iter()
            .flatten()
            .filter_map(|other| Some((other, starts[other].as_ref().ok()?)))
            .collect();
        if let Some(best) = best {
            let rotation = self.predicted(frame, &known);
            let from = PairModel { reference_from_light: rotation, ..best.model };
            let found = follow(&from, light, &self.fields[self.reference], START_TOLERANCE_PX, self.tolerance_px);
            // What does not move proves nothing here: it may be lights on the ground.
            if let Some(found) = found.filter(|found| motion_px(found, light) > 3.0) {
                return Some(found);
            }
        }
        for (other, there) in known {
            if other == self.reference {
                continue;
            }
            if let Ok(mut found) = self.blind(frame, other, known_lens) {
                found.model.reference_from_light = there.model.reference_from_light * found.model.reference_from_light;
                // They are pairs with the neighbor's stars.
                found.pairs.clear();
                return Some(found);
            }
        }
        None
    }

    /// The rotation of a frame by those before and after it, in proportion to time, or to number without clocks.
    fn predicted(&self, frame: usize, known: &[(usize, &PairSolution)]) -> Rotation3<f64> {
        let place = |frame: usize| {
            let all_known = self.clocks.iter().all(Option::is_some);
            self.clocks[frame].filter(|_| all_known).unwrap_or(frame as f64)
        };
        match known {
            [(a, one), (b, two)] if place(*a) != place(*b) => {
                let share = (place(frame) - place(*a)) / (place(*b) - place(*a));
                let between = two.model.reference_from_light * one.model.reference_from_light.inverse();
                between.powf(share.clamp(-3.0, 3.0)) * one.model.reference_from_light
            }
            [(_, only), ..] => only.model.reference_from_light,
            [] => Rotation3::identity(),
        }
    }

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
            .and_then(|(_, frame)| matched(frame));
        let Some(best) = best else { return Ok(None) };
        let mut order: Vec<usize> = (0..starts.len()).filter(|&frame| matched(frame).is_some()).collect();
        order.sort_by_key(|&frame| (frame.abs_diff(self.reference), frame));
        let stride = order.len().div_ceil(FRAMES_IN_FIT - 1).max(1);
        // Counted from the far end: the frames that moved most say most.
        let mut in_fit: Vec<usize> = order.iter().rev().step_by(stride).copied().collect();
        in_fit.push(self.reference);
        in_fit.reverse();
        let mut settled = self.settled(monitor, best.model.prior, best.model.parameters, starts, &in_fit, settings)?;
        if settled.scale > POOR_FIT {
            for prior in self.other_lenses(&best.model.prior.lens) {
                let other = self.settled(monitor, prior, [0.0; N_LENS], starts, &in_fit, settings)?;
                if other.scale < settled.scale && 5 * other.n_sightings > 4 * settled.n_sightings {
                    settled = other;
                }
            }
        }
        monitor.check()?;
        let mut fit = chosen(settled, notes);
        for frame in order.into_iter().filter(|frame| !in_fit.contains(frame)) {
            self.resect(&mut fit.adjusted.scene, frame);
        }
        Ok(Some(fit))
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
            scene = adjust(scene, Adjust::Lens).scene;
        }
        link(&mut scene, &fields, in_fit, self.tolerance_px, settings.stars_in_fit);
        Ok(adjust(scene, Adjust::Lens))
    }

    /// What to try where a lens fits poorly: other projections, and focal lengths that nobody stated.
    fn other_lenses(&self, known: &Lens) -> Vec<LensPrior> {
        let mut others: Vec<LensPrior> = Vec::new();
        for guess in self.guesses.iter().chain(&lens_guesses(self.fields[self.reference].size, None, None)) {
            let alike = |lens: &Lens| {
                lens.projection == guess.lens.projection && (lens.focal_px / guess.lens.focal_px).ln().abs() < 0.1
            };
            if !alike(known) && !others.iter().any(|other| alike(&other.lens)) {
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
