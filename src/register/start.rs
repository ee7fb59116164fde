//! A first rotation for one frame, and the question whether what was matched is the sky at all.
//!
//! Lights on the ground and hot pixels stand still from frame to frame, and stand still perfectly: matched,
//! they would win against the turning sky. So what coincides is set aside first; and a frame that seems not
//! to have moved is believed only where the time between the frames says so, or where it moved a little.

use super::AlignError;
use super::chance::LN_BELIEF;
use super::field::Field;
use super::lens_prior::LensPrior;
use super::matching::{PairSolution, agreement, match_fields, mutual_pairs};
use super::plane::{axis_sigma, errors_px};
use super::still::COINCIDENT_PX;
use super::triangles::angle_of;

/// Fewest stars that are matched at all: below this no agreement can stand out from chance.
pub(crate) const MIN_STARS: usize = 6;

/// The Earth's rate of turn against the stars, radians a second (IAU; 15.041″ a second).
pub(crate) const SIDEREAL_RAD_PER_SEC: f64 = 7.292_115_9e-5;

/// A solution that moves nothing by more than this stands still as far as matching can tell.
const STILL_PX: f64 = 1.5;
/// Less motion than this needs no proof: it smears nothing.
const HARMLESS_PX: f64 = 0.3;

/// The rotation of `light` onto `reference`; `turn_rad` is how far the sky turned, where clocks tell.
pub(crate) fn start(
    light: &Field,
    reference: &Field,
    guesses: &[LensPrior],
    turn_rad: Option<f64>,
    tolerance_px: f64,
) -> Result<PairSolution, AlignError> {
    if light.len() < MIN_STARS {
        return Err(AlignError::TooFewStars { found: light.len(), needed: MIN_STARS });
    }
    let no_match = AlignError::NoMatch { stars: light.len() };
    let coincident = mutual_pairs(light, reference, COINCIDENT_PX, Some);
    let by_chance = agreement(light, reference, coincident.len(), COINCIDENT_PX, Some).ln_false_alarms(0, 0.0);
    if by_chance > LN_BELIEF {
        return match_fields(light, reference, guesses, tolerance_px).ok_or(no_match);
    }
    let turn_px = turn_rad.zip(guesses.first()).map(|(turn, guess)| turn * guess.lens.focal_px);
    if turn_px.is_none_or(|turn_px| turn_px > COINCIDENT_PX)
        && let Some(solution) = without(&coincident, light, reference, guesses, tolerance_px)
        && !stands_still(&solution, light)
    {
        return Ok(solution);
    }
    let solution = match_fields(light, reference, guesses, tolerance_px).ok_or(no_match)?;
    if !stands_still(&solution, light) || is_plausible(&solution, light, reference, turn_rad) {
        Ok(solution)
    } else {
        Err(AlignError::StandsStill { lights: solution.pairs.len() })
    }
}

/// Matches what is left when the coincident detections are taken out of both frames.
fn without(
    coincident: &[(usize, usize)],
    light: &Field,
    reference: &Field,
    guesses: &[LensPrior],
    tolerance_px: f64,
) -> Option<PairSolution> {
    let (mut stays_light, mut stays_reference) = (vec![true; light.len()], vec![true; reference.len()]);
    for &(from, to) in coincident {
        stays_light[from] = false;
        stays_reference[to] = false;
    }
    let (moving_light, light_idx) = light.filtered(|idx| stays_light[idx]);
    let (moving_reference, reference_idx) = reference.filtered(|idx| stays_reference[idx]);
    if moving_light.len() < MIN_STARS || moving_reference.len() < MIN_STARS {
        return None;
    }
    let mut solution = match_fields(&moving_light, &moving_reference, guesses, tolerance_px)?;
    for (from, to) in &mut solution.pairs {
        (*from, *to) = (light_idx[*from], reference_idx[*to]);
    }
    Some(solution)
}

fn stands_still(solution: &PairSolution, light: &Field) -> bool {
    motion_px(solution, light) < STILL_PX
}

/// The largest motion among the matched stars.
pub(crate) fn motion_px(solution: &PairSolution, light: &Field) -> f64 {
    let transform = solution.model.transform();
    let moved = solution.pairs.iter().filter_map(|&(from, _)| {
        let point = light.points[from];
        Some(transform.apply(point)?.distance(point))
    });
    moved.fold(0.0, f64::max)
}

/// Whether the sky itself may have stood as still as this.
fn is_plausible(solution: &PairSolution, light: &Field, reference: &Field, turn_rad: Option<f64>) -> bool {
    let transform = solution.model.transform();
    let pairs: Vec<_> = solution.pairs.iter().map(|&(from, to)| (light.points[from], reference.points[to])).collect();
    let focal_px = solution.model.lens().focal_px;
    let found_px = angle_of(&solution.model.reference_from_light) * focal_px;
    // A turn about the axis of the lens is known less well than one across it, by focal length over radius.
    let lever = focal_px / (0.25 * light.size.width as f64);
    let sigma_px = axis_sigma(&errors_px(&pairs, |point| transform.apply(point))).max(0.02);
    let uncertainty_px = 5.0 * sigma_px * lever.max(1.0) / (pairs.len() as f64).sqrt();
    match turn_rad.map(|turn| turn * focal_px) {
        Some(turn_px) if turn_px < HARMLESS_PX => true,
        Some(turn_px) => (found_px - turn_px).abs() < (0.5 * turn_px).min(uncertainty_px.max(0.2 * turn_px)),
        None => found_px > uncertainty_px.max(0.1),
    }
}
