//! Two star fields in, the rotation and lens that make them one out, with no start given.
//!
//! For each lens that may be: triangles of bright stars that look alike vote for pairs of stars; the
//! triangles whose pairs have most votes are tried as rotations; the best are polished while the
//! tolerance shrinks. The solution that chance explains worst wins, if chance explains it badly enough.

use nalgebra::Rotation3;

use super::chance::{Agreement, LN_BELIEF, ln_seeds};
use super::field::Field;
use super::lens_prior::LensPrior;
use super::pair_fit::{Freedom, PairModel};
use super::triangles::{Triangles, rotation_between};
use crate::pixels::Point;

/// Numbers of bright stars that triangles are made of, tried in turn.
const BRIGHT_STARS: [usize; 3] = [60, 150, 400];
/// Rotations looked at for each lens, and those of them that are polished.
const N_TRIED: usize = 120;
const N_POLISHED: usize = 8;
/// First tolerance, as a share of the diagonal: a guessed lens errs that much between center and corner.
const FIRST_TOLERANCE: f64 = 0.009;
/// Beyond this a solution is so sure that no other lens is tried.
const LN_CERTAIN: f64 = -60.0;
/// Evidence below which a solution is not looked at more closely.
const LN_HOPE: f64 = 2.0;
/// Evidence from which on a solution is fitted more closely.
const LN_GOES_ON: f64 = -3.0;
/// Fields up to this size are looked at closely in any case.
const SMALL_FIELD: usize = 150;
/// Pairs that a solution is fitted to and that prove nothing: three for rotation and lens.
pub(crate) const N_SEED: usize = 3;

/// Two fields brought together.
#[derive(Clone, Debug)]
pub(crate) struct PairSolution {
    pub(crate) model: PairModel,
    /// Indices of light and reference stars.
    pub(crate) pairs: Vec<(usize, usize)>,
    /// Natural logarithm of the expected number of chance solutions as good.
    pub(crate) ln_false_alarms: f64,
}

/// The best solution that chance does not explain; `None` where there is none.
pub(crate) fn match_fields(
    light: &Field,
    reference: &Field,
    guesses: &[LensPrior],
    tolerance_px: f64,
) -> Option<PairSolution> {
    let ln_tries = ln_seeds(light.len(), reference.len()) + ((guesses.len() * 8) as f64).ln();
    let mut best: Option<PairSolution> = None;
    for n_bright in BRIGHT_STARS {
        let (bright_light, bright_reference) = (light.brightest(n_bright), reference.brightest(n_bright));
        for guess in guesses {
            for model in seeds(&bright_light, &bright_reference, guess) {
                let polished = polished(&model, &bright_light, &bright_reference, tolerance_px);
                let Some(polished) = polished else { continue };
                let judged =
                    judged(polished, [&bright_light, light], [&bright_reference, reference], tolerance_px, ln_tries);
                if best.as_ref().is_none_or(|best| judged.ln_false_alarms < best.ln_false_alarms) {
                    best = Some(judged);
                }
            }
            if best.as_ref().is_some_and(|best| best.ln_false_alarms < LN_CERTAIN) {
                return best;
            }
        }
        let all_tried = n_bright >= light.len() && n_bright >= reference.len();
        if all_tried || best.as_ref().is_some_and(|best| best.ln_false_alarms < LN_BELIEF) {
            break;
        }
    }
    best.filter(|best| best.ln_false_alarms < LN_BELIEF)
}

/// A known start brought to its best, and judged as if it had been the only one.
pub(crate) fn follow(
    start: &PairModel,
    light: &Field,
    reference: &Field,
    first_tolerance_px: f64,
    tolerance_px: f64,
) -> Option<PairSolution> {
    let mut model = *start;
    let mut tolerance = first_tolerance_px;
    while tolerance > tolerance_px {
        let pairs = close_pairs(&model, light, reference, tolerance);
        model = model.improved(&places(&pairs, light, reference), tolerance / 3.0, Freedom::Rotation);
        tolerance = (0.5 * tolerance).max(tolerance_px);
    }
    let solution =
        judged(model, [light, light], [reference, reference], tolerance_px, ln_seeds(light.len(), reference.len()));
    (solution.ln_false_alarms < LN_BELIEF).then_some(solution)
}

