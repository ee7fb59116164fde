//! Invented star lists with their truth, made by a camera written apart from the program's own.
//!
//! Directions are turned by a matrix written out here, projected, and moved by a polynomial of the radius in
//! pixels over the half diagonal. Only this forward way exists: no inverse is shared with the program.

#![allow(dead_code, reason = "each user of this file takes a part of it")]

use nightsheaf::detect::Star;
use nightsheaf::pixels::{Point, Size};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A direction or a row of a matrix.
pub(crate) type Triple = [f64; 3];

/// How the invented lens projects.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Shape {
    /// Straight lines stay straight.
    Straight,
    /// The radius is the angle.
    Fisheye,
}

/// An invented camera.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TrueCamera {
    pub(crate) size: Size,
    pub(crate) shape: Shape,
    pub(crate) focal_px: f64,
    pub(crate) principal: Point,
    /// Distorted radius = radius (1 + Σ terms[n] u^(2n+2)), u the ideal radius over the half diagonal.
    pub(crate) terms: [f64; 3],
}

impl TrueCamera {
    /// A camera whose corner is shifted by a share of its ideal radius, mostly by the first term.
    pub(crate) fn with_corner_shift(size: Size, focal_px: f64, share: f64, wave: f64) -> Self {
        // The ideal radius over the half diagonal that lands in the corner.
        let u = 1.0 / (1.0 + share);
        let second = wave * share;
        let terms = [(share - second * u.powi(4)) / u.powi(2), second, 0.0];
        Self { size, shape: Shape::Straight, focal_px, principal: size.center(), terms }
    }

    /// Where a direction is seen; `None` behind the camera, outside the frame or past the lens's own field.
    pub(crate) fn see(&self, [x, y, z]: Triple) -> Option<Point> {
        let side = (x * x + y * y).sqrt();
        let radius = match self.shape {
            Shape::Straight if z > 0.02 => self.focal_px * side / z,
            Shape::Straight => return None,
            Shape::Fisheye => self.focal_px * side.atan2(z),
        };
        let half = 0.5 * (self.size.width as f64).hypot(self.size.height as f64);
        let u2 = (radius / half).powi(2);
        let slope = 1.0 + 3.0 * self.terms[0] * u2 + 5.0 * self.terms[1] * u2 * u2 + 7.0 * self.terms[2] * u2.powi(3);
        if slope < 0.15 || u2 > 4.0 {
            return None;
        }
        let moved = radius * (1.0 + u2 * (self.terms[0] + u2 * (self.terms[1] + u2 * self.terms[2])));
        let scale = if side > 0.0 { moved / side } else { 0.0 };
        let point = Point { x: self.principal.x + scale * x, y: self.principal.y + scale * y };
        let inside = point.x >= 0.0
            && point.y >= 0.0
            && point.x <= self.size.width as f64 - 1.0
            && point.y <= self.size.height as f64 - 1.0;
        inside.then_some(point)
    }
}

/// The matrix of a turn by `angle` about an axis of unit length (Rodrigues).
pub(crate) fn turn(axis: Triple, angle: f64) -> [Triple; 3] {
    let [x, y, z] = axis;
    let (s, c) = angle.sin_cos();
    let d = 1.0 - c;
    [
        [c + x * x * d, x * y * d - z * s, x * z * d + y * s],
        [y * x * d + z * s, c + y * y * d, y * z * d - x * s],
        [z * x * d - y * s, z * y * d + x * s, c + z * z * d],
    ]
}

