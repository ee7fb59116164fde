//! Sheaf files in the window: what is asked about them, saving, and leaving a night.

use std::path::{Path, PathBuf};
use std::time::{Instant, SystemTime};

use eframe::egui::ViewportCommand;

use crate::error::Error;
use crate::gui::action::Action;
use crate::gui::app::{App, RunKey};
use crate::gui::keep::{Keep, Leaving, Opened, Recovery, Snapshot};
use crate::gui::lane::Lane;
use crate::gui::sheaf::file_name;
use crate::gui::state::{PathFor, Subject};
use crate::gui::works::{self, Kept};
use crate::settings::{Autosave, Folders, Leftover, Loaded, Remembered, SHEAF_ENDING, looks_like_sheaf};

/// The part of the window that keeps things.
pub(super) struct Keeper {
    /// Where the program keeps its own files; nothing outlasts the window where `None`.
    pub(super) folders: Option<Folders>,
    pub(super) remembered: Remembered,
    /// When preferences or the layout changed that are not written yet.
    pub(super) changed: Option<Instant>,
    /// Size of text and controls in the last frame of the screen.
    pub(super) last_zoom: f32,
    pub(super) autosave: Option<Autosave>,
    pub(super) files: Lane<Result<Kept, Error>>,
    pub(super) copies: Lane<Result<(), Error>>,
    /// What the sheaf's file holds; what an empty window holds where there is no file.
    pub(super) saved: Snapshot,
    /// What the copy of unsaved work holds.
    pub(super) copied: Option<Snapshot>,
    /// When the last copy was begun.
    pub(super) last_copy: Instant,
    /// A sheaf whose frames are missing.
    pub(super) pending: Option<Opened>,
    /// A sheaf that waits until the person has said what becomes of the night that is open.
    pub(super) ready: Option<Opened>,
    /// What the person said may be lost for a sheaf that was still to be read.
    pub(super) given_up: Option<AtStake>,
    /// What a crash left, loaded already.
    pub(super) left: Option<(Leftover, Loaded)>,
    /// Copies of a crash that are not needed any more once this window has its own.
    pub(super) used_up: Vec<Leftover>,
    /// Whether a copy could not be written, which is told once.
    pub(super) copy_failed: bool,
}

/// What would be lost if the night were put away.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct AtStake {
    snapshot: Snapshot,
    stacked_from: Option<RunKey>,
    running: Option<RunKey>,
}

impl Keeper {
    pub(super) fn new(folders: Option<Folders>) -> Self {
        Self {
            folders,
            remembered: Remembered::default(),
            changed: None,
            last_zoom: 1.0,
            autosave: None,
            files: Lane::new("sheaf"),
            copies: Lane::new("copying"),
            saved: Snapshot::default(),
            copied: None,
            last_copy: Instant::now(),
            pending: None,
            ready: None,
            given_up: None,
            left: None,
            used_up: Vec::new(),
            copy_failed: false,
        }
    }
}

impl App {
    /// Does what was asked about sheaf files, recovery and preferences.
    pub(super) fn keep(&mut self, keep: Keep) {
        match keep {
            Keep::Open(path) => {
                self.state.keeping.recent_shown = false;
                self.leave(Leaving::Open(path));
            }
            Keep::Save => match self.state.keeping.path.clone() {
                Some(path) => self.save_to(path),
                None => self.keep(Keep::SaveAs),
            },
            Keep::SaveAs if self.state.sheaf.frames.is_empty() => self.tell_nothing_to_save(),
            Keep::SaveAs => {
                let name = self.proposed_name();
                self.ask(PathFor::SheafToSave, false, &name);
            }
            Keep::SaveTo(path) => self.save_to(with_ending(path)),
            Keep::ChooseMovedFolder => self.ask(PathFor::MovedFrames, true, ""),
            Keep::LookIn(folder) => self.look_in(folder),
            Keep::OpenWithoutMissing => self.open_without_missing(),
            Keep::PutSheafAway => self.put_sheaf_away(),
            Keep::Recover => self.leave(Leaving::Recover),
            Keep::DropRecovery => self.drop_recovery(),
            Keep::SaveAndLeave => self.keep(Keep::Save),
            Keep::LeaveAnyway => {
                if let Some(leaving) = self.state.keeping.leaving.take() {
                    self.keeper.given_up = Some(self.at_stake());
                    self.go(leaving);
                }
            }
            Keep::Stay => {
                self.state.keeping.leaving = None;
                self.keeper.ready = None;
            }
            Keep::ToggleRecent => self.state.keeping.recent_shown = !self.state.keeping.recent_shown,
            Keep::TogglePreferences => {
                self.state.keeping.preferences_shown = !self.state.keeping.preferences_shown;
            }
            Keep::Prefer(preferences) => self.prefer(*preferences),
            Keep::ChooseScratch => self.ask(PathFor::ScratchFolder, true, ""),
        }
    }

