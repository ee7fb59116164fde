//! Corrections of the landscape that may take longer than a frame of the screen, each a closure for a lane.

use std::sync::Arc;

use eframe::egui::Pos2;

use crate::gui::strokes::{BrushKind, MaskPatch};
use crate::job::{Cancelled, Monitor};
use crate::pipeline::{ForegroundMask, Guide, Stroke, StrokeSide};
use crate::pixels::{Orientation, Point};

/// What the person draws with.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Tool {
    /// Strokes of a round brush.
    #[default]
    Brush,
    /// A shape with straight sides.
    Polygon,
    /// A line along the horizon: land below, sky above.
    LevelLine,
}

/// The middle of a hint is taken at its word, its rim is left to the edge: share of the radius that counts.
const CORE: f64 = 0.4;

/// Points of a stroke closer together than this share of its radius tell nothing new.
const LEAST_STEP: f64 = 0.25;

/// A change of the whole edge of the landscape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum EdgeChange {
    /// Outwards by so many pixels of the picture.
    Grow(f32),
    /// Inwards.
    Shrink(f32),
    /// Softer over so many pixels.
    Feather(f32),
    /// Land for sky and sky for land.
    Invert,
}

/// A correction.
#[derive(Clone, Debug, PartialEq)]
pub enum Correction {
    /// A stroke, taken at its word.
    Paint(Stroke),
    /// A stroke as a hint: the edge is sought around it.
    Hint {
        /// The stroke as drawn.
        stroke: Stroke,
        /// What was under it, where it is painted already.
        painted: Option<MaskPatch>,
    },
    /// A filled polygon.
    Polygon {
        /// In light-frame pixels.
        corners: Vec<Point>,
        /// What it makes of its inside.
        side: StrokeSide,
        /// How far the real edge may be from its sides; as drawn where `None`.
        snap_px: Option<f64>,
    },
    /// Land below a line.
    Below {
        /// In light-frame pixels.
        line: Vec<Point>,
        /// How the picture is held upright.
        orientation: Orientation,
        /// How far the real horizon may be from it; as drawn where `None`.
        snap_px: Option<f64>,
    },
    /// The whole edge.
    Edge(EdgeChange),
}

/// What a correction came to.
#[derive(Debug)]
pub struct Corrected {
    /// The mask.
    pub after: ForegroundMask,
    /// The way back.
    pub patch: MaskPatch,
    /// The stroke that is to hold from now on.
    pub hint: Option<Stroke>,
}

/// Carries a correction out; `held` are hints that were answered before.
pub fn correct(
    monitor: &Monitor,
    mask: &Arc<ForegroundMask>,
    correction: Correction,
    guide: Option<&Guide>,
    held: &[Stroke],
) -> Result<Corrected, Cancelled> {
    monitor.check()?;
    let mut hint = None;
    let mut painted_patch = None;
    let after = match correction {
        Correction::Paint(stroke) => {
            let mut after = ForegroundMask::clone(mask);
            after.paint(&stroke);
            after
        }
        Correction::Hint { stroke, painted } => {
            let mut before = ForegroundMask::clone(mask);
            if let Some(patch) = &painted {
                patch.clone().swap(&mut before);
            }
            painted_patch = painted;
            let stroke = thinned(&stroke);
            let mut after = match guide {
                Some(guide) => guide.solve(&before, std::slice::from_ref(&stroke)),
                None => before,
            };
            // What was said before still holds, and what is said now most of all.
            held.iter().chain([&stroke]).for_each(|stroke| after.paint(stroke));
            hint = Some(stroke);
            after
        }
        Correction::Polygon { corners, side, snap_px } => {
            let mut after = ForegroundMask::clone(mask);
            after.fill_polygon(&corners, side);
            let mut sides = corners;
            sides.extend(sides.first().copied());
            snapped(after, guide, &sides, snap_px)
        }
        Correction::Below { line, orientation, snap_px } => {
            let mut after = ForegroundMask::clone(mask);
            after.fill_below(&line, orientation);
            snapped(after, guide, &line, snap_px)
        }
        Correction::Edge(EdgeChange::Grow(px)) => mask.grow(px),
        Correction::Edge(EdgeChange::Shrink(px)) => mask.shrink(px),
        Correction::Edge(EdgeChange::Feather(px)) => mask.feather(px),
        Correction::Edge(EdgeChange::Invert) => mask.invert(),
    };
    monitor.check()?;
    let mut patch = MaskPatch::between(mask, &after);
    if let Some(mut first) = painted_patch {
        first.absorb(patch);
        patch = first;
    }
    Ok(Corrected { after, patch, hint })
}

