//! A sheaf on its way to the screen, also one whose frames were moved.

use std::path::PathBuf;

use crate::gui::app::App;
use crate::gui::keep::{Leaving, MissingFrames, Opened, Snapshot, Sought};
use crate::gui::sheaf::file_name;
use crate::gui::state::Subject;
use crate::gui::works;

impl App {
    pub(super) fn open_sheaf(&mut self, path: PathBuf) {
        let path = std::path::absolute(&path).unwrap_or(path);
        let failed = self.keeper.files.follow(&self.context, move |monitor| works::open_sheaf(monitor, path));
        self.tell_broken(failed);
    }

    /// Shows a sheaf, or asks for the folder of its frames.
    pub(super) fn take_opened(&mut self, opened: Opened) {
        let missing = opened.loaded.sheaf.missing();
        if missing.is_empty() {
            return self.put_in_place(opened);
        }
        let unnamed = || PathBuf::from("the unsaved night");
        self.state.keeping.missing = Some(MissingFrames {
            sheaf: opened.path.clone().unwrap_or_else(unnamed),
            n_lights: opened.loaded.sheaf.lights.len(),
            paths: missing,
        });
        self.keeper.pending = Some(opened);
    }

    /// A sheaf takes the place of the night that is open, unless something would be lost that was not given up.
    fn put_in_place(&mut self, opened: Opened) {
        self.keeper.ready = Some(opened);
        self.leave(Leaving::Show);
    }

    /// Looks for the frames beside the window: a folder may hold many others.
    pub(super) fn look_in(&mut self, folder: PathBuf) {
        let Some(opened) = self.keeper.pending.take() else { return };
        self.state.keeping.missing = None;
        let work = move |monitor: &_| works::seek_frames(monitor, opened, folder);
        let failed = self.keeper.files.follow(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn take_sought(&mut self, sought: Sought) {
        let Sought { mut opened, folder, still } = sought;
        opened.unsaved = true;
        if still.is_empty() {
            return self.put_in_place(opened);
        }
        let names: Vec<String> = still.iter().map(|path| path.display().to_string()).collect();
        if opened.loaded.sheaf.lights.iter().all(|light| still.contains(&light.path)) {
            let sheaf = opened.path.as_deref().map_or("the night".to_owned(), file_name);
            return self.state.fail(
                Subject::Sheaf,
                format!(
                    "none of the frames of {sheaf} is in {} or below: open the sheaf again and choose another folder",
                    folder.display()
                ),
            );
        }
        opened.loaded.sheaf.forget(&still);
        let text = format!("not found in {} or below, opened without: {}", folder.display(), names.join(", "));
        // Files that left the sheaf: that stays until it was read.
        opened.loaded.notes.push(text);
        self.put_in_place(opened);
    }

    pub(super) fn open_without_missing(&mut self) {
        let Some(mut opened) = self.keeper.pending.take() else { return };
        self.state.keeping.missing = None;
        let missing = opened.loaded.sheaf.missing();
        opened.loaded.sheaf.forget(&missing);
        opened.unsaved = true;
        self.put_in_place(opened);
    }

    pub(super) fn put_sheaf_away(&mut self) {
        self.state.keeping.missing = None;
        self.keeper.pending = None;
    }

    pub(super) fn show_sheaf(&mut self, opened: Opened) {
        let Opened { path, loaded, unsaved, leftover } = opened;
        self.start_over();
        self.keeper.used_up.extend(leftover);
        self.state.sheaf.take_settings(&loaded.sheaf);
        self.given = loaded.sheaf.lights.iter().map(|light| light.path.clone()).collect();
        self.keeper.saved = if unsaved { Snapshot::default() } else { self.snapshot() };
        self.state.keeping.path.clone_from(&path);
        for note in loaded.notes {
            self.state.note(Subject::Sheaf, note);
        }
        if let Some(path) = path {
            self.remember_recent(&path);
        }
        if !self.given.is_empty() {
            self.show_first();
            self.measure();
        }
        self.compare();
    }
}
