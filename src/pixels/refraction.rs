//! Refraction by the air: how much higher a star is seen than it stands.
//!
//! Bennett, "The calculation of astronomical refraction in marine navigation", Journal of Navigation 35,
//! 1982: R = cot(h + 7.31/(h + 4.4)), R in arc minutes, h the apparent altitude in degrees, at 1010 hPa and
//! 10 °C. The way back solves the same formula, so that both cancel.

use nalgebra::Vector3;

/// Below this apparent altitude, in degrees, the refraction stays what it is here: nothing of the sky is lower.
const LOWEST_ALTITUDE_DEG: f64 = -0.5;

/// The air above a camera that stands still.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Refraction {
    zenith: Vector3<f64>,
}

impl Refraction {
    /// The air with straight up in camera axes (any length but zero).
    #[must_use]
    pub fn new(zenith: Vector3<f64>) -> Self {
        Self { zenith: zenith.normalize() }
    }

    /// Straight up, in camera axes.
    #[must_use]
    pub fn zenith(&self) -> Vector3<f64> {
        self.zenith
    }

    /// Where a star stands that is seen in the given direction.
    #[must_use]
    pub fn true_from_apparent(&self, seen: &Vector3<f64>) -> Vector3<f64> {
        self.with_altitude(seen, |apparent_deg| apparent_deg - refraction_deg(apparent_deg))
    }

    /// Where a star is seen that stands in the given direction.
    #[must_use]
    pub fn apparent_from_true(&self, stands: &Vector3<f64>) -> Vector3<f64> {
        self.with_altitude(stands, apparent_altitude_deg)
    }

    fn with_altitude(&self, ray: &Vector3<f64>, altitude_deg: impl Fn(f64) -> f64) -> Vector3<f64> {
        let up = ray.dot(&self.zenith);
        let level = ray - self.zenith * up;
        let across = level.norm();
        if across < 1e-9 {
            return *ray;
        }
        let (sine, cosine) = altitude_deg(up.atan2(across).to_degrees()).to_radians().sin_cos();
        level * (cosine / across) + self.zenith * sine
    }
}

/// Refraction in degrees at an apparent altitude in degrees.
#[must_use]
pub fn refraction_deg(apparent_deg: f64) -> f64 {
    let altitude = apparent_deg.max(LOWEST_ALTITUDE_DEG);
    let argument = (altitude + 7.31 / (altitude + 4.4)).to_radians();
    // The formula falls a tenth of an arc minute below zero at the zenith.
    (argument.tan().recip() / 60.0).max(0.0)
}

/// Apparent altitude of a star that stands at a true altitude, both in degrees: Newton's method, which needs two or
/// three steps because refraction changes slowly.
fn apparent_altitude_deg(true_deg: f64) -> f64 {
    let mut apparent = true_deg + refraction_deg(true_deg);
    for _ in 0..30 {
        let refraction = refraction_deg(apparent);
        let error = apparent - refraction - true_deg;
        if error.abs() < 1e-13 {
            break;
        }
        apparent -= error / (1.0 - refraction_slope(apparent, refraction));
    }
    apparent
}

/// Derivative of the refraction by the apparent altitude: of the cotangent, -1 - cot², times that of its argument.
fn refraction_slope(apparent_deg: f64, refraction_deg: f64) -> f64 {
    if apparent_deg < LOWEST_ALTITUDE_DEG || refraction_deg <= 0.0 {
        return 0.0;
    }
    let cotangent = 60.0 * refraction_deg;
    let argument_slope = 1.0 - 7.31 / (apparent_deg + 4.4).powi(2);
    -(1.0 + cotangent * cotangent) * argument_slope.to_radians() / 60.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Meeus, *Astronomical Algorithms*, 2nd ed., chapter 16, example 16.a (value from memory): the lower limb
    /// of the Sun at 0° 30′ is refracted by 28.754′.
    #[test]
    fn bennetts_formula_gives_the_worked_value() {
        let refraction_arcmin = 60.0 * refraction_deg(0.5);
        assert!((refraction_arcmin - 28.754).abs() < 5e-4, "{refraction_arcmin}′");
    }

    /// Meeus, the same chapter: about 34.5′ at the horizon and 1′ at 45° (round figures).
    #[test]
    fn refraction_falls_from_the_horizon_to_nothing_at_the_zenith() {
        assert!((60.0 * refraction_deg(0.0) - 34.5).abs() < 0.1, "half a degree at the horizon");
        assert!((60.0 * refraction_deg(45.0) - 1.0).abs() < 0.02, "one arc minute half way up");
        assert_eq!(refraction_deg(90.0), 0.0, "none straight up");
    }

    #[test]
    fn true_and_apparent_directions_cancel() {
        let air = Refraction::new(Vector3::new(0.0, -1.0, 0.2));
        for altitude_deg in [-30.0, -0.5, 0.0, 0.3, 2.0, 10.0, 45.0, 89.0_f64] {
            let (sine, cosine) = altitude_deg.to_radians().sin_cos();
            let level = air.zenith.cross(&Vector3::x()).normalize();
            let seen = level * cosine + air.zenith * sine;
            let back = air.apparent_from_true(&air.true_from_apparent(&seen));
            assert!((back - seen).norm() < 1e-12, "{altitude_deg}° comes back {} away", (back - seen).norm());
        }
    }
}
