//! The only place that acts on what was asked.

use std::path::PathBuf;
use std::time::Instant;

use eframe::egui::{Pos2, Rect, ViewportCommand};

use crate::error::InWords;
use crate::gui::action::Action;
use crate::gui::app::App;
use crate::gui::correcting::{Correction, EdgeChange};
use crate::gui::history::Edit;
use crate::gui::keep::{Keep, Leaving};
use crate::gui::panels::foreground::{BRUSH_RANGE, EDGE_RANGE};
use crate::gui::reasons::why_not;
use crate::gui::sheaf::Choices;
use crate::gui::state::{PathFor, Shown, Subject};
use crate::gui::timeline::night_order;
use crate::gui::view::{View, Zoom};
use crate::gui::works::{self, Ear, Gathering};
use crate::pixels::{Orientation, Size};

impl App {
    /// Does what was asked.
    pub fn apply(&mut self, action: Action) {
        if !action.only_looks() {
            self.state.forget_what_is_done();
        }
        if !action.only_looks() || matches!(action, Action::Show(_) | Action::Step(_)) {
            self.state.settle(Subject::Command);
        }
        self.note_what_can_be_done();
        if let Some(why) = why_not(&self.state, &action) {
            return self.state.fail(Subject::Command, why);
        }
        match action {
            Action::AddPaths(paths) => self.add_paths(paths),
            Action::ChooseFiles => self.ask(PathFor::Frames, false, ""),
            Action::ChooseFolder => self.ask(PathFor::Frames, true, ""),
            Action::TrySampleFrames => self.leave(Leaving::Sample),
            Action::StartOver => self.leave(Leaving::StartOver),
            Action::Drop(paths) => self.take_dropped(paths),
            Action::SortDropped(kind) => self.sort_dropped(kind),
            Action::ForgetDropped => self.state.dropped.clear(),
            Action::ChooseCalibration(kind) => self.ask(PathFor::Calibration(kind), false, ""),
            Action::AddCalibration(kind, paths) => self.add_calibration(kind, paths),
            Action::ClearCalibration(kind) => self.clear_calibration(kind),
            Action::ChooseLandFrames { folder } => self.ask(PathFor::LandFrames, folder, ""),
            Action::AddLandFrames(paths) => self.add_land_frames(paths),
            Action::SortDroppedForLand => self.sort_dropped_for_land(),
            Action::ClearLandFrames => self.clear_land_frames(),
            Action::ChooseLensProfile => self.ask(PathFor::LensProfileToLoad, false, ""),
            Action::UseLensProfile(path) => self.use_lens_profile(path),
            Action::ChooseLensProfileTarget if self.outcome.is_none() => {
                self.tell_no_stack(Subject::Calibration);
            }
            Action::ChooseLensProfileTarget => self.ask(PathFor::LensProfileToSave, false, "lens.toml"),
            Action::SaveLensProfile(path) => self.save_lens_profile(path),
            Action::Show(shown) => {
                self.shows_results = !matches!(shown, Shown::Frame(_));
                self.show(shown);
            }
            Action::Step(by) => self.step(by),
            Action::ExtendTo(index) => self.extend_to(index),
            Action::ToggleAside => self.toggle_aside(),
            Action::ToggleReference => self.toggle_reference(),
            Action::ChooseLand(land) => self.choose_land(land),
            Action::TakeTool(tool) => self.take_tool(tool),
            Action::TakeBrush(kind) => self.take_brush(kind),
            Action::ToggleSnap => self.state.snapping = !self.state.snapping,
            Action::AddCorner(corner) => self.add_corner(corner),
            Action::DropCorner => drop(self.state.corners.pop()),
            Action::CloseShape => self.close_shape(),
            Action::SetEdgeStep(px) => self.state.edge_px = px.clamp(*EDGE_RANGE.start(), *EDGE_RANGE.end()),
            Action::ChangeEdge(change) => self.change_edge(change),
            Action::TogglePicking => self.toggle_picking(),
            Action::PickWhite(place) => self.pick_white(place),
            Action::ToggleGlow => self.toggle_glow(),
            Action::LayBrushDown => self.lay_brush_down(),
            Action::ResizeBrush(radius_px) => {
                self.state.brush.radius_px = radius_px.clamp(*BRUSH_RANGE.start(), *BRUSH_RANGE.end());
            }
            Action::Paint { brush, from, to } => self.paint(brush, from, to),
            Action::EndStroke => self.end_stroke(),
            Action::ToggleHatching => self.state.hatching = !self.state.hatching,
            Action::ToggleResiduals => self.state.residuals_shown = !self.state.residuals_shown,
            Action::ChooseMask => self.ask(PathFor::MaskToLoad, false, ""),
            Action::LoadMask(path) => self.load_mask(path),
            Action::ChooseLeftOutTarget if self.outcome.is_none() => self.tell_no_stack(Subject::LeftOut),
            Action::ChooseLeftOutTarget => self.ask(PathFor::LeftOut, false, "left-out.png"),
            Action::SaveLeftOut(path) => self.save_left_out(path),
            Action::ChooseLayersTarget if self.outcome.is_none() => self.tell_no_stack(Subject::Layers),
            Action::ChooseLayersTarget => self.ask(PathFor::Layers, false, "layers"),
            Action::SaveLayers(folder) => self.save_layers(folder),
            Action::ChooseReportTarget if self.outcome.is_none() => self.tell_no_stack(Subject::Report),
            Action::ChooseReportTarget => self.ask(PathFor::Report, false, "report.html"),
            Action::SaveReport(path) => self.save_report(path),
            Action::ChooseMaskTarget => self.ask(PathFor::MaskToSave, false, "mask.png"),
            Action::SaveMask(path) => self.save_mask(path),
            Action::Choose(choices) => self.choose(*choices),
            Action::Stack => self.stack(),
            Action::Cancel => self.cancel(),
            Action::ChooseExportTarget => self.choose_export_target(),
            Action::Export(path) => self.export(path),
            Action::TogglePlan => self.state.plan_shown = !self.state.plan_shown,
            Action::EditPlan(form) => self.edit_plan(*form),
            Action::PlanFromFrame => self.plan_from_frame(),
            Action::ChoosePageTarget => self.ask(PathFor::PlanPage, false, "plan.pdf"),
            Action::SavePage(path) => self.save_page(path),
            Action::ChooseFolderToWatch => self.ask(PathFor::FolderToWatch, true, ""),
            Action::WatchFolder(folder) => self.watch_folder(folder),
            Action::StopWatching => self.stop_watching(),
            Action::Zoom(zoom) => self.zoom(zoom),
            Action::ZoomAt { factor, pointer } => self.zoom_at(factor, pointer),
            Action::ZoomBy(factor) => self.zoom_at(factor, self.canvas.center()),
            Action::Pan(delta) => {
                if let Some(placement) = self.placement() {
                    self.state.view = self.state.view.panned(delta, &placement);
                }
            }
            Action::MoveCross(by) => self.move_cross(by),
            Action::UseCross { ends } => self.use_cross(ends),
            Action::MoveDivider(divider) => self.state.divider = divider,
            Action::HoldSingle(held) => self.state.holding_single = held,
            Action::Undo => self.travel(true),
            Action::Redo => self.travel(false),
            Action::ToggleSection(section) => {
                let unfolded = &mut self.state.unfolded;
                let before = unfolded.len();
                unfolded.retain(|other| *other != section);
                if unfolded.len() == before {
                    self.unfold(section);
                }
            }
            Action::Dismiss(index) => {
                if index < self.state.notices.len() {
                    self.state.notices.remove(index);
                }
            }
            Action::CopyNotice(index) => {
                if let Some(notice) = self.state.notices.get(index) {
                    self.context.copy_text(notice.text.clone());
                }
            }
            Action::ToggleKeys => self.toggle_keys(),
            Action::SearchCommands(search) => self.state.command_search = search,
            Action::FromList(action) => {
                self.toggle_keys();
                self.apply(*action);
            }
            Action::Quit => self.context.send_viewport_cmd(ViewportCommand::Close),
            Action::Keep(keep) => self.keep(keep),
            Action::StepBack => self.step_back(),
            Action::UseTheme(theme) => self.use_theme(theme),
            Action::TypePath(text) => self.state.typed_path = text,
            Action::UseTypedPath(text) => self.use_typed_path(text),
        }
        self.compare_stack();
    }

