//! Planned nights against an independent ephemeris: `tests/reference/skyfield/README.md` tells how
//! the values were made, and the reasons for the tolerances.
#![allow(clippy::print_stdout, reason = "the measured agreement is what docs/planning.md quotes")]

use nightsheaf::plan::{LocalTime, Night, Place, PlanRequest, plan, time_zone};

/// Tolerance on the Sun's passages.
const SUN_SECS: f64 = 60.0;

/// Tolerance on the Moon's passages.
const MOON_SECS: f64 = 120.0;

/// Where the path grazes its threshold, the altitude decides instead of the time.
const GRAZE_DEG: f64 = 0.02;

/// Below this climb a path grazes: 0.02° take longer than a minute.
const GRAZE_DEG_PER_MINUTE: f64 = 0.02;

/// Tolerance on the lit share of the Moon.
const LIT_SHARE: f64 = 0.005;

/// Kinds of event, in the order of the reference's columns.
const KINDS: [&str; 10] = [
    "sunset",
    "civil_dusk",
    "nautical_dusk",
    "astronomical_dusk",
    "astronomical_dawn",
    "nautical_dawn",
    "civil_dawn",
    "sunrise",
    "moonrise",
    "moonset",
];

struct Reference {
    name: String,
    request: PlanRequest,
    /// Unix seconds and degrees a minute, `None` where it does not happen.
    events: Vec<Option<(f64, f64)>>,
    lit: f64,
}

fn references() -> Vec<Reference> {
    let table = include_str!("reference/skyfield/nights.csv");
    table.lines().skip(1).map(reference).collect()
}

fn reference(line: &str) -> Reference {
    let fields: Vec<&str> = line.split(',').collect();
    let number = |text: &str| text.parse::<f64>().expect("a number in the reference");
    let place = Place { latitude_deg: number(fields[1]), longitude_deg: number(fields[2]) };
    let zone = time_zone(fields[3]).expect("a zone of the reference is known");
    let date = fields[4].parse().expect("a date in the reference");
    let events = fields[5..25].chunks(2).map(|pair| (!pair[0].is_empty()).then(|| (number(pair[0]), number(pair[1]))));
    Reference {
        name: format!("{} {}", fields[0], fields[4]),
        request: PlanRequest::new(place, date, zone),
        events: events.collect(),
        lit: number(fields[25]),
    }
}

fn events(night: &Night) -> [&Option<LocalTime>; 10] {
    [
        &night.sunset,
        &night.civil_dusk,
        &night.nautical_dusk,
        &night.astronomical_dusk,
        &night.astronomical_dawn,
        &night.nautical_dawn,
        &night.civil_dawn,
        &night.sunrise,
        &night.moonrise,
        &night.moonset,
    ]
}

#[test]
fn sun_and_moon_pass_their_thresholds_when_the_ephemeris_says() {
    let mut wrong = Vec::new();
    let mut worst = [0.0_f64; 10];
    let mut counted = [0_usize; 10];
    let mut worst_deg = [0.0_f64; 2];
    let mut grazing = 0;
    for reference in references() {
        let plan = plan(&reference.request).expect("a request of the reference is sound");
        for (index, found) in events(&plan.night).into_iter().enumerate() {
            let name = format!("{} {}", reference.name, KINDS[index]);
            let (found, (expected, rate)) = match (found, reference.events[index]) {
                (None, None) => continue,
                (Some(found), Some(expected)) => (found.zoned().timestamp().as_second() as f64, expected),
                (found, expected) => {
                    wrong.push(format!("{name}: found {found:?}, expected {expected:?}"));
                    continue;
                }
            };
            let off_secs = (found - expected).abs();
            let tolerance_secs = if index < 8 { SUN_SECS } else { MOON_SECS };
            let off_deg = off_secs / 60.0 * rate;
            let grazes = rate < GRAZE_DEG_PER_MINUTE;
            let body = usize::from(index >= 8);
            worst_deg[body] = worst_deg[body].max(off_deg);
            // The altitude is held everywhere, which is the stricter demand where the body moves fast.
            if off_deg > GRAZE_DEG || (off_secs > tolerance_secs && !grazes) {
                wrong.push(format!("{name}: off by {off_secs:.0} s at {rate}° a minute"));
            }
            counted[index] += 1;
            if grazes {
                grazing += 1;
            } else {
                worst[index] = worst[index].max(off_secs);
            }
        }
    }
    for ((kind, n), secs) in KINDS.iter().zip(counted).zip(worst) {
        println!("{kind}: {n} events, worst {secs:.1} s where the path does not graze");
    }
    println!(
        "{grazing} grazing events; worst in altitude, all counted: Sun {:.4}°, Moon {:.4}°",
        worst_deg[0], worst_deg[1]
    );
    assert!(wrong.is_empty(), "{} events differ:\n{}", wrong.len(), wrong.join("\n"));
    assert!(counted.iter().all(|n| *n >= 200), "too few events to prove anything: {counted:?}");
}

#[test]
fn the_lit_share_of_the_moon_is_that_of_the_ephemeris() {
    let mut worst = 0.0_f64;
    for reference in references() {
        let found = plan(&reference.request).expect("a request of the reference is sound").night;
        let off = (found.moon_illuminated_fraction - reference.lit).abs();
        assert!(off < LIT_SHARE, "{}: {} against {}", reference.name, found.moon_illuminated_fraction, reference.lit);
        worst = worst.max(off);
    }
    println!("lit share: worst difference {worst:.5}");
}

#[test]
fn the_reference_holds_enough_nights_of_every_kind() {
    let references = references();
    assert!(references.len() >= 200, "{} nights", references.len());
    let without_sunset = references.iter().filter(|reference| reference.events[0].is_none()).count();
    let without_moonrise = references.iter().filter(|reference| reference.events[8].is_none()).count();
    let southern = references.iter().filter(|reference| reference.request.place.latitude_deg < 0.0).count();
    assert!(without_sunset >= 10, "{without_sunset} polar days or nights");
    assert!(without_moonrise >= 10, "{without_moonrise} nights without moonrise");
    assert!(southern >= 50, "{southern} southern nights");
}
