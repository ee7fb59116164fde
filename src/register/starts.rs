//! First rotations of a burst: matched with no start, from neighbors where that fails, or through a neighbor.

use nalgebra::Rotation3;
use rayon::prelude::*;

use super::field::Field;
use super::lens_prior::{LensPrior, N_LENS};
use super::matching::{PairSolution, follow};
use super::pair_fit::PairModel;
use super::start::{MIN_STARS, SIDEREAL_RAD_PER_SEC, motion_px, start};
use super::{AlignError, FrameStars, RegisterError};
use crate::job::Monitor;

/// Frames that are matched with no start; in a longer burst the others start from their neighbors.
const FRAMES_MATCHED_BLIND: usize = 32;
/// Frames of a long burst that are started at once, each from those before.
const FRAMES_AT_ONCE: usize = 8;
/// How far a start taken from a neighbor may be off.
const START_TOLERANCE_PX: f64 = 30.0;
/// Less motion than this between neighbors may be that of lights on the ground.
const PROVEN_MOTION_PX: f64 = 3.0;

/// The surest match of a frame with the reference.
pub(super) fn best_of(starts: &Starts, reference: usize) -> Option<&PairSolution> {
    (starts.iter().enumerate())
        .filter(|(frame, _)| *frame != reference)
        .filter_map(|(_, start)| start.as_ref().ok())
        .min_by(|a, b| a.ln_false_alarms.total_cmp(&b.ln_false_alarms))
}

/// The clocks, if they run: a burst whose frames all bear one time says nothing about it.
pub(super) fn trusted_clocks(frames: &[FrameStars<'_>]) -> Vec<Option<f64>> {
    let clocks: Vec<Option<f64>> =
        frames.iter().map(|frame| frame.capture_time_secs.filter(|secs| secs.is_finite())).collect();
    let mut known = clocks.iter().flatten();
    let first = known.next();
    let runs = known.any(|secs| Some(secs) != first);
    if runs { clocks } else { vec![None; frames.len()] }
}

pub(super) struct Burst<'a> {
    /// Middle of each exposure, where a clock tells.
    pub(super) clocks: &'a [Option<f64>],
    /// Brightest first; after the first rotations without the lights that stand still.
    pub(super) fields: Vec<Field>,
    pub(super) reference: usize,
    pub(super) guesses: Vec<LensPrior>,
    /// Focal length in pixels, where the camera states it.
    pub(super) stated_px: Option<f64>,
    pub(super) tolerance_px: f64,
}

pub(super) type Starts = Vec<Result<PairSolution, AlignError>>;

impl Burst<'_> {
    /// A first rotation for each frame.
    pub(super) fn starts(&self, monitor: &Monitor) -> Result<Starts, RegisterError> {
        let n = self.fields.len();
        let stride = n.div_ceil(FRAMES_MATCHED_BLIND);
        let blind: Vec<usize> = (0..n).filter(|frame| frame.abs_diff(self.reference) % stride == 0).collect();
        let unmatched = |field: &Field| match field.len() {
            found if found < MIN_STARS => AlignError::TooFewStars { found, needed: MIN_STARS },
            stars => AlignError::NoMatch { stars },
        };
        let mut starts: Starts = self.fields.iter().map(|field| Err(unmatched(field))).collect();
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
                    let is_new = !blind.contains(&frame) && !known_lens.is_empty();
                    let anew = || self.blind(frame, self.reference, &known_lens).ok();
                    beside.or_else(|| is_new.then(anew).flatten())
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

    pub(super) fn any_matched(&self, starts: &Starts) -> bool {
        starts.iter().enumerate().any(|(frame, start)| frame != self.reference && start.is_ok())
    }

    pub(super) fn blind(&self, frame: usize, onto: usize, guesses: &[LensPrior]) -> Result<PairSolution, AlignError> {
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
            if let Some(found) = found.filter(|found| motion_px(found, light) > PROVEN_MOTION_PX) {
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
}
