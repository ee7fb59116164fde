//! Strips and lists about what is kept: leaving, missing frames, recovery, recent sheaves.

use std::path::{Path, PathBuf};

use eframe::egui::{Align2, Area, Button, Frame, Order, Role, Ui, WidgetInfo, vec2};

use crate::gui::action::Action;
use crate::gui::keep::{Keep, Leaving, MissingFrames, Recovery};
use crate::gui::panels::landscape;
use crate::gui::panels::strips::{Answer, pinned};
use crate::gui::sheaf::file_name;
use crate::gui::shortcuts::on_this_platform;
use crate::gui::state::State;
use crate::gui::theme::palette;
use crate::gui::timeline::duration;
use crate::gui::widgets::{plain_button, quiet, sheet, single};
use crate::pipeline::sentence;

/// Missing frames that are named; the rest is counted.
const MOST_NAMED: usize = 6;

/// All strips that are due.
pub fn strips(ui: &mut Ui, state: &State) -> Option<Action> {
    let keeping = &state.keeping;
    let mut action = None;
    if let Some(leaving) = &keeping.leaving {
        action = leaving_strip(ui, state, leaving);
    }
    if let Some(missing) = &keeping.missing {
        action = missing_strip(ui, missing).or(action);
    }
    if let Some(recovery) = &keeping.recovery {
        action = recovery_strip(ui, recovery).or(action);
    }
    action
}

fn leaving_strip(ui: &mut Ui, state: &State, leaving: &Leaving) -> Option<Action> {
    let unwritten = state.report.is_some() && state.exported.is_none();
    let unsaved = state.keeping.unsaved;
    let parts = [
        (unsaved, "your choices are not saved yet"),
        (unwritten, "the stack is not written yet"),
        (state.stacking, "a stack is being made"),
        (state.filing, "a file is being read or written"),
    ];
    let parts: Vec<&str> = parts.into_iter().filter(|(is_so, _)| *is_so).map(|(_, part)| part).collect();
    let text = match parts.as_slice() {
        [] => "Nothing is lost any more".to_owned(),
        [only] => sentence(only),
        [first @ .., last] => sentence(&format!("{} and {last}", first.join(", "))),
    };
    let mut choices: Vec<Answer> = Vec::new();
    if unsaved {
        choices.push(("Save", "Save the sheaf first", Action::Keep(Keep::SaveAndLeave)));
    }
    if unwritten {
        choices.push(("Export…", "Write the picture first", Action::ChooseExportTarget));
    }
    choices.push(("Stay", "Go on working (Esc)", Action::Keep(Keep::Stay)));
    let lost = "What is not saved or written is lost; the frames stay as they are";
    choices.push((leaving.anyway(), lost, Action::Keep(Keep::LeaveAnyway)));
    strip(ui, &text, choices)
}

fn missing_strip(ui: &mut Ui, missing: &MissingFrames) -> Option<Action> {
    let (n_missing, n_left) = (missing.paths.len(), missing.paths.len().saturating_sub(MOST_NAMED));
    let named: Vec<String> = missing.paths.iter().take(MOST_NAMED).map(|path| file_name(path)).collect();
    let more = if n_left > 0 { format!(" and {n_left} more") } else { String::new() };
    let verb = if n_missing == 1 { "file is" } else { "files are" };
    let sheaf = file_name(&missing.sheaf);
    let text =
        format!("{n_missing} {verb} not where {sheaf} says: {}{more}. Which folder are they in now?", named.join(", "));
    let choices: Vec<Answer> = vec![
        ("Choose folder…", "Look there and in the folders below", Action::Keep(Keep::ChooseMovedFolder)),
        ("Open without them", "The files that are missing leave the sheaf", Action::Keep(Keep::OpenWithoutMissing)),
        ("Do not open", "Leave the sheaf as it is", Action::Keep(Keep::PutSheafAway)),
    ];
    strip(ui, &text, choices)
}

