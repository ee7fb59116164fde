//! The night as a chart: what the light of the sky is, and how high Moon and galactic center stand, over time.

use super::night::{ChartPoint, Night, Window};

/// Shown before sunset and after sunrise.
const MARGIN_SECS: f64 = 3600.0;

/// The upper limb on the horizon; twilight ends at the others.
const LIMITS_DEG: [f64; 4] = [-0.833, -6.0, -12.0, -18.0];

/// The light of the sky by the altitude of the Sun.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SkyLight {
    /// The Sun is up.
    Day,
    /// Down to 6° below the horizon.
    Civil,
    /// Down to 12°.
    Nautical,
    /// Down to 18°.
    Astronomical,
    /// Below that.
    Dark,
}

impl SkyLight {
    /// All of them, brightest first.
    pub const ALL: [Self; 5] = [Self::Day, Self::Civil, Self::Nautical, Self::Astronomical, Self::Dark];

    fn of(sun_altitude_deg: f64) -> Self {
        Self::ALL[LIMITS_DEG.iter().filter(|&&limit| sun_altitude_deg < limit).count()]
    }
}

/// A stretch of one light; times are shares of the chart's width, 0 left to 1 right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LightBand {
    /// It begins.
    pub start: f64,
    /// It ends.
    pub end: f64,
    /// What it is.
    pub light: SkyLight,
}

/// What is drawn; times are shares of the chart's width, altitudes degrees.
#[derive(Clone, Debug, PartialEq)]
pub struct NightChart {
    /// Full hours of the clock with their numbers.
    pub hours: Vec<(f64, String)>,
    /// From left to right, without gaps.
    pub bands: Vec<LightBand>,
    /// Sun below −18°, Moon below the horizon.
    pub dark_windows: Vec<[f64; 2]>,
    /// Time and altitude.
    pub sun: Vec<[f64; 2]>,
    /// Time and altitude.
    pub moon: Vec<[f64; 2]>,
    /// Time and altitude.
    pub galactic_center: Vec<[f64; 2]>,
}

/// The chart of a night, from an hour before sunset to an hour after sunrise, or from noon to noon where the Sun
/// does not set and rise.
#[must_use]
pub fn night_chart(night: &Night) -> NightChart {
    let secs = |time: &super::LocalTime| time.zoned().timestamp().as_second() as f64;
    let ends = night.chart.first().zip(night.chart.last()).map(|(first, last)| [secs(&first.time), secs(&last.time)]);
    let [noon, next_noon] = ends.unwrap_or([0.0, 1.0]);
    let from = night.sunset.as_ref().map_or(noon, |sunset| (secs(sunset) - MARGIN_SECS).max(noon));
    let to = night.sunrise.as_ref().map_or(next_noon, |sunrise| (secs(sunrise) + MARGIN_SECS).min(next_noon));
    let span = (to - from).max(1.0);
    let share = |time: f64| (time - from) / span;
    let curve = |altitude: fn(&ChartPoint) -> f64| -> Vec<[f64; 2]> {
        let all: Vec<[f64; 2]> = night.chart.iter().map(|point| [share(secs(&point.time)), altitude(point)]).collect();
        cut(&all)
    };
    let sun = curve(|point| point.sun_altitude_deg);
    let window = |window: &Window| [share(secs(&window.start)).max(0.0), share(secs(&window.end)).min(1.0)];
    NightChart {
        hours: hours(night, from, to, share),
        bands: bands(&sun),
        dark_windows: night.dark_windows.iter().map(window).filter(|[start, end]| start < end).collect(),
        moon: curve(|point| point.moon_altitude_deg),
        galactic_center: curve(|point| point.galactic_center_altitude_deg),
        sun,
    }
}

/// The part of a curve between 0 and 1, with its ends on them.
fn cut(points: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut inside = Vec::new();
    for pair in points.windows(2) {
        let ([x0, y0], [x1, y1]) = (pair[0], pair[1]);
        let at = |x: f64| [x, y0 + (y1 - y0) * (x - x0) / (x1 - x0).max(1e-12)];
        if x1 < 0.0 || x0 > 1.0 {
            continue;
        }
        if inside.is_empty() {
            inside.push(if x0 < 0.0 { at(0.0) } else { [x0, y0] });
        }
        inside.push(if x1 > 1.0 { at(1.0) } else { [x1, y1] });
    }
    inside
}

/// Stretches of one light; their ends lie where the straight line between two points crosses a limit.
fn bands(sun: &[[f64; 2]]) -> Vec<LightBand> {
    let Some(&[first, altitude]) = sun.first() else { return Vec::new() };
    let mut bands = vec![LightBand { start: first, end: first, light: SkyLight::of(altitude) }];
    for pair in sun.windows(2) {
        let ([x0, y0], [x1, y1]) = (pair[0], pair[1]);
        let mut crossings: Vec<(f64, f64)> = LIMITS_DEG
            .iter()
            .filter(|&&limit| (y0 < limit) != (y1 < limit))
            .map(|&limit| (x0 + (x1 - x0) * (limit - y0) / (y1 - y0), limit))
            .collect();
        crossings.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (x, limit) in crossings {
            let after = if y1 < y0 { limit - 1e-9 } else { limit };
            bands.last_mut().expect("it begins with one").end = x;
            bands.push(LightBand { start: x, end: x, light: SkyLight::of(after) });
        }
        bands.last_mut().expect("it begins with one").end = x1;
    }
    bands
}

