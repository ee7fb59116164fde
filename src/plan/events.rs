//! When a height passes zero, and for how long it stays above.
//!
//! The height is any smooth function of time that bends slowly: an altitude less its threshold. It is
//! sampled every ten minutes; the turning points between samples are refined first, so that a body
//! which only grazes its threshold is not missed; then each change of sign is bisected.

use super::time::SECS_PER_DAY;

/// Spacing of the first samples.
const STEP_DAYS: f64 = 600.0 / SECS_PER_DAY;

/// Where refinement stops: a twentieth of a second.
const RESOLUTION_DAYS: f64 = 0.05 / SECS_PER_DAY;

/// Golden section: the share of a bracket kept in each turn.
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// Which way a threshold is passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Direction {
    Upward,
    Downward,
}

/// One passage through the threshold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Crossing {
    pub(super) day_ut: f64,
    pub(super) direction: Direction,
}

/// A stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Interval {
    pub(super) start: f64,
    pub(super) end: f64,
}

/// All passages of `height` through zero between two instants, in order.
pub(super) fn crossings(start: f64, end: f64, height: impl Fn(f64) -> f64) -> Vec<Crossing> {
    let nodes = nodes(start, end, &height);
    let mut found = Vec::new();
    for pair in nodes.windows(2) {
        let (before, after) = (pair[0], pair[1]);
        let direction = match (before.height < 0.0, after.height < 0.0) {
            (true, false) => Direction::Upward,
            (false, true) => Direction::Downward,
            _ => continue,
        };
        found.push(Crossing { day_ut: bisect(before, after, &height), direction });
    }
    found
}

/// The stretches between two instants where `height` is not negative.
pub(super) fn intervals_above(start: f64, end: f64, height: impl Fn(f64) -> f64) -> Vec<Interval> {
    let mut intervals = Vec::new();
    let mut opened = (height(start) >= 0.0).then_some(start);
    for crossing in crossings(start, end, &height) {
        match crossing.direction {
            Direction::Upward => opened = Some(crossing.day_ut),
            Direction::Downward => {
                intervals.extend(opened.take().map(|start| Interval { start, end: crossing.day_ut }));
            }
        }
    }
    intervals.extend(opened.map(|start| Interval { start, end }));
    intervals
}

/// The stretches that belong to both lists.
pub(super) fn intersection(first: &[Interval], second: &[Interval]) -> Vec<Interval> {
    let mut common = Vec::new();
    for a in first {
        for b in second {
            let both = Interval { start: a.start.max(b.start), end: a.end.min(b.end) };
            if both.end > both.start {
                common.push(both);
            }
        }
    }
    common.sort_by(|a, b| a.start.total_cmp(&b.start));
    common
}

#[derive(Clone, Copy)]
struct Node {
    day: f64,
    height: f64,
}

/// Regular samples with the turning points between them.
fn nodes(start: f64, end: f64, height: &impl Fn(f64) -> f64) -> Vec<Node> {
    let n_steps = (((end - start) / STEP_DAYS).ceil()).max(1.0) as usize;
    let at = |day: f64| Node { day, height: height(day) };
    let samples: Vec<Node> = (0..=n_steps).map(|i| at(start + (end - start) * i as f64 / n_steps as f64)).collect();
    let mut nodes = samples.clone();
    for triple in samples.windows(3) {
        let (left, middle, right) = (triple[0], triple[1], triple[2]);
        let rises_then_falls = middle.height >= left.height && middle.height > right.height;
        let falls_then_rises = middle.height <= left.height && middle.height < right.height;
        if rises_then_falls || falls_then_rises {
            let sign = if rises_then_falls { 1.0 } else { -1.0 };
            nodes.push(at(turning_point(left.day, right.day, |day| sign * height(day))));
        }
    }
    nodes.sort_by(|a, b| a.day.total_cmp(&b.day));
    nodes
}

