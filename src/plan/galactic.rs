//! Where the center of the Milky Way stands.

use super::coordinates::{Equatorial, Place, altitude_deg, apparent_sidereal_deg, precess_from_j2000};
use super::time::{centuries, day_tt};

/// The galactic center, J2000: 17h45m40.04s, −29°00′28.1″ (IAU; the radio source Sagittarius A*).
const CENTER_J2000: Equatorial = Equatorial {
    right_ascension_deg: 15.0 * (17.0 + 45.0 / 60.0 + 40.04 / 3600.0),
    declination_deg: -(29.0 + 28.1 / 3600.0),
};

/// Altitude of the galactic center, without refraction.
pub(super) fn center_altitude_deg(day_ut: f64, place: Place) -> f64 {
    let direction = precess_from_j2000(CENTER_J2000, centuries(day_tt(day_ut)));
    altitude_deg(direction, place, apparent_sidereal_deg(day_ut))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::events::turning_point;

    /// At its highest a star of declination δ stands at 90° − |φ − δ|; −29.008° in 2000, and precession
    /// at 17h46m moves declination by 20″ cos α a year: −1.2″, no more than 0.02° within decades.
    #[test]
    fn the_galactic_center_culminates_at_its_declination() {
        let place = Place { latitude_deg: 46.5, longitude_deg: 8.0 };
        let start = 2_461_200.5;
        let hourly: Vec<f64> = (0..24).map(|hour| center_altitude_deg(start + f64::from(hour) / 24.0, place)).collect();
        let highest = (0..24).max_by(|&a, &b| hourly[a].total_cmp(&hourly[b])).expect("there are hours");
        let around = start + highest as f64 / 24.0;
        let top = turning_point(around - 0.05, around + 0.05, |day| center_altitude_deg(day, place));
        let found_deg = center_altitude_deg(top, place);
        assert!((found_deg - (90.0 - 46.5 - 29.008)).abs() < 0.02, "{found_deg}");
    }
}
