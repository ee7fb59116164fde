//! From a direction in the sky to a pixel and back: pointing, rotation of the sky, refraction, lens.
//!
//! Refraction: G. G. Bennett, "The calculation of astronomical refraction in marine navigation",
//! Journal of Navigation 35 (1982), as in J. Meeus, Astronomical Algorithms, chapter 16:
//! R = cot(h + 7.31° / (h/° + 4.4)) in minutes of arc at apparent altitude h, for 1010 hPa and 10 °C.
//! The turn of the sky: 360° in one sidereal day of 86 164.0905 s (IERS conventions; from memory).

use nalgebra::{Matrix3, Rotation3, Unit, Vector3};
use serde::{Deserialize, Serialize};

use crate::pixels::{Point, Size};

/// Turn of the sky, radians a second: 15.041 seconds of arc.
pub(super) const SIDEREAL_RAD_PER_SEC: f64 = 2.0 * std::f64::consts::PI / 86_164.090_5;

/// Below this apparent altitude Bennett's formula is not meant to be used; its value there is held.
const LOWEST_REFRACTION_DEG: f64 = -1.0;

/// How the lens draws an angle from its axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Projection {
    /// Straight lines stay straight: focal length times the tangent of the angle.
    Rectilinear,
    /// Fisheye: focal length times the angle.
    Equidistant,
}

/// Optics of an invented camera.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lens {
    /// How it draws without distortion.
    pub projection: Projection,
    /// Focal length.
    pub focal_mm: f64,
    /// Width of the sensor.
    pub sensor_width_mm: f64,
    /// `k1`, `k2` of r_drawn = r (1 + k1 r² + k2 r⁴); r is the radius that the pure projection would give,
    /// in units of half the frame's diagonal.
    pub distortion: [f64; 2],
    /// Scale of the drawn radius for red, green, blue; green is the one that positions are told for.
    pub lateral_scale: [f64; 3],
    /// From the middle of the frame to the optical axis.
    pub center_offset_px: [f64; 2],
}

/// Where the camera looks.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pointing {
    /// Of the optical axis above the horizon.
    pub altitude_deg: f64,
    /// From north through east.
    pub azimuth_deg: f64,
    /// Clockwise turn of the camera about its axis, seen from behind it.
    pub roll_deg: f64,
}

/// The camera on its tripod under a turning sky.
#[derive(Clone, Debug)]
pub(super) struct Camera {
    lens: Lens,
    focal_px: f64,
    half_diagonal_px: f64,
    /// Where the optical axis meets the sensor.
    pub(super) center: Point,
    /// Largest radius before the distortion folds back, in half diagonals.
    fold: f64,
    ray_from_direction: Rotation3<f64>,
    pole: Unit<Vector3<f64>>,
    refraction: bool,
}

impl Camera {
    pub(super) fn new(size: Size, lens: Lens, pointing: Pointing, latitude_deg: f64, refraction: bool) -> Self {
        let middle = size.center();
        let latitude = latitude_deg.to_radians();
        Self {
            lens,
            focal_px: lens.focal_mm / lens.sensor_width_mm * size.width as f64,
            half_diagonal_px: 0.5 * (size.width as f64).hypot(size.height as f64),
            center: Point { x: middle.x + lens.center_offset_px[0], y: middle.y + lens.center_offset_px[1] },
            fold: fold_radius(lens.distortion),
            ray_from_direction: ray_from_direction(pointing),
            pole: Unit::new_unchecked(Vector3::new(0.0, latitude.cos(), latitude.sin())),
            refraction,
        }
    }

    /// Apparent direction at time `secs` of what stands at the true direction `at_start` at time 0.
    pub(super) fn apparent(&self, at_start: &Vector3<f64>, secs: f64) -> Vector3<f64> {
        let now = Rotation3::from_axis_angle(&self.pole, -SIDEREAL_RAD_PER_SEC * secs) * at_start;
        if self.refraction { lifted(&now) } else { now }
    }

    /// True direction at time 0 of what appears in `direction` at time `secs`.
    pub(super) fn at_start(&self, direction: &Vector3<f64>, secs: f64) -> Vector3<f64> {
        let now = if self.refraction { lowered(direction) } else { *direction };
        Rotation3::from_axis_angle(&self.pole, SIDEREAL_RAD_PER_SEC * secs) * now
    }

    /// Where a direction is drawn by a camera turned by `knock` from its first position.
    pub(super) fn pixel(&self, direction: &Vector3<f64>, knock: &Rotation3<f64>) -> Option<Point> {
        self.pixel_of_ray(&(knock.inverse() * (self.ray_from_direction * direction)))
    }

    /// The direction that is drawn at a pixel.
    pub(super) fn direction(&self, pixel: Point, knock: &Rotation3<f64>) -> Option<Vector3<f64>> {
        Some(self.ray_from_direction.inverse() * (knock * self.ray_of_pixel(pixel)?))
    }

