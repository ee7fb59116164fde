//! The list of keys.

use eframe::egui::{Align2, Area, Frame, Grid, Order, Role, Ui, WidgetInfo};

use crate::gui::action::Action;
use crate::gui::theme::palette;
use crate::gui::widgets::{key_cap, plain_button, quiet, single};

/// Keys and what they do, in two groups.
pub const KEYS: [(&str, &[(&str, &str)]); 3] = [
    (
        "Frames",
        &[
            ("← →", "Frame before, frame after"),
            ("Shift ← →", "Choose several frames"),
            ("X", "Set the chosen frames aside, or take them back"),
            ("R", "Bring the sky to this frame"),
            ("Ctrl O", "Add files"),
            ("Ctrl Shift O", "Add a folder"),
        ],
    ),
    (
        "Picture",
        &[
            ("F", "Whole picture"),
            ("1   2", "100 %, 200 %"),
            ("+   −", "Closer, farther"),
            ("S", "Show the stack"),
            ("B", "Hold: the single frame alone"),
            ("H", "Hatching on and off"),
            ("P   E", "Brush: add land, take land away"),
            ("[   ]", "Smaller, larger brush"),
        ],
    ),
    (
        "Work",
        &[
            ("Ctrl Enter", "Stack"),
            ("Ctrl E", "Export"),
            ("Ctrl Z", "Undo"),
            ("Ctrl Shift Z", "Redo"),
            ("Esc", "Lay the brush down, close, cancel"),
            ("N", "Dark, red, paper"),
            ("?", "This list"),
        ],
    ),
];

/// The list over the picture.
pub fn show(ui: &Ui) -> Option<Action> {
    let palette = palette(ui);
    let mut action = None;
    let area = Area::new(single("keys")).order(Order::Foreground).anchor(Align2::CENTER_CENTER, [0.0, 0.0]);
    let shown = area.show(ui.ctx(), |ui| {
        let frame = Frame::window(ui.style()).shadow(eframe::egui::Shadow::NONE).fill(palette.wall);
        frame.show(ui, |ui| {
            ui.horizontal_top(|ui| {
                ui.spacing_mut().item_spacing.x = 28.0;
                for (group, keys) in KEYS {
                    ui.vertical(|ui| {
                        ui.heading(group);
                        Grid::new(group).num_columns(2).spacing([14.0, 7.0]).show(ui, |ui| {
                            for (key, what) in keys {
                                key_cap(ui, key);
                                ui.label(*what);
                                ui.end_row();
                            }
                        });
                    });
                }
            });
            ui.add_space(8.0);
            quiet(ui, "Wheel: closer and farther at the pointer. Drag: move the picture. Double click: 100 % and back");
            if plain_button(ui, "Close", "Put the list away (Esc)").clicked() {
                action = Some(Action::ToggleKeys);
            }
        });
    });
    shown.response.widget_info(|| WidgetInfo::labeled(Role::Dialog, true, "List of keys"));
    action
}
