//! The verdicts of the field check. All limits are common practice, no source, unless a source is named.

use crate::detect::{MIDDLE_ZONE, ZONES_ALONG};
use crate::pipeline::field::pattern::LensPattern;
use crate::pipeline::field::words;
use crate::pipeline::field::{FieldFacts, PredictedTrail, TrailBasis};
use crate::pipeline::measuring::FrameFinding;
use crate::pixels::{Orientation, Point, Size};
use crate::plan::frames::{BurstRequest, FramePlan, frame_plan};
use crate::plan::shutter::{WantedTrail, shutter_limits};
use crate::plan::{Aim, Place};

/// Width over the best of the burst up to which a frame is as sharp, and up to which it is merely soft. A lens
/// that cools drifts by a tenth.
const SOFT_FROM: f32 = 1.08;
const OUT_FROM: f32 = 1.3;

/// A frame with a smaller share of the usual number of stars does not say how sharp the lens can be.
const FEW_STARS: f32 = 0.5;

/// With the middle this much wider than the corner, the sharpest focus lies beside the middle.
const BESIDE_MIDDLE: f64 = 0.06;

/// A single frame with stars this many times as wide as pixels and diffraction allow is hardly in focus: a good
/// fast lens draws some two and a half times that.
const WIDE_ALONE: f64 = 5.0;

/// Growth of the width to one edge from which a frame is one-sided.
const TILT_FROM: f64 = 0.06;

/// Length of a bar over the star width from which stars are drawn out.
const DRAWN_FROM: f64 = 0.8;

/// Trail beyond the predicted one from which the camera moved: a share, and pixels.
const SHAKEN_RATIO: f64 = 1.25;
const SHAKEN_PX: f64 = 0.7;

/// The trail that is accepted, px: that of a plan.
pub(super) const ACCEPTED_TRAIL_PX: f64 = 3.0;

/// The focus of a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Focus {
    /// As sharp as the best of the burst.
    Sharp,
    /// Softer than the best of the burst.
    Soft,
    /// Far softer than the best of the burst.
    OutOfFocus,
    /// Nothing to compare with, and nothing odd.
    Alone,
    /// Nothing to compare with, but far wider than a lens in focus draws.
    WideAlone,
    /// No width was measured.
    Unknown,
}

/// What the stars look like over the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// Alike everywhere, apart from an even growth to the corners.
    Even,
    /// Drawn out along the radius in the corners: coma or astigmatism.
    Outward,
    /// Drawn out across the radius in the corners: astigmatism or field curvature.
    Around,
    /// Wider on one side: a tilted sensor or lens, or one element out of center. The side is that of the upright
    /// picture, as right and down, of length 1.
    OneSided([f64; 2]),
    /// Sharper in the corners than in the middle: the focus lies beside the middle.
    MiddleSoft,
    /// Too few stars to tell.
    Unknown,
}

/// The trail beside the predicted one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TrailVerdict {
    /// Explained by the sky's turning, and short.
    Short,
    /// Explained by the sky's turning, and longer than is accepted.
    Long,
    /// Longer than the sky's turning explains.
    Shaken,
    /// Measured, with nothing to compare it with.
    Unpredicted,
    /// Not measured.
    Unknown,
}

/// What the field check found, and what to change.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldCheck {
    /// The focus.
    pub focus: Focus,
    /// Width across of the typical star, which a trail leaves alone.
    pub width_px: Option<f32>,
    /// The least such width in the burst and the name of its frame, where there is more than one frame.
    pub best: Option<(f32, String)>,
    /// Width in the middle and in the corners: upper left, upper right, lower left, lower right of the upright
    /// picture.
    pub middle_px: Option<f32>,
    /// See above.
    pub corners_px: [Option<f32>; 4],
    /// What the stars look like over the frame.
    pub shape: Shape,
    /// Trail in the middle, or of the whole frame where the middle has too few stars.
    pub trail_px: Option<f32>,
    /// The trail beside the predicted one.
    pub trail: TrailVerdict,
    /// The burst of such frames, where the frame's own noise tells it.
    pub burst: Option<FramePlan>,
    /// Subject and sentence, one for each thing that was looked at.
    pub lines: Vec<(&'static str, String)>,
    /// What to change, in one sentence.
    pub suggestion: String,
}

