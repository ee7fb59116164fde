//! The fields of the plan: place and time, camera, pointing, burst.

use eframe::egui::{TextEdit, Ui};

use crate::gui::action::Action;
use crate::gui::panels::plan::title;
use crate::gui::plan_form::{FIELDS, Field, LightFrom, PlanForm, PointingBy};
use crate::gui::widgets::{WordOf, plain_button, quiet, words};

const POINTINGS: [WordOf<PointingBy>; 2] = [
    WordOf {
        value: PointingBy::Declination,
        text: "Declination",
        hint: "Of the sky in the middle; how the camera is turned is not known",
    },
    WordOf { value: PointingBy::Direction, text: "Direction", hint: "Azimuth and altitude of a level camera" },
];

const LIGHTS: [WordOf<LightFrom>; 2] = [
    WordOf { value: LightFrom::Typical, text: "Typical", hint: "Reckoned from the brightness of the sky" },
    WordOf { value: LightFrom::FrameShown, text: "Frame shown", hint: "Measured on the frame on the canvas" },
];

/// All fields; the form as it is after what was typed or chosen.
pub(super) fn show(ui: &mut Ui, form: &PlanForm) -> Option<Action> {
    let mut changed = form.clone();
    title(ui, "Place and night");
    pair(ui, &mut changed, Field::Latitude, Field::Longitude);
    pair(ui, &mut changed, Field::Date, Field::Zone);
    ui.horizontal(|ui| {
        for (label, hint, days) in [("Day before", "The night before this one", -1), ("Day after", "The next night", 1)]
        {
            if plain_button(ui, label, hint).clicked() {
                changed = changed.days_later(days);
            }
        }
    });
    title(ui, "Camera");
    pair(ui, &mut changed, Field::Focal, Field::Aperture);
    pair(ui, &mut changed, Field::SensorWidth, Field::Pixels);
    if let Some(pointing) = words(ui, "Pointing by", changed.pointing, &POINTINGS) {
        changed.pointing = pointing;
    }
    match changed.pointing {
        PointingBy::Declination => pair(ui, &mut changed, Field::Declination, Field::Trail),
        PointingBy::Direction => {
            pair(ui, &mut changed, Field::Azimuth, Field::Altitude);
            pair(ui, &mut changed, Field::Trail, Field::CenterAbove);
        }
    }
    title(ui, "Burst");
    pair(ui, &mut changed, Field::Frames, Field::Exposure);
    match changed.pointing {
        PointingBy::Declination => pair(ui, &mut changed, Field::Gap, Field::CenterAbove),
        PointingBy::Direction => one(ui, &mut changed, Field::Gap),
    }
    let light = words(ui, "Light and noise", changed.light, &LIGHTS);
    if changed.light == LightFrom::Typical {
        pair(ui, &mut changed, Field::Sky, Field::ReadNoise);
    }
    match light {
        Some(LightFrom::FrameShown) => return Some(Action::PlanFromFrame),
        Some(LightFrom::Typical) => changed.light = LightFrom::Typical,
        None => {}
    }
    (changed != *form).then(|| Action::EditPlan(Box::new(changed)))
}

fn pair(ui: &mut Ui, form: &mut PlanForm, left: Field, right: Field) {
    ui.columns(2, |columns| {
        one(&mut columns[0], form, left);
        one(&mut columns[1], form, right);
    });
}

/// A named field.
fn one(ui: &mut Ui, form: &mut PlanForm, field: Field) {
    let kind = &FIELDS[field as usize];
    let mut text = form.text(field).to_owned();
    let name = quiet(ui, kind.name).on_hover_text(kind.hint);
    let width = ui.available_width().min(170.0);
    let response = ui.add(TextEdit::singleline(&mut text).desired_width(width)).labelled_by(name.id);
    if response.on_hover_text(kind.hint).changed() {
        form.set(field, text);
    }
}
