//! Time scales: civil time to Julian days, and universal to terrestrial time.
//!
//! `day_ut` is a Julian day in universal time (UTC stands in for UT1: they differ by less than
//! 0.9 s); `day_tt` one in terrestrial time, which the motions of Sun and Moon follow.
//! Julian day of the Unix epoch: Meeus, *Astronomical Algorithms*, 2nd ed., chapter 7.
//! ΔT: the polynomials of Espenak and Meeus (2006), written from memory; at the end of the 2020s
//! they run some 6 s ahead of the measured value, which moves the Moon by 3″.

use jiff::{Timestamp, ZonedDateTime, tz::TimeZone};

/// Seconds in a day.
pub(super) const SECS_PER_DAY: f64 = 86_400.0;

/// Julian day of 1970-01-01 00:00 UTC.
const UNIX_EPOCH_DAY: f64 = 2_440_587.5;

/// Julian day of the epoch J2000.0.
const J2000_DAY: f64 = 2_451_545.0;

/// Days in a Julian century.
const DAYS_PER_CENTURY: f64 = 36_525.0;

/// The Julian day of an instant, in universal time.
pub(super) fn day_ut(instant: Timestamp) -> f64 {
    UNIX_EPOCH_DAY + instant.as_millisecond() as f64 / 1000.0 / SECS_PER_DAY
}

/// Terrestrial time from universal time.
pub(super) fn day_tt(day_ut: f64) -> f64 {
    day_ut + delta_t_secs(day_ut) / SECS_PER_DAY
}

/// Julian centuries since J2000.0.
pub(super) fn centuries(day: f64) -> f64 {
    (day - J2000_DAY) / DAYS_PER_CENTURY
}

/// TT − UT in seconds, between 1900 and 2150.
fn delta_t_secs(day_ut: f64) -> f64 {
    let year = 2000.0 + (day_ut - J2000_DAY) / 365.25;
    if year < 1920.0 {
        polynomial(year - 1900.0, &[-2.79, 1.494_119, -0.059_893_9, 0.006_196_6, -0.000_197])
    } else if year < 1941.0 {
        polynomial(year - 1920.0, &[21.20, 0.844_93, -0.076_100, 0.002_093_6])
    } else if year < 1961.0 {
        polynomial(year - 1950.0, &[29.07, 0.407, -1.0 / 233.0, 1.0 / 2547.0])
    } else if year < 1986.0 {
        polynomial(year - 1975.0, &[45.45, 1.067, -1.0 / 260.0, -1.0 / 718.0])
    } else if year < 2005.0 {
        let coefficients = [63.86, 0.3345, -0.060_374, 0.001_727_5, 0.000_651_814, 0.000_023_735_99];
        polynomial(year - 2000.0, &coefficients)
    } else if year < 2050.0 {
        polynomial(year - 2000.0, &[62.92, 0.322_17, 0.005_589])
    } else {
        -20.0 + 32.0 * ((year - 1820.0) / 100.0).powi(2) - 0.5628 * (2150.0 - year)
    }
}

/// The value of a polynomial, constant term first.
pub(super) fn polynomial(x: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, coefficient| sum * x + coefficient)
}

/// An instant on the clock of the place, to the second; as text, RFC 3339 with the offset.
#[derive(Clone, Debug, PartialEq)]
pub struct LocalTime(ZonedDateTime);

impl LocalTime {
    /// The nearest whole second to a Julian day.
    pub(super) fn from_day_ut(day_ut: f64, zone: &TimeZone) -> Self {
        // Plans are limited to some centuries around the present, far inside the type's range.
        let unix_secs = ((day_ut - UNIX_EPOCH_DAY) * SECS_PER_DAY).round() as i64;
        let instant = Timestamp::from_second(unix_secs).expect("a planned night lies between 1900 and 2101");
        Self(instant.to_zoned_datetime(zone.clone()))
    }

    /// The instant with its time zone.
    #[must_use]
    pub fn zoned(&self) -> &ZonedDateTime {
        &self.0
    }

    /// Hours and minutes, rounded to the minute, for people.
    #[must_use]
    pub fn clock(&self) -> String {
        let rounded = self.0.round(jiff::Unit::Minute).expect("rounding to a minute stays inside the type's range");
        rounded.strftime("%H:%M").to_string()
    }
}

impl std::fmt::Display for LocalTime {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "{}", self.0.strftime("%Y-%m-%dT%H:%M:%S%:z"))
    }
}

impl serde::Serialize for LocalTime {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Meeus, table 7.A and example 7.a: 2000 January 1.5 is 2451545.0; 1957 October 4.81 is 2436116.31.
    #[test]
    fn julian_days_are_those_printed_by_meeus() {
        let epoch: Timestamp = "2000-01-01T12:00:00Z".parse().expect("a valid time");
        assert_eq!(day_ut(epoch), 2_451_545.0, "J2000.0");
        let launch: Timestamp = "1957-10-04T19:26:24Z".parse().expect("a valid time");
        assert!((day_ut(launch) - 2_436_116.31).abs() < 1e-6, "found {}", day_ut(launch));
    }

    /// Measured values of ΔT (from memory, to 0.1 s): 1950: 29.1, 1988: 55.8, 2000: 63.8, 2010: 66.1 s.
    #[test]
    fn terrestrial_time_runs_ahead_by_the_measured_seconds() {
        for (year, expected_secs) in [(1950.0, 29.1), (1988.0, 55.8), (2000.0, 63.8), (2010.0, 66.1)] {
            let found_secs = delta_t_secs(J2000_DAY + (year - 2000.0) * 365.25);
            assert!((found_secs - expected_secs).abs() < 1.0, "{year}: {found_secs}");
        }
    }

    #[test]
    fn the_pieces_of_delta_t_meet() {
        for year in [1920.0, 1941.0, 1961.0, 1986.0, 2005.0, 2050.0] {
            let boundary = J2000_DAY + (year - 2000.0) * 365.25;
            let step_secs = delta_t_secs(boundary + 0.001) - delta_t_secs(boundary - 0.001);
            assert!(step_secs.abs() < 1.0, "a step of {step_secs} s at {year}");
        }
    }

    #[test]
    fn local_times_carry_the_offset_of_their_day() {
        let zone = TimeZone::get("Europe/Zurich").expect("a known zone");
        let winter = LocalTime::from_day_ut(J2000_DAY, &zone);
        assert_eq!(winter.to_string(), "2000-01-01T13:00:00+01:00", "winter time");
        let summer = LocalTime::from_day_ut(J2000_DAY + 182.0, &zone);
        assert_eq!(summer.to_string(), "2000-07-01T14:00:00+02:00", "summer time");
    }
}
