//! The Moon: place, parallax and illuminated fraction.
//!
//! Source: Meeus, *Astronomical Algorithms*, 2nd ed.: position chapter 47 (10″ in longitude, 4″ in
//! latitude), the observer on the flattened Earth chapter 11, parallax 40, illumination 48.

use super::coordinates::{
    Equatorial, Place, apparent_sidereal_deg, equatorial_from_ecliptic, mean_obliquity_deg, nutation, wrap_360,
};
use super::moon_terms::{LATITUDE, LONGITUDE_AND_DISTANCE};
use super::sun::sun;
use super::time::{centuries, day_tt, polynomial};

/// Equatorial radius of the Earth used by chapter 47.
const EARTH_RADIUS_KM: f64 = 6378.14;

/// Polar over equatorial radius (IAU 1976, Meeus chapter 11).
const POLAR_OVER_EQUATORIAL: f64 = 0.996_647_19;

/// The Moon's radius in Earth radii (Meeus chapter 55: sin s = 0.272481 sin π).
const RADIUS_IN_EARTH_RADII: f64 = 0.272_481;

/// Refraction at the horizon (Meeus chapter 15).
const HORIZON_REFRACTION_DEG: f64 = 34.0 / 60.0;

/// Kilometers in an astronomical unit.
const KM_PER_AU: f64 = 149_597_870.7;

/// The Moon seen from the center of the Earth.
pub(super) struct Moon {
    pub(super) direction: Equatorial,
    pub(super) distance_km: f64,
}

/// The apparent place at an instant of terrestrial time.
pub(super) fn moon(day_tt: f64) -> Moon {
    let t = centuries(day_tt);
    let ecliptic = ecliptic(t);
    let nutation = nutation(t);
    let obliquity_deg = mean_obliquity_deg(t) + nutation.obliquity_deg;
    let longitude_deg = ecliptic.longitude_deg + nutation.longitude_deg;
    Moon {
        direction: equatorial_from_ecliptic(longitude_deg, ecliptic.latitude_deg, obliquity_deg),
        distance_km: ecliptic.distance_km,
    }
}

/// What an observer on the ground sees.
pub(super) struct MoonAtPlace {
    /// Of the center, without refraction.
    pub(super) altitude_deg: f64,
    /// Of the center when the upper limb touches the horizon.
    pub(super) rise_altitude_deg: f64,
}

/// The Moon from a place at sea level, parallax applied.
pub(super) fn moon_at_place(day_ut: f64, place: Place) -> MoonAtPlace {
    let moon = moon(day_tt(day_ut));
    let sidereal_deg = apparent_sidereal_deg(day_ut) + place.longitude_deg;
    let (sin_hour, cos_hour) = (sidereal_deg - moon.direction.right_ascension_deg).to_radians().sin_cos();
    let (sin_declination, cos_declination) = moon.direction.declination_deg.to_radians().sin_cos();
    let (sin_latitude, cos_latitude) = place.latitude_deg.to_radians().sin_cos();
    let reduced_latitude = (POLAR_OVER_EQUATORIAL * sin_latitude).atan2(cos_latitude);
    // Axes: the meridian on the equator, west, north pole; unit: the Earth's equatorial radius.
    let distance = moon.distance_km / EARTH_RADIUS_KM;
    let x = distance * cos_declination * cos_hour - reduced_latitude.cos();
    let y = distance * cos_declination * sin_hour;
    let z = distance * sin_declination - POLAR_OVER_EQUATORIAL * reduced_latitude.sin();
    let seen_distance = (x * x + y * y + z * z).sqrt();
    let sine = (x * cos_latitude + z * sin_latitude) / seen_distance;
    let radius_deg = (RADIUS_IN_EARTH_RADII / seen_distance).asin().to_degrees();
    MoonAtPlace {
        altitude_deg: sine.clamp(-1.0, 1.0).asin().to_degrees(),
        rise_altitude_deg: -HORIZON_REFRACTION_DEG - radius_deg,
    }
}

