//! The next step at the foot of the side column; while it runs, how far it is and the way to stop it.

use eframe::egui::{Align, Layout, ProgressBar, RichText, TextStyle, Ui};

use crate::gui::action::Action;
use crate::gui::keep::Keep;
use crate::gui::reasons::why_not_listed;
use crate::gui::sheaf::file_name;
use crate::gui::shortcuts::on_this_platform;
use crate::gui::state::{State, Working};
use crate::gui::theme::palette;
use crate::gui::timeline::duration;
use crate::gui::widgets::{button_unless, lamp_button, quiet, word};

/// Progress and Cancel while something runs; else the next step, and what goes on beside it.
pub fn show(ui: &mut Ui, state: &State, working: Option<&Working>) -> Option<Action> {
    match working {
        Some(working) => progress(ui, working),
        None => {
            let stops = beside(ui, state);
            next_step(ui, state).or(stops)
        }
    }
}

/// What keeps nobody from the next step: a preview that is made, a folder that is watched.
fn beside(ui: &mut Ui, state: &State) -> Option<Action> {
    let preview = state.previewing.then(|| {
        let hint = "Make no preview until something is chosen anew (Esc)";
        ("Making the preview".to_owned(), "Cancel", "Preview", hint, Action::Cancel)
    });
    let watch = state.watching.as_ref().map(|folder| {
        let hint = "Measure no more of what comes into the folder";
        (format!("Watching {}", file_name(folder)), "Stop", "Watching", hint, Action::StopWatching)
    });
    if let Some(why) = &state.no_preview {
        quiet(ui, &format!("No preview of what is chosen: {why}"));
    }
    let mut asked = None;
    for (what, name, group, hint, action) in preview.into_iter().chain(watch) {
        ui.horizontal(|ui| {
            quiet(ui, &what);
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                if word(ui, name, group, false, hint).clicked() {
                    asked = Some(action);
                }
            });
        });
    }
    asked
}

fn next_step(ui: &mut Ui, state: &State) -> Option<Action> {
    let wanted = state.sheaf.n_wanted();
    let width = ui.available_width();
    let has_stack = state.report.is_some();
    if has_stack && !state.stack_is_old {
        let action = lamp_button(ui, "Export…", "Write the picture (Mod+E)", width, None)
            .clicked()
            .then_some(Action::ChooseExportTarget);
        let text = match state.exported {
            Some(_) => "The picture is written",
            None => "Ready to be written",
        };
        return hint_line(ui, text).or(action);
    }
    let frames = if wanted == 1 { "frame" } else { "frames" };
    let label = if has_stack { format!("Stack {wanted} {frames} again") } else { format!("Stack {wanted} {frames}") };
    let hint = "Make one picture of all frames that are not set aside (Mod+Enter)";
    let action =
        lamp_button(ui, &label, hint, width, why_not_listed(state, &Action::Stack)).clicked().then_some(Action::Stack);
    let text = match (wanted, has_stack) {
        (0 | 1, _) => "A stack needs at least two frames",
        (_, true) => "Choices changed since",
        (_, false) => &on_this_platform(ui.ctx(), "Mod+Enter"),
    };
    hint_line(ui, text).or(action)
}

/// A hint, and the way to all commands.
fn hint_line(ui: &mut Ui, text: &str) -> Option<Action> {
    let mut action = None;
    ui.horizontal(|ui| {
        quiet(ui, text);
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if word(ui, "?", "Commands", false, "All commands with their keys (?)").clicked() {
                action = Some(Action::ToggleKeys);
            }
            ui.add_space(8.0);
            if word(ui, "Plan", "Drawer", false, "Plan of the night, and the field check of this frame (T)").clicked() {
                action = Some(Action::TogglePlan);
            }
            ui.add_space(8.0);
            let hint = "Keep the frames, your choices and the mask in one sheaf file (Mod+S)";
            if word(ui, "Save", "Sheaf", false, hint).clicked() {
                action = Some(Action::Keep(Keep::Save));
            }
        });
    });
    action
}

fn progress(ui: &mut Ui, working: &Working) -> Option<Action> {
    let palette = palette(ui);
    let standing = &working.standing;
    let step = standing.progress.map_or(working.task, |progress| progress.step);
    let mut action = None;
    ui.horizontal(|ui| {
        ui.label(RichText::new(step).text_style(TextStyle::Body).color(palette.ink));
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let (label, why_not) =
                if standing.stopping { ("Stopping", Some("it is stopping already")) } else { ("Cancel", None) };
            if button_unless(ui, why_not, label, "Stop; nothing half-made is kept (Esc)").clicked() {
                action = Some(Action::Cancel);
            }
        });
    });
    let bar = ProgressBar::new(standing.done).fill(palette.lamp).desired_height(6.0).corner_radius(3.0);
    ui.add(bar).accessible_name(format!("{step}, progress"));
    let parts = standing.progress.filter(|progress| progress.total > 1);
    let parts = parts.map(|progress| format!("{} of {}", progress.done, progress.total));
    let left = standing.left.map(|left| format!("about {} left", duration(left.as_secs_f64().max(1.0))));
    let line: Vec<String> = parts.into_iter().chain(left).collect();
    let line = if line.is_empty() { " ".to_owned() } else { line.join("  ·  ") };
    quiet(ui, &line);
    action
}
