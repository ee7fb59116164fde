//! Where files come from and go to: dialogs, typed paths, and the exported picture.

use std::path::{Path, PathBuf};

use crate::error::{Error, InWords, WithSources};
use crate::gui::action::Action;
use crate::gui::app::App;
use crate::gui::dialogs::{Answer, Dialog, Question};
use crate::gui::keep::Keep;
use crate::gui::lane::Ended;
use crate::gui::state::{PathFor, Subject};
use crate::gui::widgets::single;
use crate::gui::works::{self, Filed};
use crate::job::Monitor;
use crate::pipeline::{self, Request};
use crate::settings::{Preferences, pictures_folder, typed_path};

/// A path that was typed and is being tried.
#[derive(Clone, Debug)]
pub(super) struct Typed {
    pub(super) path_for: PathFor,
    pub(super) text: String,
    /// Whether it is known to be of no use while the work with it goes on.
    pub(super) failed: bool,
}

impl Typed {
    pub(super) fn path(&self) -> PathBuf {
        typed_path(&self.text)
    }
}

/// Work of the lane for files, and what it is about.
pub(super) type FileWork = (Subject, Box<dyn FnOnce(&Monitor) -> Result<Filed, Error> + Send>);

/// Whether something new is written to a path of this kind. A sheaf stands beside its frames, which it names.
pub(super) fn is_written(path_for: PathFor) -> bool {
    matches!(
        path_for,
        PathFor::Export
            | PathFor::MaskToSave
            | PathFor::LeftOut
            | PathFor::Layers
            | PathFor::Report
            | PathFor::LensProfileToSave
            | PathFor::PlanPage
    )
}

/// Whether a path of this kind is read or written by the lane for files.
pub(super) fn is_of_file_lane(path_for: PathFor) -> bool {
    !matches!(path_for, PathFor::Frames | PathFor::SheafToSave)
}

impl App {
    pub(super) fn choose_export_target(&mut self) {
        self.state.settle(Subject::Export);
        if self.outcome.is_none() {
            let text = "there is no picture to write yet: stack the frames first";
            return self.state.fail(Subject::Export, text);
        }
        let name = format!("night.{}", self.state.sheaf.choices.format.ending());
        self.ask(PathFor::Export, false, &name);
    }

    pub(super) fn export(&mut self, path: PathBuf) {
        let Some(outcome) = self.outcome.clone() else { return };
        self.state.settle(Subject::Export);
        if self.lanes.stack.is_busy() {
            return self
                .state
                .fail(Subject::Export, "a stack is being made: wait for it or cancel it, then write the picture");
        }
        // Wherever the program was started, the notice names the place.
        let path = std::path::absolute(&path).unwrap_or(path);
        let sheaf = self.state.sheaf.settings();
        let format = match pipeline::format_at(&path, sheaf.format) {
            Ok(format) => format,
            Err(error) => return self.state.fail(Subject::Export, WithSources(&error).to_string()),
        };
        let path = if path.extension().is_none() { path.with_extension(format.ending()) } else { path };
        if let Err(error) = pipeline::check_output(&sheaf.request(), &path) {
            return self.state.fail(Subject::Export, WithSources(&error).to_string());
        }
        let settings = sheaf.export_settings(format);
        self.make_room();
        self.file(Subject::Export, move |monitor| works::export(monitor, outcome, path, settings));
    }

    /// Says before a long run that the picture cannot be written where it was written last.
    pub(super) fn check_last_output(&mut self, request: &Request) {
        let Some(path) = &self.last_output else { return };
        if let Err(error) = pipeline::check_output(request, path) {
            self.state.settle(Subject::Export);
            self.state.fail(
                Subject::Export,
                format!("{}: the stack is made all the same, write it elsewhere", WithSources(&error)),
            );
        }
    }

    pub(super) fn ask(&mut self, path_for: PathFor, folder: bool, file_name: &str) {
        self.state.settle(Subject::Dialog);
        if self.dialog.is_some() {
            return self.state.fail(Subject::Dialog, "a dialog for files is open already: answer it or close it first");
        }
        let start = match path_for {
            _ if is_written(path_for) => self.folder_to_write_to(),
            PathFor::SheafToSave => self.folder_of_frames().or_else(pictures_folder),
            _ => self.folder_of_frames(),
        };
        let question = Question { path_for, folder, file_name: file_name.to_owned(), start };
        if self.types_paths {
            return self.take_answer(Answer::NoDialog(question));
        }
        match Dialog::open(&self.context, question) {
            Ok(dialog) => self.dialog = Some(dialog),
            Err(error) => {
                let why = InWords(&error);
                self.state.fail(Subject::Dialog, format!("the system gives no thread for a dialog: {why}"));
            }
        }
    }

    fn folder_of_frames(&self) -> Option<PathBuf> {
        let first = self.given.first().filter(|_| self.sample_folder.is_none())?;
        Some(if first.is_dir() { first.clone() } else { first.parent().unwrap_or(first).to_owned() })
    }

    /// Where the last picture went, else among the person's pictures; never among the frames unasked.
    fn folder_to_write_to(&self) -> Option<PathBuf> {
        let last = self.last_output.as_deref().and_then(Path::parent).filter(|folder| folder.is_dir());
        last.map(Path::to_owned).or_else(pictures_folder)
    }

