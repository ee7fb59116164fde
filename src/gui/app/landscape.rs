//! What is landscape: the choice, the tools, and the mask file.

use std::path::PathBuf;
use std::sync::Arc;

use eframe::egui::Pos2;

use crate::gui::action::Action;
use crate::gui::app::{App, Asked, Stroke};
use crate::gui::correcting::{Corrected, Correction, Tool, correct, frame_point, side};
use crate::gui::history::Edit;
use crate::gui::sheaf::Land;
use crate::gui::state::{Section, Subject};
use crate::gui::strokes::{Brush, BrushKind, MaskPatch};
use crate::gui::works;
use crate::job::Monitor;
use crate::pipeline::{self, ForegroundMask, Found};
use crate::pixels::{Plane, Size};

/// How far the real edge may be from a side of a polygon or from a level line, in screen points.
const SNAP_POINTS: f32 = 28.0;

impl App {
    /// Stars are not looked for where the person said that landscape is.
    pub(super) fn land_to_leave_out(&self) -> Option<Arc<ForegroundMask>> {
        self.state.sheaf.mask.clone().filter(|_| self.state.sheaf.land == Land::Painted)
    }

    pub(super) fn choose_land(&mut self, land: Land) {
        let sheaf = &mut self.state.sheaf;
        if land == sheaf.land {
            return;
        }
        self.history.record(Edit::Mask(sheaf.land, sheaf.mask.clone()));
        sheaf.land = land;
        if land == Land::Found
            && let Some(mask) = &self.found_mask
        {
            sheaf.mask = Some(Arc::clone(mask));
        }
        if land == Land::Painted && sheaf.mask.is_none() {
            self.apply(Action::TakeBrush(BrushKind::Add));
        }
    }

    /// A landscape that was found; what the person painted stays as it is.
    pub(super) fn take_found(&mut self, mask: Option<Arc<ForegroundMask>>, found: Option<Found>) {
        let Some(found) = found else { return };
        self.state.found = Some(found);
        self.found_mask = mask;
        if self.state.sheaf.land == Land::Found && self.stroke.is_none() && !self.lanes.mask.is_busy() {
            self.state.sheaf.mask.clone_from(&self.found_mask);
        }
    }

    pub(super) fn take_tool(&mut self, tool: Tool) {
        let in_hand = self.state.painting && self.state.tool == tool;
        self.lay_brush_down();
        if !in_hand && self.shown_size().is_some() {
            self.state.painting = true;
            self.state.picking = false;
            self.state.hatching = true;
            self.state.tool = tool;
            self.unfold(Section::Foreground);
        }
    }

    /// Unfolds a section and brings it in sight: by a click on its name, or by the key of a tool that needs it.
    pub(super) fn unfold(&mut self, section: Section) {
        if !self.state.unfolded.contains(&section) {
            self.state.unfolded.push(section);
        }
        self.state.sought = Some(section);
    }

    /// The keys of land and sky: with a polygon in hand they say what it becomes, else they take the brush.
    pub(super) fn take_brush(&mut self, kind: BrushKind) {
        let polygon = self.state.painting && self.state.tool == Tool::Polygon;
        if !(polygon || self.state.painting && self.state.tool == Tool::Brush) {
            self.take_tool(Tool::Brush);
        }
        self.state.brush.kind = kind;
    }

    pub(super) fn lay_brush_down(&mut self) {
        self.end_stroke();
        self.state.corners.clear();
        self.state.painting = false;
        self.state.cross = None;
        self.show_preview_that_waits();
    }

    pub(super) fn paint(&mut self, brush: Brush, from: Pos2, to: Pos2) {
        let Some((size, _)) = self.shown_size() else { return };
        if self.stroke.is_none() {
            self.put_preview_off();
            // What is being worked out is not there to be painted over: the stroke is then carried out after it.
            let on_mask = !self.lanes.mask.is_busy();
            let mask = self.mask_to_correct(size);
            self.stroke =
                Some(Stroke { mask, patch: MaskPatch::default(), points: vec![from], last: from, brush, on_mask });
        }
        let Some(stroke) = &mut self.stroke else { return };
        stroke.last = to;
        stroke.points.push(to);
        stroke.patch.paint(&stroke.mask, brush, from, to);
    }