    /// Where the pixel of a knocked camera would be in its first position; for what stands on the ground.
    pub(super) fn before_knock(&self, pixel: Point, knock: &Rotation3<f64>) -> Option<Point> {
        self.pixel_of_ray(&(knock * self.ray_of_pixel(pixel)?))
    }

    /// Radius of a pixel from the optical axis in half diagonals.
    pub(super) fn radius(&self, pixel: Point) -> f64 {
        pixel.distance(self.center) / self.half_diagonal_px
    }

    fn pixel_of_ray(&self, ray: &Vector3<f64>) -> Option<Point> {
        let across = ray.x.hypot(ray.y);
        let pure = match self.lens.projection {
            Projection::Rectilinear if ray.z <= 1e-3 => return None,
            Projection::Rectilinear => across / ray.z,
            Projection::Equidistant => across.atan2(ray.z),
        } * self.focal_px
            / self.half_diagonal_px;
        if pure >= self.fold {
            return None;
        }
        let scale = if across < 1e-12 { 0.0 } else { self.half_diagonal_px * self.drawn(pure) / across };
        Some(Point { x: self.center.x + scale * ray.x, y: self.center.y + scale * ray.y })
    }

    fn ray_of_pixel(&self, pixel: Point) -> Option<Vector3<f64>> {
        let (dx, dy) = (pixel.x - self.center.x, pixel.y - self.center.y);
        let drawn = dx.hypot(dy) / self.half_diagonal_px;
        if drawn < 1e-12 {
            return Some(Vector3::z());
        }
        let pure = self.undrawn(drawn)? * self.half_diagonal_px / self.focal_px;
        let angle = match self.lens.projection {
            Projection::Rectilinear => pure.atan(),
            Projection::Equidistant if pure > std::f64::consts::PI => return None,
            Projection::Equidistant => pure,
        };
        let scale = angle.sin() / (drawn * self.half_diagonal_px);
        Some(Vector3::new(scale * dx, scale * dy, angle.cos()))
    }

    fn drawn(&self, pure: f64) -> f64 {
        let [k1, k2] = self.lens.distortion;
        let square = pure * pure;
        pure * (1.0 + square * (k1 + square * k2))
    }

    /// Newton's method on the distortion polynomial; `None` outside what the lens draws.
    fn undrawn(&self, drawn: f64) -> Option<f64> {
        let [k1, k2] = self.lens.distortion;
        let mut pure = drawn.min(self.fold);
        for _ in 0..30 {
            let square = pure * pure;
            let slope = 1.0 + square * (3.0 * k1 + square * 5.0 * k2);
            let step = (self.drawn(pure) - drawn) / slope.max(1e-3);
            pure -= step;
            if step.abs() < 1e-14 {
                break;
            }
        }
        (pure < self.fold && (self.drawn(pure) - drawn).abs() < 1e-9).then_some(pure)
    }
}

/// Altitude of a direction.
pub(super) fn altitude_rad(direction: &Vector3<f64>) -> f64 {
    direction.z.atan2(direction.x.hypot(direction.y))
}

/// The direction at an altitude and an azimuth.
pub(super) fn direction(altitude_rad: f64, azimuth_rad: f64) -> Vector3<f64> {
    let level = altitude_rad.cos();
    Vector3::new(level * azimuth_rad.sin(), level * azimuth_rad.cos(), altitude_rad.sin())
}

/// First radius at which the distorted radius stops growing; infinite where it never does.
fn fold_radius([k1, k2]: [f64; 2]) -> f64 {
    // 1 + 3 k1 s + 5 k2 s² = 0 for s = r².
    let roots = if k2.abs() < 1e-15 {
        [-1.0 / (3.0 * k1), f64::NAN]
    } else {
        let root = (9.0 * k1 * k1 - 20.0 * k2).sqrt();
        [(-3.0 * k1 - root) / (10.0 * k2), (-3.0 * k1 + root) / (10.0 * k2)]
    };
    roots.into_iter().filter(|&square| square > 0.0).fold(f64::INFINITY, f64::min).sqrt()
}

fn ray_from_direction(pointing: Pointing) -> Rotation3<f64> {
    let (altitude, azimuth) = (pointing.altitude_deg.to_radians(), pointing.azimuth_deg.to_radians());
    let forward = direction(altitude, azimuth);
    let level_right = Vector3::new(azimuth.cos(), -azimuth.sin(), 0.0);
    let level_down = forward.cross(&level_right);
    let (sin, cos) = pointing.roll_deg.to_radians().sin_cos();
    let right = cos * level_right + sin * level_down;
    let down = cos * level_down - sin * level_right;
    Rotation3::from_matrix_unchecked(Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]))
}

/// Refraction in degrees at an apparent altitude in degrees.
fn bennett_deg(apparent_deg: f64) -> f64 {
    let altitude = apparent_deg.max(LOWEST_REFRACTION_DEG);
    1.0 / (60.0 * (altitude + 7.31 / (altitude + 4.4)).to_radians().tan())
}

fn lowered(apparent: &Vector3<f64>) -> Vector3<f64> {
    let altitude = altitude_rad(apparent).to_degrees();
    with_altitude(apparent, altitude - bennett_deg(altitude))
}