    /// Whether the stack shown is still what the sheaf asks for.
    pub(super) fn compare_stack(&mut self) {
        self.state.stack_is_old = self.stacked_from.as_ref().is_some_and(|key| *key != self.run_key());
    }

    fn add_paths(&mut self, paths: Vec<PathBuf>) {
        if let Some(sheaf) = self.sheaf_among(&paths) {
            return self.leave(Leaving::Open(sheaf));
        }
        self.state.settle(Subject::Adding);
        for path in paths {
            if !self.given.contains(&path) {
                self.given.push(path);
            }
        }
        self.measure();
    }

    /// Lists and measures the frames of all paths given so far.
    pub(super) fn measure(&mut self) {
        self.measures_after = self.is_taken();
        if self.measures_after {
            let text = "The frames are listed and measured as soon as the picture that is being made is there";
            return self.state.done(Subject::Adding, text);
        }
        let ear = Ear::new(self.heard.0.clone(), self.context.clone());
        let (memory_bytes, threads) = self.means();
        let gathering = Gathering {
            paths: self.given.clone(),
            listed: self.state.sheaf.frames.iter().map(|frame| frame.path.clone()).collect(),
            known: self.state.sheaf.calibration.known(),
            foreground: self.land_to_leave_out(),
            memory_bytes,
        };
        let work = move |monitor: &_| works::with_threads(threads, || works::gather(monitor, &ear, gathering));
        let failed = self.lanes.gather.submit(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn try_sample_frames(&mut self) {
        let folder = match tempfile::Builder::new().prefix("nightsheaf-sample-").tempdir() {
            Ok(folder) => folder,
            Err(error) => {
                let why = InWords(&error);
                let text = format!("the sample frames need a temporary folder, which cannot be made: {why}");
                return self.state.fail(Subject::Adding, text);
            }
        };
        self.start_over();
        let path = folder.path().to_owned();
        self.given = vec![path.clone()];
        self.sample_folder = Some(folder);
        let ear = Ear::new(self.heard.0.clone(), self.context.clone());
        let (memory_bytes, threads) = self.means();
        let work = move |monitor: &_| {
            works::with_threads(threads, || works::make_sample_frames(monitor, &ear, &path, memory_bytes))
        };
        let failed = self.lanes.gather.submit(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn start_over(&mut self) {
        self.lanes.gather.abandon();
        self.lanes.open.abandon();
        self.lanes.stack.abandon();
        self.lanes.develop.abandon();
        self.lanes.mask.abandon();
        self.lanes.preview.abandon();
        self.lanes.layers.abandon();
        self.to_file.retain(|(subject, _)| *subject != Subject::Layers);
        self.stop_watching();
        self.heard = std::sync::mpsc::channel();
        let crate::gui::state::State { theme, unfolded, keeping, plan_shown, plan_form, divider, .. } =
            std::mem::take(&mut self.state);
        let keeping = keeping.for_new_night();
        self.state =
            crate::gui::state::State { theme, unfolded, keeping, plan_shown, plan_form, divider, ..Default::default() };
        self.planned_from = None;
        self.mask_version = 0;
        self.forget_sheaf_file();
        self.history.clear();
        self.layers = Default::default();
        self.given.clear();
        self.outcome = None;
        self.stacked_by = None;
        self.stacked_from = None;
        self.previewed_from = None;
        self.state.no_preview = None;
        self.preview_outcome = None;
        self.shows_results = true;
        self.found_mask = None;
        self.stroke = None;
        self.asked.clear();
        self.answering = None;
        self.after_corrections.clear();
        self.preview_waits = false;
        self.measures_after = false;
        self.hints.clear();
        self.typed = None;
        self.sample_folder = None;
    }

    pub(super) fn show(&mut self, shown: Shown) {
        if shown == Shown::Preview && self.preview_outcome.is_none() {
            return;
        }
        self.end_stroke();
        self.show_without_choice(shown);
    }

    /// Shows what the program thinks should be seen; a stroke in hand goes on.
    pub(super) fn show_without_choice(&mut self, shown: Shown) {
        self.state.choice_end = None;
        let already = self.state.shown == Some(shown) && self.layers.shown(Some(shown)).is_some();
        self.state.shown = Some(shown);
        if let Shown::Frame(index) = shown
            && !already
            && let Some(frame) = self.state.sheaf.frames.get(index)
        {
            let path = frame.path.clone();
            let settings = self.state.sheaf.choices.develop.clone();
            self.state.opening = true;
            let threads = self.means().1;
            let work = move |monitor: &_| works::with_threads(threads, || works::open_frame(monitor, &path, &settings));
            self.state.settle(Subject::Showing);
            let failed = self.lanes.open.submit(&self.context, work);
            self.tell_broken(failed);
        }
    }

    fn tell_no_stack(&mut self, subject: Subject) {
        self.state.settle(subject);
        self.state.fail(subject, "that is made from a stack, and there is none yet: stack the frames first");
    }

    fn step(&mut self, by: isize) {
        // As they stand on the night line: what calibrates the others is no part of it.
        let lights = night_order(&self.state.sheaf.frames);
        let Some(last) = lights.len().checked_sub(1) else { return };
        let next = match self.state.shown {
            Some(Shown::Frame(index)) => match lights.iter().position(|&light| light == index) {
                Some(place) => place.saturating_add_signed(by).min(last),
                // From a calibration frame to the light before or after it in the list.
                None if by < 0 => lights.iter().rposition(|&light| light < index).unwrap_or(0),
                None => lights.iter().position(|&light| light > index).unwrap_or(last),
            },
            // The stack stands at the end of the night.
            _ if by < 0 => last,
            _ => 0,
        };
        let next = lights[next];
        self.shows_results = false;
        self.show(Shown::Frame(next));
    }

    /// Chooses the lights from the one shown to this one. What calibrates the others begins and ends no choice.
    fn extend_to(&mut self, index: usize) {
        let frames = &self.state.sheaf.frames;
        let is_light = |index: usize| frames.get(index).is_some_and(|frame| frame.calibrates_as().is_none());
        match self.state.shown {
            Some(Shown::Frame(from)) if is_light(from) && is_light(index) => self.state.choice_end = Some(index),
            _ => self.apply(Action::Show(Shown::Frame(index))),
        }
    }

    fn toggle_aside(&mut self) {
        let chosen = self.state.chosen();
        let frames = &mut self.state.sheaf.frames;
        let can_take_part = |index: &usize| frames.get(*index).is_some_and(|frame| !frame.is_unread());
        let chosen: Vec<usize> = chosen.into_iter().filter(can_take_part).collect();
        let take_back = chosen.iter().all(|&index| frames[index].is_aside());
        let mut toggle = |index: usize| (frames[index].path.clone(), frames[index].wanted.replace(take_back));
        let before: Vec<_> = chosen.into_iter().map(&mut toggle).collect();
        if !before.is_empty() {
            self.history.record(Edit::Wanted(before));
        }
    }

    fn toggle_reference(&mut self) {
        let Some(Shown::Frame(index)) = self.state.shown else { return };
        let Some(frame) = self.state.sheaf.frames.get(index) else { return };
        let mut choices = self.state.sheaf.choices.clone();
        choices.reference = (choices.reference.as_ref() != Some(&frame.path)).then(|| frame.path.clone());
        self.choose(choices);
    }

    pub(super) fn choose(&mut self, choices: Choices) {
        let before = std::mem::replace(&mut self.state.sheaf.choices, choices);
        let develops = before.develop != self.state.sheaf.choices.develop;
        self.history.record_choices(before, Instant::now());
        if develops {
            self.state.exported = None;
            self.develop();
        } else {
            // Whoever changes how the sky is made wants to see what it does.
            self.shows_results = true;
        }
    }

    fn change_edge(&mut self, change: EdgeChange) {
        let Some(size) = self.state.sheaf.mask.as_ref().map(|mask| mask.size()) else { return };
        self.state.hatching = true;
        self.correct_mask(size, Correction::Edge(change));
    }

    fn zoom(&mut self, zoom: Zoom) {
        let center = match (self.state.view.zoom, zoom) {
            (_, Zoom::Fit) => View::default().center,
            _ => self.state.view.center,
        };
        self.state.view = View { zoom, center };
    }

    fn zoom_at(&mut self, factor: f32, pointer: Pos2) {
        if let Some(placement) = self.placement() {
            self.state.view = self.state.view.zoomed(factor, pointer, &placement, self.canvas);
        }
    }

    pub(super) fn placement(&self) -> Option<crate::gui::view::Placement> {
        let (size, orientation) = self.shown_size()?;
        let canvas: Rect = self.canvas;
        Some(self.state.view.place(size, orientation, canvas, self.context.pixels_per_point()))
    }

    /// Size and orientation of the picture shown.
    pub(super) fn shown_size(&self) -> Option<(Size, Orientation)> {
        let pyramid = self.layers.shown(self.state.shown)?.pyramid();
        Some((pyramid.size(), pyramid.picture().orientation))
    }

    fn travel(&mut self, back: bool) {
        self.end_stroke();
        // A moment later the correction is there to be taken back.
        if self.waits_for_corrections(if back { Action::Undo } else { Action::Redo }) || self.travels_aside(back) {
            return;
        }
        self.hints.clear();
        let before = self.state.sheaf.choices.develop.clone();
        let calibrated = self.state.sheaf.calibration.clone();
        let sheaf = &mut self.state.sheaf;
        let of_mask = self.history.touches_mask(back);
        let moved = if back { self.history.undo(sheaf) } else { self.history.redo(sheaf) };
        if moved && of_mask {
            self.mask_version += 1;
        }
        if self.state.sheaf.calibration != calibrated {
            self.measure_what_changed_its_kind(&calibrated);
        }
        if self.state.sheaf.choices.develop != before {
            // What was written has another look.
            self.state.exported = None;
            self.develop();
        }
    }

    fn step_back(&mut self) {
        let state = &mut self.state;
        if state.keeping.leaving.is_some() {
            self.keep(Keep::Stay);
        } else if state.keeping.preferences_shown {
            self.keep(Keep::TogglePreferences);
        } else if state.keeping.recent_shown {
            self.keep(Keep::ToggleRecent);
        } else if !state.dropped.is_empty() {
            state.dropped.clear();
        } else if state.keys_shown {
            self.toggle_keys();
        } else if state.path_for.is_some() {
            state.path_for = None;
        } else if state.picking {
            state.picking = false;
        } else if !state.corners.is_empty() {
            state.corners.clear();
        } else if state.correcting {
            self.cancel();
        } else if state.painting {
            self.lay_brush_down();
        } else {
            self.cancel();
        }
    }

    fn toggle_keys(&mut self) {
        self.state.keys_shown = !self.state.keys_shown;
        self.state.command_search.clear();
    }
}