/// Pairs of stars that are each other's nearest within the tolerance.
pub(crate) fn close_pairs(
    model: &PairModel,
    light: &Field,
    reference: &Field,
    tolerance_px: f64,
) -> Vec<(usize, usize)> {
    let transform = model.transform();
    mutual_pairs(light, reference, tolerance_px, |point| transform.apply(point))
}

/// Pairs of stars that are each other's nearest within the tolerance, under any map.
pub(crate) fn mutual_pairs(
    light: &Field,
    reference: &Field,
    tolerance_px: f64,
    reference_from_light: impl Fn(Point) -> Option<Point>,
) -> Vec<(usize, usize)> {
    let mut nearest: Vec<Option<(f64, usize)>> = vec![None; reference.len()];
    for (idx, &point) in light.points.iter().enumerate() {
        let Some(seen) = reference_from_light(point) else { continue };
        let Some((there, distance)) = reference.nearest(seen, tolerance_px) else { continue };
        if nearest[there].is_none_or(|(least, _)| distance < least) {
            nearest[there] = Some((distance, idx));
        }
    }
    nearest.iter().enumerate().filter_map(|(there, best)| best.map(|(_, idx)| (idx, there))).collect()
}

/// The places of paired stars.
pub(crate) fn places(pairs: &[(usize, usize)], light: &Field, reference: &Field) -> Vec<(Point, Point)> {
    pairs.iter().map(|&(from, to)| (light.points[from], reference.points[to])).collect()
}

/// How well two fields agree under a map, given the pairs found within the tolerance.
pub(crate) fn agreement(
    light: &Field,
    reference: &Field,
    n_agreeing: usize,
    tolerance_px: f64,
    reference_from_light: impl Fn(Point) -> Option<Point>,
) -> Agreement {
    let disc = std::f64::consts::PI * tolerance_px * tolerance_px;
    let (mut n_candidates, mut expected) = (0, 0.0);
    for &point in &light.points {
        if let Some(seen) = reference_from_light(point).filter(|&seen| reference.contains(seen)) {
            n_candidates += 1;
            expected += 1.0 - (-disc * reference.density(seen)).exp();
        }
    }
    let n_candidates = n_candidates.max(n_agreeing);
    Agreement { n_candidates, n_agreeing, chance: expected / n_candidates.max(1) as f64 }
}

/// Rotations worth polishing under one guessed lens, best first.
fn seeds(light: &Field, reference: &Field, guess: &LensPrior) -> Vec<PairModel> {
    let reach = guess.lens.reach();
    let rays = |field: &Field| field.points.iter().map(|&point| guess.lens.ray(reach, point)).collect::<Vec<_>>();
    let (light_rays, reference_rays) = (rays(light), rays(reference));
    let (light_triangles, reference_triangles) = (Triangles::new(&light_rays), Triangles::new(&reference_rays));
    let mut votes = vec![0_u32; light.len() * reference.len()];
    let at = |from: usize, to: usize| from * reference.len() + to;
    let mut alike = Vec::new();
    light_triangles.matches(&reference_triangles, |one, two| {
        for (from, to) in one.corners.into_iter().zip(two.corners) {
            votes[at(from, to)] += 1;
        }
        alike.push((one.corners, two.corners));
    });
    let mut ranked: Vec<(u32, usize)> = (alike.iter().enumerate())
        .map(|(idx, (from, to))| (from.iter().zip(to).map(|(&from, &to)| votes[at(from, to)]).sum(), idx))
        .collect();
    ranked.sort_unstable_by_key(|&(votes, idx)| (std::cmp::Reverse(votes), idx));
    let first_tolerance = first_tolerance_px(reference);
    let mut tried: Vec<(f64, Rotation3<f64>)> = Vec::new();
    for &(_, idx) in &ranked {
        let (from, to) = alike[idx];
        let corners =
            |rays: &[Option<_>], three: [usize; 3]| three.map(|idx| rays[idx].expect("a corner has a direction"));
        let rotation = rotation_between(corners(&light_rays, from), corners(&reference_rays, to));
        if tried.iter().any(|(_, known)| nearly_same(known, &rotation)) {
            continue;
        }
        let seen = light_rays.iter().map(|ray| guess.lens.point(reach, &(rotation * (*ray)?)));
        let evidence = agreement_of_seen(seen, reference, first_tolerance).ln_false_alarms(N_SEED, 0.0);
        tried.push((evidence, rotation));
        if tried.len() == N_TRIED {
            break;
        }
    }
    tried.sort_by(|a, b| a.0.total_cmp(&b.0));
    tried.truncate(N_POLISHED);
    (tried.into_iter())
        .map(|(_, reference_from_light)| PairModel {
            prior: *guess,
            parameters: [0.0; 6],
            air: None,
            reference_from_light,
        })
        .collect()
}

