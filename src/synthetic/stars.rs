//! The invented stars: places, magnitudes and colours.

use std::f64::consts::PI;

use nalgebra::{Rotation3, Vector3};
use rand::RngExt;

use crate::synthetic::camera::{Camera, altitude_rad};
use crate::synthetic::noise::{Use, stream};
use crate::synthetic::scene::Scene;
use crate::synthetic::sky::Band;

/// Slope of the counts: N(< m) ∝ 10^(0.42 m). Common practice, no source; real skies have 0.4 to 0.5.
const COUNT_SLOPE: f64 = 0.42;

/// Brightest magnitude that is drawn by chance.
const BRIGHTEST_MAGNITUDE: f64 = -0.5;

/// Light lost per air mass, magnitudes. Common practice, no source.
const EXTINCTION_MAGNITUDES: f64 = 0.18;

/// Camera RGB of daylight, green 1: what the camera matrix of [`super::sensor`] gives for CIE D65.
pub(super) const DAYLIGHT: [f64; 3] = [0.4027, 1.0, 0.7142];

/// One invented star.
#[derive(Clone, Copy, Debug)]
pub(super) struct CatalogStar {
    /// True direction at time 0.
    pub(super) at_start: Vector3<f64>,
    pub(super) magnitude: f64,
    /// Light of each channel over that of green.
    pub(super) color: [f64; 3],
}

/// Stars all over the part of the sky that the burst sees, brightest first.
pub(super) fn catalog(scene: &Scene, camera: &Camera, band: &Band) -> Vec<CatalogStar> {
    let still = Rotation3::identity();
    let axis = camera.direction(camera.center, &still).expect("the axis is inside the lens");
    let middle_secs = scene.opening_secs(scene.n_lights) / 2.0;
    let reach = field_radius(scene, camera, &axis) + 0.02;
    let mut random = stream(scene.seed, Use::Stars, 0, 0);
    let mut stars = Vec::new();
    let mut n_inside = 0;
    // A camera that sees no sky at all ends the search.
    for _ in 0..scene.n_stars.saturating_mul(400) {
        if n_inside == scene.n_stars {
            break;
        }
        let apparent = near(&axis, reach, random.random(), random.random());
        let magnitude = magnitude(random.random(), scene.faintest_magnitude);
        let temperature = 2800.0 + 9000.0 * random.random::<f64>().powf(1.6);
        let at_start = camera.at_start(&apparent, middle_secs);
        let crowding = 0.4 + 0.6 * f64::from(band.brightness(&at_start)).min(1.0);
        if random.random::<f64>() > crowding {
            continue;
        }
        let inside = camera.pixel(&apparent, &still).is_some_and(|pixel| {
            (0.0..scene.size.width as f64).contains(&pixel.x) && (0.0..scene.size.height as f64).contains(&pixel.y)
        });
        n_inside += usize::from(inside);
        stars.push(CatalogStar { at_start, magnitude, color: black_body(temperature) });
    }
    stars.sort_by(|a, b| a.magnitude.total_cmp(&b.magnitude));
    stars
}

/// Share of starlight that comes through clear air.
pub(super) fn extinction(apparent: &Vector3<f64>) -> f64 {
    // Kasten and Young 1989: air mass down to the horizon.
    let altitude = altitude_rad(apparent).to_degrees().max(0.0);
    let air_mass = 1.0 / (altitude.to_radians().sin() + 0.505_72 * (altitude + 6.079_95).powf(-1.636_4));
    10_f64.powf(-0.4 * EXTINCTION_MAGNITUDES * (air_mass - 1.0))
}

/// Angle from the axis to the farthest corner, and how far the sky turns in half the burst.
fn field_radius(scene: &Scene, camera: &Camera, axis: &Vector3<f64>) -> f64 {
    let (right, bottom) = (scene.size.width as f64, scene.size.height as f64);
    let corners = [(0.0, 0.0), (right, 0.0), (0.0, bottom), (right, bottom)];
    let widest = corners
        .into_iter()
        .map(|(x, y)| camera.direction(crate::pixels::Point { x, y }, &Rotation3::identity()))
        .map(|corner| corner.map_or(PI, |corner| corner.angle(axis)))
        .fold(0.0, f64::max);
    let turned = super::camera::SIDEREAL_RAD_PER_SEC * scene.opening_secs(scene.n_lights + 1) / 2.0;
    (widest + turned).min(PI)
}

/// A direction drawn evenly from the cap of angle `reach` around `axis`.
fn near(axis: &Vector3<f64>, reach: f64, height: f64, turn: f64) -> Vector3<f64> {
    let cos = 1.0 - height * (1.0 - reach.cos());
    let sin = (1.0 - cos * cos).max(0.0).sqrt();
    let (turn_sin, turn_cos) = (2.0 * PI * turn).sin_cos();
    let side = if axis.z.abs() < 0.9 { axis.cross(&Vector3::z()) } else { axis.cross(&Vector3::x()) }.normalize();
    let other = axis.cross(&side);
    (cos * axis + sin * (turn_cos * side + turn_sin * other)).normalize()
}

/// The magnitude below which the share `share` of all stars down to `faintest` lies.
fn magnitude(share: f64, faintest: f64) -> f64 {
    (faintest + share.max(1e-12).log10() / COUNT_SLOPE).max(BRIGHTEST_MAGNITUDE)
}

/// Planck's law at 600, 540 and 460 nm against daylight (6504 K), green 1, through the camera's channels.
fn black_body(kelvin: f64) -> [f64; 3] {
    // Second radiation constant, CODATA 2018: 1.438 776 877e-2 m K.
    let planck =
        |nanometers: f64, kelvin: f64| nanometers.powi(-5) / ((1.438_776_877e7 / (nanometers * kelvin)).exp() - 1.0);
    let relative = [600.0, 540.0, 460.0].map(|nanometers| planck(nanometers, kelvin) / planck(nanometers, 6504.0));
    std::array::from_fn(|channel| DAYLIGHT[channel] * relative[channel] / relative[1])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hot_stars_are_bluer_than_cool_ones() {
        let (cool, hot) = (black_body(3000.0), black_body(12_000.0));
        assert!(cool[0] / cool[2] > 2.0 * hot[0] / hot[2], "cool {cool:?}, hot {hot:?}");
        assert!((black_body(6504.0)[0] - DAYLIGHT[0]).abs() < 1e-9, "daylight is neutral");
    }

    #[test]
    fn each_magnitude_fainter_has_ten_to_the_0_42_times_more_stars() {
        // Share s of the stars lies below magnitude faintest + log10(s) / 0.42.
        assert!((magnitude(1.0, 8.0) - 8.0).abs() < 1e-12, "all stars");
        assert!((magnitude(10_f64.powf(-0.42), 8.0) - 7.0).abs() < 1e-12, "one magnitude brighter");
    }
}
