//! Corrections of the landscape that may take longer than a frame of the screen, each a closure for a lane.

use std::sync::Arc;

use eframe::egui::Pos2;

use crate::gui::strokes::{BrushKind, MaskPatch};
use crate::job::{Cancelled, Monitor};
use crate::pipeline::{ForegroundMask, Guide, Stroke, StrokeSide};
use crate::pixels::{Orientation, Point};

/// The name of the work, as a person reads it.
pub const CORRECTING: &str = "Correcting the mask";

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
    /// Squares exchanged with those of the mask: a stroke that is painted already, or an edit taken back.
    Swap(Arc<MaskPatch>),
    /// A stroke, taken at its word.
    Paint(Stroke),
    /// A stroke as a hint: the edge is sought around it.
    Hint(Stroke),
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

/// Carries a correction out; `held` are hints that were answered before. The mask itself stays as it is.
pub fn correct(
    monitor: &Monitor,
    mask: &ForegroundMask,
    correction: Correction,
    guide: Option<&Guide>,
    held: &[Stroke],
) -> Result<Corrected, Cancelled> {
    monitor.step(CORRECTING, 0, 1)?;
    let mut hint = None;
    let after = match correction {
        Correction::Swap(patch) => {
            let mut patch = Arc::unwrap_or_clone(patch);
            let mut after = mask.clone();
            patch.swap(&mut after);
            monitor.check()?;
            // What the squares hold now is the way back.
            return Ok(Corrected { after, patch, hint });
        }
        Correction::Paint(stroke) => {
            let mut after = mask.clone();
            after.paint(monitor, &stroke)?;
            after
        }
        Correction::Hint(stroke) => {
            let stroke = thinned(&stroke);
            let mut after = mask.clone();
            if let Some(guide) = guide {
                after = guide.solve(monitor, after, std::slice::from_ref(&stroke))?;
                // What was said before still holds where the answer may have changed it ...
                for earlier in held.iter().filter(|earlier| guide.may_change(&stroke, earlier)) {
                    after.paint(monitor, earlier)?;
                }
            }
            // ... and what is said now most of all.
            after.paint(monitor, &stroke)?;
            hint = Some(stroke);
            after
        }
        Correction::Polygon { corners, side, snap_px } => {
            let mut after = mask.clone();
            after.fill_polygon(monitor, &corners, side)?;
            let mut sides = corners;
            sides.extend(sides.first().copied());
            snapped(monitor, after, guide, &sides, snap_px)?
        }
        Correction::Below { line, orientation, snap_px } => {
            let mut after = mask.clone();
            after.fill_below(monitor, &line, orientation)?;
            snapped(monitor, after, guide, &line, snap_px)?
        }
        Correction::Edge(EdgeChange::Grow(px)) => mask.grow(monitor, px)?,
        Correction::Edge(EdgeChange::Shrink(px)) => mask.shrink(monitor, px)?,
        Correction::Edge(EdgeChange::Feather(px)) => mask.feather(monitor, px)?,
        Correction::Edge(EdgeChange::Invert) => mask.invert(monitor)?,
    };
    let patch = MaskPatch::between(monitor, mask, &after)?;
    Ok(Corrected { after, patch, hint })
}