    /// What corrections begin with: nothing is landscape where there is no mask yet.
    fn mask_to_correct(&self, size: Size) -> Arc<ForegroundMask> {
        let sheaf = &self.state.sheaf;
        let there = sheaf.mask.clone().filter(|mask| sheaf.land != Land::Nothing && mask.size() == size);
        there.unwrap_or_else(|| Arc::new(ForegroundMask(Plane::filled(size, 0.0))))
    }

    pub(super) fn end_stroke(&mut self) {
        let Some(stroke) = self.stroke.take() else { return };
        let Stroke { mask, mut patch, points, brush, on_mask, .. } = stroke;
        let size = mask.size();
        // Nobody needs a second hold on it any more.
        drop(mask);
        if patch.is_empty() {
            return;
        }
        let drawn = pipeline::Stroke {
            points: points.into_iter().map(frame_point).collect(),
            radius_px: f64::from(brush.radius_px),
            side: side(brush.kind),
        };
        let hint = self.state.snapping && self.state.found.is_some();
        if !hint
            && on_mask
            && patch.is_small()
            && let Some(mask) = self.own_mask(size)
        {
            patch.swap(mask);
            self.mask_version += 1;
            return self.history.record(Edit::Stroke(Arc::new(patch)));
        }
        let patch = Arc::new(patch);
        let correction = match (hint, on_mask) {
            (true, _) => Correction::Hint(drawn),
            (false, true) => Correction::Swap(Arc::clone(&patch)),
            (false, false) => Correction::Paint(drawn),
        };
        self.ask_correction(Asked { correction, size, drawn: Some(patch), travels: None });
    }

    /// The mask where it is the person's own and nobody else holds it: it can be changed without a copy.
    fn own_mask(&mut self, size: Size) -> Option<&mut ForegroundMask> {
        let sheaf = &mut self.state.sheaf;
        let mask = sheaf.mask.as_mut().filter(|mask| sheaf.land == Land::Painted && mask.size() == size)?;
        Arc::get_mut(mask)
    }

    pub(super) fn add_corner(&mut self, corner: Pos2) {
        if self.state.painting && self.state.tool != Tool::Brush {
            self.state.corners.push(corner);
        }
    }

    pub(super) fn close_shape(&mut self) {
        let Some((size, orientation)) = self.shown_size() else { return };
        let corners: Vec<_> = std::mem::take(&mut self.state.corners).into_iter().map(frame_point).collect();
        let reach = SNAP_POINTS / self.placement().map_or(1.0, |placement| placement.points_per_px());
        let snap_px = self.state.snapping.then_some(f64::from(reach));
        let least = if self.state.tool == Tool::Polygon { 3 } else { 2 };
        if corners.len() < least {
            return;
        }
        let correction = match self.state.tool {
            Tool::Brush => return,
            Tool::Polygon => Correction::Polygon { corners, side: side(self.state.brush.kind), snap_px },
            Tool::LevelLine => Correction::Below { line: corners, orientation, snap_px },
        };
        self.correct_mask(size, correction);
    }

    /// Carries out a correction that is not painted yet.
    pub(super) fn correct_mask(&mut self, size: Size, correction: Correction) {
        self.end_stroke();
        self.ask_correction(Asked { correction, size, drawn: None, travels: None });
    }

    /// One after the other: each begins with what the one before left.
    fn ask_correction(&mut self, asked: Asked) {
        self.state.settle(Subject::Mask);
        self.asked.push_back(asked);
        self.next_correction();
    }

