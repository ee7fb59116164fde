//! A plan in words: sections of rows, which the terminal, the window and the page for the phone all show.

use std::fmt;

use super::night::{Daylight, Night, Window};
use super::shutter::{ShutterLimits, secs};
use super::{FramePlan, LocalTime, Plan};

/// A part of the plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    /// What it is about.
    pub title: String,
    /// What it tells, from top to bottom.
    pub rows: Vec<Row>,
}

/// One line of a section.
#[derive(Clone, Debug, PartialEq)]
pub enum Row {
    /// What happens in the evening and again in the morning.
    Times {
        /// What.
        name: String,
        /// Time of the evening, or "never".
        evening: String,
        /// Time of the morning, or "never".
        morning: String,
    },
    /// A figure with its name.
    Figure {
        /// What it is.
        name: String,
        /// The figure with its unit, and its origin where it is an opinion.
        value: String,
    },
    /// A sentence.
    Words(String),
}

impl Row {
    fn figure(name: impl Into<String>, value: impl Into<String>) -> Self {
        Self::Figure { name: name.into(), value: value.into() }
    }
}

/// Longest line of the page for the terminal.
const LINE: usize = 98;

/// Room for the name of a figure there.
const NAME: usize = 34;

impl Plan {
    /// Which night, and where.
    #[must_use]
    pub fn title(&self) -> String {
        let (latitude, longitude) = (self.latitude_deg, self.longitude_deg);
        format!("Night of {} at {}, {}", self.date, compass(latitude, "N", "S"), compass(longitude, "E", "W"))
    }

    /// The plan in the order in which it is read.
    #[must_use]
    pub fn sections(&self) -> Vec<Section> {
        let section = |title: &str, rows: Vec<Row>| Section { title: title.to_owned(), rows };
        vec![
            section("Sun", sun(&self.night)),
            section("Moon and Milky Way", moon(&self.night)),
            section("Shutter", shutter(self)),
            section("Frames", frames(self)),
            section("Before you go", self.cautions.iter().map(|&caution| Row::Words(caution.to_owned())).collect()),
        ]
    }
}

impl fmt::Display for Plan {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "{}", self.title())?;
        for section in self.sections() {
            writeln!(out)?;
            let has_times = section.rows.iter().any(|row| matches!(row, Row::Times { .. }));
            let heads = if has_times { "evening  morning" } else { "" };
            writeln!(out, "{}", format!("{:<w$}  {heads}", section.title, w = NAME + 2).trim_end())?;
            for row in &section.rows {
                write_row(out, row)?;
            }
        }
        Ok(())
    }
}

fn write_row(out: &mut fmt::Formatter<'_>, row: &Row) -> fmt::Result {
    match row {
        Row::Times { name, evening, morning } => writeln!(out, "  {name:<NAME$}  {evening:<7}  {morning}"),
        Row::Figure { name, value } => {
            let lines = wrapped(value, LINE - NAME - 4);
            writeln!(out, "  {name:<NAME$}  {}", lines[0])?;
            lines[1..].iter().try_for_each(|line| writeln!(out, "  {:<NAME$}  {line}", ""))
        }
        Row::Words(words) => wrapped(words, LINE - 2).iter().try_for_each(|line| writeln!(out, "  {line}")),
    }
}

