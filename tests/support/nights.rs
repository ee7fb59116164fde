//! Invented nights: a camera on a tripod below a turning, refracting sky, as star lists with their truth.

#![allow(dead_code, reason = "each user of this file takes a part of it")]

use nightsheaf::detect::Star;
use nightsheaf::pixels::{Point, Size};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::star_lists::{Triple, TrueCamera, any_direction, any_flux, false_star, normal, random, star, turn, turned};

/// One turn of the Earth against the stars, seconds (IERS: 86164.0905).
const SIDEREAL_DAY_SECS: f64 = 86_164.090_5;

/// A tripod, a camera and a sky.
#[derive(Clone)]
pub(crate) struct Night {
    pub(crate) camera: TrueCamera,
    pub(crate) zenith: Triple,
    pub(crate) pole: Triple,
    pub(crate) refracts: bool,
    /// Directions at time zero above the air, and brightness.
    pub(crate) stars: Vec<(Triple, f64)>,
    /// Lights that stand still, as directions from the camera.
    pub(crate) lights: Vec<Triple>,
    /// How the camera was turned on its tripod since time zero.
    pub(crate) knock: [Triple; 3],
    pub(crate) n_false: usize,
    pub(crate) noise_px: f64,
    pub(crate) completeness: f64,
    random: ChaCha8Rng,
}

/// Where the camera looks.
#[derive(Clone, Copy)]
pub(crate) struct Pointing {
    pub(crate) altitude_deg: f64,
    /// The pole is this far to the right of the camera.
    pub(crate) pole_azimuth_deg: f64,
    pub(crate) latitude_deg: f64,
}

impl Pointing {
    pub(crate) const SOUTH: Self = Self { altitude_deg: 25.0, pole_azimuth_deg: 150.0, latitude_deg: 46.5 };
    pub(crate) const POLE: Self = Self { altitude_deg: 40.0, pole_azimuth_deg: 10.0, latitude_deg: 46.5 };
}

impl Night {
    /// About `n_stars` in the frame at any time.
    pub(crate) fn new(camera: TrueCamera, pointing: Pointing, n_stars: usize, seed: u64) -> Self {
        let (sa, ca) = pointing.altitude_deg.to_radians().sin_cos();
        let zenith = [0.0, -ca, sa];
        let level = [0.0, sa, ca];
        let (sl, cl) = pointing.latitude_deg.to_radians().sin_cos();
        let (sp, cp) = pointing.pole_azimuth_deg.to_radians().sin_cos();
        let pole = [cl * sp, sl * zenith[1] + cl * cp * level[1], sl * zenith[2] + cl * cp * level[2]];
        let mut random = random(seed);
        // The share of the sphere that the frame sees gives the number of stars on all of it.
        let n_probes = 40_000;
        let n_seen = (0..n_probes).filter(|_| camera.see(any_direction(&mut random)).is_some()).count();
        let n_sky = n_stars * n_probes / n_seen.max(1);
        let stars = (0..n_sky).map(|_| (any_direction(&mut random), any_flux(&mut random))).collect();
        Self {
            camera,
            zenith,
            pole,
            refracts: false,
            stars,
            lights: Vec::new(),
            knock: turn([0.0, 0.0, 1.0], 0.0),
            n_false: n_stars / 5,
            noise_px: 0.1,
            completeness: 0.85,
            random,
        }
    }

    /// The same with air.
    pub(crate) fn with_air(self) -> Self {
        Self { refracts: true, ..self }
    }

    /// The same with lights in the lower third of the picture and hot pixels anywhere.
    pub(crate) fn with_lights(mut self, n_lights: usize) -> Self {
        let height = self.camera.size.height as f64;
        while self.lights.len() < n_lights {
            let direction = any_direction(&mut self.random);
            let anywhere = self.lights.len().is_multiple_of(3);
            if self.camera.see(direction).is_some_and(|point| anywhere || point.y > 0.67 * height) {
                self.lights.push(direction);
            }
        }
        self
    }

