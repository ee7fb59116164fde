//! The plan as one page of plain text.

use std::fmt;

use super::night::{Daylight, Night, Window};
use super::shutter::ShutterLimits;
use super::{FramePlan, LocalTime, Plan};

impl fmt::Display for Plan {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (latitude, longitude) = (self.latitude_deg, self.longitude_deg);
        writeln!(out, "Night of {} at {}, {}", self.date, compass(latitude, "N", "S"), compass(longitude, "E", "W"))?;
        write_night(out, &self.night)?;
        write_shutter(out, self)?;
        write_frames(out, self)?;
        writeln!(out, "\nBefore you go")?;
        for caution in &self.cautions {
            writeln!(out, "  {caution}")?;
        }
        Ok(())
    }
}

fn write_night(out: &mut fmt::Formatter<'_>, night: &Night) -> fmt::Result {
    match night.daylight {
        Daylight::Night => {}
        Daylight::PolarDay => writeln!(out, "The Sun stays above the horizon")?,
        Daylight::PolarNight => writeln!(out, "The Sun stays below the horizon from noon to noon")?,
    }
    writeln!(out, "\nSun                 evening  morning")?;
    for (name, evening, morning) in [
        ("Sunset, sunrise", &night.sunset, &night.sunrise),
        ("Civil (6°)", &night.civil_dusk, &night.civil_dawn),
        ("Nautical (12°)", &night.nautical_dusk, &night.nautical_dawn),
        ("Astronomical (18°)", &night.astronomical_dusk, &night.astronomical_dawn),
    ] {
        writeln!(out, "  {name:<18}  {:<7}  {}", clock(evening), clock(morning))?;
    }
    writeln!(out, "\nMoon")?;
    writeln!(out, "  Rises {}, sets {}", clock(&night.moonrise), clock(&night.moonset))?;
    let phase = if night.moon_waxing { "waxing" } else { "waning" };
    writeln!(out, "  {:.0} % lit at midnight, {phase}", 100.0 * night.moon_illuminated_fraction)?;
    writeln!(out, "\nDark without Moon     {}", windows(&night.dark_windows))?;
    write!(out, "Galactic center       ")?;
    match &night.galactic_center_highest {
        Some(highest) if highest.altitude_deg > 0.0 => {
            let (best, when) = (highest.altitude_deg, highest.time.clock());
            writeln!(out, "at most {best:.0}° high in full darkness, at {when}")?;
            let above = night.galactic_above_deg;
            writeln!(out, "  above {above:.0}° and dark  {}", windows(&night.galactic_center_windows))?;
        }
        _ => writeln!(out, "not up in full darkness")?,
    }
    for note in &night.notes {
        writeln!(out, "  {note}")?;
    }
    Ok(())
}

fn write_shutter(out: &mut fmt::Formatter<'_>, plan: &Plan) -> fmt::Result {
    let limits: &ShutterLimits = &plan.shutter;
    let (focal_mm, aperture) = (plan.focal_mm, plan.aperture);
    let pitch_um = limits.pixel_pitch_um;
    writeln!(out, "\nShutter at {focal_mm} mm, f/{aperture}, {pitch_um:.2} µm pixels, {}", declinations(limits))?;
    let (numerator, rule_secs) = (limits.shutter_rule_numerator, limits.shutter_rule_secs);
    let rule = format!("Rule of the trade, {numerator:.0} over focal length");
    writeln!(out, "  {rule:<42}  {} (common practice)", secs(rule_secs))?;
    writeln!(out, "  {:<42}  {}", "Formula of aperture and pixel pitch", secs(limits.aperture_pitch_secs))?;
    let (middle, corner) = (limits.trail_px_per_sec, limits.trail_px_per_sec_corner);
    writeln!(out, "  Trail  {middle:.3} px a second in the middle, {corner:.3} at the fastest corner")?;
    let (middle, corner) = (limits.trail_px_at_rule, limits.trail_px_at_rule_corner);
    writeln!(out, "         {middle:.1} px in the middle, {corner:.1} px at that corner in {}", secs(rule_secs))?;
    let limit = |limit: Option<f64>| limit.map_or_else(|| "any time".to_owned(), secs);
    let (middle, corner) = (limit(limits.longest_shutter_secs), limit(limits.longest_shutter_corner_secs));
    writeln!(out, "  A trail of {} px takes {middle} in the middle, {corner} there", limits.wanted_trail_px)
}

fn write_frames(out: &mut fmt::Formatter<'_>, plan: &Plan) -> fmt::Result {
    let frames: &FramePlan = &plan.frames;
    let (n, exposure) = (frames.n_frames, secs(frames.exposure_secs));
    let (minutes, gigabytes) = (frames.total_secs / 60.0, frames.card_bytes / 1e9);
    writeln!(out, "\nBurst of {n} frames of {exposure}")?;
    writeln!(out, "  {minutes:.1} minutes, up to {gigabytes:.1} GB on the card")?;
    let (drift_px, drift_percent) = (frames.drift_px, 100.0 * frames.drift_share);
    writeln!(out, "  The sky drifts {drift_px:.0} px meanwhile, {drift_percent:.1} % of the frame's long side")?;
    let (single, stack, gain) = (frames.single_frame_snr, frames.stack_snr, frames.gain);
    writeln!(out, "  Faint light over noise  {single:.2} in one frame, {stack:.1} after averaging ({gain:.1} times)")?;
    let (small, double) = (frames.small_return_from_frames, frames.frames_to_double);
    writeln!(out, "  From {small} frames on one more adds under 2 %; twice the S/N takes {double}")?;
    if let Some(sky) = &plan.sky {
        writeln!(out, "  Reckoned for sky class {} ({:.1} mag/arcsec²)", sky.class, sky.sky_mag_per_arcsec2)?;
        writeln!(out, "    {}", sky.words)?;
    }
    writeln!(out, "  {}", frames.advice)
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

fn secs(secs: f64) -> String {
    if secs >= 100.0 { format!("{secs:.0} s") } else { format!("{} s", (secs * 10.0).round() / 10.0) }
}