/// Lines of at most `most` letters, broken at spaces; at least one.
fn wrapped(text: &str, most: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("there is always a line");
        if line.is_empty() {
            line.push_str(word);
        } else if line.chars().count() + 1 + word.chars().count() <= most {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

fn sun(night: &Night) -> Vec<Row> {
    let mut rows = Vec::new();
    match night.daylight {
        Daylight::Night => {}
        Daylight::PolarDay => rows.push(Row::Words("The Sun stays above the horizon".to_owned())),
        Daylight::PolarNight => rows.push(Row::Words("The Sun stays below the horizon from noon to noon".to_owned())),
    }
    for (name, evening, morning) in [
        ("Sunset, sunrise", &night.sunset, &night.sunrise),
        ("Civil twilight (6°)", &night.civil_dusk, &night.civil_dawn),
        ("Nautical twilight (12°)", &night.nautical_dusk, &night.nautical_dawn),
        ("Astronomical twilight (18°)", &night.astronomical_dusk, &night.astronomical_dawn),
    ] {
        rows.push(Row::Times { name: name.to_owned(), evening: clock(evening), morning: clock(morning) });
    }
    rows
}

fn moon(night: &Night) -> Vec<Row> {
    let phase = if night.moon_waxing { "waxing" } else { "waning" };
    let lit = 100.0 * night.moon_illuminated_fraction;
    let mut rows = vec![
        Row::figure("Moon", format!("rises {}, sets {}", clock(&night.moonrise), clock(&night.moonset))),
        Row::figure("Lit at midnight", format!("{lit:.0} %, {phase}")),
        Row::figure("Dark without Moon", windows(&night.dark_windows)),
    ];
    match &night.galactic_center_highest {
        Some(highest) if highest.altitude_deg > 0.0 => {
            let (best, when) = (highest.altitude_deg, highest.time.clock());
            rows.push(Row::figure("Galactic center", format!("at most {best:.0}° high in full darkness, at {when}")));
            let above = night.galactic_above_deg;
            rows.push(Row::figure(format!("Above {above:.0}° and dark"), windows(&night.galactic_center_windows)));
        }
        _ => rows.push(Row::figure("Galactic center", "not up in full darkness")),
    }
    rows.extend(night.notes.iter().map(|note| Row::Words(note.clone())));
    rows
}

fn shutter(plan: &Plan) -> Vec<Row> {
    let limits: &ShutterLimits = &plan.shutter;
    let pitch_um = limits.pixel_pitch_um;
    let (numerator, rule_secs) = (limits.shutter_rule_numerator, limits.shutter_rule_secs);
    let limit = |limit: Option<f64>| limit.map_or_else(|| "any time".to_owned(), secs);
    let (rate, rate_corner) = (limits.trail_px_per_sec, limits.trail_px_per_sec_corner);
    let (at_rule, at_rule_corner) = (limits.trail_px_at_rule, limits.trail_px_at_rule_corner);
    let (middle, corner) = (limit(limits.longest_shutter_secs), limit(limits.longest_shutter_corner_secs));
    vec![
        Row::figure("Lens", format!("{} mm, f/{}, {pitch_um:.2} µm pixels", plan.focal_mm, plan.aperture)),
        Row::figure("Pointing", declinations(limits)),
        Row::figure(format!("{numerator:.0} over focal length"), format!("{} (common practice)", secs(rule_secs))),
        Row::figure(
            "From aperture and pixel pitch",
            format!("{} (F. Michaud, Société astronomique du Havre)", secs(limits.aperture_pitch_secs)),
        ),
        Row::figure(
            format!("For a trail of {} px", (100.0 * limits.wanted_trail_px).round() / 100.0),
            format!("{middle} in the middle, {corner} in the fastest corner (exact for the lens)"),
        ),
        Row::figure("Trails", format!("{rate:.3} px a second in the middle, {rate_corner:.3} in that corner")),
        Row::figure(
            format!("Trails in {}", secs(rule_secs)),
            format!("{at_rule:.1} px in the middle, {at_rule_corner:.1} px in that corner"),
        ),
    ]
}

fn frames(plan: &Plan) -> Vec<Row> {
    let frames: &FramePlan = &plan.frames;
    let (n, exposure) = (frames.n_frames, secs(frames.exposure_secs));
    let (minutes, gigabytes) = (frames.total_secs / 60.0, frames.card_bytes / 1e9);
    let (drift_px, drift_percent) = (frames.drift_px, 100.0 * frames.drift_share);
    let (single, stack, gain) = (frames.single_frame_snr, frames.stack_snr, frames.gain);
    let (small, double) = (frames.small_return_from_frames, frames.frames_to_double);
    let (sky, read) = (frames.sky_electrons, frames.read_noise_e);
    let origin = match &plan.sky {
        Some(class) => {
            format!(
                "typical of sky class {} ({:.1} mag/arcsec²): {}",
                class.class, class.sky_mag_per_arcsec2, class.words
            )
        }
        None => "measured on the test frame".to_owned(),
    };
    let mut rows =
        vec![Row::figure("Burst", format!("{n} frames of {exposure}: {minutes:.1} minutes, up to {gigabytes:.1} GB"))];
    rows.extend(plan.exposure_caution.iter().map(|caution| Row::figure("Caution", caution.clone())));
    rows.extend([
        Row::figure("Drift of the sky", format!("{drift_px:.0} px, {drift_percent:.1} % of the frame's long side")),
        Row::figure("Sky in one frame", format!("{sky:.0} electrons a pixel on a read noise of {read:.1}, {origin}")),
        Row::figure(
            "Faint light over noise",
            format!("{single:.2} in one frame, {stack:.1} after averaging, {gain:.1} times better"),
        ),
        Row::figure(
            "Small return",
            format!("from {small} frames on one more adds under 2 %; twice as good takes {double}"),
        ),
        Row::Words(frames.advice.clone()),
    ]);
    rows
}

fn compass(degrees: f64, positive: &str, negative: &str) -> String {
    let side = if degrees < 0.0 { negative } else { positive };
    format!("{:.4}° {side}", degrees.abs())
}

fn clock(time: &Option<LocalTime>) -> String {
    time.as_ref().map_or_else(|| "never".to_owned(), LocalTime::clock)
}

fn windows(windows: &[Window]) -> String {
    if windows.is_empty() {
        return "never".to_owned();
    }
    let spans: Vec<String> = windows.iter().map(|w| format!("{} to {}", w.start.clock(), w.end.clock())).collect();
    spans.join(", ")
}

fn declinations(limits: &ShutterLimits) -> String {
    match limits.declination_range_deg {
        Some([low, high]) => {
            format!("declination {:.0}° in the middle, {low:.0}° to {high:.0}° over the frame", limits.declination_deg)
        }
        None => format!("declination {:.0}°", limits.declination_deg),
    }
}
