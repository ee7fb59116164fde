//! What jobs and dialogs brought.

use std::path::PathBuf;
use std::sync::Arc;

use crate::error::{Error, WithSources};
use crate::gui::app::files::{Typed, is_of_file_lane, is_written};
use crate::gui::app::{App, MOST_UPLOADS};
use crate::gui::canvas::Layers;
use crate::gui::dialogs::Answer;
use crate::gui::doubts::asks_for_a_stroke;
use crate::gui::history::Edit;
use crate::gui::lane::Ended;
use crate::gui::layer::Layer;
use crate::gui::sheaf::{Frame, Land, file_name};
use crate::gui::state::{PathFor, Section, Shown, Subject};
use crate::gui::widgets::single;
use crate::gui::works::{Developed, Filed, Heard, Previewed, Ready, Stacked};
use crate::pipeline::{FrameFinding, typical_error_px};

/// Frames that cannot be read and are named one by one.
const MOST_TOLD: usize = 5;

impl App {
    /// Takes in all that is there.
    pub(super) fn listen_to_jobs(&mut self) {
        let context = self.context.clone();
        let gathered = self.lanes.gather.poll(&context);
        // After the result was asked for: all that was told before it is heard before it is taken.
        while let Ok(heard) = self.heard.1.try_recv() {
            self.hear(heard);
        }
        self.settle_typed(gathered.as_ref(), |path_for| path_for == PathFor::Frames);
        if let Some(Ended::Result(Err(Error::TooFewFrames { .. }))) = &gathered {
            // It names them itself.
            self.unread.clear();
        }
        self.take(Subject::Adding, gathered, Self::take_findings);
        self.state.measuring = self.lanes.gather.is_busy();
        self.tell_unread();
        let opened = self.lanes.open.poll(&context);
        if opened.as_ref().is_some_and(|opened| !matches!(opened, Ended::Result(Ok(_)))) {
            // The picture of another frame must not stand under the name of this one.
            self.layers.frame = None;
        }
        self.state.opening = self.lanes.open.is_busy();
        self.take(Subject::Showing, opened, Self::take_frame);
        let stacked = self.lanes.stack.poll(&context);
        self.take(Subject::Stacking, stacked, Self::take_stack);
        let developed = self.lanes.develop.poll(&context).map(|ended| match ended {
            Ended::Result(result) => Ended::Result(result.map_err(Error::Cancelled)),
            Ended::Broken(text) => Ended::Broken(text),
        });
        self.take(Subject::Window, developed, Self::take_development);
        if let Some(ended) = self.lanes.watch.poll(&context) {
            self.state.watching = None;
            self.take::<()>(Subject::Watching, Some(ended), |_, ()| {});
        }
        let corrected = self.lanes.mask.poll(&context).map(|ended| match ended {
            Ended::Result(result) => Ended::Result(result.map_err(Error::Cancelled)),
            Ended::Broken(text) => Ended::Broken(text),
        });
        if corrected.is_some() {
            self.take(Subject::Mask, corrected, Self::take_corrected);
            self.go_on_after_corrections();
        }
        let previewed = self.lanes.preview.poll(&context);
        self.take_or_tell(previewed);
        self.keep_preview();
        for filed in [self.lanes.file.poll(&context), self.lanes.layers.poll(&context)] {
            self.settle_typed(filed.as_ref(), is_of_file_lane);
            self.take(self.filing, filed, Self::take_filed);
        }
        self.next_file();
        self.go_on_after_work();
        if let Some(answer) = self.dialog.as_ref().and_then(|dialog| dialog.answer()) {
            self.dialog = None;
            self.state.settle(Subject::Dialog);
            self.take_answer(answer);
        }
        self.take_tiles();
    }

    /// Hands a result on, or tells why there is none; a cancelled one needs no words.
    pub(super) fn take<T>(&mut self, subject: Subject, ended: Option<Ended<Result<T, Error>>>, with: fn(&mut Self, T)) {
        match ended {
            None | Some(Ended::Result(Err(Error::Cancelled(_)))) => {}
            Some(Ended::Result(Ok(result))) => with(self, result),
            Some(Ended::Result(Err(error))) => self.state.fail(subject, WithSources(&error).to_string()),
            Some(Ended::Broken(text)) => self.state.fail(subject, text),
        }
    }

    /// A preview comes by itself and was not asked for: one that fails is told beside the work, not as an error.
    fn take_or_tell(&mut self, ended: Option<Ended<Result<Previewed, Error>>>) {
        match ended {
            None | Some(Ended::Result(Err(Error::Cancelled(_)))) => {}
            Some(Ended::Result(Ok(previewed))) => self.take_preview(previewed),
            Some(Ended::Result(Err(error))) => self.state.no_preview = Some(WithSources(&error).to_string()),
            Some(Ended::Broken(text)) => self.state.no_preview = Some(text),
        }
    }

    /// Tells of work that could not even begin.
    pub(super) fn tell_broken<T>(&mut self, ended: Option<Ended<T>>) {
        if let Some(Ended::Broken(text)) = ended {
            self.state.fail(Subject::Window, text);
        }
    }