/// Checks frame `idx` against the others; `None` for a frame that could not be measured.
#[must_use]
pub fn field_check(findings: &[&FrameFinding], idx: usize) -> Option<FieldCheck> {
    let finding = findings.get(idx)?;
    let facts = finding.field.as_deref()?;
    let best = best_of(findings);
    let width_px = facts.typical.map(|ellipse| ellipse.across_px);
    let shape = facts.pattern.map_or(Shape::Unknown, |pattern| shape_of(&pattern, finding.orientation));
    let trail_px = trail_px(finding, facts);
    let mut check = FieldCheck {
        focus: focus(width_px, best.as_ref().map(|best| best.0), facts.sharpest_px),
        width_px,
        best,
        middle_px: facts.zones[MIDDLE_ZONE].ellipse.map(|ellipse| ellipse.across_px),
        corners_px: corners(facts, finding.orientation),
        shape,
        trail_px,
        trail: trail_verdict(trail_px, doubt_px(facts), facts.predicted.as_ref()),
        burst: burst(finding, facts),
        lines: Vec::new(),
        suggestion: String::new(),
    };
    check.lines = words::lines(finding, facts, &check);
    check.suggestion = words::suggestion(finding, &check);
    Some(check)
}

/// The sharpest frame among those with a fair number of stars; `None` where there is nothing to compare.
fn best_of(findings: &[&FrameFinding]) -> Option<(f32, String)> {
    let measured = findings.iter().filter_map(|finding| {
        let width_px = finding.field.as_ref()?.typical?.across_px;
        Some((width_px, finding.measures?.stars as f32, finding))
    });
    let measured: Vec<_> = measured.collect();
    let usual = crate::pixels::statistics::median(&mut measured.iter().map(|one| one.1).collect::<Vec<_>>())?;
    let fair = measured.iter().filter(|one| one.1 >= FEW_STARS * usual);
    let (width_px, _, finding) = fair.min_by(|a, b| a.0.total_cmp(&b.0))?;
    let name = finding.path.file_name().unwrap_or(finding.path.as_os_str());
    (measured.len() > 1).then(|| (*width_px, name.to_string_lossy().into_owned()))
}

fn focus(width_px: Option<f32>, best_px: Option<f32>, sharpest_px: Option<f64>) -> Focus {
    match (width_px, best_px) {
        (None, _) => Focus::Unknown,
        (Some(width), Some(best)) if width <= SOFT_FROM * best => Focus::Sharp,
        (Some(width), Some(best)) if width <= OUT_FROM * best => Focus::Soft,
        (Some(_), Some(_)) => Focus::OutOfFocus,
        (Some(width), None) if sharpest_px.is_some_and(|sharpest| f64::from(width) > WIDE_ALONE * sharpest) => {
            Focus::WideAlone
        }
        (Some(_), None) => Focus::Alone,
    }
}

/// What stands out most; a side is told in the upright picture.
fn shape_of(pattern: &LensPattern, orientation: Orientation) -> Shape {
    let [right, down] = pattern.tilt;
    if right.exceeds(TILT_FROM) || down.exceeds(TILT_FROM) {
        return Shape::OneSided(upright_direction([right.value, down.value], orientation));
    }
    if pattern.radial_px.exceeds(DRAWN_FROM * pattern.middle_px) {
        return if pattern.radial_px.value > 0.0 { Shape::Outward } else { Shape::Around };
    }
    if pattern.corner_growth.value < 0.0 && pattern.corner_growth.exceeds(BESIDE_MIDDLE) {
        return Shape::MiddleSoft;
    }
    Shape::Even
}

