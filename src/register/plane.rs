//! Maps of the picture plane from star pairs: similarity and homography, for want of a camera.
//!
//! Weighted least squares by Gauss and Newton in coordinates around the mean, about one in size (the
//! normalization of Hartley, "In defense of the eight-point algorithm", IEEE PAMI 19, 1997); weights after
//! Tukey, with the scale taken from the median error.

use nalgebra::{Matrix3, SMatrix, SVector};

use crate::pixels::{Homography, Point};

/// Tukey's constant: 95 % efficiency on normal errors.
pub(crate) const TUKEY: f64 = 4.685;

/// Shift, turn and scale that carry the first of each pair onto the second; `None` below two pairs.
#[must_use]
pub fn fit_similarity(pairs: &[(Point, Point)]) -> Option<Homography> {
    let frame = Normalized::new(pairs)?;
    let mut map = [1.0, 0.0, 0.0, 0.0];
    for _ in 0..12 {
        let weights = frame.weights(&similarity_rows(map));
        let mut normal = SMatrix::<f64, 4, 4>::identity() * 1e-12;
        let mut right = SVector::<f64, 4>::zeros();
        for (&(from, to), weight) in frame.pairs.iter().zip(&weights) {
            let along_x = SVector::<f64, 4>::new(from.x, -from.y, 1.0, 0.0);
            let along_y = SVector::<f64, 4>::new(from.y, from.x, 0.0, 1.0);
            normal += (along_x * along_x.transpose() + along_y * along_y.transpose()) * *weight;
            right += (along_x * to.x + along_y * to.y) * *weight;
        }
        map = normal.cholesky()?.solve(&right).into();
    }
    frame.in_pixels(&similarity_rows(map))
}

/// The projective map that carries the first of each pair onto the second; `None` below four pairs.
#[must_use]
pub fn fit_homography(pairs: &[(Point, Point)]) -> Option<Homography> {
    if pairs.len() < 4 {
        return None;
    }
    let frame = Normalized::new(pairs)?;
    let mut map = Homography(similarity_rows([1.0, 0.0, 0.0, 0.0]));
    if let Some(similarity) = fit_similarity(pairs) {
        map = frame.normalized(&similarity)?;
    }
    for _ in 0..20 {
        let weights = frame.weights(&map.0);
        let mut normal = SMatrix::<f64, 8, 8>::identity() * 1e-10;
        let mut right = SVector::<f64, 8>::zeros();
        for (&(from, to), weight) in frame.pairs.iter().zip(&weights) {
            let [_, _, c] = map.0;
            let w = c[0] * from.x + c[1] * from.y + 1.0;
            let Some(seen) = map.apply(from) else { continue };
            let (x, y) = (from.x / w, from.y / w);
            let along_x = SVector::<f64, 8>::from([x, y, 1.0 / w, 0.0, 0.0, 0.0, -x * seen.x, -y * seen.x]);
            let along_y = SVector::<f64, 8>::from([0.0, 0.0, 0.0, x, y, 1.0 / w, -x * seen.y, -y * seen.y]);
            normal += (along_x * along_x.transpose() + along_y * along_y.transpose()) * *weight;
            right += (along_x * (to.x - seen.x) + along_y * (to.y - seen.y)) * *weight;
        }
        let step = normal.cholesky()?.solve(&right);
        for idx in 0..8 {
            map.0[idx / 3][idx % 3] += step[idx];
        }
    }
    frame.in_pixels(&map.0)
}

/// Distances of the second of each pair from the image of the first.
pub(crate) fn errors_px(pairs: &[(Point, Point)], map: impl Fn(Point) -> Option<Point>) -> Vec<f64> {
    pairs.iter().map(|&(from, to)| map(from).map_or(f64::INFINITY, |seen| seen.distance(to))).collect()
}

/// Robust standard deviation along one axis from distances in the plane.
pub(crate) fn axis_sigma(distances: &[f64]) -> f64 {
    // The median distance of a normal scatter in the plane is √(2 ln 2) standard deviations.
    const SIGMA_PER_MEDIAN_DISTANCE: f64 = 0.849_321_8;
    let mut sorted = distances.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).map_or(0.0, |median| SIGMA_PER_MEDIAN_DISTANCE * median)
}

/// Tukey's weight of an error counted in standard deviations.
pub(crate) fn tukey_weight(sigmas: f64) -> f64 {
    let share = sigmas / TUKEY;
    if share.abs() < 1.0 { (1.0 - share * share).powi(2) } else { 0.0 }
}