    fn hear(&mut self, heard: Heard) {
        match heard {
            Heard::Gathered(paths) => self.take_list(paths),
            Heard::Found(finding) => self.take_finding(*finding),
            Heard::Arrived(path) => self.take_arrival(path),
            Heard::Unusable { path, text, has_frames } => {
                // A path whose frames are in the list already comes back with its drive; another would spoil all
                // that is added later.
                if !has_frames {
                    self.given.retain(|other| *other != path);
                }
                self.state.fail(Subject::Adding, text);
                let is_it = |typed: &&mut Typed| typed.path_for == PathFor::Frames && typed.path() == path;
                if let Some(typed) = self.typed.as_mut().filter(is_it) {
                    typed.failed = true;
                }
            }
        }
    }

    /// What is known of frames stays with them when others join.
    fn take_list(&mut self, paths: Vec<PathBuf>) {
        let frames = &mut self.state.sheaf.frames;
        if frames.iter().map(|frame| &frame.path).eq(&paths) {
            return;
        }
        let shown_path = match self.state.shown {
            Some(Shown::Frame(index)) => frames.get(index).map(|frame| frame.path.clone()),
            _ => None,
        };
        let mut known = std::mem::take(frames);
        let keep = |path: PathBuf| {
            let before = known.iter().position(|frame| frame.path == path);
            before.map_or_else(|| Frame::new(path), |index| known.swap_remove(index))
        };
        *frames = paths.into_iter().map(keep).collect();
        // A choice names frames by their places in the list, which have changed.
        self.state.choice_end = None;
        let place = shown_path.and_then(|path| self.state.sheaf.frames.iter().position(|frame| frame.path == path));
        match place {
            // The same frame, perhaps at another place of the list, is on the canvas or being opened.
            Some(index) => self.state.shown = Some(Shown::Frame(index)),
            None => self.show_first(),
        }
    }

    /// The middle of the burst is shown first: there the reference will be.
    pub(super) fn show_first(&mut self) {
        let middle = self.state.sheaf.frames.len() / 2;
        let index = match self.state.shown {
            Some(Shown::Frame(index)) if index < self.state.sheaf.frames.len() => index,
            Some(Shown::Stack | Shown::Preview) => return,
            _ => middle,
        };
        self.layers.frame = None;
        self.show_without_choice(Shown::Frame(index));
    }

    fn take_findings(&mut self, findings: Vec<FrameFinding>) {
        for finding in findings {
            self.take_finding(finding);
        }
        self.show_a_used_frame();
    }

    /// Nobody asked for a frame that is set aside: the nearest one that takes part is a better first sight.
    fn show_a_used_frame(&mut self) {
        let Some(Shown::Frame(index)) = self.state.shown else { return };
        let frames = &self.state.sheaf.frames;
        if !self.shows_results || frames.get(index).is_none_or(|frame| !frame.is_aside()) {
            return;
        }
        let used = (0..frames.len()).filter(|&other| !frames[other].is_aside());
        if let Some(nearest) = used.min_by_key(|other| other.abs_diff(index)) {
            self.show_without_choice(Shown::Frame(nearest));
        }
    }

    fn take_finding(&mut self, finding: FrameFinding) {
        if let Some(frame) = self.state.sheaf.frames.iter_mut().find(|frame| frame.path == finding.path) {
            let was_unread = frame.is_unread();
            frame.finding = Some(finding);
            if frame.is_unread() && !was_unread {
                self.unread.push(frame.path.clone());
            }
        }
    }

    /// Once all frames were looked at: which of them cannot be read, and why.
    fn tell_unread(&mut self) {
        if self.state.measuring || self.unread.is_empty() {
            return;
        }
        let why = |path: &PathBuf| {
            let frame = self.state.sheaf.frames.iter().find(|frame| frame.path == *path)?;
            Some(format!("{} cannot be read: {}", path.display(), frame.finding.as_ref()?.reason))
        };
        let mut lines: Vec<String> = self.unread.iter().filter_map(why).collect();
        self.unread.clear();
        if lines.len() > MOST_TOLD {
            let more = lines.len() - MOST_TOLD;
            lines.truncate(MOST_TOLD);
            lines.push(format!("{more} more frames cannot be read: each says why when it is chosen"));
        }
        if !lines.is_empty() {
            self.state.fail(Subject::Adding, lines.join("\n"));
        }
    }

    fn take_frame(&mut self, ready: Ready) {
        self.state.settle(Subject::Showing);
        self.layers.frame = Some(self.new_layer(ready));
    }

