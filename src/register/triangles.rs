//! Triangles of neighboring stars, described by their shape alone.
//!
//! Groth, "A pattern-matching algorithm for two-dimensional coordinate lists", Astronomical Journal 91, 1986;
//! Valdes et al., "FOCAS automatic catalog matching algorithms", PASP 107, 1995. The triangles are taken on
//! the sphere of directions, where the lens does not bend them, so size counts as well as shape.

use nalgebra::{Matrix3, Rotation3, UnitQuaternion, Vector3};

/// Triangles a frame is cut into, about.
const TRIANGLES_WANTED: usize = 8000;
/// Fewest and most neighbors that a star forms triangles with.
const NEIGHBORS: (usize, usize) = (5, 20);
/// A side shorter than this share of the longest makes the shape uncertain.
const SHORTEST_SIDE: f64 = 0.12;
/// Width of a cell in the plane of side ratios; matches are sought in the nine cells around.
const RATIO_TOLERANCE: f64 = 0.025;
/// Difference allowed between the logarithms of the longest sides.
const SIZE_TOLERANCE: f64 = 0.05;

const RATIO_CELLS: usize = 41;

/// Three stars, numbered by the side opposite: shortest, middle, longest.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Triangle {
    pub(crate) corners: [usize; 3],
    ln_longest: f64,
    middle: f64,
    shortest: f64,
    turns_right: bool,
}

/// The triangles of one frame, sorted into cells by shape and within each by size.
#[derive(Clone, Debug)]
pub(crate) struct Triangles {
    all: Vec<Triangle>,
    starts: Vec<usize>,
}

impl Triangles {
    /// Triangles among neighbors; directions are `None` for stars outside the lens.
    pub(crate) fn new(rays: &[Option<Vector3<f64>>]) -> Self {
        let mut all = triangles_of(rays);
        all.sort_by(|a, b| {
            cell_of(a).cmp(&cell_of(b)).then(a.ln_longest.total_cmp(&b.ln_longest)).then(a.corners.cmp(&b.corners))
        });
        let mut starts = vec![0; RATIO_CELLS * RATIO_CELLS + 1];
        for triangle in &all {
            starts[cell_of(triangle) + 1] += 1;
        }
        for cell in 1..starts.len() {
            starts[cell] += starts[cell - 1];
        }
        Self { all, starts }
    }

    /// Calls `found` with each pair of triangles (one of `self`, one of `other`) that look alike.
    pub(crate) fn matches(&self, other: &Self, mut found: impl FnMut(&Triangle, &Triangle)) {
        for one in &self.all {
            let (column, row) = (ratio_cell(one.middle), ratio_cell(one.shortest));
            for row in row.saturating_sub(1)..=(row + 1).min(RATIO_CELLS - 1) {
                for column in column.saturating_sub(1)..=(column + 1).min(RATIO_CELLS - 1) {
                    let cell = row * RATIO_CELLS + column;
                    let inside = &other.all[other.starts[cell]..other.starts[cell + 1]];
                    let first = inside.partition_point(|two| two.ln_longest < one.ln_longest - SIZE_TOLERANCE);
                    let alike =
                        inside[first..].iter().take_while(|two| two.ln_longest < one.ln_longest + SIZE_TOLERANCE);
                    for two in alike.filter(|two| {
                        two.turns_right == one.turns_right
                            && (two.middle - one.middle).abs() < RATIO_TOLERANCE
                            && (two.shortest - one.shortest).abs() < RATIO_TOLERANCE
                    }) {
                        found(one, two);
                    }
                }
            }
        }
    }
}

/// The rotation that carries one triangle of directions onto another as well as a rotation can.
pub(crate) fn rotation_between(from: [Vector3<f64>; 3], to: [Vector3<f64>; 3]) -> Rotation3<f64> {
    Rotation3::from_matrix_unchecked(axes_of(to) * axes_of(from).transpose())
}

/// How far a rotation turns; by its half-angles, since the trace of a small one says nothing, or worse than that.
pub(crate) fn angle_of(rotation: &Rotation3<f64>) -> f64 {
    UnitQuaternion::from_rotation_matrix(rotation).angle()
}