    /// A sheaf among the paths that were dropped, typed or given on the command line, if that is what they are.
    pub(super) fn sheaf_among(&mut self, paths: &[PathBuf]) -> Option<PathBuf> {
        let sheaf = paths.iter().find(|path| looks_like_sheaf(path))?;
        if paths.len() > 1 {
            self.state
                .note(Subject::Sheaf, format!("Only {} is opened: a sheaf names its own frames", file_name(sheaf)));
        }
        Some(sheaf.clone())
    }

    /// Whether something would be lost if the night were put away now.
    pub(super) fn would_lose(&self) -> bool {
        let unwritten = self.outcome.is_some() && self.state.exported.is_none();
        let working = self.lanes.stack.is_busy() || self.lanes.mask.is_busy() || self.is_filing();
        self.state.keeping.unsaved || unwritten || working
    }

    fn at_stake(&self) -> AtStake {
        AtStake {
            snapshot: self.snapshot(),
            stacked_from: self.stacked_from.clone().filter(|_| self.state.exported.is_none()),
            running: self.running_key.clone().filter(|_| self.lanes.stack.is_busy()),
        }
    }

    /// Puts the night away, or asks first.
    pub(super) fn leave(&mut self, leaving: Leaving) {
        self.end_stroke();
        self.compare();
        // Reading a sheaf takes a while: what was done meanwhile is asked about again, and only that.
        let given_up = leaving == Leaving::Show && self.keeper.given_up.as_ref() == Some(&self.at_stake());
        if self.would_lose() && !given_up {
            self.state.keeping.leaving = Some(leaving);
        } else {
            self.go(leaving);
        }
    }

    fn go(&mut self, leaving: Leaving) {
        self.state.keeping.leaving = None;
        match leaving {
            Leaving::Close => {
                self.may_close = true;
                self.context.send_viewport_cmd(ViewportCommand::Close);
            }
            Leaving::Open(path) => self.open_sheaf(path),
            Leaving::StartOver => self.start_over(),
            Leaving::Sample => self.try_sample_frames(),
            Leaving::Recover => self.recover(),
            Leaving::Show => {
                if let Some(opened) = self.keeper.ready.take() {
                    self.show_sheaf(opened);
                }
            }
        }
    }

    fn save_to(&mut self, path: PathBuf) {
        self.end_stroke();
        if self.state.sheaf.frames.is_empty() {
            return self.tell_nothing_to_save();
        }
        if self.waits_for_corrections(Action::Keep(Keep::SaveTo(path.clone()))) {
            return;
        }
        self.state.settle(Subject::Sheaf);
        let path = std::path::absolute(&path).unwrap_or(path);
        let (sheaf, snapshot) = (self.state.sheaf.settings(), self.snapshot());
        let work = move |monitor: &_| works::save_sheaf(monitor, path, sheaf, snapshot);
        let failed = self.keeper.files.follow(&self.context, work);
        self.tell_broken(failed);
    }

    fn tell_nothing_to_save(&mut self) {
        let text = "there is nothing to save yet: a sheaf keeps the frames of a night with all that you choose, so \
                    drop frames on the window first";
        self.state.fail(Subject::Sheaf, text);
    }

    /// Takes in what sheaf files and copies came to, and copies unsaved work when it is time.
    pub(super) fn listen_to_keeper(&mut self) {
        let context = self.context.clone();
        let kept = self.keeper.files.poll(&context);
        self.settle_typed(kept.as_ref(), |path_for| matches!(path_for, PathFor::Frames | PathFor::SheafToSave));
        self.take(Subject::Sheaf, kept, Self::take_kept);
        self.state.keeping.busy = self.keeper.files.is_busy();
        let copied = self.keeper.copies.poll(&context);
        if let Some(crate::gui::lane::Ended::Result(result)) = copied {
            self.take_copy(result);
        }
        self.compare();
        self.copy_unsaved_work();
        self.write_own_files(false);
    }

