//! What is written, and what was made.

use eframe::egui::Ui;

use crate::gui::action::Action;
use crate::gui::panels::keeping;
use crate::gui::sheaf::{Choices, file_name};
use crate::gui::state::State;
use crate::gui::widgets::{WordOf, plain_button, quiet, words};
use crate::pipeline::{FileFormat, OutputSpace, Report};

const FORMATS: [WordOf<FileFormat>; 5] = [
    WordOf { value: FileFormat::Tiff16, text: "TIFF 16-bit", hint: "For further work in a picture editor" },
    WordOf { value: FileFormat::Tiff32f, text: "TIFF float", hint: "Linear light, for further work with numbers" },
    WordOf { value: FileFormat::Dng, text: "Linear DNG", hint: "For a raw editor: its white balance still works" },
    WordOf { value: FileFormat::Png, text: "PNG", hint: "16-bit, for sharing without loss" },
    WordOf { value: FileFormat::Jpeg, text: "JPEG", hint: "Small, for sharing" },
];

const SPACES: [WordOf<OutputSpace>; 3] = [
    WordOf { value: OutputSpace::Srgb, text: "sRGB", hint: "For screens and the web" },
    WordOf { value: OutputSpace::Rec2020, text: "Rec. 2020", hint: "A wide space, for further work" },
    WordOf {
        value: OutputSpace::CameraLinear,
        text: "Camera linear",
        hint: "The stack as measured, not developed, for measurement",
    },
];

/// The kind of file.
#[must_use]
pub fn summary(choices: &Choices) -> &'static str {
    FORMATS.iter().find(|one| one.value == choices.format).map_or("", |one| one.text)
}

/// Format, colour space, export, and the figures of the stack.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let choices = &state.sheaf.choices;
    let mut changed = choices.clone();
    if let Some(format) = words(ui, "Kind of file", choices.format, &FORMATS) {
        changed.format = format;
    }
    if let Some(space) = words(ui, "Color space", choices.develop.space, &SPACES) {
        changed.develop.space = space;
    }
    let mut action = (changed != *choices).then(|| Action::Choose(Box::new(changed)));
    let ready = state.report.is_some();
    let export = ui.add_enabled_ui(ready, |ui| plain_button(ui, "Export…", "Write the picture (Ctrl+E)")).inner;
    if export.clicked() {
        action = Some(Action::ChooseExportTarget);
    }
    if let Some(path) = &state.exported {
        quiet(ui, &format!("Written: {}", file_name(path))).on_hover_text(path.display().to_string());
    }
    if let Some(report) = &state.report {
        figures(ui, report);
    }
    ui.add_space(6.0);
    keeping::save_rows(ui, state).or(action)
}

/// What the stack is made of.
fn figures(ui: &mut Ui, report: &Report) {
    let used = report.frames.iter().filter(|frame| frame.used).count();
    let mut lines = Vec::new();
    if !report.frames.is_empty() {
        lines.push(format!("{used} of {} frames in the stack", report.frames.len()));
    }
    if report.defects_repaired > 0 {
        lines.push(format!("{} hot or dead pixels repaired", report.defects_repaired));
    }
    lines.extend(report.calibration_lines());
    lines.extend(report.notes.iter().cloned());
    for line in lines {
        quiet(ui, &line);
    }
}