    /// Where a direction of time zero is seen at another time, if the sky is clear there.
    pub(crate) fn seen_at(&self, direction: Triple, secs: f64) -> Option<Point> {
        let angle = std::f64::consts::TAU * secs / SIDEREAL_DAY_SECS;
        let ray = turned(&turn(self.pole, angle), direction);
        let ray = if self.refracts { lifted(ray, self.zenith) } else { ray };
        let up: f64 = ray.iter().zip(self.zenith).map(|(a, b)| a * b).sum();
        (up > 2_f64.to_radians().sin()).then(|| self.camera.see(turned(&self.knock, ray))).flatten()
    }

    /// What a detector would list at a time, true stars first.
    pub(crate) fn list_at(&mut self, secs: f64) -> Vec<Star> {
        let mut list = Vec::new();
        for (direction, flux) in self.stars.clone() {
            let Some(point) = self.seen_at(direction, secs) else { continue };
            if self.random.random_range(0.0..1.0) < self.completeness {
                let jitter = (0.1 * normal(&mut self.random)).exp();
                list.push(star(self.shaken(point, self.noise_px), self.noise_px, flux * jitter));
            }
        }
        for light in self.lights.clone() {
            let flux = 30.0 * any_flux(&mut self.random);
            if let Some(point) = self.camera.see(turned(&self.knock, light)) {
                list.push(star(self.shaken(point, 0.05), 0.05, flux));
            }
        }
        for _ in 0..self.n_false {
            list.push(false_star(self.camera.size, &mut self.random));
        }
        list
    }

    /// True places of directions spread over the sky: at `secs`, and at time zero, both in the frame.
    pub(crate) fn truth(&self, secs: f64) -> Vec<(Point, Point)> {
        let mut random = random(77);
        let at_zero = Self { knock: turn([0.0, 0.0, 1.0], 0.0), ..self.clone() };
        let directions = (0..60_000).map(|_| any_direction(&mut random));
        directions.filter_map(|v| self.seen_at(v, secs).zip(at_zero.seen_at(v, 0.0))).collect()
    }

    fn shaken(&mut self, point: Point, sigma_px: f64) -> Point {
        Point { x: point.x + sigma_px * normal(&mut self.random), y: point.y + sigma_px * normal(&mut self.random) }
    }
}

/// Root mean square of errors in the middle (to 0.35 of the half diagonal) and in the corners (beyond 0.85).
pub(crate) fn center_and_corner_rms(
    size: Size,
    truth: &[(Point, Point)],
    map: impl Fn(Point) -> Option<Point>,
) -> (f64, f64) {
    let half = 0.5 * (size.width as f64).hypot(size.height as f64);
    let rms = |low: f64, high: f64| {
        let inside = truth.iter().filter(|(_, reference)| {
            let radius = reference.distance(size.center()) / half;
            radius >= low && radius < high
        });
        let squares: Vec<f64> =
            inside.map(|&(light, reference)| map(light).map_or(1e9, |seen| seen.distance(reference)).powi(2)).collect();
        (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt()
    };
    (rms(0.0, 0.35), rms(0.85, 1.1))
}

/// A direction lifted by the air: Saemundsson, Sky & Telescope 72, 1986, R = 1.02 cot(h + 10.3/(h + 5.11)),
/// from the true altitude; a formula apart from the program's, within 0.1′ of it.
fn lifted(ray: Triple, zenith: Triple) -> Triple {
    let up: f64 = ray.iter().zip(zenith).map(|(a, b)| a * b).sum();
    let altitude_deg = up.clamp(-1.0, 1.0).asin().to_degrees();
    let argument = (altitude_deg.max(-1.0) + 10.3 / (altitude_deg.max(-1.0) + 5.11)).to_radians();
    let lift = (1.02 / argument.tan() / 60.0).max(0.0).to_radians();
    let axis = [
        ray[1] * zenith[2] - ray[2] * zenith[1],
        ray[2] * zenith[0] - ray[0] * zenith[2],
        ray[0] * zenith[1] - ray[1] * zenith[0],
    ];
    let norm = axis.iter().map(|a| a * a).sum::<f64>().sqrt();
    if norm < 1e-9 { ray } else { turned(&turn(axis.map(|a| a / norm), lift), ray) }
}