/// Full hours as the clock of the place shows them, also where it changes.
fn hours(night: &Night, from: f64, to: f64, share: impl Fn(f64) -> f64) -> Vec<(f64, String)> {
    const QUARTER_SECS: i64 = 900;
    let Some(zone) = night.chart.first().map(|point| point.time.zoned().time_zone().clone()) else {
        return Vec::new();
    };
    // Seconds since 1970 of a planned night are far inside the integers.
    let (from, to) = (from.ceil() as i64, to.floor() as i64);
    let first = from.div_euclid(QUARTER_SECS) * QUARTER_SECS;
    (0..)
        .map(|step| first + step * QUARTER_SECS)
        .skip_while(|&secs| secs < from)
        .take_while(|&secs| secs <= to)
        .filter_map(|secs| {
            let zoned = jiff::Timestamp::from_second(secs).ok()?.to_zoned_datetime(zone.clone());
            (zoned.minute() == 0).then(|| (share(secs as f64), format!("{:02}", zoned.hour())))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{Place, PlanRequest, plan, time_zone};

    fn chart(latitude_deg: f64, longitude_deg: f64, date: &str, zone: &str) -> NightChart {
        let date = date.parse().expect("a valid date");
        let request = PlanRequest::new(Place { latitude_deg, longitude_deg }, date, time_zone(zone).expect("a zone"));
        night_chart(&plan(&request).expect("a sound request").night)
    }

    fn lights(chart: &NightChart) -> Vec<SkyLight> {
        chart.bands.iter().map(|band| band.light).collect()
    }

    #[test]
    fn an_ordinary_night_gets_dark_and_bright_again() {
        use SkyLight::{Astronomical, Civil, Dark, Day, Nautical};
        let chart = chart(46.5, 8.0, "2027-03-10", "Europe/Zurich");
        let expected = [Day, Civil, Nautical, Astronomical, Dark, Astronomical, Nautical, Civil, Day];
        assert_eq!(lights(&chart), expected, "from day to day");
        assert!(chart.bands.windows(2).all(|pair| pair[0].end == pair[1].start), "no gap: {:?}", chart.bands);
        assert!((chart.bands[0].start, chart.bands[8].end) == (0.0, 1.0), "over the whole width: {:?}", chart.bands);
        let hours: Vec<&str> = chart.hours.iter().map(|(_, hour)| hour.as_str()).collect();
        let expected = ["18", "19", "20", "21", "22", "23", "00", "01", "02", "03", "04", "05", "06", "07"];
        assert_eq!(hours, expected, "sunset 18:27, sunrise 06:48");
    }

    /// The bands are drawn from points ten minutes apart, the times are found to the second.
    #[test]
    fn bands_end_where_the_plan_says() {
        let date = "2027-03-10".parse().expect("a valid date");
        let place = Place { latitude_deg: 46.5, longitude_deg: 8.0 };
        let request = PlanRequest::new(place, date, time_zone("Europe/Zurich").expect("a zone"));
        let night = plan(&request).expect("a sound request").night;
        let chart = night_chart(&night);
        let secs = |time: &Option<crate::plan::LocalTime>| {
            time.as_ref().expect("an ordinary night").zoned().timestamp().as_second() as f64
        };
        let (from, to) = (secs(&night.sunset) - MARGIN_SECS, secs(&night.sunrise) + MARGIN_SECS);
        let drawn = |band: usize| from + chart.bands[band].start * (to - from);
        for (band, time) in [(1, &night.sunset), (4, &night.astronomical_dusk), (5, &night.astronomical_dawn)] {
            assert!((drawn(band) - secs(time)).abs() < 20.0, "band {band}: {} s off", drawn(band) - secs(time));
        }
    }

    /// On 2027-03-28 the clock of Zurich goes from 02:00 to 03:00.
    #[test]
    fn an_hour_that_the_clock_skips_has_no_mark() {
        let chart = chart(46.5, 8.0, "2027-03-27", "Europe/Zurich");
        let hours: Vec<&str> = chart.hours.iter().map(|(_, hour)| hour.as_str()).collect();
        assert!(hours.contains(&"01") && !hours.contains(&"02") && hours.contains(&"03"), "{hours:?}");
        let steps = chart.hours.windows(2).map(|pair| pair[1].0 - pair[0].0).collect::<Vec<_>>();
        assert!(steps.iter().all(|step| (step - steps[0]).abs() < 1e-9), "hours are alike: {steps:?}");
    }

    #[test]
    fn the_midnight_sun_is_day_from_noon_to_noon() {
        let chart = chart(69.65, 18.96, "2026-06-21", "Europe/Oslo");
        assert_eq!(lights(&chart), [SkyLight::Day], "it never sets");
        assert!(chart.dark_windows.is_empty() && chart.hours.len() >= 24, "{:?}", chart.hours);
    }
}