/// The highest point inside a bracket that holds one, by golden section.
pub(super) fn turning_point(left: f64, right: f64, height: impl Fn(f64) -> f64) -> f64 {
    let (mut left, mut right) = (left, right);
    while right - left > RESOLUTION_DAYS {
        let inner_left = right - GOLDEN * (right - left);
        let inner_right = left + GOLDEN * (right - left);
        if height(inner_left) >= height(inner_right) {
            right = inner_right;
        } else {
            left = inner_left;
        }
    }
    f64::midpoint(left, right)
}

fn bisect(before: Node, after: Node, height: &impl Fn(f64) -> f64) -> f64 {
    let (mut left, mut right) = (before.day, after.day);
    while right - left > RESOLUTION_DAYS {
        let middle = f64::midpoint(left, right);
        if (height(middle) < 0.0) == (before.height < 0.0) {
            left = middle;
        } else {
            right = middle;
        }
    }
    f64::midpoint(left, right)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::coordinates::{Equatorial, Place, altitude_deg};

    const TENTH_OF_A_SECOND: f64 = 0.1 / SECS_PER_DAY;

    #[test]
    fn a_wave_crosses_zero_where_it_should() {
        let found = crossings(0.1, 1.1, |day| (day * std::f64::consts::TAU).sin());
        assert_eq!(found.len(), 2, "{found:?}");
        assert!((found[0].day_ut - 0.5).abs() < TENTH_OF_A_SECOND, "{found:?}");
        assert_eq!(found[0].direction, Direction::Downward, "{found:?}");
        assert!((found[1].day_ut - 1.0).abs() < TENTH_OF_A_SECOND, "{found:?}");
    }

    /// Above zero for two minutes, between two samples ten minutes apart.
    #[test]
    fn a_graze_between_two_samples_is_found() {
        let half_width = 60.0 / SECS_PER_DAY;
        let peak = 0.5034;
        let found = crossings(0.0, 1.0, |day| half_width * half_width - (day - peak) * (day - peak));
        assert_eq!(found.len(), 2, "{found:?}");
        assert!((found[0].day_ut - (peak - half_width)).abs() < TENTH_OF_A_SECOND, "{found:?}");
        assert!((found[1].day_ut - (peak + half_width)).abs() < TENTH_OF_A_SECOND, "{found:?}");
    }

    #[test]
    fn stretches_are_cut_at_the_ends_of_the_night() {
        let found = intervals_above(0.0, 1.0, |day| (day - 0.25) * (day - 0.75));
        assert_eq!(found.len(), 2, "{found:?}");
        assert_eq!((found[0].start, found[1].end), (0.0, 1.0), "{found:?}");
        let common = intersection(&found, &[Interval { start: 0.2, end: 0.8 }]);
        assert_eq!(common.len(), 2, "{common:?}");
        assert!((common[0].end - 0.25).abs() < TENTH_OF_A_SECOND && common[1].end == 0.8, "{common:?}");
    }

    /// Meeus, example 15.a: Venus at Boston, 1988 March 20: rising 0.51766 d, setting 0.12130 d UT,
    /// from the three places printed there, interpolated; ΔT 56 s, standard altitude −34′.
    #[test]
    fn venus_rises_and_sets_at_boston_as_in_meeus_example_15a() {
        let midnight = 2_447_240.5;
        let interpolate = |[first, second, third]: [f64; 3], n: f64| {
            let (a, b) = (second - first, third - second);
            second + n / 2.0 * (a + b + n * (b - a))
        };
        let boston = Place { latitude_deg: 42.3333, longitude_deg: -71.0833 };
        let height = |day: f64| {
            let n = day - midnight + 56.0 / SECS_PER_DAY;
            let venus = Equatorial {
                right_ascension_deg: interpolate([40.680_21, 41.731_29, 42.782_04], n),
                declination_deg: interpolate([18.047_61, 18.440_92, 18.827_42], n),
            };
            altitude_deg(venus, boston, 177.742_08 + 360.985_647 * (day - midnight)) + 0.5667
        };
        let found = crossings(midnight, midnight + 1.0, height);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!((found[0].day_ut - midnight - 0.121_30).abs() < 1e-5, "setting at {}", found[0].day_ut - midnight);
        assert!((found[1].day_ut - midnight - 0.517_66).abs() < 1e-5, "rising at {}", found[1].day_ut - midnight);
    }
}
