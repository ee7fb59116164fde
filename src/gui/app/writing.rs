//! Files that are written beside the picture: what clipping left out, the layers, the page of the report.

use std::path::{Path, PathBuf};

use crate::error::{Error, WithSources};
use crate::gui::app::App;
use crate::gui::state::Subject;
use crate::gui::works;
use crate::job::Monitor;
use crate::pipeline::{self, Request};

impl App {
    /// Where a file is to be written, with the first of `endings` where none was given; what cannot be written there
    /// is told.
    pub(super) fn target(&mut self, subject: Subject, path: PathBuf, endings: &[&str], what: &str) -> Option<PathBuf> {
        let path = if path.extension().is_none() { path.with_extension(endings[0]) } else { path };
        let ending = pipeline::check_ending(&path, endings, what);
        let is_sheaf = self.state.keeping.path.as_ref().is_some_and(|sheaf| works::is_same_file(sheaf, &path));
        let free = ending.and_then(|()| match is_sheaf {
            true => {
                Err(Error::Sheaf { path: path.clone(), what: "is the sheaf itself: choose another name".to_owned() })
            }
            false => self.check_free(|request| pipeline::check_output(request, &path)),
        });
        self.tell_unless(subject, free).map(|()| path)
    }

    /// Whether what is to be written takes the place of nothing that the night on the screen, or its stack, is made of.
    fn check_free(&self, check: impl Fn(&Request) -> Result<(), Error>) -> Result<(), Error> {
        check(&self.state.sheaf.settings().request())?;
        self.stacked_by.as_ref().map_or(Ok(()), check)
    }

    fn tell_unless(&mut self, subject: Subject, checked: Result<(), Error>) -> Option<()> {
        self.state.settle(subject);
        checked.map_err(|error| self.state.fail(subject, WithSources(&error).to_string())).ok()
    }

    pub(super) fn save_left_out(&mut self, path: PathBuf) {
        let Some(outcome) = self.outcome.clone() else { return };
        let Some(path) = self.target(Subject::LeftOut, path, &["png"], "it is written as PNG") else { return };
        let work = move |monitor: &Monitor| works::save_left_out(monitor, outcome, path);
        self.file(Subject::LeftOut, work);
    }

    /// A stack is sky and land joined: to have them apart the same frames are stacked once more.
    pub(super) fn save_layers(&mut self, folder: PathBuf) {
        let Some(request) = self.stacked_by.clone() else { return };
        self.state.settle(Subject::Layers);
        if self.lanes.stack.is_busy() {
            let text = "a stack is being made: wait for it or cancel it, then write the layers";
            return self.state.fail(Subject::Layers, text);
        }
        let sheaf = self.state.sheaf.settings();
        let settings = sheaf.export_settings(sheaf.format);
        let free = settings.check().and_then(|()| self.check_free(|by| pipeline::check_layers(by, &folder)));
        if self.tell_unless(Subject::Layers, free).is_none() {
            return;
        }
        self.make_room();
        let request = Request {
            memory_bytes: self.means().0,
            scratch_folder: self.state.keeping.preferences.scratch_folder.clone(),
            output_folder: folder.parent().map(Path::to_owned),
            ..request
        };
        self.file(Subject::Layers, move |monitor| works::save_layers(monitor, request, folder, settings));
    }

    pub(super) fn save_report(&mut self, path: PathBuf) {
        let Some(outcome) = self.outcome.clone() else { return };
        let Some(path) = self.target(Subject::Report, path, &["html", "htm"], "the report is a page") else { return };
        let sheaf = self.state.sheaf.settings();
        // Of the picture as it was written; as it would be where it was not yet.
        let written = self.state.exported.as_deref().and_then(|file| pipeline::format_at(file, sheaf.format).ok());
        let settings = sheaf.export_settings(written.unwrap_or(sheaf.format));
        self.file(Subject::Report, move |monitor| works::save_report_page(monitor, outcome, path, settings));
    }
}