fn snapped(mask: ForegroundMask, guide: Option<&Guide>, line: &[Point], snap_px: Option<f64>) -> ForegroundMask {
    match (guide, snap_px) {
        (Some(guide), Some(reach_px)) => guide.snap(&mask, line, reach_px),
        _ => mask,
    }
}

/// The core of a stroke, with as many points as tell its way.
fn thinned(stroke: &Stroke) -> Stroke {
    let least_px = LEAST_STEP * stroke.radius_px;
    let mut points: Vec<Point> = Vec::new();
    for &point in &stroke.points {
        if points.last().is_none_or(|last| last.distance(point) >= least_px) {
            points.push(point);
        }
    }
    points.extend(stroke.points.last().filter(|last| points.last() != Some(last)));
    Stroke { points, radius_px: CORE * stroke.radius_px, side: stroke.side }
}

/// A place of the picture, whose corner is the origin, in light-frame pixels, whose first centre is.
#[must_use]
pub fn frame_point(place: Pos2) -> Point {
    Point { x: f64::from(place.x) - 0.5, y: f64::from(place.y) - 0.5 }
}

/// The side that a brush stands for.
#[must_use]
pub fn side(kind: BrushKind) -> StrokeSide {
    match kind {
        BrushKind::Add => StrokeSide::Land,
        BrushKind::Remove => StrokeSide::Sky,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Plane, Size};

    fn lower_half() -> Arc<ForegroundMask> {
        let size = Size { width: 400, height: 300 };
        Arc::new(ForegroundMask(Plane::from_fn(size, |_, y| if y >= 150 { 1.0 } else { 0.0 })))
    }

    fn carry_out(correction: Correction) -> Corrected {
        correct(&Monitor::silent(), &lower_half(), correction, None, &[]).expect("nobody cancels")
    }

    #[test]
    fn every_correction_can_be_taken_back() {
        let point = |x: f64, y: f64| Point { x, y };
        let stroke = Stroke { points: vec![point(50.0, 50.0), point(90.0, 60.0)], radius_px: 8.0, side: StrokeSide::Land };
        let triangle = vec![point(10.0, 200.0), point(200.0, 200.0), point(100.0, 280.0)];
        let all = [
            Correction::Paint(stroke.clone()),
            Correction::Hint { stroke, painted: None },
            Correction::Polygon { corners: triangle, side: StrokeSide::Sky, snap_px: None },
            Correction::Below {
                line: vec![point(0.0, 100.0), point(399.0, 120.0)],
                orientation: Orientation::Normal,
                snap_px: None,
            },
            Correction::Edge(EdgeChange::Grow(5.0)),
            Correction::Edge(EdgeChange::Shrink(5.0)),
            Correction::Edge(EdgeChange::Feather(6.0)),
            Correction::Edge(EdgeChange::Invert),
        ];
        for correction in all {
            let name = format!("{correction:?}");
            let Corrected { mut after, mut patch, .. } = carry_out(correction);
            assert_ne!(after, *lower_half(), "{name} changes the mask");
            patch.swap(&mut after);
            assert_eq!(after, *lower_half(), "{name} is taken back");
        }
    }

    #[test]
    fn a_hint_counts_with_its_core_and_keeps_its_ends() {
        let points: Vec<Point> = (0..=100).map(|x| Point { x: f64::from(x), y: 10.0 }).collect();
        let core = thinned(&Stroke { points, radius_px: 20.0, side: StrokeSide::Sky });
        assert_eq!((core.points.len(), core.radius_px), (21, 8.0), "every fifth point, two fifths of the radius");
        assert_eq!(core.points.last(), Some(&Point { x: 100.0, y: 10.0 }), "to the end");
    }
}
