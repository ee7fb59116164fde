//! What is written, and what was made.

use eframe::egui::Ui;

use crate::gui::action::Action;
use crate::gui::panels::keeping;
use crate::gui::reasons::why_not_listed;
use crate::gui::sheaf::{Choices, file_name};
use crate::gui::state::State;
use crate::gui::widgets::{Scale, WordOf, button_unless, quiet, slide, switch, words};
use crate::pipeline::{Compression, DEFAULT_JPEG_QUALITY, FileFormat, OutputSpace, Report, Writing, sentence};

const FORMATS: [WordOf<FileFormat>; 5] = [
    WordOf { value: FileFormat::Tiff16, text: "TIFF 16-bit", hint: "For further work in a picture editor" },
    WordOf { value: FileFormat::Tiff32f, text: "TIFF float", hint: "Linear light, for further work with numbers" },
    WordOf { value: FileFormat::Dng, text: "Linear DNG", hint: "For a raw editor: its white balance still works" },
    WordOf { value: FileFormat::Png, text: "PNG", hint: "16-bit, for sharing without loss" },
    WordOf { value: FileFormat::Jpeg, text: "JPEG", hint: "Small, for sharing" },
];

const SPACES: [WordOf<OutputSpace>; 3] = [
    WordOf { value: OutputSpace::Srgb, text: "sRGB", hint: "For screens and the web; seen in the file only" },
    WordOf {
        value: OutputSpace::Rec2020,
        text: "Rec. 2020",
        hint: "A wide space, for further work; seen in the file only",
    },
    WordOf {
        value: OutputSpace::CameraLinear,
        text: "Camera linear",
        hint: "The stack as measured, not developed, for measurement; seen in the file only",
    },
];

const PACKINGS: [WordOf<Compression>; 2] = [
    WordOf {
        value: Compression::None,
        text: "Not packed",
        hint: "Written quickest and read by every program; the picture is the same",
    },
    WordOf {
        value: Compression::Deflate,
        text: "Deflate",
        hint: "Smaller without loss, written slower; the picture is the same",
    },
];

const QUALITY: Scale = Scale {
    name: "JPEG quality",
    hint: "Higher keeps more of the picture in a larger file; seen in the file only",
    unit: " of 100",
    range: 1.0..=100.0,
    default: DEFAULT_JPEG_QUALITY as f32,
    decimals: 0,
};

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
    changed.writing = writing(ui, choices.format, choices.writing);
    let mut action = (changed != *choices).then(|| Action::Choose(Box::new(changed)));
    if button_unless(ui, why_not_listed(state, &Action::ChooseExportTarget), "Export…", "Write the picture (Mod+E)")
        .clicked()
    {
        action = Some(Action::ChooseExportTarget);
    }
    let hint = "A grey picture of what clipping left out of the sky and the land, brighter the more frames";
    if button_unless(ui, why_not_listed(state, &Action::ChooseLeftOutTarget), "What was left out…", hint).clicked() {
        action = Some(Action::ChooseLeftOutTarget);
    }
    let hint = "Three files of a folder, to join them anew in an editor; the frames are stacked once more for it";
    if button_unless(ui, why_not_listed(state, &Action::ChooseLayersTarget), "Layers: sky, land, mask…", hint).clicked()
    {
        action = Some(Action::ChooseLayersTarget);
    }
    let hint = "A page for any browser: the picture before and after, the noise, and what became of every frame";
    if button_unless(ui, why_not_listed(state, &Action::ChooseReportTarget), "Report page…", hint).clicked() {
        action = Some(Action::ChooseReportTarget);
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

/// How a file of this kind is written.
fn writing(ui: &mut Ui, format: FileFormat, writing: Writing) -> Writing {
    let mut changed = writing;
    match format {
        FileFormat::Tiff16 | FileFormat::Tiff32f => {
            if let Some(packing) = words(ui, "Packing", writing.compression, &PACKINGS) {
                changed.compression = packing;
            }
        }
        FileFormat::Jpeg => {
            if let Some(quality) = slide(ui, &QUALITY, f32::from(writing.jpeg_quality)) {
                // From 1 to 100, so the cast is exact.
                changed.jpeg_quality = quality.round().clamp(1.0, 100.0) as u8;
            }
        }
        FileFormat::Dng | FileFormat::Png => {}
    }
    if switch(
        ui,
        "Tell the place",
        writing.keep_place,
        "Write into the file where the camera stood, if the frames say so; the picture is the same",
    ) {
        changed.keep_place = !changed.keep_place;
    }
    changed
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
    lines.extend(report.calibration_lines().iter().chain(&report.notes).map(|line| sentence(line)));
    for line in lines {
        quiet(ui, &line);
    }
}