fn similarity_rows([a, b, x, y]: [f64; 4]) -> [[f64; 3]; 3] {
    [[a, -b, x], [b, a, y], [0.0, 0.0, 1.0]]
}

/// Pairs around their means, in units of their spread.
struct Normalized {
    pairs: Vec<(Point, Point)>,
    from_center: Point,
    to_center: Point,
    spread: f64,
}

impl Normalized {
    fn new(pairs: &[(Point, Point)]) -> Option<Self> {
        if pairs.len() < 2 {
            return None;
        }
        let n = pairs.len() as f64;
        let mean = |of: fn(&(Point, Point)) -> Point| {
            let sum = pairs.iter().map(of).fold(Point::default(), |a, b| Point { x: a.x + b.x, y: a.y + b.y });
            Point { x: sum.x / n, y: sum.y / n }
        };
        let (from_center, to_center) = (mean(|pair| pair.0), mean(|pair| pair.1));
        let spread = pairs.iter().map(|pair| pair.0.distance(from_center)).sum::<f64>() / n;
        (spread > 0.0).then_some(())?;
        let normal =
            |point: Point, center: Point| Point { x: (point.x - center.x) / spread, y: (point.y - center.y) / spread };
        let pairs = pairs.iter().map(|&(from, to)| (normal(from, from_center), normal(to, to_center))).collect();
        Some(Self { pairs, from_center, to_center, spread })
    }

    fn weights(&self, map: &[[f64; 3]; 3]) -> Vec<f64> {
        let map = Homography(*map);
        let errors = errors_px(&self.pairs, |point| map.apply(point));
        let sigma = axis_sigma(&errors).max(1e-12);
        errors.iter().map(|error| tukey_weight(error / sigma)).collect()
    }

    fn in_pixels(&self, map: &[[f64; 3]; 3]) -> Option<Homography> {
        let (into, out) = self.scalings();
        homography(out.try_inverse()? * Matrix3::from_fn(|row, column| map[row][column]) * into)
    }

    fn normalized(&self, map: &Homography) -> Option<Homography> {
        let (into, out) = self.scalings();
        homography(out * Matrix3::from_fn(|row, column| map.0[row][column]) * into.try_inverse()?)
    }

    /// From pixels to units, of the light frame and of the reference frame.
    fn scalings(&self) -> (Matrix3<f64>, Matrix3<f64>) {
        let scaling = |center: Point| {
            let s = 1.0 / self.spread;
            Matrix3::new(s, 0.0, -s * center.x, 0.0, s, -s * center.y, 0.0, 0.0, 1.0)
        };
        (scaling(self.from_center), scaling(self.to_center))
    }
}

fn homography(matrix: Matrix3<f64>) -> Option<Homography> {
    let last = matrix[(2, 2)];
    (last.abs() > 1e-12)
        .then(|| Homography(std::array::from_fn(|row| std::array::from_fn(|column| matrix[(row, column)] / last))))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(map: impl Fn(Point) -> Point) -> Vec<(Point, Point)> {
        let places = (0..30).map(|n| Point { x: f64::from(n % 6) * 900.0, y: f64::from(n / 6) * 800.0 });
        let mut pairs: Vec<(Point, Point)> = places.map(|point| (point, map(point))).collect();
        pairs[7].1.x += 40.0;
        pairs[19].1.y -= 300.0;
        pairs
    }

    #[test]
    fn wild_pairs_do_not_move_a_similarity() {
        let (sine, cosine) = 0.4_f64.sin_cos();
        let map = |point: Point| Point {
            x: 1.1 * (cosine * point.x - sine * point.y) + 50.0,
            y: 1.1 * (sine * point.x + cosine * point.y) - 20.0,
        };
        let found = fit_similarity(&grid(map)).expect("many pairs");
        let probe = Point { x: 5000.0, y: 100.0 };
        let error = found.apply(probe).expect("a similarity has no horizon").distance(map(probe));
        assert!(error < 1e-6, "{error} px off");
    }

    #[test]
    fn wild_pairs_do_not_move_a_homography() {
        let truth = Homography([[0.98, -0.15, 30.0], [0.14, 1.02, -60.0], [1.2e-5, -8e-6, 1.0]]);
        let map = |point: Point| truth.apply(point).expect("in front of the horizon");
        let found = fit_homography(&grid(map)).expect("many pairs");
        let probe = Point { x: 5000.0, y: 100.0 };
        let error = found.apply(probe).expect("in front of the horizon").distance(map(probe));
        assert!(error < 1e-5, "{error} px off");
    }
}
