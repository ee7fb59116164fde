//! One night at one place: Sun, Moon, galactic center, and the dark hours.
//!
//! The night that begins on a date: what the Sun does is looked for from one solar noon to the next,
//! around the first solar midnight after 12:00 local time on that date; what the Moon does, from 12:00
//! to 12:00 local time. The illuminated fraction is that of the midnight (00:00) between.
//! The horizon is flat and at sea level. Rising and setting are the upper limb with 34′ of refraction;
//! twilight is the Sun's center 6°, 12° and 18° below the horizon, without refraction.

use jiff::ToSpan;
use jiff::tz::TimeZone;

use super::coordinates::Place;
use super::events::{Crossing, Direction, Interval, crossings, intersection, intervals_above, turning_point};
use super::galactic::center_altitude_deg;
use super::moon::{illuminated_fraction, moon_at_place};
use super::request::PlanRequest;
use super::sun::{RISE_ALTITUDE_DEG, next_solar_midnight, sun_altitude_deg};
use super::time::{LocalTime, day_tt, day_ut};

/// The Sun's altitude below which the sky is fully dark.
const ASTRONOMICAL_DEG: f64 = -18.0;

/// The Sun's altitude at the end of nautical twilight.
const NAUTICAL_DEG: f64 = -12.0;

/// The Sun's altitude at the end of civil twilight.
const CIVIL_DEG: f64 = -6.0;

/// Spacing of the chart's points.
const CHART_STEP_DAYS: f64 = 10.0 / 1440.0;

/// Beyond this the clock does not fit the longitude: solar midnight falls near noon.
const CLOCK_MISMATCH_HOURS: f64 = 5.0;

/// A stretch of the night.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Window {
    /// It begins.
    pub start: LocalTime,
    /// It ends.
    pub end: LocalTime,
}

/// What the Sun does in the night.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Daylight {
    /// It is below the horizon for a part of the night.
    Night,
    /// It stays up: polar day.
    PolarDay,
    /// It stays down from noon to noon: polar night.
    PolarNight,
}

/// One point of the chart of the night; altitudes without refraction.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct ChartPoint {
    /// When.
    pub time: LocalTime,
    /// Of the Sun's center.
    pub sun_altitude_deg: f64,
    /// Of the Moon's center, seen from the place.
    pub moon_altitude_deg: f64,
    /// Of the galactic center.
    pub galactic_center_altitude_deg: f64,
}

/// Times are `None` when it does not happen in the night that begins on the date.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Night {
    /// The Sun's upper limb sinks below the horizon.
    pub sunset: Option<LocalTime>,
    /// The Sun sinks through −6°.
    pub civil_dusk: Option<LocalTime>,
    /// The Sun sinks through −12°.
    pub nautical_dusk: Option<LocalTime>,
    /// The Sun sinks through −18°.
    pub astronomical_dusk: Option<LocalTime>,
    /// The Sun climbs through −18°.
    pub astronomical_dawn: Option<LocalTime>,
    /// The Sun climbs through −12°.
    pub nautical_dawn: Option<LocalTime>,
    /// The Sun climbs through −6°.
    pub civil_dawn: Option<LocalTime>,
    /// The Sun's upper limb appears.
    pub sunrise: Option<LocalTime>,
    /// The Moon's upper limb appears, for the first time.
    pub moonrise: Option<LocalTime>,
    /// The Moon's upper limb disappears, for the first time.
    pub moonset: Option<LocalTime>,
    /// At 00:00, 0 to 1.
    pub moon_illuminated_fraction: f64,
    /// Whether the lit part grows.
    pub moon_waxing: bool,
    /// The Sun below −18° and the Moon below the horizon.
    pub dark_windows: Vec<Window>,
    /// Night, polar day or polar night.
    pub daylight: Daylight,
    /// The Sun at its lowest.
    pub lowest_sun_deg: f64,
    /// The altitude asked for.
    pub galactic_above_deg: f64,
    /// The galactic center above that altitude in a dark window.
    pub galactic_center_windows: Vec<Window>,
    /// The galactic center at its highest while the Sun is below −18°.
    pub galactic_center_highest: Option<Highest>,
    /// What to know about these figures.
    pub notes: Vec<String>,
    /// From solar noon to solar noon.
    pub chart: Vec<ChartPoint>,
}

/// A highest point.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Highest {
    /// When.
    pub time: LocalTime,
    /// How high.
    pub altitude_deg: f64,
}