    fn take_kept(&mut self, kept: Kept) {
        match kept {
            Kept::Opened(path, loaded) => {
                let opened = Opened { unsaved: loaded.recovered, path: Some(path), loaded: *loaded, leftover: None };
                self.take_opened(opened);
            }
            Kept::Sought(sought) => self.take_sought(*sought),
            Kept::Saved(path, snapshot) => self.take_saved(path, *snapshot),
            Kept::Left(left) => {
                let left = left.map(|left| *left);
                self.state.keeping.recovery = left.as_ref().map(|(leftover, loaded)| Recovery {
                    sheaf: loaded.autosaved_from.clone(),
                    n_lights: loaded.sheaf.lights.len(),
                    age: SystemTime::now().duration_since(leftover.saved).unwrap_or_default(),
                });
                self.keeper.left = left;
            }
        }
    }

    fn take_saved(&mut self, path: PathBuf, snapshot: Snapshot) {
        self.state.done(Subject::Sheaf, format!("{} is saved: {}", file_name(&path), path.display()));
        self.keeper.saved = snapshot;
        self.remember_recent(&path);
        if let Some(folder) = self.sample_folder.take() {
            // A saved sheaf needs its frames, also the invented ones.
            let folder = folder.keep();
            self.state.note(
                Subject::Sheaf,
                format!("The sample frames stay in {} until the system clears it", folder.display()),
            );
        }
        self.state.keeping.path = Some(path);
        self.compare();
        if !self.needs_copy() {
            self.drop_copy();
            self.remove_used_up();
        }
        if let Some(leaving) = self.state.keeping.leaving.take() {
            self.leave(leaving);
        }
    }

    /// Tells the screen whether anything differs from the file.
    pub(super) fn compare(&mut self) {
        let now = self.snapshot();
        self.state.keeping.unsaved = !now.is_empty()
            && match self.state.keeping.path {
                Some(_) => now != self.keeper.saved,
                None => now.is_decided(&self.state.sheaf.calibration),
            };
    }

    pub(super) fn snapshot(&self) -> Snapshot {
        Snapshot::new(self.state.sheaf.settings(), self.mask_version)
    }

    /// What the empty window starts from: another night has no file and no copy.
    pub(super) fn forget_sheaf_file(&mut self) {
        self.keeper.saved = Snapshot::default();
        self.keeper.last_copy = Instant::now();
        self.drop_copy();
    }

    /// Ends in order: nothing is left for a next start to recover.
    pub(super) fn end_keeping(&mut self) {
        self.write_own_files(true);
        // Waits for a copy that is being written, which would outlast its window otherwise.
        self.keeper.copies = Lane::new("copying");
        if let Some(autosave) = self.keeper.autosave.take() {
            autosave.end();
        }
        self.remove_used_up();
    }

    /// Named after the folder of the frames.
    fn proposed_name(&self) -> String {
        let first = self.state.keeping.path.as_deref().and_then(Path::file_stem);
        let folder = self.given.first().filter(|_| self.sample_folder.is_none()).and_then(|path| {
            let folder = if path.is_dir() { Some(path.as_path()) } else { path.parent() };
            folder.and_then(Path::file_name)
        });
        let stem = first.or(folder).map_or("night".into(), |name| name.to_string_lossy());
        format!("{stem}.{SHEAF_ENDING}")
    }
}

/// A sheaf's file has its ending, so that it never takes the place of a frame.
fn with_ending(path: PathBuf) -> PathBuf {
    if looks_like_sheaf(&path) {
        return path;
    }
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".");
    name.push(SHEAF_ENDING);
    path.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheaf_never_takes_the_name_of_a_frame() {
        for (asked, expected) in
            [("tarn", "tarn.toml"), ("tarn.toml", "tarn.toml"), ("/n/tarn.dng", "/n/tarn.dng.toml")]
        {
            assert_eq!(with_ending(PathBuf::from(asked)), PathBuf::from(expected), "{asked}");
        }
    }
}
