//! How the landscape is made and how bright it is.

use eframe::egui::Ui;

use crate::gui::action::Action;
use crate::gui::sheaf::{Land, Sheaf};
use crate::gui::state::State;
use crate::gui::widgets::{Scale, quiet, slide};

const EXPOSURE: Scale = Scale {
    name: "Landscape exposure",
    hint: "Brighter or darker land beside the same sky; each stop doubles its light",
    unit: " EV",
    range: -2.0..=4.0,
    default: 0.0,
    decimals: 2,
};

/// How it is made, in few words.
#[must_use]
pub fn summary(sheaf: &Sheaf) -> String {
    let lift = sheaf.choices.develop.land_exposure_ev;
    match sheaf.land {
        Land::Nothing => "none".to_owned(),
        _ if lift == 0.0 => "still, as the sky is lit".to_owned(),
        _ => format!("still, {lift:+.1} EV"),
    }
}

/// How the land becomes a part of the picture.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    if state.sheaf.land == Land::Nothing {
        quiet(ui, "There is none: Foreground says that the frames show nothing but sky");
        return None;
    }
    quiet(ui, "Stacked as the tripod stood, without the turn of the sky, and joined to it along the mask");
    let mut choices = state.sheaf.choices.clone();
    let moved = slide(ui, &EXPOSURE, choices.develop.land_exposure_ev)?;
    choices.develop.land_exposure_ev = moved;
    Some(Action::Choose(Box::new(choices)))
}
