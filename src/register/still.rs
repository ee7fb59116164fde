//! Takes lights that stand still out of the star lists, once the first rotations are known.
//!
//! A detection at the same place in two frames, where the sky moved between them, is a lamp or a hot pixel.

use super::AlignError;
use super::field::Field;
use super::matching::{PairSolution, mutual_pairs};

/// Detections this near to each other are at the same place.
pub(crate) const COINCIDENT_PX: f64 = 0.75;
/// A star that the sky carried this far is not at the same place any more.
const MOVED_PX: f64 = 1.5;

/// The stars of each frame without the lights, and their indices in the fields given. Pairs of the first
/// rotations are renumbered.
pub(crate) fn without_lights(
    fields: &[Field],
    reference: usize,
    starts: &mut [Result<PairSolution, AlignError>],
) -> Vec<(Field, Vec<usize>)> {
    let mut is_light: Vec<Vec<bool>> = fields.iter().map(|field| vec![false; field.len()]).collect();
    let coincident = |frame: usize| mutual_pairs(&fields[frame], &fields[reference], COINCIDENT_PX, Some);
    let others: Vec<usize> = (0..fields.len()).filter(|&frame| frame != reference).collect();
    for &frame in &others {
        let Ok(start) = &starts[frame] else { continue };
        let transform = start.model.transform();
        for (from, to) in coincident(frame) {
            let point = fields[frame].points[from];
            if transform.apply(point).is_none_or(|seen| seen.distance(point) > MOVED_PX) {
                is_light[reference][to] = true;
            }
        }
    }
    // Also in the frames in which the sky moved too little to tell.
    for &frame in &others {
        for (from, to) in coincident(frame) {
            is_light[frame][from] = is_light[reference][to];
        }
    }
    let kept: Vec<(Field, Vec<usize>)> =
        fields.iter().zip(&is_light).map(|(field, is_light)| field.filtered(|idx| !is_light[idx])).collect();
    for &frame in &others {
        if let Ok(start) = &mut starts[frame] {
            let place = |frame: usize, idx: usize| kept[frame].1.binary_search(&idx).ok();
            start.pairs = start
                .pairs
                .iter()
                .filter_map(|&(from, to)| Some((place(frame, from)?, place(reference, to)?)))
                .collect();
        }
    }
    kept
}