/// The night that begins on the date of the request.
pub(super) fn night(request: &PlanRequest) -> Night {
    let (place, zone) = (request.place, &request.zone);
    let noon = local_day_ut(request, 0, 12);
    let next_noon = local_day_ut(request, 1, 12);
    let midnight = local_day_ut(request, 1, 0);
    let solar_midnight = next_solar_midnight(noon, place);
    let span = Interval { start: solar_midnight - 0.5, end: solar_midnight + 0.5 };

    let sun = |day: f64| sun_altitude_deg(day, place);
    let local = |day: f64| LocalTime::from_day_ut(day, zone);
    let passage = |threshold_deg: f64| {
        let (dusk, dawn) = dusk_and_dawn(&crossings(span.start, span.end, |day| sun(day) - threshold_deg));
        (dusk.map(local), dawn.map(local))
    };
    let (sunset, sunrise) = passage(RISE_ALTITUDE_DEG);
    let (civil_dusk, civil_dawn) = passage(CIVIL_DEG);
    let (nautical_dusk, nautical_dawn) = passage(NAUTICAL_DEG);
    let (astronomical_dusk, astronomical_dawn) = passage(ASTRONOMICAL_DEG);
    let lowest_day = turning_point(solar_midnight - 0.2, solar_midnight + 0.2, |day| -sun(day));

    let moon_passages = crossings(noon, next_noon, |day| moon_height_deg(day, place));
    let first = |direction| moon_passages.iter().find(|c| c.direction == direction).map(|c| local(c.day_ut));
    let lit = |day: f64| illuminated_fraction(day_tt(day));

    let sun_dark = intervals_above(span.start, span.end, |day| ASTRONOMICAL_DEG - sun(day));
    let moon_down = intervals_above(span.start, span.end, |day| -moon_height_deg(day, place));
    let dark = intersection(&sun_dark, &moon_down);
    let center = |day: f64| center_altitude_deg(day, place);
    let center_up = intervals_above(span.start, span.end, |day| center(day) - request.galactic_above_deg);
    let windows = |intervals: &[Interval]| intervals.iter().map(|interval| window(*interval, zone)).collect();

    Night {
        daylight: daylight(sunset.is_some() || sunrise.is_some(), sun(solar_midnight)),
        sunset,
        civil_dusk,
        nautical_dusk,
        astronomical_dusk,
        astronomical_dawn,
        nautical_dawn,
        civil_dawn,
        sunrise,
        moonrise: first(Direction::Upward),
        moonset: first(Direction::Downward),
        moon_illuminated_fraction: lit(midnight),
        moon_waxing: lit(midnight + 0.05) > lit(midnight - 0.05),
        dark_windows: windows(&dark),
        lowest_sun_deg: sun(lowest_day),
        galactic_above_deg: request.galactic_above_deg,
        galactic_center_windows: windows(&intersection(&dark, &center_up)),
        galactic_center_highest: highest(&sun_dark, center)
            .map(|(day, altitude_deg)| Highest { time: local(day), altitude_deg }),
        notes: notes(solar_midnight - midnight, sun(lowest_day), moon_passages.len()),
        chart: chart(span, place, zone),
    }
}

/// An hour of the clock, some days after the date; a clock that skips it shows the next there is.
fn local_day_ut(request: &PlanRequest, days_later: i32, hour: i8) -> f64 {
    let date = request.date.checked_add(days_later.days()).expect("a year up to 2100 has a next day");
    let zoned = date.at(hour, 0, 0, 0).to_zoned_datetime(request.zone.clone()).expect("a year up to 2100 is in range");
    day_ut(zoned.timestamp())
}

/// The first way down and the last way up after it: an evening and its morning.
///
/// A way up before the way down belongs to the night before.
fn dusk_and_dawn(crossings: &[Crossing]) -> (Option<f64>, Option<f64>) {
    let dusk = crossings.iter().find(|c| c.direction == Direction::Downward).map(|c| c.day_ut);
    let dawn = crossings.iter().rfind(|c| c.direction == Direction::Upward).map(|c| c.day_ut);
    (dusk, dawn.filter(|dawn| dusk.is_none_or(|dusk| *dawn > dusk)))
}

/// Above the altitude at which the Moon counts as risen.
fn moon_height_deg(day_ut: f64, place: Place) -> f64 {
    let moon = moon_at_place(day_ut, place);
    moon.altitude_deg - moon.rise_altitude_deg
}

