//! Directions on the sky and how the turning Earth sees them.
//!
//! Right ascension, declination, longitude and latitude are in degrees; longitudes of places count
//! east positive; altitudes are geometric (no refraction).
//! Source: Meeus, *Astronomical Algorithms*, 2nd ed.: sidereal time chapter 12, coordinates 13,
//! precession 21, nutation (abridged, 0.5″) and obliquity 22.

use super::time::{centuries, day_tt, polynomial};

/// A point on Earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// North positive, −90 to 90.
    pub latitude_deg: f64,
    /// East positive, −180 to 180.
    pub longitude_deg: f64,
}

/// A direction referred to the equator.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Equatorial {
    pub(super) right_ascension_deg: f64,
    pub(super) declination_deg: f64,
}

/// The wobble of Earth's axis.
pub(super) struct Nutation {
    /// Along the ecliptic.
    pub(super) longitude_deg: f64,
    /// Of the ecliptic's slope.
    pub(super) obliquity_deg: f64,
}

/// Into 0 to 360.
pub(super) fn wrap_360(angle_deg: f64) -> f64 {
    angle_deg.rem_euclid(360.0)
}

/// Into −180 to 180.
pub(super) fn wrap_180(angle_deg: f64) -> f64 {
    (angle_deg + 180.0).rem_euclid(360.0) - 180.0
}

/// Altitude above the mathematical horizon of something very far away.
pub(super) fn altitude_deg(direction: Equatorial, place: Place, sidereal_deg: f64) -> f64 {
    let hour_angle = (sidereal_deg + place.longitude_deg - direction.right_ascension_deg).to_radians();
    let (latitude, declination) = (place.latitude_deg.to_radians(), direction.declination_deg.to_radians());
    let sine = latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    sine.clamp(-1.0, 1.0).asin().to_degrees()
}

/// Apparent sidereal time at Greenwich.
pub(super) fn apparent_sidereal_deg(day_ut: f64) -> f64 {
    let nutation = nutation(centuries(day_tt(day_ut)));
    let obliquity_deg = mean_obliquity_deg(centuries(day_ut)) + nutation.obliquity_deg;
    wrap_360(mean_sidereal_deg(day_ut) + nutation.longitude_deg * obliquity_deg.to_radians().cos())
}

/// Mean sidereal time at Greenwich, equation 12.4.
fn mean_sidereal_deg(day_ut: f64) -> f64 {
    let t = centuries(day_ut);
    let turned_deg = 360.985_647_366_29 * (day_ut - 2_451_545.0);
    wrap_360(280.460_618_37 + turned_deg + 0.000_387_933 * t * t - t.powi(3) / 38_710_000.0)
}

/// Slope of the ecliptic against the mean equator, equation 22.2.
pub(super) fn mean_obliquity_deg(t: f64) -> f64 {
    polynomial(t, &[84_381.448, -46.8150, -0.000_59, 0.001_813]) / 3600.0
}

/// Nutation from its four largest terms, good to 0.5″ in longitude and 0.1″ in obliquity.
pub(super) fn nutation(t: f64) -> Nutation {
    let node = (125.044_52 - 1_934.136_261 * t).to_radians();
    let sun = (280.4665 + 36_000.769_8 * t).to_radians();
    let moon = (218.3165 + 481_267.881_3 * t).to_radians();
    let longitude_arcsec =
        -17.20 * node.sin() - 1.32 * (2.0 * sun).sin() - 0.23 * (2.0 * moon).sin() + 0.21 * (2.0 * node).sin();
    let obliquity_arcsec =
        9.20 * node.cos() + 0.57 * (2.0 * sun).cos() + 0.10 * (2.0 * moon).cos() - 0.09 * (2.0 * node).cos();
    Nutation { longitude_deg: longitude_arcsec / 3600.0, obliquity_deg: obliquity_arcsec / 3600.0 }
}

/// From ecliptic longitude and latitude.
pub(super) fn equatorial_from_ecliptic(longitude_deg: f64, latitude_deg: f64, obliquity_deg: f64) -> Equatorial {
    let (longitude, latitude) = (longitude_deg.to_radians(), latitude_deg.to_radians());
    let (sin_obliquity, cos_obliquity) = obliquity_deg.to_radians().sin_cos();
    let right_ascension = (longitude.sin() * cos_obliquity - latitude.tan() * sin_obliquity).atan2(longitude.cos());
    let sine = latitude.sin() * cos_obliquity + latitude.cos() * sin_obliquity * longitude.sin();
    Equatorial {
        right_ascension_deg: wrap_360(right_ascension.to_degrees()),
        declination_deg: sine.clamp(-1.0, 1.0).asin().to_degrees(),
    }
}