    fn take_stack(&mut self, stacked: Stacked) {
        let Stacked { outcome, request, foreground, stack, single } = stacked;
        self.stacked_by = Some(request);
        self.state.settle(Subject::Stacking);
        self.layers.stack = Some(self.new_layer(stack));
        self.layers.single = single.map(|single| self.new_layer(single));
        self.take_found(foreground, outcome.found.clone());
        self.state.report = Some(outcome.report.clone());
        let arrows = outcome.residuals.iter().flat_map(|frame| &frame.on_reference);
        self.state.typical_error_px = typical_error_px(arrows);
        self.state.residuals = outcome.residuals.clone();
        self.outcome = Some(outcome);
        self.state.exported = None;
        self.stacked_from = self.running_key.take();
        self.compare_stack();
        // A finished picture is seen without lines, unless they mark a place that asks for a stroke.
        self.state.hatching &= self.state.found.as_ref().is_some_and(asks_for_a_stroke);
        self.show_without_choice(Shown::Stack);
        // What is done next with a picture, where the person has not put it out of the way.
        if self.state.unfolded.contains(&Section::Picture) {
            self.state.sought = Some(Section::Picture);
        }
        if self.state.sheaf.frames.iter().any(|frame| frame.finding.is_none()) {
            self.measure();
        }
    }

    pub(super) fn new_layer(&mut self, ready: Ready) -> Layer {
        self.n_layers += 1;
        let mut layer = Layer::new(self.n_layers, Arc::clone(&ready.pyramid));
        layer.set_tone(ready.tone);
        layer.accept_first(&self.context, ready.first);
        layer
    }

    fn take_development(&mut self, developed: Developed) {
        if let (Some(layer), Some(tone)) = (&mut self.layers.frame, developed.frame) {
            layer.set_tone(tone);
        }
        let Layers { stack, single, preview, preview_single, .. } = &mut self.layers;
        for (tone, layers) in [(developed.stack, [stack, single]), (developed.preview, [preview, preview_single])] {
            let Some(tone) = tone else { continue };
            for layer in layers.into_iter().flatten() {
                layer.set_tone(Arc::clone(&tone));
            }
        }
    }

    fn take_filed(&mut self, filed: Filed) {
        match filed {
            Filed::MaskLoaded(loaded) => {
                // It takes the place of whatever is being corrected.
                let waiting = std::mem::take(&mut self.after_corrections);
                self.forget_corrections();
                self.hints.clear();
                let sheaf = &mut self.state.sheaf;
                self.history.record(Edit::Mask(sheaf.land, sheaf.mask.clone()));
                sheaf.mask = Some(Arc::new(loaded.mask));
                sheaf.land = Land::Painted;
                self.mask_version += 1;
                self.state.hatching = true;
                self.state.settle(Subject::Mask);
                if let Some(warning) = loaded.warning {
                    self.state.note(Subject::Mask, warning);
                }
                waiting.into_iter().for_each(|action| self.apply(action));
            }
            Filed::PageSaved(path) => {
                self.state.done(Subject::Plan, format!("The plan is written to {}", path.display()));
            }
            Filed::LeftOutSaved(path) => {
                self.state.done(Subject::LeftOut, format!("What was left out is written to {}", path.display()));
            }
            Filed::LayersSaved(folder) => {
                self.state.done(Subject::Layers, format!("Sky, land and mask are written to {}", folder.display()));
            }
            Filed::ReportSaved(path) => {
                self.state.done(Subject::Report, format!("The report is written to {}", path.display()));
            }
            Filed::MaskSaved(path) => {
                self.state.done(Subject::Mask, format!("The mask is written to {}", path.display()));
            }
            Filed::Calibration(kind, paths) => self.take_calibration(kind, paths),
            Filed::Land(paths) => self.take_land_frames(paths),
            Filed::LensSaved(path) => {
                self.state.done(Subject::Calibration, format!("The lens profile is written to {}", path.display()));
            }
            Filed::Exported(path) => {
                self.state.done(Subject::Export, format!("{} is written: {}", file_name(&path), path.display()));
                self.last_output = Some(path.clone());
                self.state.exported = Some(path);
                // Written first, then what was asked.
                if let Some(leaving) = self.state.keeping.leaving.take() {
                    self.leave(leaving);
                }
            }
        }
        self.compare_stack();
    }

    pub(super) fn take_answer(&mut self, answer: Answer) {
        match answer {
            Answer::Chosen(path_for, paths) => self.use_paths(path_for, paths),
            Answer::Cancelled => {}
            Answer::NoDialog(question) => {
                let start = question.start.map(|folder| folder.join(&question.file_name));
                let named = is_written(question.path_for) || question.path_for == PathFor::SheafToSave;
                self.state.typed_path =
                    start.filter(|_| named).map_or(question.file_name, |path| path.display().to_string());
                self.state.path_for = Some(question.path_for);
                self.context.memory_mut(|memory| memory.request_focus(single("path field")));
            }
        }
    }

    fn take_tiles(&mut self) {
        for _ in 0..MOST_UPLOADS {
            let Some(mut finished) = self.tiles.take() else { return };
            if finished.image.is_none() {
                let text = "a part of the picture could not be drawn by a fault of this program: please report it";
                self.state.fail(Subject::Window, text);
            }
            for layer in self.layers.all_mut() {
                layer.accept(&self.context, &mut finished);
            }
        }
        self.context.request_repaint();
    }
}
