//! The quick look: a stack of a few frames, made anew whenever a choice would change it.

use crate::gui::app::App;
use crate::gui::sheaf::Land;
use crate::gui::state::{PreviewFacts, Shown};
use crate::gui::works::{self, Previewed};
use crate::pipeline::{FrameScale, MIN_FRAMES, MaskChoice, Request};

impl App {
    /// Begins a preview where the one that is there shows something else.
    pub(super) fn keep_preview(&mut self) {
        let sheaf = &self.state.sheaf;
        let measured = !sheaf.frames.is_empty() && !self.lanes.gather.is_busy();
        let idle = !self.lanes.stack.is_busy() && !self.lanes.open.is_busy() && !self.is_file_busy();
        // A stroke is answered first: then there is one preview of what came of it.
        let drawn = self.stroke.is_none() && !self.lanes.mask.is_busy();
        if !drawn || !measured || !idle || sheaf.n_wanted() < MIN_FRAMES {
            return;
        }
        let key = self.run_key();
        if self.stacked_from.as_ref() == Some(&key) || self.previewed_from.as_ref() == Some(&key) {
            return;
        }
        let (memory_bytes, threads) = self.means();
        let scratch_folder = self.state.keeping.preferences.scratch_folder.clone();
        let mut request = Request { scratch_folder, ..sheaf.request(memory_bytes) };
        if sheaf.land == Land::Painted {
            // The few frames are the same whoever drew the landscape; the guide is needed in any case.
            request.mask = sheaf.mask.clone().map_or(MaskChoice::Auto, MaskChoice::Given);
        }
        let settings = sheaf.choices.develop.clone();
        let aspect = self.aspect();
        self.previewed_from = Some(key);
        self.state.no_preview = None;
        let work =
            move |monitor: &_| works::with_threads(threads, || works::preview(monitor, &request, &settings, aspect));
        let failed = self.lanes.preview.submit(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn take_preview(&mut self, previewed: Previewed) {
        let Previewed { outcome, scale, stack, single } = previewed;
        self.layers.preview = Some(self.new_layer(stack));
        self.layers.preview_single = single.map(|single| self.new_layer(single));
        let facts = PreviewFacts {
            n_frames: outcome.n_frames,
            half_size: scale == FrameScale::Half,
            noise: outcome.report.noise,
        };
        self.state.preview = Some(facts);
        // A landscape found at full size is better than this one.
        if self.outcome.is_none() {
            self.take_found(outcome.foreground.clone(), outcome.found.clone());
        }
        self.preview_outcome = Some(outcome);
        // Whoever paints looks at what is painted on, and must not lose it in mid-stroke.
        self.preview_waits = self.state.painting && self.state.shown != Some(Shown::Preview);
        if self.shows_results && !self.state.painting {
            self.show_without_choice(Shown::Preview);
        }
    }

    /// The brush was laid down: what came meanwhile is shown.
    pub(super) fn show_preview_that_waits(&mut self) {
        if std::mem::take(&mut self.preview_waits) && self.shows_results {
            self.show_without_choice(Shown::Preview);
        }
    }
}
