//! What is landscape, and the brush that says so.

use eframe::egui::Ui;

use crate::gui::action::Action;
use crate::gui::sheaf::{Land, Sheaf};
use crate::gui::state::State;
use crate::gui::strokes::BrushKind;
use crate::gui::widgets::{Scale, WordOf, plain_button, quiet, slide, word, words};

/// Smallest and largest brush, radius in pixels of the picture.
pub const BRUSH_RANGE: std::ops::RangeInclusive<f32> = 2.0..=400.0;

const LANDS: [WordOf<Land>; 3] = [
    WordOf { value: Land::Found, text: "Found", hint: "What stands still while the stars move is landscape" },
    WordOf { value: Land::Painted, text: "Painted", hint: "The hatched part is landscape, as painted or loaded" },
    WordOf { value: Land::Nothing, text: "None", hint: "The frames show nothing but sky" },
];

const BRUSH_SIZE: Scale = Scale {
    name: "Brush radius",
    hint: "In pixels of the picture; [ and ] change it",
    unit: " px",
    range: BRUSH_RANGE,
    default: 60.0,
    decimals: 0,
};

/// Where the landscape comes from.
#[must_use]
pub fn summary(sheaf: &Sheaf) -> &'static str {
    match sheaf.land {
        Land::Found => "found by motion",
        Land::Painted => "painted",
        Land::Nothing => "none, sky only",
    }
}

/// The choice, the brush, and the mask file.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = words(ui, "What is landscape", state.sheaf.land, &LANDS).map(Action::ChooseLand);
    quiet(ui, "Brush");
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 16.0;
        for (kind, text, hint) in [
            (BrushKind::Add, "Add land", "Paint landscape over the picture (P)"),
            (BrushKind::Remove, "Take land away", "Paint sky over the landscape (E)"),
        ] {
            let in_hand = state.painting && state.brush.kind == kind;
            if word(ui, text, "Brush", in_hand, hint).clicked() {
                action = Some(if in_hand { Action::LayBrushDown } else { Action::TakeBrush(kind) });
            }
        }
    });
    if state.painting {
        action = slide(ui, &BRUSH_SIZE, state.brush.radius_px).map(Action::ResizeBrush).or(action);
    }
    ui.horizontal_wrapped(|ui| {
        if plain_button(ui, "Load mask…", "Read a grey picture: white is landscape").clicked() {
            action = Some(Action::ChooseMask);
        }
        let has_mask = state.sheaf.mask.is_some();
        let save = ui.add_enabled_ui(has_mask, |ui| plain_button(ui, "Save mask…", "Write the mask as a PNG")).inner;
        if save.clicked() {
            action = Some(Action::ChooseMaskTarget);
        }
        let label = if state.hatching { "Hide hatching" } else { "Show hatching" };
        if plain_button(ui, label, "Hatching marks the landscape (H)").clicked() {
            action = Some(Action::ToggleHatching);
        }
    });
    action
}