/// How well stars agree with the reference from where they are seen there; several may meet one star of it.
fn agreement_of_seen(seen: impl Iterator<Item = Option<Point>>, reference: &Field, tolerance_px: f64) -> Agreement {
    let disc = std::f64::consts::PI * tolerance_px * tolerance_px;
    let (mut n_candidates, mut expected) = (0, 0.0);
    let mut is_met = vec![false; reference.len()];
    for seen in seen.flatten().filter(|&seen| reference.contains(seen)) {
        n_candidates += 1;
        expected += 1.0 - (-disc * reference.density(seen)).exp();
        if let Some((there, _)) = reference.nearest(seen, tolerance_px) {
            is_met[there] = true;
        }
    }
    let n_agreeing = is_met.iter().filter(|&&met| met).count();
    Agreement { n_candidates, n_agreeing, chance: expected / n_candidates.max(1) as f64 }
}

/// Wide at first, but not so wide that every seventh star meets another by chance.
fn first_tolerance_px(reference: &Field) -> f64 {
    let diagonal = (reference.size.width as f64).hypot(reference.size.height as f64);
    let density = reference.len() as f64 / reference.size.area() as f64;
    (FIRST_TOLERANCE * diagonal).min((0.15 / (std::f64::consts::PI * density)).sqrt())
}

fn nearly_same(one: &Rotation3<f64>, two: &Rotation3<f64>) -> bool {
    // The trace of the difference is 1 + 2 cos(angle).
    let trace = one.matrix().component_mul(two.matrix()).sum();
    trace > 1.0 + 2.0 * 0.005_f64.cos()
}

/// A seed fitted to what is near it, while near means less and less; `None` once that is no more than chance.
///
/// Of a true match the agreement stays while chance shrinks with the square of the tolerance.
fn polished(seed: &PairModel, light: &Field, reference: &Field, tolerance_px: f64) -> Option<PairModel> {
    let mut model = *seed;
    let mut tolerance = first_tolerance_px(reference);
    let mut freedom = Freedom::Rotation;
    loop {
        let mut n_agreeing = 0;
        for _ in 0..2 {
            let pairs = close_pairs(&model, light, reference, tolerance);
            n_agreeing = pairs.len();
            model = model.improved(&places(&pairs, light, reference), tolerance / 3.0, freedom);
        }
        if tolerance <= tolerance_px {
            return Some(model);
        }
        let transform = model.transform();
        let agreement = agreement(light, reference, n_agreeing, tolerance, |point| transform.apply(point));
        (agreement.ln_false_alarms(N_SEED, 0.0) < LN_GOES_ON).then_some(())?;
        freedom = Freedom::RotationAndLens;
        tolerance = (0.6 * tolerance).max(tolerance_px);
    }
}

/// Judges a model at several tolerances, by the bright stars and by all, and keeps the pairs of the best.
fn judged(
    model: PairModel,
    lights: [&Field; 2],
    references: [&Field; 2],
    tolerance_px: f64,
    ln_tries: f64,
) -> PairSolution {
    let mut best = PairSolution { model, pairs: Vec::new(), ln_false_alarms: f64::INFINITY };
    for (light, reference) in lights.into_iter().zip(references) {
        let transform = best.model.transform();
        for factor in [2.0, 1.0, 4.0, 0.5] {
            let tolerance = factor * tolerance_px;
            let pairs = mutual_pairs(light, reference, tolerance, |point| transform.apply(point));
            let agreement = agreement(light, reference, pairs.len(), tolerance, |point| transform.apply(point));
            let ln_false_alarms = agreement.ln_false_alarms(N_SEED, ln_tries);
            if ln_false_alarms < best.ln_false_alarms {
                best = PairSolution { pairs, ln_false_alarms, ..best };
            }
            // No better than chance here: hopeless at the other tolerances too.
            if light.len() > SMALL_FIELD && ln_false_alarms > ln_tries - LN_HOPE {
                break;
            }
        }
    }
    best
}