    pub(super) fn use_typed_path(&mut self, text: String) {
        let path_for = self.state.path_for.unwrap_or(PathFor::Frames);
        let typed = Typed { path_for, text, failed: false };
        let path = typed.path();
        let is_new = is_written(path_for) || path_for == PathFor::SheafToSave;
        if is_new && path.is_file() && self.state.writes_over.as_ref() != Some(&typed.text) {
            // A dialog of the desktop would ask as well.
            self.state.writes_over = Some(typed.text.clone());
            self.state.typed_path = typed.text;
            self.context.memory_mut(|memory| memory.request_focus(single("path field")));
            return;
        }
        self.state.writes_over = None;
        self.state.path_for = None;
        self.state.typed_path.clear();
        self.typed = Some(typed);
        let n_failures = self.state.n_failures;
        self.use_paths(path_for, vec![path]);
        if self.state.n_failures > n_failures {
            self.bring_typed_back();
        }
    }

    /// What was typed and could not be used stands in its field again, to be corrected.
    pub(super) fn bring_typed_back(&mut self) {
        let Some(Typed { path_for, text, .. }) = self.typed.take() else { return };
        // Something else is being typed already.
        if self.state.path_for.is_some() || !self.state.typed_path.is_empty() {
            return;
        }
        self.state.typed_path = text;
        // The empty window has a field of its own for frames.
        let has_field = path_for == PathFor::Frames && self.state.sheaf.frames.is_empty();
        self.state.path_for = (!has_field).then_some(path_for);
        self.context.memory_mut(|memory| memory.request_focus(single("path field")));
    }

    /// Work with a typed path that is over: it was used, or it comes back.
    pub(super) fn settle_typed<T>(
        &mut self,
        ended: Option<&Ended<Result<T, Error>>>,
        is_for_it: impl Fn(PathFor) -> bool,
    ) {
        let Some(typed) = self.typed.as_ref().filter(|typed| is_for_it(typed.path_for)) else { return };
        match ended {
            None => {}
            Some(_) if typed.failed => self.bring_typed_back(),
            Some(Ended::Result(Ok(_) | Err(Error::Cancelled(_)))) => self.typed = None,
            Some(Ended::Result(Err(_)) | Ended::Broken(_)) => self.bring_typed_back(),
        }
    }

    /// Reads or writes a file; what fails is told as being about `subject`.
    pub(super) fn file(
        &mut self,
        subject: Subject,
        work: impl FnOnce(&Monitor) -> Result<Filed, Error> + Send + 'static,
    ) {
        self.state.settle(subject);
        let threads = self.means().1;
        let work = move |monitor: &Monitor| works::with_threads(threads, || work(monitor));
        self.to_file.push_back((subject, Box::new(work)));
        self.next_file();
    }

    /// Whether a file is read or written, or waits for that.
    pub(super) fn is_filing(&self) -> bool {
        self.is_file_busy() || !self.to_file.is_empty()
    }

    /// Whether a file is read or written.
    pub(super) fn is_file_busy(&self) -> bool {
        self.lanes.file.is_busy() || self.lanes.layers.is_busy()
    }

    /// One after the other: what is being written is not given up for what is asked for next.
    pub(super) fn next_file(&mut self) {
        if self.is_file_busy() {
            return;
        }
        let Some((subject, work)) = self.to_file.pop_front() else { return };
        self.filing = subject;
        let lane = if subject == Subject::Layers { &mut self.lanes.layers } else { &mut self.lanes.file };
        let failed = lane.submit(&self.context, work);
        self.tell_broken(failed);
    }

    /// Does with paths what they were asked for.
    pub(super) fn use_paths(&mut self, path_for: PathFor, paths: Vec<PathBuf>) {
        let first = paths.first().map(|path| match is_written(path_for) {
            true => std::path::absolute(path).unwrap_or_else(|_| path.clone()),
            false => path.clone(),
        });
        match (path_for, first) {
            (PathFor::Frames, _) => self.apply(Action::AddPaths(paths)),
            (PathFor::MaskToLoad, Some(path)) => self.apply(Action::LoadMask(path)),
            (PathFor::MaskToSave, Some(path)) => self.apply(Action::SaveMask(path)),
            (PathFor::LeftOut, Some(path)) => self.apply(Action::SaveLeftOut(path)),
            (PathFor::Layers, Some(folder)) => self.apply(Action::SaveLayers(folder)),
            (PathFor::Report, Some(path)) => self.apply(Action::SaveReport(path)),
            (PathFor::Export, Some(path)) => self.apply(Action::Export(path)),
            (PathFor::FolderToWatch, Some(path)) => self.apply(Action::WatchFolder(path)),
            (PathFor::PlanPage, Some(path)) => self.apply(Action::SavePage(path)),
            (PathFor::Calibration(kind), _) => self.apply(Action::AddCalibration(kind, paths)),
            (PathFor::LandFrames, _) => self.apply(Action::AddLandFrames(paths)),
            (PathFor::LensProfileToLoad, Some(path)) => self.apply(Action::UseLensProfile(Some(path))),
            (PathFor::LensProfileToSave, Some(path)) => self.apply(Action::SaveLensProfile(path)),
            (PathFor::SheafToSave, Some(path)) => self.apply(Action::Keep(Keep::SaveTo(path))),
            (PathFor::MovedFrames, Some(folder)) => self.apply(Action::Keep(Keep::LookIn(folder))),
            (PathFor::ScratchFolder, Some(folder)) if !folder.is_dir() => {
                let text = format!("{} is no folder: choose one with room for scratch files", folder.display());
                self.state.settle(Subject::Preferences);
                self.state.fail(Subject::Preferences, text);
            }
            (PathFor::ScratchFolder, Some(folder)) => {
                let preferences = self.state.keeping.preferences.clone();
                let preferences = Preferences { scratch_folder: Some(folder), ..preferences };
                self.apply(Action::Keep(Keep::Prefer(Box::new(preferences))));
            }
            (_, None) => {}
        }
    }
}
