//! The list of all commands with their keys, over the picture.

use eframe::egui::{
    Align, Align2, Area, Button, Frame, Grid, Key, Layout, Order, RichText, Role, ScrollArea, TextEdit, TextWrapMode,
    Ui, WidgetInfo,
};

use crate::gui::action::Action;
use crate::gui::commands::{Command, GROUPS, best_match, matches};
use crate::gui::reasons::why_not_listed;
use crate::gui::state::State;
use crate::gui::theme::palette;
use crate::gui::widgets::{explained, key_cap, plain_button, quiet, single};

/// Width of the list in a large window; in a smaller window some stand below the others.
const WIDTH: f32 = 1160.0;

/// Width of one group.
const COLUMN: f32 = 285.0;

/// The list; what is typed narrows it, Enter takes the command that fits best.
pub fn show(ui: &Ui, state: &State) -> Option<Action> {
    let palette = palette(ui);
    let area = Area::new(single("keys")).order(Order::Foreground).anchor(Align2::CENTER_CENTER, [0.0, 0.0]);
    let shown = area.show(ui.ctx(), |ui| {
        let frame = Frame::window(ui.style()).shadow(eframe::egui::Shadow::NONE).fill(palette.wall);
        frame.show(ui, |ui| list(ui, state)).inner
    });
    shown.response.widget_info(|| WidgetInfo::labeled(Role::Dialog, true, "List of commands"));
    shown.inner
}

fn list(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = search(ui, state);
    ui.add_space(8.0);
    let screen = ui.ctx().content_rect().size();
    let width = (screen.x - 60.0).min(WIDTH);
    ui.set_width(width);
    let room = ScrollArea::vertical().max_height(screen.y - 190.0).auto_shrink([false, true]);
    // As many groups side by side as have room, the others below them.
    let n_columns = ((width / COLUMN).round().max(1.0) as usize).min(GROUPS.len());
    // A group of which the search leaves nothing has no place.
    let is_left = |commands: &[Command]| commands.iter().any(|command| matches(command, &state.command_search));
    let left: Vec<_> = GROUPS.iter().filter(|(_, commands)| is_left(commands)).collect();
    room.show(ui, |ui| {
        if left.is_empty() {
            quiet(ui, "No command has these words in its name or these keys");
        }
        for row_of_groups in left.chunks(n_columns) {
            ui.horizontal_top(|ui| {
                ui.spacing_mut().item_spacing.x = 20.0;
                for (group, commands) in row_of_groups {
                    action = ui.vertical(|ui| column(ui, state, group, commands)).inner.or(action.take());
                }
            });
            ui.add_space(12.0);
        }
    });
    ui.add_space(6.0);
    quiet(ui, "Wheel: closer and farther at the pointer. Drag: move the picture. Double click: 100 % and back");
    action
}

/// One group of commands, as far as the search leaves them.
fn column(ui: &mut Ui, state: &State, group: &str, commands: &[Command]) -> Option<Action> {
    let mut action = None;
    ui.heading(group);
    let grid = Grid::new(group).num_columns(2).min_row_height(24.0).spacing([12.0, 3.0]);
    grid.show(ui, |ui| {
        for command in commands.iter().filter(|command| matches(command, &state.command_search)) {
            action = row(ui, state, command).or(action.take());
        }
    });
    action
}

/// The field that narrows the list.
fn search(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = None;
    ui.horizontal(|ui| {
        let name = ui.label("Find a command");
        let mut text = state.command_search.clone();
        let field = TextEdit::singleline(&mut text).id(single("command search")).desired_width(300.0);
        let hint = "Type parts of a name or a key; Enter does what is named beside the field";
        let response = ui.add(field).labelled_by(name.id).on_hover_text(hint);
        // Enter takes the focus from the field: it is asked for before the field has it back.
        let entered = response.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
        // Whoever opens the list can type at once.
        if ui.memory(|memory| memory.focused().is_none()) {
            response.request_focus();
        }
        let best = best_match(state, &text);
        if let Some((command, _)) = &best {
            quiet(ui, &format!("Enter: {}", command.name));
        }
        if text == "?" {
            // The key that opened the list, in a field with nothing else in it, puts it away.
            action = Some(Action::ToggleKeys);
        } else if let Some((_, asked)) = best.filter(|_| entered) {
            action = Some(Action::FromList(Box::new(asked)));
        } else if response.changed() {
            action = Some(Action::SearchCommands(text));
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if plain_button(ui, "Close", "Put the list away (Esc)").clicked() {
                action = Some(Action::ToggleKeys);
            }
        });
    });
    action
}

fn row(ui: &mut Ui, state: &State, command: &Command) -> Option<Action> {
    if command.keys.is_empty() {
        ui.label("");
    } else {
        key_cap(ui, command.keys);
    }
    let mut action = None;
    match command.action {
        Some(make) => {
            let asked = make(state);
            let why_not = why_not_listed(state, &asked);
            // It can be asked for all the same: then a strip says why not.
            let ink = if why_not.is_some() { palette(ui).quiet } else { palette(ui).ink };
            let label = RichText::new(command.name).color(ink);
            let hint = match (why_not, command.keys) {
                (Some(why), _) => format!("Not now: {why}"),
                (None, "") => "Do this".to_owned(),
                (None, keys) => format!("Do this; without the list by {keys}"),
            };
            let row = ui.add(Button::new(label).frame(false).wrap_mode(TextWrapMode::Extend));
            if explained(row, &hint, None).clicked() {
                action = Some(Action::FromList(Box::new(asked)));
            }
        }
        None => {
            ui.label(command.name).on_hover_text("By this key alone");
        }
    }
    ui.end_row();
    action
}
