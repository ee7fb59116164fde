//! The field check in sentences.

use crate::pipeline::field::check::{ACCEPTED_TRAIL_PX, FieldCheck, Focus, Shape, TrailVerdict};
use crate::pipeline::field::{FieldFacts, FrameLight, TrailBasis};
use crate::pipeline::measuring::FrameFinding;

/// Share of the white level from which the sky leaves little room for stars (common practice, no source).
const BRIGHT_SKY: f32 = 0.35;

/// Growth of the star width to the far corners that is told.
const SEEN_GROWTH: f64 = 0.02;

/// Share of clipped samples that no starry sky has.
const MUCH_CLIPPED: f64 = 0.01;

/// Fewer stars than this are no starry sky.
const FEW_STARS: usize = 10;

/// What was looked at, and what was seen.
pub(super) fn lines(finding: &FrameFinding, facts: &FieldFacts, check: &FieldCheck) -> Vec<(&'static str, String)> {
    vec![
        ("Stars", stars(finding, check)),
        ("Focus", focus(facts, check)),
        ("Shape", shape(facts, check)),
        ("Trail", trail(finding, facts, check)),
        ("Sky", sky(finding, facts)),
    ]
}

fn stars(finding: &FrameFinding, check: &FieldCheck) -> String {
    let count = finding.measures.map_or(0, |measures| measures.stars);
    let corners: Vec<f32> = check.corners_px.into_iter().flatten().collect();
    let least = corners.iter().copied().fold(f32::INFINITY, f32::min);
    let most = corners.iter().copied().fold(0.0, f32::max);
    let parts = [
        Some(format!("{count} stars")),
        check.width_px.map(|width| format!("{width:.2} px wide across any trail")),
        check.middle_px.map(|width| format!("{width:.2} px in the middle")),
        match corners.len() {
            0 => None,
            1 => Some(format!("{most:.2} px in the one corner with stars")),
            n => Some(format!("{least:.2} to {most:.2} px in {n} corners")),
        },
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

fn focus(facts: &FieldFacts, check: &FieldCheck) -> String {
    let width = check.width_px.unwrap_or_default();
    let best = || check.best.as_ref().map_or_else(String::new, |(px, name)| format!("{px:.2} px in {name}"));
    let allowed = || {
        facts
            .sharpest_px
            .map_or_else(String::new, |px| format!(", where pixels and diffraction alone allow {px:.1} px"))
    };
    match check.focus {
        Focus::Sharp => format!("as sharp as the best of this burst ({})", best()),
        Focus::Soft => format!("softer than the best of this burst: {width:.2} px, against {}", best()),
        Focus::OutOfFocus => format!("out of focus beside the best of this burst: {width:.2} px, against {}", best()),
        Focus::Alone => format!(
            "{width:.2} px{}; one frame cannot tell how sharp this lens can be, a second one beside it can",
            allowed()
        ),
        Focus::WideAlone => format!("{width:.2} px{}: hardly in focus", allowed()),
        Focus::Unknown => "no star to judge it by".to_owned(),
    }
}

fn shape(facts: &FieldFacts, check: &FieldCheck) -> String {
    let Some(pattern) = facts.pattern else { return "too few stars to tell".to_owned() };
    let growth = 100.0 * pattern.corner_growth.value;
    let bar = pattern.radial_px.value;
    match check.shape {
        Shape::Unknown => "too few stars to tell".to_owned(),
        Shape::Even if pattern.corner_growth.is_clearly_above(SEEN_GROWTH) => {
            let sigma = 100.0 * pattern.corner_growth.sigma;
            format!("alike all around, {growth:.0} ± {sigma:.0} % wider in the far corners than in the middle")
        }
        Shape::Even => "alike all over the frame".to_owned(),
        Shape::Outward => format!("drawn out away from the middle, by {bar:.1} px in the corners: coma or astigmatism"),
        Shape::Around => {
            format!("drawn out around the middle, by {:.1} px in the corners: astigmatism or field curvature", -bar)
        }
        Shape::OneSided(side) => {
            let share = 100.0 * pattern.tilt[0].value.hypot(pattern.tilt[1].value);
            format!("wider towards the {}, by {share:.0} %: tilt, or a lens element out of center", side_in_words(side))
        }
        Shape::MiddleSoft => {
            format!("{:.0} % sharper in the corners than in the middle: the focus lies beside the middle", -growth)
        }
    }
}

/// The side of the picture that a direction (right, down) points to.
fn side_in_words([right, down]: [f64; 2]) -> &'static str {
    // Within 22.5° of an axis it is that axis alone.
    let (across, along) = (right.abs() > 0.383, down.abs() > 0.383);
    match (across, along, right > 0.0, down > 0.0) {
        (true, true, true, true) => "lower right",
        (true, true, true, false) => "upper right",
        (true, true, false, true) => "lower left",
        (true, true, false, false) => "upper left",
        (true, false, true, _) => "right",
        (true, false, false, _) => "left",
        (_, _, _, true) => "lower edge",
        (_, _, _, false) => "upper edge",
    }
}

fn trail(finding: &FrameFinding, facts: &FieldFacts, check: &FieldCheck) -> String {
    let Some(trail) = check.trail_px else { return "no star to measure it on".to_owned() };
    let Some(predicted) = facts.predicted else {
        return format!("{trail:.1} px; for a prediction focal length, sensor width and exposure must be known");
    };
    let basis = match predicted.basis {
        TrailBasis::AtMost => "predicted at most",
        TrailBasis::Declination | TrailBasis::Pointing => "predicted",
    };
    let (middle, corner) = (predicted.middle_px, predicted.corner_px);
    let secs = finding.metadata.exposure_secs.unwrap_or_default();
    let figures = format!(
        "{trail:.1} px in the middle, {basis} {middle:.1} px in {secs} s ({corner:.1} px in the fastest corner)"
    );
    match check.trail {
        TrailVerdict::Shaken => format!("{figures}: longer than the turning of the sky explains"),
        _ => figures,
    }
}

fn sky(finding: &FrameFinding, facts: &FieldFacts) -> String {
    let Some(measures) = finding.measures else { return "not measured".to_owned() };
    let (level, clipped) = (100.0 * measures.sky_level, 100.0 * measures.clipped_fraction);
    let electrons = facts.light.map(|light| {
        format!(
            "; {:.0} electrons a pixel on a read noise of {:.1}, {}",
            light.sky_electrons,
            light.read_noise_electrons,
            against_read_noise(&light)
        )
    });
    format!("at {level:.1} % of full scale, {clipped:.2} % clipped{}", electrons.unwrap_or_default())
}

fn against_read_noise(light: &FrameLight) -> String {
    let sky_noise = light.sky_electrons.sqrt();
    if light.read_noise_electrons < 0.05 {
        return "which is too low to be told from this frame".to_owned();
    }
    format!("so the noise of the sky is {:.1} times that of reading", sky_noise / light.read_noise_electrons)
}

/// The one thing to change first.
pub(super) fn suggestion(finding: &FrameFinding, check: &FieldCheck) -> String {
    let Some(measures) = finding.measures else {
        return "Take another frame: this one could not be measured".to_owned();
    };
    if measures.clipped_fraction > MUCH_CLIPPED || measures.sky_level > BRIGHT_SKY {
        return format!(
            "Lower the ISO or shorten the shutter: the sky is at {:.0} % of full scale and {:.1} % is clipped",
            100.0 * measures.sky_level,
            100.0 * measures.clipped_fraction
        );
    }
    if measures.stars < FEW_STARS {
        return "Look at the lens cap, the clouds and the focus: hardly any star is found".to_owned();
    }
    if check.trail == TrailVerdict::Shaken {
        return "Steady the tripod, use a release and wait until it is still: the camera moved".to_owned();
    }
    match (check.focus, check.shape) {
        (Focus::OutOfFocus | Focus::WideAlone, _) => {
            return "Focus anew on a bright star at full magnification".to_owned();
        }
        (Focus::Soft, _) => return "Focus again: stars are wider than this lens has drawn tonight".to_owned(),
        (_, Shape::MiddleSoft) => return "Focus on a star nearer to the middle of the frame".to_owned(),
        _ => {}
    }
    if check.trail == TrailVerdict::Long {
        return shorter_shutter(finding, check);
    }
    match check.shape {
        Shape::OneSided(_) => {
            return "Check that the lens sits firmly on the camera, or stop down: one side is softer".to_owned();
        }
        Shape::Outward | Shape::Around => return "Stop down by half a stop or a stop for rounder corners".to_owned(),
        _ => {}
    }
    match &check.burst {
        Some(burst) => burst.advice.clone(),
        None => "Nothing to change: go on".to_owned(),
    }
}

fn shorter_shutter(finding: &FrameFinding, check: &FieldCheck) -> String {
    let trail = f64::from(check.trail_px.unwrap_or_default());
    let secs = finding.metadata.exposure_secs.unwrap_or_default() * ACCEPTED_TRAIL_PX / trail.max(ACCEPTED_TRAIL_PX);
    // Whole seconds from two on, as cameras have them.
    let secs = if secs >= 2.0 { secs.floor() } else { (10.0 * secs).floor() / 10.0 };
    format!("Shorten the shutter to {secs} s for trails of {ACCEPTED_TRAIL_PX} px, and take more frames")
}
