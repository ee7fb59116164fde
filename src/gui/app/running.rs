//! The long work that a person asks for: the run, another development, and the way to stop.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use crate::gui::action::Action;
use crate::gui::app::{App, RunKey};
use crate::gui::correcting::CORRECTING;
use crate::gui::lane::Standing;
use crate::gui::sheaf::{Choices, Land};
use crate::gui::state::{Subject, Working};
use crate::gui::works;
use crate::pipeline::{MIN_FRAMES, Request};

impl App {
    /// Develops what is on the canvas anew, after what is being developed now.
    pub(super) fn develop(&mut self) {
        let frame = self.layers.frame.as_ref().map(|layer| Arc::clone(layer.pyramid()));
        let stack = self.layers.stack.as_ref().map(|layer| Arc::clone(layer.pyramid())).zip(self.outcome.clone());
        let preview = self.layers.preview.as_ref().map(|layer| Arc::clone(layer.pyramid()));
        let preview = preview.zip(self.preview_outcome.clone());
        let settings = self.state.sheaf.choices.develop.clone();
        let aspect = self.aspect();
        let threads = self.means().1;
        let work = move |monitor: &_| {
            let [stack, preview] =
                [&stack, &preview].map(|made| made.as_ref().map(|(pyramid, outcome)| (&**pyramid, &**outcome)));
            let develop = || works::develop(monitor, frame.as_deref(), stack, preview, &settings, aspect);
            works::with_threads(threads, develop)
        };
        let failed = self.lanes.develop.follow(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn stack(&mut self) {
        if self.lanes.stack.is_busy() {
            return;
        }
        self.state.settle(Subject::Stacking);
        if self.is_file_busy() {
            let text = "a file is being read or written: stack the frames when that is done";
            return self.state.fail(Subject::Stacking, text);
        }
        if self.state.sheaf.n_wanted() < MIN_FRAMES {
            let text = format!("a stack needs at least {MIN_FRAMES} frames: add some, or take back what is set aside");
            return self.state.fail(Subject::Stacking, text);
        }
        self.lay_brush_down();
        if self.waits_for_corrections(Action::Stack) {
            return;
        }
        self.make_room();
        self.shows_results = true;
        let (memory_bytes, threads) = self.means();
        let scratch_folder = self.state.keeping.preferences.scratch_folder.clone();
        let request = Request { scratch_folder, ..self.state.sheaf.request(memory_bytes) };
        self.check_last_output(&request);
        let settings = self.state.sheaf.choices.develop.clone();
        self.running_key = Some(self.run_key());
        let aspect = self.aspect();
        let work =
            move |monitor: &_| works::with_threads(threads, || works::stack(monitor, &request, &settings, aspect));
        let failed = self.lanes.stack.submit(&self.context, work);
        self.tell_broken(failed);
    }

    /// Memory and threads that work may take.
    pub(super) fn means(&self) -> (u64, Option<u16>) {
        let preferences = &self.state.keeping.preferences;
        (preferences.memory_bytes(), preferences.threads)
    }

    /// The work that the person waits for, if any: what the foot shows, and what a cancel ends.
    pub(super) fn working(&self) -> Option<Working> {
        self.present_work().map(|(_, working)| working)
    }

    fn present_work(&self) -> Option<(Work, Working)> {
        let lanes = &self.lanes;
        let works = [
            (Work::Stack, "Stacking", lanes.stack.standing()),
            (Work::File, "Writing", lanes.layers.standing().or_else(|| lanes.file.standing())),
            (Work::Sheaf, "Opening the sheaf", worth_telling(self.keeper.files.standing())),
            (Work::Mask, CORRECTING, worth_telling(lanes.mask.standing())),
            (Work::Measuring, "Measuring", lanes.gather.standing()),
        ];
        works.into_iter().find_map(|(work, task, standing)| Some((work, Working { task, standing: standing? })))
    }

    /// Ends what the foot shows; else what is too short to be shown, or goes on beside it.
    pub(super) fn cancel(&mut self) {
        let shown = self.present_work().map(|(work, _)| work);
        if shown.is_some() {
            self.frame_clock.note_cancel_asked();
        }
        match shown {
            Some(Work::Stack) => self.lanes.stack.cancel(),
            Some(Work::File) => {
                self.to_file.clear();
                self.lanes.file.cancel();
                self.lanes.layers.cancel();
            }
            Some(Work::Sheaf) => self.keeper.files.cancel(),
            Some(Work::Mask) => self.forget_corrections(),
            Some(Work::Measuring) => self.lanes.gather.cancel(),
            None if self.lanes.mask.is_busy() => self.forget_corrections(),
            None => self.lanes.preview.cancel(),
        }
    }

    /// Whether work needs all cores and the memory: nothing else begins beside it.
    pub(super) fn is_taken(&self) -> bool {
        let writes = self.lanes.layers.is_busy() || self.lanes.file.is_busy() && self.filing == Subject::Export;
        self.lanes.stack.is_busy() || writes
    }

    /// One work at a time: what is not measured yet is measured after it, and a preview is made anew.
    pub(super) fn make_room(&mut self) {
        self.measures_after |= self.lanes.gather.is_busy();
        self.lanes.gather.abandon();
        self.put_preview_off();
    }

    /// A preview that is being made is made later.
    pub(super) fn put_preview_off(&mut self) {
        self.state.no_preview = None;
        if self.lanes.preview.is_busy() {
            self.lanes.preview.abandon();
            self.previewed_from = None;
        }
    }

    /// What waited for the machine.
    pub(super) fn go_on_after_work(&mut self) {
        let waits = self.is_taken() || self.lanes.gather.is_busy();
        self.watch_held.store(waits, Ordering::Relaxed);
        self.state.watch_waits = waits;
        if self.measures_after && !self.is_taken() {
            self.measure();
        }
    }

    /// All that the next run would depend on. The look is not part of it: it comes after the run.
    pub(super) fn run_key(&self) -> RunKey {
        let sheaf = &self.state.sheaf;
        let wanted = sheaf.frames.iter().filter(|frame| sheaf.is_of_sky(frame)).map(|frame| frame.path.clone());
        let defaults = Choices::default();
        RunKey {
            wanted: wanted.collect(),
            land: sheaf.land,
            mask_version: (sheaf.land == Land::Painted).then_some(self.mask_version),
            choices: Choices {
                develop: defaults.develop,
                format: defaults.format,
                writing: defaults.writing,
                ..sheaf.choices.clone()
            },
            calibration: sheaf.calibration.clone(),
        }
    }
}

/// The kinds of work that the foot shows.
#[derive(Clone, Copy)]
enum Work {
    Stack,
    File,
    Sheaf,
    Mask,
    Measuring,
}

/// What takes so little time that nobody would read of it.
const MOMENT: Duration = Duration::from_millis(400);

/// Work that has taken more than a moment.
fn worth_telling(standing: Option<Standing>) -> Option<Standing> {
    standing.filter(|standing| standing.started.elapsed() > MOMENT)
}