fn daylight(sun_crosses: bool, midnight_altitude_deg: f64) -> Daylight {
    if sun_crosses {
        Daylight::Night
    } else if midnight_altitude_deg >= RISE_ALTITUDE_DEG {
        Daylight::PolarDay
    } else {
        Daylight::PolarNight
    }
}

fn window(interval: Interval, zone: &TimeZone) -> Window {
    Window { start: LocalTime::from_day_ut(interval.start, zone), end: LocalTime::from_day_ut(interval.end, zone) }
}

/// The highest point inside the intervals: at an end, or at a turning point between chart points.
fn highest(intervals: &[Interval], height: impl Fn(f64) -> f64) -> Option<(f64, f64)> {
    let mut best: Option<(f64, f64)> = None;
    for interval in intervals {
        let n_steps = ((interval.end - interval.start) / CHART_STEP_DAYS).ceil().max(1.0) as usize;
        let step = (interval.end - interval.start) / n_steps as f64;
        for i in 0..n_steps {
            let left = interval.start + step * i as f64;
            let right = left + step;
            for day in [left, turning_point(left, right, &height), right] {
                if best.is_none_or(|(_, altitude)| height(day) > altitude) {
                    best = Some((day, height(day)));
                }
            }
        }
    }
    best
}

fn notes(midnight_offset_days: f64, lowest_sun_deg: f64, n_moon_passages: usize) -> Vec<String> {
    let mut notes = Vec::new();
    let offset_hours = midnight_offset_days * 24.0;
    if offset_hours.abs() > CLOCK_MISMATCH_HOURS {
        notes.push(format!(
            "The middle of the night is {:.0} hours away from 00:00 on this clock: check longitude and time zone",
            offset_hours.abs()
        ));
    }
    if lowest_sun_deg > ASTRONOMICAL_DEG {
        notes.push(format!("It never gets fully dark: the Sun is at {lowest_sun_deg:.1}° at its lowest"));
    }
    if n_moon_passages == 0 {
        notes.push("The Moon neither rises nor sets between noon and noon".to_owned());
    }
    notes
}