fn upright_direction([right, down]: [f64; 2], orientation: Orientation) -> [f64; 2] {
    let square = Size { width: 3, height: 3 };
    let length = right.hypot(down).max(1e-12);
    let turned = orientation.upright_point(Point { x: 1.0 + right / length, y: 1.0 + down / length }, square);
    [turned.x - 1.0, turned.y - 1.0]
}

/// Widths in the corners of the upright picture.
fn corners(facts: &FieldFacts, orientation: Orientation) -> [Option<f32>; 4] {
    let grid = Size { width: ZONES_ALONG, height: ZONES_ALONG };
    [(0, 0), (2, 0), (0, 2), (2, 2)].map(|(x, y)| {
        let (column, row) = orientation.stored_from_upright(x, y, grid);
        facts.zones[ZONES_ALONG * row + column].ellipse.map(|ellipse| ellipse.across_px)
    })
}

/// Trail in the middle, where the lens adds nothing; doubles of a jolted frame count too.
fn trail_px(finding: &FrameFinding, facts: &FieldFacts) -> Option<f32> {
    let common = finding.measures.and_then(|measures| measures.trail_px);
    let middle = facts.zones[MIDDLE_ZONE].ellipse.map(|ellipse| ellipse.trail_px);
    let along = facts.typical.map_or(0.0, |ellipse| ellipse.trail_px);
    match (middle, common) {
        // Doubles are no ellipse: only the frame's own measure sees them.
        (_, Some(common)) if common > 2.0 * along + 2.0 => Some(common),
        (Some(middle), _) => Some(middle),
        (None, common) => common,
    }
}

/// The trail that noise alone feigns in the middle.
fn doubt_px(facts: &FieldFacts) -> f64 {
    facts.zones[MIDDLE_ZONE].ellipse.or(facts.typical).map_or(0.0, |ellipse| f64::from(ellipse.trail_doubt_px))
}

fn trail_verdict(trail_px: Option<f32>, doubt_px: f64, predicted: Option<&PredictedTrail>) -> TrailVerdict {
    let Some(trail_px) = trail_px.map(f64::from) else { return TrailVerdict::Unknown };
    match predicted {
        None => TrailVerdict::Unpredicted,
        // What draws stars out adds in squares, and so does noise.
        Some(predicted) if trail_px > (SHAKEN_RATIO * predicted.middle_px + SHAKEN_PX).hypot(doubt_px) => {
            TrailVerdict::Shaken
        }
        Some(_) if trail_px > ACCEPTED_TRAIL_PX => TrailVerdict::Long,
        Some(_) => TrailVerdict::Short,
    }
}

/// Sixteen frames like this one, or what the plan's defaults say.
fn burst(finding: &FrameFinding, facts: &FieldFacts) -> Option<FramePlan> {
    let camera = facts.camera?;
    let light = facts.light_source(&finding.metadata)?;
    let place = Place { latitude_deg: 0.0, longitude_deg: 0.0 };
    let limits = shutter_limits(&camera, Aim::Declination(0.0), place, WantedTrail::Px(ACCEPTED_TRAIL_PX));
    // Where the pointing is known, the sky may turn slower.
    let rate = match facts.predicted {
        Some(PredictedTrail { middle_px, basis: TrailBasis::Declination | TrailBasis::Pointing, .. }) => {
            finding.metadata.exposure_secs.map_or(limits.trail_px_per_sec, |secs| middle_px / secs)
        }
        _ => limits.trail_px_per_sec,
    };
    let longest_secs = (rate > 1e-5).then(|| ACCEPTED_TRAIL_PX / rate);
    let request = BurstRequest { exposure_secs: finding.metadata.exposure_secs, light, ..BurstRequest::default() };
    Some(frame_plan(&camera, &request, limits.shutter_rule_secs, rate, longest_secs))
}