/// Carries a direction of the epoch J2000.0 to the mean equator of date, equations 21.3 and 21.4.
pub(super) fn precess_from_j2000(direction: Equatorial, t: f64) -> Equatorial {
    let arcsec = |coefficients: &[f64]| (polynomial(t, coefficients) / 3600.0).to_radians();
    let zeta = arcsec(&[0.0, 2306.2181, 0.301_88, 0.017_998]);
    let z = arcsec(&[0.0, 2306.2181, 1.094_68, 0.018_203]);
    let (sin_theta, cos_theta) = arcsec(&[0.0, 2004.3109, -0.426_65, -0.041_833]).sin_cos();
    let (sin_declination, cos_declination) = direction.declination_deg.to_radians().sin_cos();
    let (sin_angle, cos_angle) = (direction.right_ascension_deg.to_radians() + zeta).sin_cos();
    let a = cos_declination * sin_angle;
    let b = cos_theta * cos_declination * cos_angle - sin_theta * sin_declination;
    let c = sin_theta * cos_declination * cos_angle + cos_theta * sin_declination;
    Equatorial {
        right_ascension_deg: wrap_360((a.atan2(b) + z).to_degrees()),
        declination_deg: c.clamp(-1.0, 1.0).asin().to_degrees(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECS_OF_TIME_PER_DEG: f64 = 240.0;

    fn hours(hours: f64, minutes: f64, seconds: f64) -> f64 {
        (hours * 3600.0 + minutes * 60.0 + seconds) / SECS_OF_TIME_PER_DEG
    }

    /// Meeus, example 12.a: 1987 April 10, 0h UT: mean 13h10m46.3668s, apparent 13h10m46.1351s.
    /// Abridged nutation is good to 0.5″, which is 0.03 s of apparent time.
    #[test]
    fn sidereal_time_at_midnight_is_meeus_example_12a() {
        let mean_secs = (mean_sidereal_deg(2_446_895.5) - hours(13.0, 10.0, 46.3668)) * SECS_OF_TIME_PER_DEG;
        assert!(mean_secs.abs() < 1e-4, "mean time off by {mean_secs} s");
        let apparent_secs = (apparent_sidereal_deg(2_446_895.5) - hours(13.0, 10.0, 46.1351)) * SECS_OF_TIME_PER_DEG;
        assert!(apparent_secs.abs() < 0.03, "apparent time off by {apparent_secs} s");
    }

    /// Meeus, example 12.b: 1987 April 10, 19h21m UT: mean 8h34m57.0896s.
    #[test]
    fn sidereal_time_in_the_evening_is_meeus_example_12b() {
        let day_ut = 2_446_895.5 + (19.0 + 21.0 / 60.0) / 24.0;
        let off_secs = (mean_sidereal_deg(day_ut) - hours(8.0, 34.0, 57.0896)) * SECS_OF_TIME_PER_DEG;
        assert!(off_secs.abs() < 1e-4, "off by {off_secs} s");
    }

    /// Meeus, example 22.a: 1987 April 10, 0h TD: −3.788″, +9.443″, mean obliquity 23°26′27.407″.
    #[test]
    fn nutation_is_meeus_example_22a_within_the_abridged_terms() {
        let t = centuries(2_446_895.5);
        let nutation = nutation(t);
        assert!((nutation.longitude_deg * 3600.0 + 3.788).abs() < 0.5, "{}", nutation.longitude_deg * 3600.0);
        assert!((nutation.obliquity_deg * 3600.0 - 9.443).abs() < 0.1, "{}", nutation.obliquity_deg * 3600.0);
        let obliquity_arcsec = (mean_obliquity_deg(t) - 23.0) * 3600.0 - 26.0 * 60.0;
        assert!((obliquity_arcsec - 27.407).abs() < 5e-4, "{obliquity_arcsec}");
    }

    /// Meeus, example 21.b: Theta Persei, proper motion applied, to 2028 November 13.19 TD.
    #[test]
    fn precession_is_meeus_example_21b() {
        let start = Equatorial { right_ascension_deg: 41.054_063, declination_deg: 49.227_750 };
        let found = precess_from_j2000(start, 0.288_670_500);
        assert!((found.right_ascension_deg - 41.547_214).abs() < 1e-6, "{found:?}");
        assert!((found.declination_deg - 49.348_483).abs() < 1e-6, "{found:?}");
    }

    /// Meeus, example 13.b: Venus from Washington, 1987 April 10, 19h21m UT: altitude 15.1249°.
    #[test]
    fn altitude_is_meeus_example_13b() {
        let venus = Equatorial { right_ascension_deg: hours(23.0, 9.0, 16.641), declination_deg: -6.719_892 };
        let washington = Place { latitude_deg: 38.921_389, longitude_deg: -77.065_556 };
        let sidereal_deg = hours(8.0, 34.0, 56.853);
        let found_deg = altitude_deg(venus, washington, sidereal_deg);
        assert!((found_deg - 15.1249).abs() < 1e-4, "{found_deg}");
    }
}
