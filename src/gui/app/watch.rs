//! The folder that is watched: new frames join the night as they come.

use std::path::PathBuf;
use std::sync::Arc;

use crate::gui::app::App;
use crate::gui::sheaf::Frame;
use crate::gui::state::Subject;
use crate::gui::works::{self, Ear};
use crate::job::Monitor;

impl App {
    /// Measures what is in a folder and what comes into it, until something else is asked for.
    pub(super) fn watch_folder(&mut self, folder: PathBuf) {
        self.state.settle(Subject::Watching);
        if !folder.is_dir() {
            let text = format!("{} is no folder: choose the one that frames come into", folder.display());
            return self.state.fail(Subject::Watching, text);
        }
        if !self.given.contains(&folder) {
            self.given.push(folder.clone());
        }
        let ear = Ear::new(self.heard.0.clone(), self.context.clone());
        self.state.watching = Some(folder.clone());
        let (memory_bytes, threads) = self.means();
        let held = Arc::clone(&self.watch_held);
        let work = move |monitor: &Monitor| {
            works::with_threads(threads, || works::watch(monitor, &ear, &folder, memory_bytes, &held))
        };
        let failed = self.lanes.watch.submit(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn stop_watching(&mut self) {
        self.lanes.watch.abandon();
        self.state.watching = None;
    }

    /// A frame that came in; the latest is shown unless a stack is looked at or a brush is in hand.
    pub(super) fn take_arrival(&mut self, path: PathBuf) {
        let frames = &mut self.state.sheaf.frames;
        if frames.iter().any(|frame| frame.path == path) {
            return;
        }
        frames.push(Frame::new(path));
        let latest = frames.len() - 1;
        if matches!(self.state.shown, Some(crate::gui::state::Shown::Stack)) || self.state.painting {
            return;
        }
        self.show(crate::gui::state::Shown::Frame(latest));
    }
}
