//! Which detections of many frames are one star.
//!
//! Each frame in turn is laid over the stars known so far; a detection that meets none becomes a new star.

use nalgebra::Vector3;

use super::adjust::{Scene, Sighting};
use super::field::Field;
use super::matching::mutual_pairs;
use crate::pixels::Point;

/// Cells across and down, among which the stars that are kept are spread evenly.
const SPREAD: (usize, usize) = (12, 8);

/// Finds the stars of a scene anew: directions and sightings, for the frames of `order` (the reference first).
///
/// At most `n_stars` are kept, those seen most often, spread over the picture.
pub(crate) fn link(scene: &mut Scene, fields: &[&Field], order: &[usize], tolerance_px: f64, n_stars: usize) {
    let view = scene.view();
    let mut rays: Vec<Vector3<f64>> = Vec::new();
    let mut sightings: Vec<Vec<Sighting>> = Vec::new();
    for &frame in order {
        let field = fields[frame];
        let from_reference = scene.frames[frame];
        let (mut known, mut places) = (Vec::new(), Vec::new());
        for (star, ray) in rays.iter().enumerate() {
            if let Some(place) = view.see(&(from_reference * ray)).filter(|&place| field.contains(place)) {
                known.push(star);
                places.push(place);
            }
        }
        let predicted = Field::from_points(places, vec![0.0; known.len()], field.size);
        let mut is_new = vec![true; field.len()];
        for (idx, there) in mutual_pairs(field, &predicted, tolerance_px, Some) {
            is_new[idx] = false;
            sightings[known[there]].push(sighting(field, idx, frame));
        }
        for idx in (0..field.len()).filter(|&idx| is_new[idx]) {
            // A second detection beside a known star is part of it, not another star.
            let Some(ray) = view.ray(field.points[idx]) else { continue };
            if predicted.nearest(field.points[idx], 2.0 * tolerance_px).is_none() {
                rays.push(from_reference.inverse() * ray);
                sightings.push(vec![sighting(field, idx, frame)]);
            }
        }
    }
    for sightings in &mut sightings {
        sightings.sort_by_key(|sighting| sighting.frame);
    }
    let kept = spread_out(&sightings, fields, n_stars);
    scene.stars = kept.iter().map(|&star| rays[star]).collect();
    scene.sightings = kept.iter().map(|&star| std::mem::take(&mut sightings[star])).collect();
}

fn sighting(field: &Field, idx: usize, frame: usize) -> Sighting {
    Sighting { frame, seen: field.points[idx], sigma_px: field.sigma_px[idx] }
}

/// Stars seen at least twice, the most seen of each cell first, then the next of each.
fn spread_out(sightings: &[Vec<Sighting>], fields: &[&Field], n_stars: usize) -> Vec<usize> {
    let (columns, rows) = SPREAD;
    let mut cells: Vec<Vec<usize>> = vec![Vec::new(); columns * rows];
    for (star, seen) in sightings.iter().enumerate().filter(|(_, seen)| seen.len() >= 2) {
        // Where the star is half way through its sightings.
        let Sighting { frame, seen: Point { x, y }, .. } = seen[seen.len() / 2];
        let size = fields[frame].size;
        let at =
            |share: f64, cells: usize| crate::pixels::nearest_index((share * cells as f64).floor(), cells).unwrap_or(0);
        cells[at(y / size.height as f64, rows) * columns + at(x / size.width as f64, columns)].push(star);
    }
    for cell in &mut cells {
        cell.sort_by_key(|&star| (std::cmp::Reverse(sightings[star].len()), star));
    }
    let deepest = cells.iter().map(Vec::len).max().unwrap_or(0);
    let in_turn = (0..deepest).flat_map(|nth| cells.iter().filter_map(move |cell| cell.get(nth).copied()));
    let mut kept: Vec<usize> = in_turn.take(n_stars).collect();
    kept.sort_unstable();
    kept
}
