//! Where files come from and go to: dialogs, typed paths, and the exported picture.

use std::path::PathBuf;

use crate::error::{InWords, WithSources};
use crate::gui::action::Action;
use crate::gui::app::App;
use crate::gui::dialogs::{Answer, Dialog, Question};
use crate::gui::keep::Keep;
use crate::gui::state::PathFor;
use crate::gui::works;
use crate::pipeline::{self, Request};
use crate::settings::Preferences;

impl App {
    pub(super) fn choose_export_target(&mut self) {
        if self.outcome.is_none() {
            return;
        }
        let name = format!("night.{}", self.state.sheaf.choices.format.ending());
        self.ask(PathFor::Export, false, &name);
    }

    pub(super) fn export(&mut self, path: PathBuf) {
        let Some(outcome) = self.outcome.clone() else { return };
        if self.lanes.stack.is_busy() {
            return self.state.fail("a stack is being made: wait for it or cancel it, then write the picture");
        }
        let sheaf = self.state.sheaf.settings();
        let format = match pipeline::format_at(&path, sheaf.format) {
            Ok(format) => format,
            Err(error) => return self.state.fail(WithSources(&error).to_string()),
        };
        let path = if path.extension().is_none() { path.with_extension(format.ending()) } else { path };
        if let Err(error) = pipeline::check_output(&sheaf.request(), &path) {
            return self.state.fail(WithSources(&error).to_string());
        }
        let settings = sheaf.export_settings(format);
        let work = move |monitor: &_| works::export(monitor, &outcome, path, &settings);
        let failed = self.lanes.file.submit(&self.context, work);
        self.tell_broken(failed);
    }

    /// Says before a long run that the picture cannot be written where it was written last.
    pub(super) fn check_last_output(&mut self, request: &Request) {
        let Some(path) = &self.last_output else { return };
        if let Err(error) = pipeline::check_output(request, path) {
            self.state.fail(format!("{}: the stack is made all the same, write it elsewhere", WithSources(&error)));
        }
    }

    pub(super) fn ask(&mut self, path_for: PathFor, folder: bool, file_name: &str) {
        if self.dialog.is_some() {
            return;
        }
        let start = self.given.first().filter(|_| self.sample_folder.is_none());
        let start =
            start.map(|path| if path.is_dir() { path.clone() } else { path.parent().unwrap_or(path).to_owned() });
        let question = Question { path_for, folder, file_name: file_name.to_owned(), start };
        if self.types_paths {
            return self.take_answer(Answer::NoDialog(question));
        }
        match Dialog::open(&self.context, question) {
            Ok(dialog) => self.dialog = Some(dialog),
            Err(error) => self.state.fail(format!("the system gives no thread for a dialog: {}", InWords(&error))),
        }
    }

    pub(super) fn use_typed_path(&mut self) {
        let path_for = self.state.path_for.take().unwrap_or(PathFor::Frames);
        let path = PathBuf::from(self.state.typed_path.trim());
        self.state.typed_path.clear();
        self.use_paths(path_for, vec![path]);
    }

    /// Does with paths what they were asked for.
    pub(super) fn use_paths(&mut self, path_for: PathFor, paths: Vec<PathBuf>) {
        let first = paths.first().cloned();
        match (path_for, first) {
            (PathFor::Frames, _) => self.apply(Action::AddPaths(paths)),
            (PathFor::MaskToLoad, Some(path)) => self.apply(Action::LoadMask(path)),
            (PathFor::MaskToSave, Some(path)) => self.apply(Action::SaveMask(path)),
            (PathFor::LeftOut, Some(path)) => self.apply(Action::SaveLeftOut(path)),
            (PathFor::Export, Some(path)) => self.apply(Action::Export(path)),
            (PathFor::FolderToWatch, Some(path)) => self.apply(Action::WatchFolder(path)),
            (PathFor::PlanPage, Some(path)) => self.apply(Action::SavePage(path)),
            (PathFor::Calibration(kind), _) => self.apply(Action::AddCalibration(kind, paths)),
            (PathFor::LandFrames, _) => self.apply(Action::AddLandFrames(paths)),
            (PathFor::LensProfileToLoad, Some(path)) => self.apply(Action::UseLensProfile(Some(path))),
            (PathFor::LensProfileToSave, Some(path)) => self.apply(Action::SaveLensProfile(path)),
            (PathFor::SheafToSave, Some(path)) => self.apply(Action::Keep(Keep::SaveTo(path))),
            (PathFor::MovedFrames, Some(folder)) => self.apply(Action::Keep(Keep::LookIn(folder))),
            (PathFor::ScratchFolder, Some(folder)) => {
                let preferences = self.state.keeping.preferences.clone();
                let preferences = Preferences { scratch_folder: Some(folder), ..preferences };
                self.apply(Action::Keep(Keep::Prefer(Box::new(preferences))));
            }
            (_, None) => {}
        }
    }
}
