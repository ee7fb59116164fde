//! The Sun's apparent place, good to 0.01°.
//!
//! Source: Meeus, *Astronomical Algorithms*, 2nd ed., chapter 25, low accuracy. An error of 0.01°
//! moves a sunset of the temperate zones by 3 s.

use super::coordinates::{
    Equatorial, Place, altitude_deg, apparent_sidereal_deg, equatorial_from_ecliptic, mean_obliquity_deg, wrap_180,
};
use super::time::{centuries, day_tt, polynomial};

/// Where the Sun's center stands when its upper limb touches the horizon: refraction 34′, radius 16′
/// (Meeus, chapter 15).
pub(super) const RISE_ALTITUDE_DEG: f64 = -50.0 / 60.0;

/// Turns of the Earth against the mean Sun, degrees a day.
const DEG_PER_DAY: f64 = 360.0;

/// The Sun seen from the center of the Earth.
pub(super) struct Sun {
    pub(super) direction: Equatorial,
    /// In astronomical units.
    pub(super) distance_au: f64,
}

/// The apparent place at an instant of terrestrial time.
pub(super) fn sun(day_tt: f64) -> Sun {
    let t = centuries(day_tt);
    let mean_longitude_deg = polynomial(t, &[280.466_46, 36_000.769_83, 0.000_303_2]);
    let anomaly_deg = polynomial(t, &[357.529_11, 35_999.050_29, -0.000_153_7]);
    let eccentricity = polynomial(t, &[0.016_708_634, -0.000_042_037, -0.000_000_126_7]);
    let anomaly = anomaly_deg.to_radians();
    let center_deg = polynomial(t, &[1.914_602, -0.004_817, -0.000_014]) * anomaly.sin()
        + polynomial(t, &[0.019_993, -0.000_101]) * (2.0 * anomaly).sin()
        + 0.000_289 * (3.0 * anomaly).sin();
    let true_anomaly = (anomaly_deg + center_deg).to_radians();
    // Aberration and the largest term of nutation.
    let node = (125.04 - 1934.136 * t).to_radians();
    let longitude_deg = mean_longitude_deg + center_deg - 0.005_69 - 0.004_78 * node.sin();
    let obliquity_deg = mean_obliquity_deg(t) + 0.002_56 * node.cos();
    Sun {
        direction: equatorial_from_ecliptic(longitude_deg, 0.0, obliquity_deg),
        distance_au: 1.000_001_018 * (1.0 - eccentricity * eccentricity) / (1.0 + eccentricity * true_anomaly.cos()),
    }
}

/// Altitude of the Sun's center at a place.
pub(super) fn sun_altitude_deg(day_ut: f64, place: Place) -> f64 {
    altitude_deg(sun(day_tt(day_ut)).direction, place, apparent_sidereal_deg(day_ut))
}

/// The first instant at or after `day_ut` when the Sun stands due opposite its noon: solar midnight.
pub(super) fn next_solar_midnight(day_ut: f64, place: Place) -> f64 {
    let past_midnight_deg = |day: f64| {
        let right_ascension_deg = sun(day_tt(day)).direction.right_ascension_deg;
        apparent_sidereal_deg(day) + place.longitude_deg - right_ascension_deg - 180.0
    };
    let mut midnight = day_ut + (-past_midnight_deg(day_ut)).rem_euclid(360.0) / DEG_PER_DAY;
    // Each turn leaves under 1/100 of the last error, which is at most 30 s.
    for _ in 0..3 {
        midnight -= wrap_180(past_midnight_deg(midnight)) / DEG_PER_DAY;
    }
    midnight
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Meeus, example 25.a: 1992 October 13, 0h TD: 13h13m31.4s, −7°47′06″, 0.99766 AU.
    #[test]
    fn the_sun_is_where_meeus_example_25a_puts_it() {
        let sun = sun(2_448_908.5);
        assert!((sun.direction.right_ascension_deg - 198.380_83).abs() < 1e-5, "{:?}", sun.direction);
        assert!((sun.direction.declination_deg + 7.785_07).abs() < 1e-5, "{:?}", sun.direction);
        assert!((sun.distance_au - 0.997_66).abs() < 5e-6, "{}", sun.distance_au);
    }

    #[test]
    fn the_sun_is_lowest_at_solar_midnight() {
        let place = Place { latitude_deg: 40.0, longitude_deg: 15.0 };
        let midnight = next_solar_midnight(2_461_100.0, place);
        assert!((2_461_100.0..2_461_101.0).contains(&midnight), "{midnight}");
        let altitude_at = |minutes: f64| sun_altitude_deg(midnight + minutes / 1440.0, place);
        assert!(altitude_at(0.0) < altitude_at(-3.0) && altitude_at(0.0) < altitude_at(3.0), "not the lowest point");
    }
}
