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
    }

    pub(super) fn paint(&mut self, brush: Brush, from: Pos2, to: Pos2) {
        let Some((size, _)) = self.shown_size() else { return };
        // What is being worked out must not change under its hands: the stroke is then carried out after it.
        let live = !self.lanes.mask.is_busy();
        if self.stroke.is_none() {
            let before = live.then(|| self.begin_correction(size)).flatten();
            self.stroke =
                Some(Stroke { patch: live.then(MaskPatch::default), points: vec![from], last: from, brush, before });
        }
        let Some(stroke) = &mut self.stroke else { return };
        stroke.last = to;
        stroke.points.push(to);
        if let (Some(patch), Some(mask)) = (&mut stroke.patch, &mut self.state.sheaf.mask) {
            patch.paint(Arc::make_mut(mask), brush, from, to);
            self.mask_version += 1;
        }
    }

    /// Makes the mask that of the person; the way back where that changed anything.
    fn begin_correction(&mut self, size: Size) -> Option<(Land, Option<Arc<ForegroundMask>>)> {
        let sheaf = &mut self.state.sheaf;
        let fits = sheaf.mask.as_ref().is_some_and(|mask| mask.size() == size);
        let before = (sheaf.land != Land::Painted || !fits).then(|| (sheaf.land, sheaf.mask.clone()));
        if !fits || sheaf.land == Land::Nothing {
            sheaf.mask = Some(Arc::new(ForegroundMask(Plane::filled(size, 0.0))));
        }
        sheaf.land = Land::Painted;
        self.mask_version += 1;
        before
    }

    pub(super) fn end_stroke(&mut self) {
        let Some(stroke) = self.stroke.take() else { return };
        let Stroke { patch, points, brush, before, .. } = stroke;
        let drawn = pipeline::Stroke {
            points: points.into_iter().map(frame_point).collect(),
            radius_px: f64::from(brush.radius_px),
            side: side(brush.kind),
        };
        let is_recorded = before.is_some();
        if let Some((land, mask)) = before {
            self.history.record(Edit::Mask(land, mask));
        }
        let hint = self.state.snapping && self.state.found.is_some();
        match patch {
            _ if hint => self.ask_correction(Correction::Hint { stroke: drawn, painted: patch }, is_recorded),
            None => self.ask_correction(Correction::Paint(drawn), false),
            Some(patch) if patch.is_empty() || is_recorded => {}
            Some(patch) => self.history.record(Edit::Stroke(patch)),
        }
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
        let before = self.begin_correction(size);
        let is_recorded = before.is_some();
        if let Some((land, mask)) = before {
            self.history.record(Edit::Mask(land, mask));
        }
        self.ask_correction(correction, is_recorded);
    }

    /// One after the other: each begins with what the one before left.
    fn ask_correction(&mut self, correction: Correction, is_recorded: bool) {
        self.asked.push_back(Asked { correction, is_recorded });
        self.next_correction();
    }

    fn next_correction(&mut self) {
        if self.lanes.mask.is_busy() {
            return;
        }
        let Some(mask) = self.state.sheaf.mask.clone() else { return self.asked.clear() };
        let Some(Asked { correction, is_recorded }) = self.asked.pop_front() else { return };
        let guide = self.state.found.as_ref().map(|found| Arc::clone(&found.guide));
        let held = self.hints.clone();
        self.recorded = is_recorded;
        let threads = self.means().1;
        let work = move |monitor: &_| {
            let guide = guide.as_deref().filter(|guide| guide.size() == mask.size());
            works::with_threads(threads, || correct(monitor, &mask, correction, guide, &held))
        };
        let failed = self.lanes.mask.submit(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn take_corrected(&mut self, corrected: Corrected) {
        let Corrected { after, patch, hint } = corrected;
        self.state.sheaf.mask = Some(Arc::new(after));
        self.mask_version += 1;
        self.hints.extend(hint);
        if !self.recorded && !patch.is_empty() {
            self.history.record(Edit::Stroke(patch));
        }
        self.next_correction();
    }

    pub(super) fn load_mask(&mut self, path: PathBuf) {
        let Some((size, orientation)) = self.shown_size() else {
            return self
                .state
                .fail(Subject::Mask, "a mask belongs to a picture: show a frame first, then load the mask");
        };
        let work = move |monitor: &Monitor| works::load_mask(monitor, &path, size, orientation);
        self.file(Subject::Mask, work);
    }

    pub(super) fn save_left_out(&mut self, path: PathBuf) {
        let Some(outcome) = self.outcome.clone() else { return };
        let path = if path.extension().is_none() { path.with_extension("png") } else { path };
        let work = move |monitor: &Monitor| works::save_left_out(monitor, &outcome, path);
        self.file(Subject::LeftOut, work);
    }

    pub(super) fn save_mask(&mut self, path: PathBuf) {
        let (Some((_, orientation)), Some(mask)) = (self.shown_size(), self.state.sheaf.mask.clone()) else {
            return self.state.fail(Subject::Mask, "there is no mask to write yet: draw one, or let it be found first");
        };
        let path = if path.extension().is_none() { path.with_extension("png") } else { path };
        let work = move |monitor: &Monitor| works::save_mask(monitor, path, &mask, orientation);
        self.file(Subject::Mask, work);
    }
}