fn recovery_strip(ui: &mut Ui, recovery: &Recovery) -> Option<Action> {
    let of = recovery.sheaf.as_deref().map_or("a night without a name".to_owned(), file_name);
    let frames = if recovery.n_lights == 1 { "frame" } else { "frames" };
    let age = duration(recovery.age.as_secs_f64().max(1.0));
    let text = format!(
        "Nightsheaf did not close in order. Unsaved work on {of} ({} {frames}) was copied {age} ago",
        recovery.n_lights
    );
    let choices: Vec<Answer> = vec![
        ("Bring it back", "Open the copy and go on", Action::Keep(Keep::Recover)),
        ("Throw it away", "Remove the copy; saved sheaves stay as they are", Action::Keep(Keep::DropRecovery)),
    ];
    strip(ui, &text, choices)
}

/// One question with its answers.
fn strip(ui: &mut Ui, text: &str, choices: Vec<Answer>) -> Option<Action> {
    let ink = palette(ui).lamp;
    pinned(ui, ink, None, text, choices)
}

/// Save and where it goes, in the section about files.
pub fn save_rows(ui: &mut Ui, state: &State) -> Option<Action> {
    let keeping = &state.keeping;
    let mut action = None;
    quiet(ui, "Sheaf: the frames, your choices and the mask in one file");
    ui.horizontal(|ui| {
        if plain_button(ui, "Save", "Save the sheaf (Mod+S)").clicked() {
            action = Some(Action::Keep(Keep::Save));
        }
        if plain_button(ui, "Save as…", "Save the sheaf to another file (Mod+Shift+S)").clicked() {
            action = Some(Action::Keep(Keep::SaveAs));
        }
    });
    let line = match (&keeping.path, keeping.unsaved) {
        (Some(path), false) => format!("Saved: {}", file_name(path)),
        (Some(path), true) => format!("Changed since it was saved: {}", file_name(path)),
        (None, _) => "Not saved to a file yet".to_owned(),
    };
    let shown = quiet(ui, &line);
    if let Some(path) = &keeping.path {
        shown.on_hover_text(path.display().to_string());
    }
    let calibration = &state.sheaf.calibration;
    let (darks, flats, bias) = (calibration.darks.len(), calibration.flats.len(), calibration.bias.len());
    if darks + flats + bias > 0 {
        quiet(ui, &format!("With {darks} dark, {flats} flat and {bias} bias frames"));
    }
    if !calibration.land.is_empty() {
        quiet(ui, &format!("With {} for the landscape", landscape::counted(calibration.land.len())));
    }
    action
}

/// The sheaves opened or saved last, one a row.
pub fn recent_rows(ui: &mut Ui, recent: &[PathBuf], most: usize) -> Option<Action> {
    let mut action = None;
    for path in recent.iter().take(most) {
        let folder = path.parent().unwrap_or(Path::new("")).display();
        let button = Button::new(format!("{}  ·  {folder}", file_name(path))).frame(false).truncate();
        if ui.add(button).on_hover_text("Open this sheaf").clicked() {
            action = Some(Action::Keep(Keep::Open(path.clone())));
        }
    }
    action
}

/// The list of recent sheaves over the picture.
pub fn recent_list(ui: &Ui, state: &State) -> Option<Action> {
    let area = Area::new(single("recent")).order(Order::Foreground).anchor(Align2::CENTER_CENTER, [0.0, 0.0]);
    let fill = palette(ui).wall;
    let shown = area.show(ui.ctx(), |ui| {
        let frame = Frame::window(ui.style()).shadow(eframe::egui::Shadow::NONE).fill(fill);
        frame.show(ui, |ui| {
            sheet(ui, 520.0, |ui| {
                ui.heading("Recent sheaves");
                if state.keeping.recent.is_empty() {
                    quiet(ui, &on_this_platform(ui.ctx(), "None yet: save a sheaf with Mod+S and it stands here"));
                }
                let mut action = recent_rows(ui, &state.keeping.recent, usize::MAX);
                ui.allocate_space(vec2(1.0, 4.0));
                if plain_button(ui, "Close", "Put the list away (Esc)").clicked() {
                    action = Some(Action::Keep(Keep::ToggleRecent));
                }
                action
            })
        })
    });
    shown.response.widget_info(|| WidgetInfo::labeled(Role::Dialog, true, "Recent sheaves"));
    shown.inner.inner
}
