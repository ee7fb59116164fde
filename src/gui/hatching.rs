//! The landscape, hatched with fine diagonal lines that keep their spacing at any zoom.
//!
//! The lines are fixed to the screen and sampled along their length, so the work depends on the
//! canvas and not on the frame. Dark and light lie side by side, so that they show on any picture.

use eframe::egui::{Painter, Pos2, Rect, Stroke, pos2};

use crate::gui::strokes::MaskPatch;
use crate::gui::theme::Palette;
use crate::gui::view::Placement;
use crate::pipeline::ForegroundMask;
use crate::pixels::nearest_index;

/// Distance of the lines along the x axis, in points.
const SPACING: f32 = 9.0;

/// Distance of samples along a line, in points of its height.
const STEP: f32 = 2.0;

/// What is landscape.
pub struct Hatched<'a> {
    /// As the mask has it; no landscape where there is none.
    pub mask: Option<&'a ForegroundMask>,
    /// Strokes over it, the newest first.
    pub over: &'a [&'a MaskPatch],
}

impl Hatched<'_> {
    fn is_land(&self, x: usize, y: usize) -> bool {
        let over = self.over.iter().find_map(|patch| patch.over(x, y));
        over.or_else(|| Some(self.mask?.0.at(x, y))).is_some_and(|weight| weight > 0.5)
    }
}

/// Draws the landscape's part of `clip`.
pub fn hatch(painter: &Painter, hatched: &Hatched<'_>, placement: &Placement, clip: Rect, palette: &Palette) {
    let area = clip.intersect(placement.rect());
    let fits = hatched.mask.is_none_or(|mask| mask.size() == placement.stored());
    let is_any = hatched.mask.is_some() || !hatched.over.is_empty();
    if !area.is_positive() || !fits || !is_any {
        return;
    }
    let painter = painter.with_clip_rect(area);
    // Half seen through, so that the picture below is still the picture.
    let light = Stroke::new(1.0, palette.over_light.gamma_multiply(0.5));
    let dark = Stroke::new(1.0, palette.over_dark.gamma_multiply(0.75));
    for run in runs(hatched, placement, area) {
        let shift = |[from, to]: [Pos2; 2]| [pos2(from.x + 1.0, from.y), pos2(to.x + 1.0, to.y)];
        painter.line_segment(shift(run), dark);
        painter.line_segment(run, light);
    }
}

/// The pieces of the lines that lie on landscape, each from top to bottom.
fn runs(hatched: &Hatched<'_>, placement: &Placement, area: Rect) -> Vec<[Pos2; 2]> {
    let is_land = |place: Pos2| {
        let stored = placement.stored_from_screen(place);
        let x = nearest_index(f64::from(stored.x) - 0.5, placement.stored().width);
        let y = nearest_index(f64::from(stored.y) - 0.5, placement.stored().height);
        matches!((x, y), (Some(x), Some(y)) if hatched.is_land(x, y))
    };
    let mut runs = Vec::new();
    // Lines run down to the left; a line is named by the place where it would meet the upper edge.
    let first = (area.left() / SPACING).floor();
    let last = ((area.right() + area.height()) / SPACING).ceil();
    let mut line = first;
    while line <= last {
        let at = |y: f32| pos2(line * SPACING - (y - area.top()), y);
        let top = area.top() + (line * SPACING - area.right()).max(0.0);
        let bottom = (area.top() + line * SPACING - area.left()).min(area.bottom());
        let mut begun: Option<f32> = None;
        let mut y = top;
        while y < bottom {
            match (is_land(at(y)), begun) {
                (true, None) => begun = Some(y),
                (false, Some(from)) => {
                    runs.push([at(from), at(y)]);
                    begun = None;
                }
                _ => {}
            }
            y += STEP;
        }
        if let Some(from) = begun {
            runs.push([at(from), at(bottom)]);
        }
        line += 1.0;
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gui::strokes::{Brush, BrushKind};
    use crate::gui::view::View;
    use crate::pixels::{Orientation, Plane, Size};

    #[test]
    fn lines_lie_on_the_landscape_and_nowhere_else() {
        let size = Size { width: 200, height: 100 };
        let mask = ForegroundMask(Plane::from_fn(size, |_, y| if y >= 60 { 1.0 } else { 0.0 }));
        let canvas = Rect::from_min_size(pos2(0.0, 0.0), eframe::egui::vec2(200.0, 100.0));
        let placement = View::default().place(size, Orientation::Normal, canvas, 1.0);
        let runs = runs(&Hatched { mask: Some(&mask), over: &[] }, &placement, canvas);
        assert!(runs.len() > 20, "{} lines for 200 points of width and 40 of height", runs.len());
        for [from, to] in runs {
            assert!(from.y >= 60.0 - STEP && to.y <= 100.0, "{from:?} to {to:?} leaves the landscape");
            assert!((from.x + from.y - to.x - to.y).abs() < 1e-3, "{from:?} to {to:?} is a diagonal");
        }
    }

    #[test]
    fn a_stroke_that_is_being_drawn_is_hatched_over_the_mask() {
        let size = Size { width: 200, height: 100 };
        let land = ForegroundMask(Plane::from_fn(size, |_, y| if y >= 60 { 1.0 } else { 0.0 }));
        let mut patch = MaskPatch::default();
        let brush = Brush { kind: BrushKind::Remove, radius_px: 15.0 };
        patch.paint(&land, brush, pos2(100.0, 80.0), pos2(100.0, 80.0));
        let over = [&patch];
        let hatched = Hatched { mask: Some(&land), over: &over };
        assert!(!hatched.is_land(100, 80) && hatched.is_land(20, 80), "taken away under the stroke, kept beside it");
    }
}
