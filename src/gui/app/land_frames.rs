//! Frames for the landscape alone: chosen, dropped, and given up.

use std::path::PathBuf;

use crate::gui::app::App;
use crate::gui::sheaf::Calibration;
use crate::gui::state::Subject;
use crate::gui::works;
use crate::job::Monitor;

impl App {
    pub(super) fn add_land_frames(&mut self, paths: Vec<PathBuf>) {
        let work = move |monitor: &Monitor| works::collect_land(monitor, paths);
        self.file(Subject::Calibration, work);
    }

    pub(super) fn sort_dropped_for_land(&mut self) {
        let paths = std::mem::take(&mut self.state.dropped);
        self.add_land_frames(paths);
    }

    pub(super) fn take_land_frames(&mut self, paths: Vec<PathBuf>) {
        let mut calibration = self.state.sheaf.calibration.clone();
        for path in paths {
            if !calibration.is_for_land(&path) {
                calibration.land.push(path);
            }
        }
        self.calibrate(calibration);
    }

    pub(super) fn clear_land_frames(&mut self) {
        self.calibrate(Calibration { land: Vec::new(), ..self.state.sheaf.calibration.clone() });
    }
}