fn chart(span: Interval, place: Place, zone: &TimeZone) -> Vec<ChartPoint> {
    let n_steps = ((span.end - span.start) / CHART_STEP_DAYS).round() as usize;
    (0..=n_steps)
        .map(|i| {
            let day = span.start + (span.end - span.start) * i as f64 / n_steps as f64;
            ChartPoint {
                time: LocalTime::from_day_ut(day, zone),
                sun_altitude_deg: sun_altitude_deg(day, place),
                moon_altitude_deg: moon_at_place(day, place).altitude_deg,
                galactic_center_altitude_deg: center_altitude_deg(day, place),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::time_zone;

    fn at(latitude_deg: f64, longitude_deg: f64, date: &str, zone: &str) -> Night {
        let date = date.parse().expect("a valid date");
        night(&PlanRequest::new(Place { latitude_deg, longitude_deg }, date, time_zone(zone).expect("a zone")))
    }

    fn text(time: Option<&LocalTime>) -> String {
        time.map_or_else(|| "never".to_owned(), LocalTime::to_string)
    }

    #[test]
    fn the_stages_of_dusk_and_dawn_follow_each_other() {
        let night = at(46.5, 8.0, "2027-03-10", "Europe/Zurich");
        let times = [
            &night.sunset,
            &night.civil_dusk,
            &night.nautical_dusk,
            &night.astronomical_dusk,
            &night.astronomical_dawn,
            &night.nautical_dawn,
            &night.civil_dawn,
            &night.sunrise,
        ];
        let days: Vec<_> = times.iter().map(|time| time.as_ref().expect("an ordinary night").zoned().clone()).collect();
        assert!(days.windows(2).all(|pair| pair[0] < pair[1]), "{days:?}");
        assert!(days[0].to_string().starts_with("2027-03-10T18"), "sunset on the evening: {}", days[0]);
        assert!(days[7].to_string().starts_with("2027-03-11T06"), "sunrise the next morning: {}", days[7]);
    }

    /// Clocks go forward at 02:00 on 2027-03-28 in Zurich: dusk is told in winter time, dawn in summer time.
    #[test]
    fn a_night_across_the_change_of_clocks_has_both_offsets() {
        let night = at(46.5, 8.0, "2027-03-27", "Europe/Zurich");
        assert!(text(night.sunset.as_ref()).ends_with("+01:00"), "{}", text(night.sunset.as_ref()));
        assert!(text(night.sunrise.as_ref()).ends_with("+02:00"), "{}", text(night.sunrise.as_ref()));
        let fixed = at(46.5, 8.0, "2027-03-27", "+01:00");
        let instant = |night: &Night| night.sunrise.as_ref().expect("a morning").zoned().timestamp();
        assert_eq!(instant(&night), instant(&fixed), "the Sun does not know about clocks");
    }

    #[test]
    fn the_midnight_sun_leaves_the_evening_empty() {
        let night = at(69.65, 18.96, "2026-06-21", "Europe/Oslo");
        assert_eq!(night.daylight, Daylight::PolarDay, "midsummer in Tromsø");
        assert_eq!((&night.sunset, &night.sunrise), (&None, &None), "it never sets");
        assert!(night.dark_windows.is_empty() && night.lowest_sun_deg > 0.0, "{}", night.lowest_sun_deg);
        assert!(night.notes.iter().any(|note| note.contains("never gets fully dark")), "{:?}", night.notes);
    }

    #[test]
    fn the_polar_night_still_has_twilight() {
        let night = at(69.65, 18.96, "2026-12-21", "Europe/Oslo");
        assert_eq!(night.daylight, Daylight::PolarNight, "midwinter in Tromsø");
        assert_eq!(night.sunset, None, "it never rose");
        assert!(night.civil_dusk.is_some() && night.astronomical_dusk.is_some(), "noon is bright there");
    }

    /// Late May at 60° N: the sky stays in nautical twilight.
    #[test]
    fn a_white_night_has_no_astronomical_dusk() {
        let night = at(60.0, 25.0, "2026-05-25", "Europe/Helsinki");
        assert!(night.sunset.is_some() && night.civil_dusk.is_some(), "the Sun sets");
        assert_eq!((&night.astronomical_dusk, &night.astronomical_dawn), (&None, &None), "not fully dark");
        assert!(night.dark_windows.is_empty(), "{:?}", night.dark_windows);
    }

    /// Just before the polar night the Sun is up for minutes around solar noon; here it sets before 12:00.
    #[test]
    fn a_sunset_before_noon_still_belongs_to_the_night_it_begins() {
        let night = at(69.65, 18.96, "2026-11-25", "Europe/Oslo");
        assert!(text(night.sunset.as_ref()).starts_with("2026-11-25T1"), "{}", text(night.sunset.as_ref()));
        assert!(text(night.sunrise.as_ref()).starts_with("2026-11-26T1"), "{}", text(night.sunrise.as_ref()));
    }

    #[test]
    fn dark_windows_lie_between_dusk_and_dawn_with_the_moon_down() {
        let night = at(46.5, 8.0, "2027-03-15", "Europe/Zurich");
        let (dusk, dawn) = (night.astronomical_dusk.expect("dark"), night.astronomical_dawn.expect("dark"));
        let window = &night.dark_windows[0];
        let moonset = night.moonset.expect("a first-quarter Moon sets at night");
        assert_eq!(night.dark_windows.len(), 1, "{:?}", night.dark_windows);
        assert_eq!((&window.start, &window.end), (&moonset, &dawn), "from moonset to dawn");
        assert!(window.start.zoned() > dusk.zoned(), "after dusk");
    }

    #[test]
    fn a_clock_from_the_other_side_of_the_world_is_noticed() {
        let wrong = at(-36.8, 174.8, "2026-06-10", "UTC");
        assert!(wrong.notes.iter().any(|note| note.contains("time zone")), "{:?}", wrong.notes);
        let right = at(-36.8, 174.8, "2026-06-10", "Pacific/Auckland");
        assert!(!right.notes.iter().any(|note| note.contains("time zone")), "{:?}", right.notes);
    }

    /// From Chile in June the galactic center passes overhead: 90° − |−30° + 29°|.
    #[test]
    fn the_galactic_center_is_high_in_the_southern_winter() {
        let night = at(-30.0, -70.7, "2026-06-14", "America/Santiago");
        let highest = night.galactic_center_highest.expect("a dark night");
        assert!((highest.altitude_deg - 89.0).abs() < 0.1, "{highest:?}");
        assert!(!night.galactic_center_windows.is_empty(), "new Moon on 2026-06-15");
        let northern = at(69.65, 18.96, "2026-12-21", "Europe/Oslo");
        assert!(northern.galactic_center_windows.is_empty(), "never up at 69.65° north");
    }
}
