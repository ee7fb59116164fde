//! What a person chooses once for all nights, over the picture.

use std::thread::available_parallelism;

use eframe::egui::{Align2, Area, Frame, Order, Role, Ui, WidgetInfo};

use crate::gui::action::Action;
use crate::gui::keep::Keep;
use crate::gui::state::State;
use crate::gui::theme::palette;
use crate::gui::widgets::{Scale, WordOf, button_unless, plain_button, quiet, sheet, single, slide, words};
use crate::settings::{Preferences, ScreenLight};

const LIGHTS: [WordOf<ScreenLight>; 3] = [
    WordOf { value: ScreenLight::Dark, text: "Dark", hint: "Dim, for evenings" },
    WordOf { value: ScreenLight::Red, text: "Red", hint: "Red only, for eyes that are used to the dark" },
    WordOf { value: ScreenLight::Paper, text: "Paper", hint: "Dark ink on a light ground, for daylight" },
];

/// Sizes of text and controls.
pub const SCALES: [WordOf<f32>; 6] = [
    WordOf { value: 0.75, text: "75 %", hint: "Smaller than the desktop says" },
    WordOf { value: 1.0, text: "100 %", hint: "As the desktop says" },
    WordOf { value: 1.25, text: "125 %", hint: "A quarter larger" },
    WordOf { value: 1.5, text: "150 %", hint: "Half as large again" },
    WordOf { value: 2.0, text: "200 %", hint: "Twice as large" },
    WordOf { value: 2.5, text: "250 %", hint: "As large as it gets" },
];

const MEMORY: Scale = Scale {
    name: "Memory of a run",
    hint: "A run takes no more than this; with less it takes longer, the picture is the same",
    unit: " GiB",
    range: 0.5..=32.0,
    default: 1.5,
    decimals: 1,
};

const AUTOSAVE: Scale = Scale {
    name: "Copy unsaved work every",
    hint: "After a crash no more than this much work is lost",
    unit: " s",
    range: 5.0..=600.0,
    default: 20.0,
    decimals: 0,
};

/// The preferences; each change takes effect at once.
pub fn show(ui: &Ui, state: &State) -> Option<Action> {
    let area = Area::new(single("preferences")).order(Order::Foreground).anchor(Align2::CENTER_CENTER, [0.0, 0.0]);
    let fill = palette(ui).wall;
    let shown = area.show(ui.ctx(), |ui| {
        let frame = Frame::window(ui.style()).shadow(eframe::egui::Shadow::NONE).fill(fill);
        frame.show(ui, |ui| sheet(ui, 420.0, |ui| contents(ui, &state.keeping.preferences)))
    });
    shown.response.widget_info(|| WidgetInfo::labeled(Role::Dialog, true, "Preferences"));
    shown.inner.inner
}

fn contents(ui: &mut Ui, current: &Preferences) -> Option<Action> {
    let mut changed = current.clone();
    ui.heading("Preferences");
    if let Some(light) = words(ui, "Light", current.light, &LIGHTS) {
        changed.light = light;
    }
    if let Some(scale) = words(ui, "Size of text and controls", current.scale, &SCALES) {
        changed.scale = scale;
    }
    if let Some(gibibytes) = slide(ui, &MEMORY, current.memory_mib as f32 / 1024.0) {
        // Within the slider's range, so the cast is exact to a MiB.
        changed.memory_mib = (gibibytes * 1024.0).round() as u64;
    }
    if let Some(threads) = threads(ui, current.threads) {
        changed.threads = threads;
    }
    if let Some(seconds) = slide(ui, &AUTOSAVE, current.autosave_secs as f32) {
        // Within the slider's range.
        changed.autosave_secs = seconds.round() as u32;
    }
    let mut action = scratch(ui, &mut changed);
    ui.add_space(6.0);
    if plain_button(ui, "Close", "Put the preferences away (Esc)").clicked() {
        action = Some(Action::Keep(Keep::TogglePreferences));
    }
    action.or_else(|| (changed != *current).then(|| Action::Keep(Keep::Prefer(Box::new(changed)))))
}

/// Threads of a run; all cores stand for no limit.
fn threads(ui: &mut Ui, current: Option<u16>) -> Option<Option<u16>> {
    let cores = available_parallelism().map_or(1, usize::from).min(256) as u16;
    if cores < 2 && current.is_none() {
        quiet(ui, "Threads of a run: one, for the one core of this computer");
        return None;
    }
    let scale = Scale {
        name: "Threads of a run",
        hint: "Fewer leave more of the computer to other programs; the picture is the same",
        unit: " threads",
        range: 1.0..=f32::from(cores.max(current.unwrap_or(1)).max(2)),
        default: f32::from(cores),
        decimals: 0,
    };
    let chosen = slide(ui, &scale, f32::from(current.unwrap_or(cores)))?;
    // Within the slider's range.
    let threads = chosen.round() as u16;
    Some((threads < cores).then_some(threads))
}

fn scratch(ui: &mut Ui, changed: &mut Preferences) -> Option<Action> {
    let mut action = None;
    let place =
        changed.scratch_folder.as_ref().map_or("beside the frames".to_owned(), |path| path.display().to_string());
    quiet(ui, &format!("Scratch files: {place}"));
    ui.horizontal_wrapped(|ui| {
        if plain_button(ui, "Choose scratch folder…", "A run keeps the frames there until it ends").clicked() {
            action = Some(Action::Keep(Keep::ChooseScratch));
        }
        let why_not = changed.scratch_folder.is_none().then_some("they are there already");
        if button_unless(ui, why_not, "Beside the frames", "On the disk that the frames are on").clicked() {
            changed.scratch_folder = None;
        }
    });
    action
}
