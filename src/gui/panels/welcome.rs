//! The empty window: one line says what to drop, and three ways in stand below it.

use eframe::egui::{Align, Color32, Layout, Painter, Pos2, Rect, RichText, Stroke, Ui, UiBuilder, pos2, vec2};

use crate::gui::action::Action;
use crate::gui::panels::strips::typed_path;
use crate::gui::panels::{foot, keeping};
use crate::gui::state::{State, Working};
use crate::gui::theme::palette;
use crate::gui::widgets::{lamp_button, plain_button, quiet};

/// Width of the block in the middle.
const WIDTH: f32 = 560.0;

/// Recent sheaves that have room below the ways to begin.
const MOST_RECENT: usize = 4;

/// The ways to begin.
pub fn show(ui: &mut Ui, state: &State, working: Option<&Working>, hovering: bool) -> Option<Action> {
    let palette = palette(ui);
    let room = ui.max_rect();
    let emblem = Rect::from_center_size(room.center() - vec2(0.0, 165.0), vec2(210.0, 130.0));
    draw_emblem(ui.painter(), emblem, palette.lamp, palette.quiet);
    if hovering {
        let edge = room.shrink(14.0);
        let inside = eframe::egui::StrokeKind::Inside;
        ui.painter().rect_stroke(edge, 6.0, Stroke::new(2.0, palette.lamp), inside);
    }
    let width = WIDTH.min(room.width() - 40.0);
    let block = Rect::from_min_size(pos2(room.center().x - width / 2.0, emblem.bottom() + 18.0), vec2(width, 320.0));
    let mut action = None;
    ui.scope_builder(UiBuilder::new().max_rect(block).layout(Layout::top_down(Align::Center)), |ui| {
        ui.spacing_mut().item_spacing.y = 10.0;
        ui.label(RichText::new("Drop the raw frames of one night here, or their folder").size(20.0).color(palette.ink));
        quiet(ui, "Fixed tripod, one lens, the same exposure again and again. No frame is ever written to");
        ui.add_space(10.0);
        if working.is_some() {
            let room = vec2(320.0, 70.0);
            ui.allocate_ui_with_layout(room, Layout::top_down(Align::Min), |ui| {
                action = foot::show(ui, state, working)
            });
            return;
        }
        let hint = "Make a small invented night with its dark frames, to try everything on";
        if lamp_button(ui, "Try the sample frames", hint, 240.0, None).clicked() {
            action = Some(Action::TrySampleFrames);
        }
        let both = vec2(201.0, 30.0);
        ui.allocate_ui_with_layout(both, Layout::left_to_right(Align::Center), |ui| {
            if plain_button(ui, "Add files…", "Choose frames, or a sheaf that was saved (Mod+O)").clicked() {
                action = Some(Action::ChooseFiles);
            }
            if plain_button(ui, "Add folder…", "Choose a folder of frames (Mod+Shift+O)").clicked() {
                action = Some(Action::ChooseFolder);
            }
        });
        let both = vec2(226.0, 30.0);
        ui.allocate_ui_with_layout(both, Layout::left_to_right(Align::Center), |ui| {
            if plain_button(ui, "Plan a night", "When it is dark, how long, how many (T)").clicked() {
                action = Some(Action::TogglePlan);
            }
            if plain_button(ui, "Watch a folder…", "Measure frames as they come into a folder").clicked() {
                action = Some(Action::ChooseFolderToWatch);
            }
        });
        ui.add_space(6.0);
        ui.allocate_ui(vec2(400.0, 30.0), |ui| {
            if state.path_for.is_none() {
                action = typed_path(ui, state, "or type a path", "Add").or(action.take());
            }
        });
        if !state.keeping.recent.is_empty() {
            quiet(ui, "Recent sheaves");
            ui.spacing_mut().item_spacing.y = 1.0;
            action = keeping::recent_rows(ui, &state.keeping.recent, MOST_RECENT).or(action.take());
        }
    });
    action
}

/// A sheaf of star arcs bound above a ridge: our own mark, the same as the icon.
fn draw_emblem(painter: &Painter, rect: Rect, lamp: Color32, quiet: Color32) {
    let pole = pos2(rect.center().x, rect.bottom() - 6.0);
    for (index, share) in [0.34, 0.48, 0.62, 0.76, 0.90].into_iter().enumerate() {
        let radius = share * rect.height();
        let spread = 0.50 + 0.09 * index as f32;
        let arc = |turn: f32| pos2(pole.x + 1.25 * radius * turn.sin(), pole.y - radius * turn.cos());
        let points: Vec<Pos2> = (0..=24).map(|step| arc(spread * (step as f32 / 12.0 - 1.0) - 0.12)).collect();
        let last = points.last().copied().unwrap_or(pole);
        painter.line(points, Stroke::new(1.5, lamp.gamma_multiply(0.35 + 0.13 * index as f32)));
        painter.circle_filled(last, 2.6, lamp);
    }
    let ridge =
        [(0.0, 0.98), (0.16, 0.86), (0.26, 0.92), (0.42, 0.74), (0.52, 0.84), (0.66, 0.70), (0.80, 0.90), (1.0, 0.96)];
    let points = ridge.iter().map(|&(x, y)| rect.min + vec2(x * rect.width(), y * rect.height())).collect();
    painter.line(points, Stroke::new(2.0, quiet));
}
