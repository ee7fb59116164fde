//! Calibration frames, the lens profile, and what to do with files that fall on the window.

use std::path::PathBuf;

use crate::gui::action::Action;
use crate::gui::app::App;
use crate::gui::calibration::CalibrationKind;
use crate::gui::history::Edit;
use crate::gui::sheaf::Calibration;
use crate::gui::state::Subject;
use crate::gui::works;
use crate::job::Monitor;
use crate::settings::looks_like_sheaf;

impl App {
    /// On an empty window they are the night; later, they may be anything. A sheaf is always one.
    pub(super) fn take_dropped(&mut self, paths: Vec<PathBuf>) {
        if self.state.sheaf.frames.is_empty() || paths.iter().any(|path| looks_like_sheaf(path)) {
            return self.apply(Action::AddPaths(paths));
        }
        self.state.dropped.extend(paths);
    }

    pub(super) fn sort_dropped(&mut self, kind: Option<CalibrationKind>) {
        let paths = std::mem::take(&mut self.state.dropped);
        match kind {
            None => self.apply(Action::AddPaths(paths)),
            Some(kind) => self.add_calibration(kind, paths),
        }
    }

    pub(super) fn add_calibration(&mut self, kind: CalibrationKind, paths: Vec<PathBuf>) {
        let work = move |monitor: &Monitor| works::collect_calibration(monitor, kind, paths);
        self.file(Subject::Calibration, work);
    }

    pub(super) fn take_calibration(&mut self, kind: CalibrationKind, paths: Vec<PathBuf>) {
        let mut calibration = self.state.sheaf.calibration.clone();
        let frames = calibration.of_mut(kind);
        for path in paths {
            if !frames.contains(&path) {
                frames.push(path);
            }
        }
        self.calibrate(calibration);
    }

    pub(super) fn clear_calibration(&mut self, kind: CalibrationKind) {
        let mut calibration = self.state.sheaf.calibration.clone();
        calibration.of_mut(kind).clear();
        self.calibrate(calibration);
    }

    pub(super) fn use_lens_profile(&mut self, lens_profile: Option<PathBuf>) {
        self.state.settle(Subject::Calibration);
        if let Some(path) = lens_profile.as_deref().filter(|path| !path.is_file()) {
            let text = format!("{} is no file: check the name and that the drive is connected", path.display());
            return self.state.fail(Subject::Calibration, text);
        }
        self.calibrate(Calibration { lens_profile, ..self.state.sheaf.calibration.clone() });
    }

    pub(super) fn calibrate(&mut self, calibration: Calibration) {
        if calibration == self.state.sheaf.calibration {
            return;
        }
        let before = std::mem::replace(&mut self.state.sheaf.calibration, calibration);
        self.measure_what_changed_its_kind(&before);
        self.history.record(Edit::Calibration(Box::new(before)));
        self.shows_results = true;
    }

    /// A frame of the list that became a calibration frame, or is none any more, is measured as what it is now.
    pub(super) fn measure_what_changed_its_kind(&mut self, before: &Calibration) {
        let (before, now) = (before.known(), self.state.sheaf.calibration.known());
        let changed =
            before.iter().filter(|one| !now.contains(one)).chain(now.iter().filter(|one| !before.contains(one)));
        let changed: Vec<_> = changed.map(|(_, path)| path).collect();
        if self.state.sheaf.frames.iter().any(|frame| changed.iter().any(|path| **path == frame.path)) {
            self.measure();
        }
    }

    pub(super) fn save_lens_profile(&mut self, path: PathBuf) {
        let Some(outcome) = self.outcome.clone() else { return };
        let what = "a lens profile is written as TOML";
        let Some(path) = self.target(Subject::Calibration, path, &["toml"], what) else { return };
        let work = move |monitor: &Monitor| works::save_lens_profile(monitor, &outcome, path);
        self.file(Subject::Calibration, work);
    }
}
