//! The field check of the frame shown, and the folder that is watched.

use std::path::Path;

use eframe::egui::{RichText, Ui};

use crate::gui::action::Action;
use crate::gui::panels::plan::{figure, title};
use crate::gui::sheaf::file_name;
use crate::gui::state::{Shown, State};
use crate::gui::theme::palette;
use crate::gui::widgets::{plain_button, quiet, unbroken};
use crate::pipeline::{FrameFinding, field_check, focus_drift};

/// What the frame on the canvas says, and what comes into the folder.
pub(super) fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = None;
    title(ui, "Field check");
    let findings: Vec<&FrameFinding> = state.sheaf.frames.iter().filter_map(|frame| frame.finding.as_ref()).collect();
    let shown = match state.shown {
        Some(Shown::Frame(index)) => state.sheaf.frames.get(index),
        _ => None,
    };
    let place = shown.and_then(|frame| findings.iter().position(|finding| finding.path == frame.path));
    match (shown, place.and_then(|idx| field_check(&findings, idx))) {
        (Some(frame), Some(check)) => {
            quiet(ui, &frame.name());
            for (subject, sentence) in &check.lines {
                figure(ui, subject, sentence);
            }
            ui.label(RichText::new(unbroken(&check.suggestion)).color(palette(ui).lamp));
        }
        (Some(frame), None) if frame.finding.is_none() => drop(quiet(ui, "This frame is still being measured")),
        (Some(_), None) => drop(quiet(ui, "This frame could not be measured")),
        (None, _) => action = offer(ui, state),
    }
    if let Some(drift) = focus_drift(&findings) {
        ui.colored_label(palette(ui).alarm, unbroken(&drift.warning()));
    }
    watching(ui, state).or(action)
}

/// Without a frame on the canvas: the one to look at, where there are any.
fn offer(ui: &mut Ui, state: &State) -> Option<Action> {
    let sheaf = &state.sheaf;
    let reference = state.reference().and_then(|path| sheaf.frames.iter().position(|frame| frame.path == path));
    let used: Vec<usize> = (0..sheaf.frames.len()).filter(|&index| sheaf.is_of_sky(&sheaf.frames[index])).collect();
    let Some(index) = reference.or_else(|| used.get(used.len() / 2).copied()) else {
        quiet(ui, "Drop a frame on the window: its stars, trail and sky are told here");
        return None;
    };
    quiet(ui, "Told of a single frame, and the canvas shows several: show one, or click a mark of the night line");
    let label = format!("Check {}", sheaf.frames[index].name());
    let hint = "Show this frame, and tell its stars, trail and sky";
    plain_button(ui, &label, hint).clicked().then_some(Action::Show(Shown::Frame(index)))
}

/// What becomes of new frames in the folder that is watched.
fn watched(state: &State, folder: &Path) -> String {
    let when = if state.watch_waits { "after the work that goes on" } else { "as they come" };
    format!("New frames in {} are measured {when}", file_name(folder))
}

fn watching(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = None;
    ui.horizontal_wrapped(|ui| match &state.watching {
        Some(folder) => {
            if plain_button(ui, "Stop watching", "Measure no more of what comes into the folder").clicked() {
                action = Some(Action::StopWatching);
            }
            quiet(ui, &watched(state, folder));
        }
        None => {
            let hint = "New frames in a folder, from a cable or a card, are measured as they come";
            if plain_button(ui, "Watch a folder…", hint).clicked() {
                action = Some(Action::ChooseFolderToWatch);
            }
        }
    });
    action
}