/// Right-handed axes tied to a triangle: towards its middle, and towards its first corner from there.
fn axes_of([a, b, c]: [Vector3<f64>; 3]) -> Matrix3<f64> {
    let middle = (a + b + c).normalize();
    let side = (a - b) - middle * middle.dot(&(a - b));
    let side = side.normalize();
    Matrix3::from_columns(&[middle, side, middle.cross(&side)])
}

fn triangles_of(rays: &[Option<Vector3<f64>>]) -> Vec<Triangle> {
    let seen: Vec<(usize, Vector3<f64>)> =
        rays.iter().enumerate().filter_map(|(idx, ray)| Some((idx, (*ray)?))).collect();
    let n_wanted = (2.0 * TRIANGLES_WANTED as f64 / seen.len().max(1) as f64).sqrt();
    let n_neighbors = (NEIGHBORS.0..NEIGHBORS.1).find(|&n| n as f64 >= n_wanted).unwrap_or(NEIGHBORS.1);
    let mut corners = Vec::new();
    let mut near: Vec<(f64, usize)> = Vec::with_capacity(seen.len());
    for (at, (_, ray)) in seen.iter().enumerate() {
        near.clear();
        near.extend(
            (0..seen.len()).filter(|&other| other != at).map(|other| ((seen[other].1 - ray).norm_squared(), other)),
        );
        if near.len() > n_neighbors {
            near.select_nth_unstable_by(n_neighbors, |a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            near.truncate(n_neighbors);
        }
        near.sort_by_key(|&(_, other)| other);
        for (position, &(_, first)) in near.iter().enumerate() {
            for &(_, second) in &near[position + 1..] {
                let mut three = [at, first, second];
                three.sort_unstable();
                corners.push(three);
            }
        }
    }
    corners.sort_unstable();
    corners.dedup();
    corners.into_iter().filter_map(|three| triangle(three.map(|at| seen[at]))).collect()
}

fn triangle(stars: [(usize, Vector3<f64>); 3]) -> Option<Triangle> {
    let side = |a: usize, b: usize| (stars[a].1 - stars[b].1).norm();
    let mut opposite = [(side(1, 2), 0), (side(0, 2), 1), (side(0, 1), 2)];
    opposite.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let [shortest, middle, longest] = opposite.map(|(side, _)| side);
    if longest <= 0.0 || shortest < SHORTEST_SIDE * longest {
        return None;
    }
    let [a, b, c] = opposite.map(|(_, corner)| stars[corner].1);
    Some(Triangle {
        corners: opposite.map(|(_, corner)| stars[corner].0),
        ln_longest: longest.ln(),
        middle: middle / longest,
        shortest: shortest / longest,
        turns_right: a.cross(&b).dot(&c) > 0.0,
    })
}

/// Ratios run from 0 to 1 inclusive.
fn ratio_cell(ratio: f64) -> usize {
    crate::pixels::nearest_index((ratio / RATIO_TOLERANCE).floor(), RATIO_CELLS).unwrap_or(0)
}

fn cell_of(triangle: &Triangle) -> usize {
    ratio_cell(triangle.shortest) * RATIO_CELLS + ratio_cell(triangle.middle)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turned_field_matches_itself_by_shape() {
        // Steps without a common measure: no two sides are equal.
        let step = |n: u32, step: f64| 0.7 * (f64::from(n) * step).fract();
        let rays: Vec<Vector3<f64>> =
            (1..13).map(|n| Vector3::new(step(n, 0.618_034), step(n, 0.754_878), 1.0).normalize()).collect();
        let turn = Rotation3::new(Vector3::new(0.3, -0.2, 1.4));
        let one = Triangles::new(&rays.iter().map(|ray| Some(*ray)).collect::<Vec<_>>());
        let two = Triangles::new(&rays.iter().map(|ray| Some(turn * ray)).collect::<Vec<_>>());
        let mut n_same = 0;
        one.matches(&two, |a, b| {
            if a.corners == b.corners {
                n_same += 1;
                let found = rotation_between(a.corners.map(|idx| rays[idx]), b.corners.map(|idx| turn * rays[idx]));
                let difference = angle_of(&(found * turn.inverse()));
                assert!(difference < 1e-6, "the rotation of the field, off by {difference}");
            }
        });
        assert_eq!(n_same, one.all.len(), "every triangle finds itself");
    }
}
