//! The drawer of the plan: what its fields ask for, and the page that is written.

use std::path::PathBuf;

use crate::gui::app::App;
use crate::gui::plan_form::{LightFrom, PlanForm};
use crate::gui::state::{Shown, Subject};
use crate::gui::works;
use crate::job::Monitor;
use crate::pipeline::FrameFinding;

impl App {
    pub(super) fn edit_plan(&mut self, form: PlanForm) {
        self.state.plan_form = form;
    }

    /// Light, noise, lens and exposure as the frame shown has them.
    pub(super) fn plan_from_frame(&mut self) {
        let mut form = match self.finding_shown() {
            Some(finding) => self.state.plan_form.with_camera_of(finding),
            None => self.state.plan_form.clone(),
        };
        form.light = LightFrom::FrameShown;
        self.state.plan_form = form;
    }

    /// Plans anew where fields or the frame that counts have changed.
    pub(super) fn refresh_plan(&mut self) {
        let finding = self.finding_shown().filter(|_| self.state.plan_form.light == LightFrom::FrameShown);
        let light = finding.and_then(|finding| finding.field.as_ref()?.light_source(&finding.metadata));
        let key = (self.state.plan_form.clone(), light);
        if self.planned_from.as_ref() == Some(&key) {
            return;
        }
        let planned = self.state.plan_form.planned(finding);
        self.state.planned = planned;
        self.planned_from = Some(key);
    }

    pub(super) fn save_page(&mut self, path: PathBuf) {
        let Some(plan) = self.state.planned.plan.clone() else { return };
        let Some(path) = self.target(Subject::Plan, path, &["pdf"], "the page of a plan is a PDF") else { return };
        let work = move |monitor: &Monitor| works::save_page(monitor, path, &plan);
        self.file(Subject::Plan, work);
    }

    fn finding_shown(&self) -> Option<&FrameFinding> {
        let Some(Shown::Frame(index)) = self.state.shown else { return None };
        self.state.sheaf.frames.get(index)?.finding.as_ref()
    }
}