/// The lit share of the disk, seen from the center of the Earth, 0 to 1.
pub(super) fn illuminated_fraction(day_tt: f64) -> f64 {
    let (sun, moon) = (sun(day_tt), moon(day_tt));
    let (sin_sun, cos_sun) = sun.direction.declination_deg.to_radians().sin_cos();
    let (sin_moon, cos_moon) = moon.direction.declination_deg.to_radians().sin_cos();
    let apart = (sun.direction.right_ascension_deg - moon.direction.right_ascension_deg).to_radians();
    let elongation = (sin_sun * sin_moon + cos_sun * cos_moon * apart.cos()).clamp(-1.0, 1.0).acos();
    let sun_km = sun.distance_au * KM_PER_AU;
    let phase_angle = (sun_km * elongation.sin()).atan2(moon.distance_km - sun_km * elongation.cos());
    (1.0 + phase_angle.cos()) / 2.0
}

/// Place referred to the ecliptic and mean equinox of date.
struct Ecliptic {
    longitude_deg: f64,
    latitude_deg: f64,
    distance_km: f64,
}

fn ecliptic(t: f64) -> Ecliptic {
    let mean_longitude_deg =
        polynomial(t, &[218.316_447_7, 481_267.881_234_21, -0.001_578_6, 1.0 / 538_841.0, -1.0 / 65_194_000.0]);
    let elongation_deg =
        polynomial(t, &[297.850_192_1, 445_267.111_403_4, -0.001_881_9, 1.0 / 545_868.0, -1.0 / 113_065_000.0]);
    let sun_anomaly_deg = polynomial(t, &[357.529_109_2, 35_999.050_290_9, -0.000_153_6, 1.0 / 24_490_000.0]);
    let moon_anomaly_deg =
        polynomial(t, &[134.963_396_4, 477_198.867_505_5, 0.008_741_4, 1.0 / 69_699.0, -1.0 / 14_712_000.0]);
    let node_distance_deg =
        polynomial(t, &[93.272_095_0, 483_202.017_523_3, -0.003_653_9, -1.0 / 3_526_000.0, 1.0 / 863_310_000.0]);
    let arguments = [elongation_deg, sun_anomaly_deg, moon_anomaly_deg, node_distance_deg].map(f64::to_radians);
    // The Earth's orbit grows rounder, and the terms that hold the Sun's anomaly with it.
    let fading = polynomial(t, &[1.0, -0.002_516, -0.000_007_4]);
    let term = |multiples: &[i8; 4]| -> (f64, f64) {
        let angle = multiples.iter().zip(arguments).map(|(multiple, argument)| f64::from(*multiple) * argument).sum();
        (angle, fading.powi(i32::from(multiples[1].abs())))
    };

    let (mut longitude, mut distance_m, mut latitude) = (0.0, 0.0, 0.0);
    for (multiples, sine, cosine) in &LONGITUDE_AND_DISTANCE {
        let (angle, fade) = term(multiples);
        longitude += sine * fade * angle.sin();
        distance_m += cosine * fade * angle.cos();
    }
    for (multiples, sine) in &LATITUDE {
        let (angle, fade) = term(multiples);
        latitude += sine * fade * angle.sin();
    }

    // Venus (A1), Jupiter (A2) and the flattening of the Earth.
    let a1 = (119.75 + 131.849 * t).to_radians();
    let a2 = (53.09 + 479_264.290 * t).to_radians();
    let a3 = (313.45 + 481_266.484 * t).to_radians();
    let [_, _, moon_anomaly, node_distance] = arguments;
    let mean_longitude = mean_longitude_deg.to_radians();
    longitude += 3958.0 * a1.sin() + 1962.0 * (mean_longitude - node_distance).sin() + 318.0 * a2.sin();
    latitude += -2235.0 * mean_longitude.sin()
        + 382.0 * a3.sin()
        + 175.0 * (a1 - node_distance).sin()
        + 175.0 * (a1 + node_distance).sin()
        + 127.0 * (mean_longitude - moon_anomaly).sin()
        - 115.0 * (mean_longitude + moon_anomaly).sin();
    Ecliptic {
        longitude_deg: wrap_360(mean_longitude_deg + longitude / 1e6),
        latitude_deg: latitude / 1e6,
        distance_km: 385_000.56 + distance_m / 1000.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1992 April 12, 0h TD.
    const EXAMPLE_47A: f64 = 2_448_724.5;

    /// Meeus, example 47.a: λ 133.162655°, β −3.229126°, Δ 368409.7 km.
    #[test]
    fn the_moon_is_where_meeus_example_47a_puts_it() {
        let found = ecliptic(centuries(EXAMPLE_47A));
        assert!((found.longitude_deg - 133.162_655).abs() < 1e-6, "{}", found.longitude_deg);
        assert!((found.latitude_deg + 3.229_126).abs() < 1e-6, "{}", found.latitude_deg);
        assert!((found.distance_km - 368_409.7).abs() < 0.05, "{}", found.distance_km);
    }

    /// Meeus, example 47.a: α 134.688470°, δ +13.768368°; abridged nutation adds up to 0.5″.
    #[test]
    fn the_moon_on_the_equator_agrees_within_the_abridged_nutation() {
        let found = moon(EXAMPLE_47A).direction;
        assert!((found.right_ascension_deg - 134.688_470).abs() < 0.5 / 3600.0, "{found:?}");
        assert!((found.declination_deg - 13.768_368).abs() < 0.5 / 3600.0, "{found:?}");
    }

    /// Meeus, example 48.a: k = 0.6786 at the same instant.
    #[test]
    fn the_lit_share_is_meeus_example_48a() {
        let found = illuminated_fraction(EXAMPLE_47A);
        assert!((found - 0.6786).abs() < 5e-5, "{found}");
    }

    /// 400 dates from 1900 to 2049 (`tests/reference/skyfield`, JPL ephemeris DE421). Meeus states about
    /// 10″ for longitude and 4″ for latitude, the sum of many small terms left out: so 99 of 100 places
    /// within 10″ on the sky, none beyond 20″; the same terms leave 60 km of distance, 0.5″ of parallax.
    #[test]
    #[allow(clippy::print_stdout, reason = "the measured agreement is what docs/planning.md quotes")]
    fn the_moon_follows_an_independent_ephemeris_over_a_century_and_a_half() {
        let table = include_str!("../../tests/reference/skyfield/moon_places.csv");
        let mut apart_arcsec = Vec::new();
        for line in table.lines().skip(1) {
            let row: Vec<f64> = line.split(',').map(|text| text.parse().expect("a number")).collect();
            let found = moon(row[0]);
            let east = wrap_360(found.direction.right_ascension_deg - row[1] + 180.0) - 180.0;
            let north = found.direction.declination_deg - row[2];
            apart_arcsec.push(3600.0 * (east * row[2].to_radians().cos()).hypot(north));
            assert!((found.distance_km - row[3]).abs() < 60.0, "{} km at {line}", found.distance_km);
        }
        apart_arcsec.sort_by(f64::total_cmp);
        let (near, worst) = (apart_arcsec[395], apart_arcsec[399]);
        println!("median {:.1}″, 99 % {near:.1}″, worst {worst:.1}″", apart_arcsec[200]);
        assert!(near < 10.0 && worst < 20.0, "99 % within {near}″, worst {worst}″");
    }

    /// Meeus, chapter 15: the geocentric altitude at rising is 0.7275 π − 34′, π the parallax.
    /// His form neglects the flattening of the Earth, up to 0.006°.
    #[test]
    fn rising_agrees_with_the_standard_altitude_of_chapter_15() {
        let place = Place { latitude_deg: 46.5, longitude_deg: 8.0 };
        let height = |day: f64| {
            let seen = moon_at_place(day, place);
            seen.altitude_deg - seen.rise_altitude_deg
        };
        let crossing = crate::plan::events::crossings(EXAMPLE_47A, EXAMPLE_47A + 1.1, height)[0].day_ut;
        let moon = moon(day_tt(crossing));
        let geocentric_deg =
            crate::plan::coordinates::altitude_deg(moon.direction, place, apparent_sidereal_deg(crossing));
        let parallax_deg = (EARTH_RADIUS_KM / moon.distance_km).asin().to_degrees();
        let standard_deg = 0.7275 * parallax_deg - 34.0 / 60.0;
        assert!((geocentric_deg - standard_deg).abs() < 0.007, "{geocentric_deg} against {standard_deg}");
    }
}
