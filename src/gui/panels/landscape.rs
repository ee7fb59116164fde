//! What the landscape is made of, whether the tripod stood still, and how bright the land is.

use eframe::egui::Ui;

use crate::gui::action::Action;
use crate::gui::sheaf::{Land, Sheaf, file_name};
use crate::gui::state::State;
use crate::gui::theme::palette;
use crate::gui::widgets::{Scale, plain_button, quiet, slide, unbroken};
use crate::pipeline::{Report, TripodFinding};

const EXPOSURE: Scale = Scale {
    name: "Landscape exposure",
    hint: "Brighter or darker land beside the same sky; each stop doubles its light",
    unit: " EV",
    range: -2.0..=4.0,
    default: 0.0,
    decimals: 2,
};

/// What frames for the landscape alone are good for.
pub const FRAMES_HINT: &str =
    "The same camera on the same tripod, exposed longer or at another ISO: the landscape alone is made from them";

/// How it is made, in few words.
#[must_use]
pub fn summary(sheaf: &Sheaf) -> String {
    let lift = sheaf.choices.develop.land_exposure_ev;
    let n_own = sheaf.calibration.land.len();
    let made = if n_own == 0 { "still".to_owned() } else { format!("still, from {}", counted(n_own)) };
    match sheaf.land {
        Land::Nothing => "none".to_owned(),
        _ if lift != 0.0 => format!("{made}, {lift:+.1} EV"),
        _ if n_own == 0 => "still, as the sky is lit".to_owned(),
        _ => made,
    }
}

/// So many frames of its own, in words.
#[must_use]
pub fn counted(n_frames: usize) -> String {
    if n_frames == 1 { "1 frame of its own".to_owned() } else { format!("{n_frames} frames of its own") }
}

/// How the land becomes a part of the picture.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    if state.sheaf.land == Land::Nothing {
        quiet(ui, "There is none: Foreground says that the frames show nothing but sky");
        return None;
    }
    quiet(ui, "Stacked as the tripod stood, without the turn of the sky, and joined to it along the mask");
    let action = own_frames(ui, state);
    if let Some(report) = &state.report {
        tripod(ui, report);
    }
    let mut choices = state.sheaf.choices.clone();
    let moved = slide(ui, &EXPOSURE, choices.develop.land_exposure_ev).map(|moved| {
        choices.develop.land_exposure_ev = moved;
        Action::Choose(Box::new(choices))
    });
    moved.or(action)
}

/// Frames for the landscape alone: how to have them, how many there are, what became of them, and how to do without.
fn own_frames(ui: &mut Ui, state: &State) -> Option<Action> {
    let n_own = state.sheaf.calibration.land.len();
    let text = match n_own {
        0 => "Made from the light frames".to_owned(),
        n => format!("Made from {}", counted(n)),
    };
    quiet(ui, &text).on_hover_text(FRAMES_HINT);
    let mut action = None;
    ui.horizontal_wrapped(|ui| {
        let files = plain_button(ui, "Own frames…", FRAMES_HINT);
        if files.accessible_name("Choose frames for the landscape").clicked() {
            action = Some(Action::ChooseLandFrames { folder: false });
        }
        let folder = plain_button(ui, "Own folder…", FRAMES_HINT);
        if folder.accessible_name("Choose a folder of frames for the landscape").clicked() {
            action = Some(Action::ChooseLandFrames { folder: true });
        }
        if n_own > 0 {
            let without = plain_button(ui, "Without", "Make the landscape from the light frames again");
            if without.accessible_name("Without frames for the landscape").clicked() {
                action = Some(Action::ClearLandFrames);
            }
        }
    });
    let given = state.report.iter().flat_map(|report| &report.land);
    for frame in given.filter(|frame| !frame.used && state.sheaf.calibration.land.contains(&frame.file)) {
        let text = format!("Not used: {}: {}", file_name(&frame.file), frame.reason);
        ui.colored_label(palette(ui).lamp, unbroken(&text));
    }
    action
}

/// What the last stack found of the tripod.
fn tripod(ui: &mut Ui, report: &Report) {
    match &report.tripod {
        Some(TripodFinding::Still) => drop(quiet(ui, "The tripod stood still")),
        Some(TripodFinding::Knocked) => {
            quiet(ui, "The tripod was knocked: the landscape was brought back");
        }
        Some(TripodFinding::TooDark) => {
            ui.colored_label(palette(ui).lamp, "The landscape is too dark to tell whether the tripod moved");
        }
        Some(TripodFinding::TooLittle) => {
            ui.colored_label(palette(ui).lamp, "There is too little landscape to tell whether the tripod moved");
        }
        None => {}
    }
}
