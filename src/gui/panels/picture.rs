//! How the stack is developed.

use eframe::egui::Ui;

use crate::gui::action::Action;
use crate::gui::panels::histogram;
use crate::gui::sheaf::Choices;
use crate::gui::state::State;
use crate::gui::theme::palette;
use crate::gui::widgets::{Scale, WordOf, quiet, slide, switch, word, words};
use crate::pipeline::{DEFAULT_SKY_LEVEL, GradientRemoval, Stretch, Vignetting, WhiteBalance};

const BALANCES: [WordOf<WhiteBalance>; 4] = [
    WordOf { value: WhiteBalance::AsShot, text: "As shot", hint: "What the camera chose" },
    WordOf { value: WhiteBalance::Daylight, text: "Daylight", hint: "A white sheet in daylight is white" },
    WordOf { value: WhiteBalance::Tungsten, text: "Lamp", hint: "A white sheet under a lamp of 3200 K is white" },
    WordOf { value: WhiteBalance::FromSky, text: "Sky", hint: "The background of the sky is grey" },
];

const EXPOSURE: Scale = Scale {
    name: "Exposure",
    hint: "Brighter or darker as a whole; each stop doubles the light",
    unit: " EV",
    range: -3.0..=3.0,
    default: 0.0,
    decimals: 2,
};

const BLACK: Scale = Scale {
    name: "Black point",
    hint: "How much more of the sky's own light becomes black, as a share of that light",
    unit: " of sky",
    range: -0.4..=0.4,
    default: 0.0,
    decimals: 2,
};

/// Stretch by the sky.
#[derive(Clone, Copy, PartialEq)]
enum StretchKind {
    BySky,
    ByStops,
}

const STRETCHES: [WordOf<StretchKind>; 2] = [
    WordOf {
        value: StretchKind::BySky,
        text: "By the sky",
        hint: "Lift faint light (arcsinh) until the sky has a set brightness; stars keep their color",
    },
    WordOf {
        value: StretchKind::ByStops,
        text: "By stops",
        hint: "Lift the faintest light (arcsinh) by a set number of stops; stars keep their color",
    },
];

const CORNERS: [WordOf<Vignetting>; 2] = [
    WordOf {
        value: Vignetting::Auto,
        text: "Even",
        hint: "Gives the corners the light that the lens lost, where a profile or the sky tells it",
    },
    WordOf { value: Vignetting::Off, text: "As they are", hint: "Leaves the corners dark" },
];

const SKY_LEVEL: Scale = Scale {
    name: "Sky brightness",
    hint: "Brightness of the sky's background in the finished picture: 0 % is black, 100 % is white",
    unit: " %",
    range: 4.0..=30.0,
    default: 100.0 * DEFAULT_SKY_LEVEL,
    decimals: 0,
};

/// Stops that a stretch by stops begins with.
pub const DEFAULT_STOPS: f32 = 4.0;

const STOPS: Scale = Scale {
    name: "Lift of faint light",
    hint: "Stops by which the faintest light is lifted over the brightest; star colors stay",
    unit: " EV",
    range: 0.0..=10.0,
    default: DEFAULT_STOPS,
    decimals: 1,
};

const GLOW: Scale = Scale {
    name: "Sky glow taken away",
    hint: "Levels a slow rise of light across the sky, such as a town's glow",
    unit: " %",
    range: 0.0..=100.0,
    default: 0.0,
    decimals: 0,
};

/// White balance and exposure in few words.
#[must_use]
pub fn summary(choices: &Choices) -> String {
    let balance =
        BALANCES.iter().find(|one| one.value == choices.develop.white_balance).map_or("Picked", |one| one.text);
    let exposure = choices.develop.exposure_ev;
    if exposure == 0.0 { balance.to_lowercase() } else { format!("{}, {exposure:+.1} EV", balance.to_lowercase()) }
}

/// Histogram, white balance, exposure, black, stretch, glow.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let choices = &state.sheaf.choices;
    let mut changed = choices.clone();
    let mut action = None;
    if let Some(spread) = &state.histogram {
        histogram::show(ui, spread);
    }
    let develop = &mut changed.develop;
    quiet(ui, "White balance");
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 16.0;
        for balance in &BALANCES {
            if word(ui, balance.text, "White balance", balance.value == develop.white_balance, balance.hint).clicked() {
                develop.white_balance = balance.value;
            }
        }
        let picked = matches!(develop.white_balance, WhiteBalance::Picked(_));
        let hint = "Click on something in the picture that is to be grey (C)";
        if word(ui, "Picked", "White balance", picked || state.picking, hint).clicked() {
            action = Some(Action::TogglePicking);
        }
    });
    if state.picking {
        ui.colored_label(palette(ui).lamp, "Click on something in the picture that is to be grey");
    }
    if let Some(exposure) = slide(ui, &EXPOSURE, develop.exposure_ev) {
        develop.exposure_ev = exposure;
    }
    if let Some(black) = slide(ui, &BLACK, develop.black_offset) {
        develop.black_offset = black;
    }
    if let Some(stretch) = stretch(ui, develop.stretch) {
        develop.stretch = stretch;
    }
    if let Some(vignetting) = words(ui, "Corners", develop.vignetting, &CORNERS) {
        develop.vignetting = vignetting;
    }
    let strength = match develop.gradient {
        GradientRemoval::Off => 0.0,
        GradientRemoval::On { strength } => strength,
    };
    if let Some(percent) = slide(ui, &GLOW, 100.0 * strength) {
        let strength = percent / 100.0;
        develop.gradient = if strength > 0.0 { GradientRemoval::On { strength } } else { GradientRemoval::Off };
    }
    let off = changed.develop.gradient == GradientRemoval::Off;
    if (!off || state.glow_shown) && switch(ui, "Show what is taken away", state.glow_shown, GLOW_HINT) {
        action = Some(Action::ToggleGlow);
    }
    (changed != *choices).then(|| Action::Choose(Box::new(changed))).or(action)
}

const GLOW_HINT: &str = "The glow alone, as light, in place of the picture (G)";

fn stretch(ui: &mut Ui, current: Stretch) -> Option<Stretch> {
    let kind = match current {
        Stretch::Auto { .. } => StretchKind::BySky,
        Stretch::Stops(_) => StretchKind::ByStops,
    };
    match words(ui, "Stretch", kind, &STRETCHES) {
        Some(StretchKind::BySky) if kind != StretchKind::BySky => {
            return Some(Stretch::Auto { sky_level: DEFAULT_SKY_LEVEL });
        }
        Some(StretchKind::ByStops) if kind != StretchKind::ByStops => return Some(Stretch::Stops(STOPS.default)),
        _ => {}
    }
    match current {
        Stretch::Auto { sky_level } => {
            slide(ui, &SKY_LEVEL, 100.0 * sky_level).map(|percent| Stretch::Auto { sky_level: percent / 100.0 })
        }
        Stretch::Stops(stops) => slide(ui, &STOPS, stops).map(Stretch::Stops),
    }
}
