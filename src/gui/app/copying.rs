//! Copies of unsaved work, and what a crash left.

use std::time::{Duration, Instant};

use crate::error::{Error, WithSources};
use crate::gui::app::App;
use crate::gui::keep::Opened;
use crate::gui::state::Subject;
use crate::gui::works;
use crate::settings::Autosave;

impl App {
    /// Copies what is not saved, a while after it changed.
    pub(super) fn copy_unsaved_work(&mut self) {
        let Some(folders) = self.keeper.folders.as_ref().filter(|_| self.stroke.is_none()) else { return };
        if !self.needs_copy() || self.keeper.copies.is_busy() {
            return;
        }
        let snapshot = self.snapshot();
        if self.keeper.copied.as_ref() == Some(&snapshot) {
            return;
        }
        let wait = Duration::from_secs(u64::from(self.state.keeping.preferences.autosave_secs));
        let waited = self.keeper.last_copy.elapsed();
        if waited < wait {
            return self.context.request_repaint_after(wait - waited);
        }
        if self.keeper.autosave.is_none() {
            match Autosave::begin(&folders.autosave()) {
                Ok(autosave) => self.keeper.autosave = Some(autosave),
                Err(error) => return self.tell_copy_failed(&error),
            }
        }
        let Some(path) = self.keeper.autosave.as_ref().map(|autosave| autosave.path().to_owned()) else { return };
        let (sheaf, of) = (self.state.sheaf.settings(), self.state.keeping.path.clone());
        self.keeper.last_copy = Instant::now();
        self.keeper.copied = Some(snapshot);
        let failed =
            self.keeper.copies.follow(&self.context, move |monitor| works::copy_work(monitor, path, sheaf, of));
        self.tell_broken(failed);
    }

    pub(super) fn take_copy(&mut self, result: Result<(), Error>) {
        match result {
            Ok(()) => {
                self.state.settle(Subject::Copies);
                self.keeper.copy_failed = false;
                self.remove_used_up();
            }
            Err(error) => self.tell_copy_failed(&error),
        }
        if !self.needs_copy() {
            // Saved or put away while it was written.
            self.drop_copy();
        }
    }

    /// Whether a crash would lose anything: a night without a file is kept from the first frame on.
    pub(super) fn needs_copy(&self) -> bool {
        let keeping = &self.state.keeping;
        !self.state.sheaf.frames.is_empty() && (keeping.path.is_none() || keeping.unsaved)
    }

    pub(super) fn drop_copy(&mut self) {
        self.keeper.copied = None;
        if let Some(autosave) = &self.keeper.autosave {
            autosave.clear();
        }
    }

    pub(super) fn remove_used_up(&mut self) {
        self.keeper.used_up.drain(..).for_each(|leftover| crate::settings::remove_leftover(&leftover));
    }

    pub(super) fn tell_copy_failed(&mut self, error: &Error) {
        // Tried again with the next change, told once.
        self.keeper.last_copy = Instant::now();
        if !std::mem::replace(&mut self.keeper.copy_failed, true) {
            let text = WithSources(error);
            self.state.fail(
                Subject::Copies,
                format!("unsaved work cannot be copied, a crash would lose it: {text}: save it often"),
            );
        }
    }

    pub(super) fn recover(&mut self) {
        let Some((leftover, loaded)) = self.keeper.left.take() else { return };
        self.state.keeping.recovery = None;
        let path = loaded.autosaved_from.clone();
        self.take_opened(Opened { path, loaded, unsaved: true, leftover: Some(leftover) });
    }

    pub(super) fn drop_recovery(&mut self) {
        self.state.keeping.recovery = None;
        if let Some((leftover, _)) = self.keeper.left.take() {
            crate::settings::remove_leftover(&leftover);
        }
        self.look_for_leftovers();
    }

    /// Looks for work that a crash left.
    pub(super) fn look_for_leftovers(&mut self) {
        let Some(folders) = &self.keeper.folders else { return };
        let folder = folders.autosave();
        let failed = self.keeper.files.follow(&self.context, move |monitor| works::find_leftover(monitor, &folder));
        self.tell_broken(failed);
    }
}
