//! The drawer beside the canvas: the hour in the field above, the night before below, on one page.

mod chart;
mod check;
pub mod drift;
mod fields;

use eframe::egui::{Align, Grid, Layout, RichText, ScrollArea, TextStyle, Ui};

use crate::gui::action::Action;
use crate::gui::reasons::why_not;
use crate::gui::state::State;
use crate::gui::theme::palette;
use crate::gui::widgets::{SCROLL_BAR, button_unless, plain_button, quiet, unbroken};
use crate::plan::chart::night_chart;
use crate::plan::{Plan, Row, Section};

/// Width of the drawer.
pub const WIDTH: f32 = 404.0;

/// Sections that do not ask for a place.
const WITHOUT_PLACE: [&str; 3] = ["Shutter", "Frames", "Before you go"];

/// The drawer with all it holds.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = head(ui, state);
    ScrollArea::vertical().id_salt("plan").auto_shrink([false, false]).show(ui, |ui| {
        ui.set_max_width(ui.available_width() - SCROLL_BAR);
        let asked = check::show(ui, state);
        action = asked.or(action.take());
        let asked = fields::show(ui, &state.plan_form);
        action = asked.or(action.take());
        if let Some(problem) = &state.planned.problem {
            ui.colored_label(palette(ui).lamp, problem);
        }
        if let Some(plan) = &state.planned.plan {
            told(ui, plan, state.planned.has_place);
        }
        ui.add_space(12.0);
    });
    action
}

/// The name of the drawer and what can be done with the plan as a whole.
fn head(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = None;
    ui.horizontal(|ui| {
        ui.label(RichText::new("Plan and field check").text_style(TextStyle::Heading));
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if plain_button(ui, "Close plan", "Put the drawer away (T)").clicked() {
                action = Some(Action::TogglePlan);
            }
            let hint = "Write the plan as one PDF page for the phone or the printer";
            if button_unless(ui, why_not(state, &Action::ChoosePageTarget), "Save page…", hint).clicked() {
                action = Some(Action::ChoosePageTarget);
            }
        });
    });
    action
}

/// Chart and sections.
fn told(ui: &mut Ui, plan: &Plan, has_place: bool) {
    if has_place {
        ui.add_space(6.0);
        chart::show(ui, plan, &night_chart(&plan.night));
    }
    for section in plan.sections() {
        if has_place || WITHOUT_PLACE.contains(&section.title.as_str()) {
            ui.push_id(section.title.clone(), |ui| self::section(ui, &section));
        }
    }
}

fn section(ui: &mut Ui, section: &Section) {
    title(ui, &section.title);
    let ink = palette(ui).ink;
    Grid::new("rows").num_columns(3).spacing([10.0, 3.0]).show(ui, |ui| {
        if section.rows.iter().any(|row| matches!(row, Row::Times { .. })) {
            ui.label("");
            quiet(ui, "evening");
            quiet(ui, "morning");
            ui.end_row();
        }
        for row in &section.rows {
            if let Row::Times { name, evening, morning } = row {
                quiet(ui, name);
                ui.label(RichText::new(evening).small().color(ink));
                ui.label(RichText::new(morning).small().color(ink));
                ui.end_row();
            }
        }
    });
    for row in &section.rows {
        match row {
            Row::Times { .. } => {}
            Row::Figure { name, value } => figure(ui, name, value),
            Row::Words(words) => drop(ui.label(RichText::new(unbroken(words)).small().color(ink))),
        }
    }
}

/// The name of a part of the drawer, below a thin line.
pub(super) fn title(ui: &mut Ui, text: &str) {
    ui.add_space(8.0);
    ui.separator();
    ui.label(RichText::new(text).strong());
}

/// A name and what it tells, side by side; long values go on below themselves.
pub(super) fn figure(ui: &mut Ui, name: &str, value: &str) {
    const NAME: f32 = 132.0;
    let ink = palette(ui).ink;
    ui.horizontal_top(|ui| {
        let left = ui.cursor().left();
        ui.allocate_ui(eframe::egui::vec2(NAME, 0.0), |ui| {
            ui.set_width(NAME);
            quiet(ui, name);
        });
        ui.add_space((left + NAME + 8.0 - ui.cursor().left()).max(0.0));
        ui.vertical(|ui| ui.label(RichText::new(unbroken(value)).small().color(ink)));
    });
}