fn snapped(
    monitor: &Monitor,
    mask: ForegroundMask,
    guide: Option<&Guide>,
    line: &[Point],
    snap_px: Option<f64>,
) -> Result<ForegroundMask, Cancelled> {
    match (guide, snap_px) {
        (Some(guide), Some(reach_px)) => guide.snap(monitor, mask, line, reach_px),
        _ => Ok(mask),
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
    points.extend(stroke.points.last().filter(|last| points.last() != Some(*last)));
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
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;
    use crate::gui::strokes::Brush;
    use crate::job::CancelToken;
    use crate::pixels::{Plane, Size};

    fn lower_half() -> ForegroundMask {
        let size = Size { width: 400, height: 300 };
        ForegroundMask(Plane::from_fn(size, |_, y| if y >= 150 { 1.0 } else { 0.0 }))
    }

    fn all() -> Vec<Correction> {
        let point = |x: f64, y: f64| Point { x, y };
        let stroke =
            Stroke { points: vec![point(50.0, 50.0), point(90.0, 60.0)], radius_px: 8.0, side: StrokeSide::Land };
        let triangle = vec![point(10.0, 200.0), point(200.0, 200.0), point(100.0, 280.0)];
        let mut patch = MaskPatch::default();
        let brush = Brush { kind: BrushKind::Add, radius_px: 8.0 };
        patch.paint(&lower_half(), brush, Pos2::new(50.0, 50.0), Pos2::new(90.0, 60.0));
        vec![
            Correction::Swap(Arc::new(patch)),
            Correction::Paint(stroke.clone()),
            Correction::Hint(stroke),
            Correction::Polygon { corners: triangle, side: StrokeSide::Sky, snap_px: Some(9.0) },
            Correction::Below {
                line: vec![point(0.0, 100.0), point(399.0, 120.0)],
                orientation: Orientation::Normal,
                snap_px: Some(9.0),
            },
            Correction::Edge(EdgeChange::Grow(5.0)),
            Correction::Edge(EdgeChange::Shrink(5.0)),
            Correction::Edge(EdgeChange::Feather(6.0)),
            Correction::Edge(EdgeChange::Invert),
        ]
    }

    #[test]
    fn every_correction_can_be_taken_back() {
        let guide = Guide::plain(lower_half().size());
        for correction in all() {
            let name = format!("{correction:?}");
            let guide = matches!(correction, Correction::Hint(_)).then_some(&guide);
            let corrected = correct(&Monitor::silent(), &lower_half(), correction, guide, &[]);
            let Corrected { mut after, mut patch, .. } = corrected.expect("nobody cancels");
            assert_ne!(after, lower_half(), "{name} changes the mask");
            patch.swap(&mut after);
            assert_eq!(after, lower_half(), "{name} is taken back");
        }
    }

    /// Between two looks at whether to go on lies a row, or a step of the solver; the look at which it is asked to stop
    /// is the last but those of the other cores.
    #[test]
    fn every_correction_stops_wherever_it_is_asked_to() {
        let guide = Guide::plain(lower_half().size());
        for correction in all() {
            let name = format!("{correction:?}");
            let run = |stop_at: usize| {
                let cancel = CancelToken::default();
                let n_looks = Arc::new(AtomicUsize::new(0));
                let (heard, token) = (Arc::clone(&n_looks), cancel.clone());
                let monitor = Monitor::new(cancel, |_| {}).hear_looks(move || {
                    if heard.fetch_add(1, Ordering::Relaxed) + 1 == stop_at {
                        token.cancel();
                    }
                });
                let result = correct(&monitor, &lower_half(), correction.clone(), Some(&guide), &[]);
                (result.map(|_| ()), n_looks.load(Ordering::Relaxed))
            };
            let (whole, n_looks) = run(usize::MAX);
            assert_eq!(whole, Ok(()), "{name}: nobody cancels");
            // Rows of the stroke's box, or of the frame; a swap copies and is done.
            let least = if matches!(correction, Correction::Swap(_)) { 2 } else { 20 };
            assert!(n_looks >= least, "{name} looks only {n_looks} times");
            for stop_at in [1, 2, n_looks / 2, n_looks - 1].map(|look| look.max(1)) {
                let (result, n_heard) = run(stop_at);
                assert_eq!(result, Err(Cancelled), "{name}, asked at look {stop_at} of {n_looks}");
                let most = stop_at + 2 * rayon::current_num_threads();
                assert!(n_heard <= most, "{name}: {n_heard} looks, asked to stop at {stop_at}");
            }
        }
    }

    #[test]
    fn a_hint_holds_where_a_later_one_is_answered() {
        let guide = Guide::plain(lower_half().size());
        let stroke = |x: f64, side| Stroke { points: vec![Point { x, y: 150.0 }], radius_px: 8.0, side };
        let (earlier, later) = (stroke(200.0, StrokeSide::Sky), stroke(215.0, StrokeSide::Land));
        assert!(guide.may_change(&later, &earlier), "side by side");
        assert!(!guide.may_change(&later, &stroke(20.0, StrokeSide::Sky)), "at the other end of the frame");
        let hint = Correction::Hint(later);
        let corrected = correct(&Monitor::silent(), &lower_half(), hint, Some(&guide), &[earlier]);
        let after = corrected.expect("nobody cancels").after;
        assert_eq!((after.0.at(196, 150), after.0.at(215, 150)), (0.0, 1.0), "both hold");
    }

    #[test]
    fn a_hint_counts_with_its_core_and_keeps_its_ends() {
        let points: Vec<Point> = (0..=100).map(|x| Point { x: f64::from(x), y: 10.0 }).collect();
        let core = thinned(&Stroke { points, radius_px: 20.0, side: StrokeSide::Sky });
        assert_eq!((core.points.len(), core.radius_px), (21, 8.0), "every fifth point, two fifths of the radius");
        assert_eq!(core.points.last(), Some(&Point { x: 100.0, y: 10.0 }), "to the end");
    }
}