fn lifted(true_direction: &Vector3<f64>) -> Vector3<f64> {
    let true_altitude = altitude_rad(true_direction).to_degrees();
    let mut apparent = true_altitude;
    // Each round shrinks the error by the slope of refraction, at most 0.2 at the horizon.
    for _ in 0..30 {
        let next = true_altitude + bennett_deg(apparent);
        let change = next - apparent;
        apparent = next;
        if change.abs() < 1e-13 {
            break;
        }
    }
    with_altitude(true_direction, apparent)
}

fn with_altitude(at: &Vector3<f64>, altitude_deg: f64) -> Vector3<f64> {
    direction(altitude_deg.to_radians(), at.x.atan2(at.y))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 6000, height: 4000 };

    fn lens(projection: Projection, distortion: [f64; 2]) -> Lens {
        Lens {
            projection,
            focal_mm: 12.0,
            sensor_width_mm: 23.5,
            distortion,
            lateral_scale: [1.0; 3],
            center_offset_px: [3.0, -2.0],
        }
    }

    fn camera(pointing: Pointing, lens: Lens, refraction: bool) -> Camera {
        Camera::new(SIZE, lens, pointing, 46.5, refraction)
    }

    const SOUTH: Pointing = Pointing { altitude_deg: 20.0, azimuth_deg: 170.0, roll_deg: 3.0 };

    #[test]
    fn every_pixel_and_its_direction_belong_together() {
        for projection in [Projection::Rectilinear, Projection::Equidistant] {
            let camera = camera(SOUTH, lens(projection, [-0.12, 0.03]), true);
            let knock = Rotation3::new(Vector3::new(0.002, -0.001, 0.003));
            for (x, y) in [(0.0, 0.0), (5999.0, 3999.0), (3002.5, 1997.5), (17.25, 3000.0)] {
                let pixel = Point { x, y };
                let direction = camera.direction(pixel, &knock).expect("inside the lens");
                let back = camera.pixel(&direction, &knock).expect("in front of the camera");
                assert!(back.distance(pixel) < 1e-6, "{projection:?}: {pixel:?} came back as {back:?}");
            }
        }
    }

    #[test]
    fn the_pole_stands_still() {
        let pointing = Pointing { altitude_deg: 46.5, azimuth_deg: 0.0, roll_deg: 0.0 };
        let camera = camera(pointing, lens(Projection::Rectilinear, [0.0; 2]), false);
        let pole = direction(46.5_f64.to_radians(), 0.0);
        let still = Rotation3::identity();
        for secs in [0.0, 600.0, 7200.0] {
            let pixel = camera.pixel(&camera.apparent(&pole, secs), &still).expect("straight ahead");
            assert!(pixel.distance(camera.center) < 1e-6, "the pole is at {pixel:?} after {secs} s");
        }
    }

    /// A star on the equator crosses the axis at 15.041 arcsec a second: focal length times angle, towards west.
    #[test]
    fn a_star_on_the_equator_moves_west_by_the_sidereal_rate() {
        let pointing = Pointing { altitude_deg: 43.5, azimuth_deg: 180.0, roll_deg: 0.0 };
        let camera = camera(pointing, lens(Projection::Rectilinear, [0.0; 2]), false);
        let star = direction(43.5_f64.to_radians(), std::f64::consts::PI);
        let pixel = camera.pixel(&camera.apparent(&star, 10.0), &Rotation3::identity()).expect("ahead");
        let expected = 12.0 / 23.5 * 6000.0 * (150.41_f64 / 3600.0).to_radians();
        assert!((pixel.x - camera.center.x - expected).abs() < 2e-3, "moved {} px right", pixel.x - camera.center.x);
        assert!((pixel.y - camera.center.y).abs() < 2e-3, "moved {} px down", pixel.y - camera.center.y);
    }

    /// Meeus, Astronomical Algorithms, example 16.a: apparent 0.5°, refraction 28.754′ by Bennett's formula.
    #[test]
    fn refraction_agrees_with_the_worked_example() {
        assert!((60.0 * bennett_deg(0.5) - 28.754).abs() < 5e-4, "{}′", 60.0 * bennett_deg(0.5));
        let low = direction(0.5_f64.to_radians(), 2.0);
        let back = lifted(&lowered(&low));
        assert!((back - low).norm() < 1e-13, "there and back differ by {}", (back - low).norm());
    }

    #[test]
    fn a_roll_turns_the_zenith_to_the_left() {
        // The camera is turned clockwise, so what was up leans counter-clockwise in the picture.
        let pointing = Pointing { altitude_deg: 0.0, azimuth_deg: 180.0, roll_deg: 10.0 };
        let camera = camera(pointing, lens(Projection::Rectilinear, [0.0; 2]), false);
        let above = camera.pixel(&direction(0.1, std::f64::consts::PI), &Rotation3::identity()).expect("ahead");
        assert!(above.x < camera.center.x && above.y < camera.center.y, "{above:?}");
    }
}