    fn next_correction(&mut self) {
        if self.lanes.mask.is_busy() {
            return;
        }
        self.answering = None;
        let Some(asked) = self.asked.pop_front() else { return };
        let mask = self.mask_to_correct(asked.size);
        let correction = asked.correction.clone();
        let guide = self.state.found.as_ref().map(|found| Arc::clone(&found.guide));
        let held = self.hints.clone();
        let (_, threads) = self.means();
        let work = move |monitor: &Monitor| {
            let guide = guide.as_deref().filter(|guide| guide.size() == mask.size());
            works::with_threads(threads, || correct(monitor, &mask, correction, guide, &held))
        };
        self.answering = Some(asked);
        let failed = self.lanes.mask.submit(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn take_corrected(&mut self, corrected: Corrected) {
        let Corrected { after, patch, hint } = corrected;
        let travels = self.answering.take().and_then(|asked| asked.travels);
        let sheaf = &mut self.state.sheaf;
        let fits = sheaf.mask.as_ref().is_some_and(|mask| mask.size() == after.size());
        match travels {
            Some((back, edit)) => {
                // Something else may have been decided meanwhile: then it is that which would be taken back.
                if !self.history.travelled(back, &edit, patch) {
                    return;
                }
                self.hints.clear();
            }
            None if sheaf.land == Land::Painted && fits => {
                if !patch.is_empty() {
                    self.history.record(Edit::Stroke(Arc::new(patch)));
                }
            }
            None => self.history.record(Edit::Mask(sheaf.land, sheaf.mask.take())),
        }
        let sheaf = &mut self.state.sheaf;
        sheaf.mask = Some(Arc::new(after));
        sheaf.land = Land::Painted;
        self.mask_version += 1;
        self.hints.extend(hint);
        self.compare_stack();
    }

    /// What waits for corrections: the next of them, and then what was asked for after them.
    pub(super) fn go_on_after_corrections(&mut self) {
        self.next_correction();
        if !self.lanes.mask.is_busy() {
            for action in std::mem::take(&mut self.after_corrections) {
                self.apply(action);
            }
        }
    }

    /// Puts an action off until the mask is what the person drew; `false` where it is that already.
    pub(super) fn waits_for_corrections(&mut self, action: Action) -> bool {
        let waits = self.lanes.mask.is_busy();
        if waits {
            self.after_corrections.push(action);
        }
        waits
    }

    /// The mask stays as it is, whatever was asked of it; also where that was worked out a moment ago.
    pub(super) fn forget_corrections(&mut self) {
        self.asked.clear();
        self.answering = None;
        self.after_corrections.clear();
        self.lanes.mask.abandon();
    }

    /// Takes an edit of the mask back, or makes it again, beside the window where that takes long; `false` where it
    /// takes no time.
    pub(super) fn travels_aside(&mut self, back: bool) -> bool {
        let Some(edit) = self.history.next_stroke(back) else { return false };
        let Some(mask) = &self.state.sheaf.mask else { return false };
        if edit.is_small() && Arc::strong_count(mask) == 1 {
            return false;
        }
        let (size, edit) = (mask.size(), Arc::clone(edit));
        let correction = Correction::Swap(Arc::clone(&edit));
        self.ask_correction(Asked { correction, size, drawn: None, travels: Some((back, edit)) });
        true
    }

    pub(super) fn load_mask(&mut self, path: PathBuf) {
        let Some((size, orientation)) = self.shown_size() else {
            return self
                .state
                .fail(Subject::Mask, "a mask belongs to a picture: show a frame first, then load the mask");
        };
        let work = move |monitor: &Monitor| works::load_mask(monitor, path, size, orientation);
        self.file(Subject::Mask, work);
    }

    pub(super) fn save_mask(&mut self, path: PathBuf) {
        self.end_stroke();
        if self.waits_for_corrections(Action::SaveMask(path.clone())) {
            return;
        }
        let (Some((_, orientation)), Some(mask)) = (self.shown_size(), self.state.sheaf.mask.clone()) else {
            return self.state.fail(Subject::Mask, "there is no mask to write yet: draw one, or let it be found first");
        };
        let Some(path) = self.target(Subject::Mask, path, &["png"], "a mask is written as PNG") else { return };
        let work = move |monitor: &Monitor| works::save_mask(monitor, path, mask, orientation);
        self.file(Subject::Mask, work);
    }
}
