//! The long work that a person asks for: the run, another development, and the way to stop.

use std::sync::Arc;

use crate::gui::app::{App, RunKey};
use crate::gui::sheaf::{Choices, Land};
use crate::gui::state::Subject;
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
        if self.lanes.file.is_busy() {
            let text = "a file is being read or written: stack the frames when that is done";
            return self.state.fail(Subject::Stacking, text);
        }
        if self.state.sheaf.n_wanted() < MIN_FRAMES {
            let text = format!("a stack needs at least {MIN_FRAMES} frames: add some, or take back what is set aside");
            return self.state.fail(Subject::Stacking, text);
        }
        self.lay_brush_down();
        // A run needs all cores; what is not measured yet is measured after it.
        self.lanes.gather.abandon();
        if self.lanes.preview.is_busy() {
            self.lanes.preview.abandon();
            self.previewed_from = None;
        }
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

    pub(super) fn cancel(&mut self) {
        if self.working().is_some() {
            self.frame_clock.note_cancel_asked();
        }
        let lanes = &mut self.lanes;
        if lanes.stack.is_busy() {
            lanes.stack.cancel();
        } else if lanes.file.is_busy() {
            self.to_file.clear();
            lanes.file.cancel();
        } else {
            lanes.gather.cancel();
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
