//! How the frames become one sky.

use eframe::egui::Ui;

use crate::gui::action::Action;
use crate::gui::panels::frames::reference_in_words;
use crate::gui::reasons::{why_not, why_not_listed};
use crate::gui::sheaf::{Choices, file_name};
use crate::gui::state::{Shown, State};
use crate::gui::widgets::{Scale, WordOf, button_unless, plain_button, quiet, slide, words};
use crate::pipeline::{Colors, Combine, LensReport};

const COMBINES: [WordOf<Combine>; 4] = [
    WordOf {
        value: Combine::ClippedMean,
        text: "Clipped mean",
        hint: "Mean of the samples that agree: trails of aircraft and satellites drop out",
    },
    WordOf { value: Combine::Mean, text: "Mean", hint: "Mean of all samples: least noise, trails stay" },
    WordOf { value: Combine::Median, text: "Median", hint: "The middle sample: robust, a little noisier" },
    WordOf { value: Combine::Maximum, text: "Maximum", hint: "The brightest sample: star trails over a still land" },
];

const COLORS: [WordOf<Colors>; 3] = [
    WordOf {
        value: Colors::Auto,
        text: "Chosen for me",
        hint: "What is better for this burst; seen in the stack, not in the preview",
    },
    WordOf {
        value: Colors::Interpolated,
        text: "Filled in",
        hint: "Each frame is given all colors at every pixel before it is moved; seen in the stack, not in the preview",
    },
    WordOf {
        value: Colors::Sampled,
        text: "As sampled",
        hint: "Each sample counts in its own color alone; the burst must be long enough to fill them; seen in the stack, \
               not in the preview",
    },
];

const ABOVE: Scale = Scale {
    name: "Drop above",
    hint: "A sample brighter than the others by so much is left out",
    unit: " σ",
    range: 1.5..=6.0,
    default: 3.0,
    decimals: 1,
};

const BELOW: Scale = Scale {
    name: "Drop below",
    hint: "A sample darker than the others by so much is left out",
    unit: " σ",
    range: 1.5..=6.0,
    default: 3.0,
    decimals: 1,
};

/// The way of combining, in two words.
#[must_use]
pub fn summary(choices: &Choices) -> String {
    let name = COMBINES.iter().find(|one| one.value == choices.combine).map_or("", |one| one.text);
    name.to_lowercase()
}

/// Combination, thresholds, reference.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let choices = &state.sheaf.choices;
    let mut changed = choices.clone();
    if let Some(combine) = words(ui, "Each pixel becomes", choices.combine, &COMBINES) {
        changed.combine = combine;
    }
    if choices.combine == Combine::ClippedMean {
        if let Some(sigma) = slide(ui, &ABOVE, choices.drop_above_sigma) {
            changed.drop_above_sigma = sigma;
        }
        if let Some(sigma) = slide(ui, &BELOW, choices.drop_below_sigma) {
            changed.drop_below_sigma = sigma;
        }
        if let Some(colors) = words(ui, "Colors of the sky", choices.colors, &COLORS) {
            changed.colors = colors;
        }
    }
    let mut action = reference(ui, state);
    action = lens_profile(ui, state).or(action);
    if let Some(lens) = state.report.as_ref().and_then(|report| report.lens.as_ref()) {
        quiet(ui, &lens_in_words(lens));
    }
    let label = if state.residuals_shown { "Hide star arrows" } else { "Show star arrows" };
    let hint = "After a run: arrows from where each star belongs to where it was found (D)";
    // What is shown can always be hidden.
    let why = state.report.is_none().then_some("there is no stack yet");
    if button_unless(ui, why, label, hint).clicked() {
        return Some(Action::ToggleResiduals);
    }
    (changed != *choices).then(|| Action::Choose(Box::new(changed))).or(action)
}

/// The frame that the sky is brought to.
fn reference(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = None;
    quiet(ui, &format!("Brought to {}", reference_in_words(state)));
    ui.horizontal_wrapped(|ui| {
        let shown = match state.shown {
            Some(Shown::Frame(index)) => state.sheaf.frames.get(index),
            _ => None,
        };
        let named = state.sheaf.choices.reference.as_ref();
        let other = shown.filter(|frame| named != Some(&frame.path));
        let hint = "Bring the sky of all frames to the frame on the canvas (R)";
        let why = why_not(state, &Action::ToggleReference)
            .or_else(|| other.is_none().then_some("it is brought to this frame already"));
        if button_unless(ui, why, "Bring to the frame shown", hint).clicked() {
            action = Some(Action::ToggleReference);
        }
        if named.is_some() {
            let hint = "Let the program choose the frame that the sky is brought to";
            if plain_button(ui, "Let it be chosen", hint).clicked() {
                let choices = Choices { reference: None, ..state.sheaf.choices.clone() };
                action = Some(Action::Choose(Box::new(choices)));
            }
        }
    });
    action
}

/// What is known of the lens before the stars are asked.
fn lens_profile(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = None;
    let profile = state.sheaf.calibration.lens_profile.as_deref();
    let known = profile.map_or_else(|| "what the frames say".to_owned(), file_name);
    quiet(ui, &format!("Lens starts from {known}"));
    ui.horizontal_wrapped(|ui| {
        if plain_button(ui, "Lens profile…", "Start from a lens that an earlier night measured").clicked() {
            action = Some(Action::ChooseLensProfile);
        }
        if profile.is_some() && plain_button(ui, "Without profile", "Start from what the frames say").clicked() {
            action = Some(Action::UseLensProfile(None));
        }
        let hint = "Keep the lens as the stars of this stack measured it";
        if button_unless(ui, why_not_listed(state, &Action::ChooseLensProfileTarget), "Save lens…", hint).clicked() {
            action = Some(Action::ChooseLensProfileTarget);
        }
    });
    action
}

/// Focal length and how it is known.
fn lens_in_words(lens: &LensReport) -> String {
    let how = if lens.fitted { "measured by the stars" } else { "taken as known" };
    match lens.parameters.first() {
        Some(focal) if lens.fitted => format!("Lens {how}: focal length {:.1} ± {:.1} px", focal.value, focal.sigma),
        Some(focal) => format!("Lens {how}: focal length {:.1} px", focal.value),
        None => format!("Lens {how}"),
    }
}
