//! What is landscape: the choice, the brush, and the mask file.

use std::path::PathBuf;
use std::sync::Arc;

use eframe::egui::Pos2;

use crate::gui::action::Action;
use crate::gui::app::{App, Stroke};
use crate::gui::history::Edit;
use crate::gui::sheaf::Land;
use crate::gui::strokes::{Brush, BrushKind, MaskPatch};
use crate::gui::works;
use crate::pipeline::ForegroundMask;
use crate::pixels::Plane;

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
        if land == Land::Painted && sheaf.mask.is_none() {
            self.apply(Action::TakeBrush(BrushKind::Add));
        }
    }

    pub(super) fn lay_brush_down(&mut self) {
        self.end_stroke();
        self.state.painting = false;
    }

    pub(super) fn paint(&mut self, brush: Brush, from: Pos2, to: Pos2) {
        let Some((size, _)) = self.shown_size() else { return };
        let sheaf = &mut self.state.sheaf;
        let fits = sheaf.mask.as_ref().is_some_and(|mask| mask.size() == size);
        let stroke = self.stroke.get_or_insert_with(|| {
            let changes = sheaf.land != Land::Painted || !fits;
            let before = changes.then(|| (sheaf.land, sheaf.mask.clone()));
            Stroke { patch: MaskPatch::default(), last: from, before }
        });
        sheaf.land = Land::Painted;
        if !fits {
            sheaf.mask = Some(Arc::new(ForegroundMask(Plane::filled(size, 0.0))));
        }
        let mask = sheaf.mask.as_mut().expect("a mask was just made where there was none");
        stroke.patch.paint(Arc::make_mut(mask), brush, from, to);
        stroke.last = to;
        self.mask_version += 1;
    }

    pub(super) fn end_stroke(&mut self) {
        let Some(stroke) = self.stroke.take() else { return };
        match stroke.before {
            Some((land, mask)) => self.history.record(Edit::Mask(land, mask)),
            None if stroke.patch.is_empty() => {}
            None => self.history.record(Edit::Stroke(stroke.patch)),
        }
    }

    pub(super) fn load_mask(&mut self, path: PathBuf) {
        let Some((size, orientation)) = self.shown_size() else {
            return self.state.fail("a mask belongs to a picture: show a frame first, then load the mask");
        };
        let work = move |monitor: &_| works::load_mask(monitor, &path, size, orientation);
        let failed = self.lanes.file.submit(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn save_mask(&mut self, path: PathBuf) {
        let Some((_, orientation)) = self.shown_size() else { return };
        let Some(mask) = self.state.sheaf.mask.clone() else { return };
        let path = if path.extension().is_none() { path.with_extension("png") } else { path };
        let work = move |monitor: &_| works::save_mask(monitor, path, &mask, orientation);
        let failed = self.lanes.file.submit(&self.context, work);
        self.tell_broken(failed);
    }
}