/// A direction turned by a matrix.
pub(crate) fn turned(matrix: &[Triple; 3], v: Triple) -> Triple {
    matrix.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// The product of two matrices.
pub(crate) fn product(a: &[Triple; 3], b: &[Triple; 3]) -> [Triple; 3] {
    std::array::from_fn(|row| std::array::from_fn(|column| (0..3).map(|k| a[row][k] * b[k][column]).sum()))
}

/// Random numbers from a written seed.
pub(crate) fn random(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

/// A direction, evenly over the sphere.
pub(crate) fn any_direction(random: &mut impl Rng) -> Triple {
    let z = random.random_range(-1.0..1.0_f64);
    let (s, c) = random.random_range(0.0..std::f64::consts::TAU).sin_cos();
    let side = (1.0 - z * z).sqrt();
    [side * c, side * s, z]
}

/// A normal deviate.
pub(crate) fn normal(random: &mut impl Rng) -> f64 {
    StandardNormal.sample(random)
}

/// A brightness: ten times fainter is about ten times as frequent.
pub(crate) fn any_flux(random: &mut impl Rng) -> f64 {
    random.random_range(1e-3..1.0_f64).recip()
}

/// A star as the detector would list it.
pub(crate) fn star(centroid: Point, sigma_px: f64, flux: f64) -> Star {
    Star {
        centroid,
        centroid_sigma_px: sigma_px,
        flux,
        snr: 20.0,
        peak: 0.1,
        fwhm_px: 2.5,
        elongation: 1.0,
        angle_rad: 0.0,
        saturated: false,
    }
}

/// A detection of nothing, anywhere in the frame.
pub(crate) fn false_star(size: Size, random: &mut impl Rng) -> Star {
    let centroid = Point {
        x: random.random_range(0.0..size.width as f64 - 1.0),
        y: random.random_range(0.0..size.height as f64 - 1.0),
    };
    star(centroid, 0.1, any_flux(random))
}

/// Two lists of one sky, and where the common stars truly are in both.
pub(crate) struct TruePair {
    pub(crate) light: Vec<Star>,
    pub(crate) reference: Vec<Star>,
    pub(crate) common: Vec<(Point, Point)>,
}

/// Draws a pair of lists of `n_stars`: half of the frame in common, half of the detections false.
pub(crate) fn random_pair(camera: &TrueCamera, n_stars: usize, noise_px: f64, random: &mut impl Rng) -> TruePair {
    let reference_from_light = half_overlap(camera, random);
    let n_true = (n_stars / 2).max(12);
    let n_common = (n_true / 2).max(12);
    let mut lists: [Vec<Star>; 2] = [Vec::new(), Vec::new()];
    let mut common = Vec::new();
    while common.len() < n_common || lists[0].len() < n_true || lists[1].len() < n_true {
        let direction = any_direction(random);
        let flux = any_flux(random);
        let seen = [camera.see(direction), camera.see(turned(&reference_from_light, direction))];
        let both = seen[0].zip(seen[1]);
        if let Some(pair) = both {
            if common.len() == n_common {
                continue;
            }
            common.push(pair);
        }
        for (list, point) in lists.iter_mut().zip(seen) {
            // Room is kept for the common stars that are still to come.
            let n_room = if both.is_some() { n_true + n_common } else { n_true - n_common + common.len() };
            if let Some(point) = point.filter(|_| list.len() < n_room) {
                let noisy = Point { x: point.x + noise_px * normal(random), y: point.y + noise_px * normal(random) };
                list.push(star(noisy, noise_px, flux * (0.1 * normal(random)).exp()));
            }
        }
    }
    for list in &mut lists {
        while list.len() < n_stars {
            list.push(false_star(camera.size, random));
        }
    }
    let [light, reference] = lists;
    TruePair { light, reference, common }
}

/// A rotation with any roll after which about half of the frame is still in the frame.
fn half_overlap(camera: &TrueCamera, random: &mut impl Rng) -> [Triple; 3] {
    let roll = turn([0.0, 0.0, 1.0], random.random_range(0.0..std::f64::consts::TAU));
    let (s, c) = random.random_range(0.0..std::f64::consts::TAU).sin_cos();
    let probes: Vec<Triple> = (0..40_000).map(|_| any_direction(random)).filter(|v| camera.see(*v).is_some()).collect();
    let overlap = |tilt: f64| {
        let matrix = product(&turn([c, s, 0.0], tilt), &roll);
        probes.iter().filter(|v| camera.see(turned(&matrix, **v)).is_some()).count() as f64 / probes.len().max(1) as f64
    };
    let (mut low, mut high) = (0.0, 1.6);
    for _ in 0..20 {
        let middle = 0.5 * (low + high);
        if overlap(middle) > 0.5 { low = middle } else { high = middle }
    }
    product(&turn([c, s, 0.0], low), &roll)
}

/// A pair of lists drawn from everything that is asked of matching, and the focal length that is stated.
pub(crate) struct Trial {
    pub(crate) pair: TruePair,
    pub(crate) size: Size,
    pub(crate) stated_focal_px: f64,
    /// For the one who looks at a failure.
    pub(crate) what: String,
}

/// Any rotation, half of the frame in common, half of the detections false, the corner shifted by up to 14 %, 15
/// to 2,000 stars, at least 12 of them common; the stated focal length is off by 2 % (standard deviation).
pub(crate) fn trial(seed: u64) -> Trial {
    let size = Size { width: 6000, height: 4000 };
    let mut random = random(seed);
    let focal_mm = [10.0, 12.0, 14.0, 18.0, 24.0, 50.0][random.random_range(0..6)];
    let stated_focal_px = focal_mm / 23.5 * size.width as f64;
    let shift = random.random_range(-0.14..0.0);
    let wave = random.random_range(-0.3..0.3);
    let focal_px = stated_focal_px * (1.0 + 0.02 * normal(&mut random));
    let camera = TrueCamera::with_corner_shift(size, focal_px, shift, wave);
    let n_stars = any_number(&mut random);
    let pair = random_pair(&camera, n_stars, 0.1, &mut random);
    let what = format!("seed {seed}: {focal_mm} mm, corner {:.1} %, {n_stars} stars", 100.0 * shift);
    Trial { pair, size, stated_focal_px, what }
}

impl Trial {
    /// Whether a map brings nine of ten common stars to within 3 px of where they are.
    pub(crate) fn is_right(&self, map: impl Fn(Point) -> Option<Point>) -> bool {
        let error = |&(light, reference): &(Point, Point)| map(light).map_or(f64::INFINITY, |p| p.distance(reference));
        let n_right = self.pair.common.iter().filter(|pair| error(pair) < 3.0).count();
        10 * n_right >= 9 * self.pair.common.len()
    }
}

/// Two lists that have nothing in common.
pub(crate) fn unrelated(seed: u64) -> [Vec<Star>; 2] {
    let size = Size { width: 6000, height: 4000 };
    let mut random = random(1_000_000 + seed);
    let n_stars = any_number(&mut random);
    std::array::from_fn(|_| (0..n_stars).map(|_| false_star(size, &mut random)).collect())
}

/// 15 to 2,000, as often below 170 as above.
fn any_number(random: &mut impl Rng) -> usize {
    let number = random.random_range(15_f64.ln()..2000_f64.ln()).exp();
    nightsheaf::pixels::nearest_index(number, 2001).unwrap_or(2000)
}
