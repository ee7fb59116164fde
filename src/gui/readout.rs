//! Scale, place and light under the pointer, and the three usual scales.

use eframe::egui::{Rect, Response, Role, Sense, TextStyle, Ui, WidgetInfo, pos2, vec2};

use crate::gui::action::Action;
use crate::gui::canvas::{Layers, is_comparing};
use crate::gui::plates::ground;
use crate::gui::state::State;
use crate::gui::theme::palette;
use crate::gui::view::{Placement, Zoom};
use crate::gui::widgets::{single, word};
use crate::pixels::{Orientation, Point, Size, nearest_index};

/// Width of the plate with the three scales.
const SCALES: f32 = 168.0;

/// The line below the picture.
pub fn show(
    ui: &mut Ui,
    state: &State,
    layers: &Layers,
    placement: &Placement,
    response: &Response,
    canvas: Rect,
    actions: &mut Vec<Action>,
) {
    let palette = palette(ui);
    let font = TextStyle::Small.resolve(ui.style());
    let lay = |text: String| ui.painter().layout_no_wrap(text, font.clone(), palette.ink);
    let scale = format!("{:.0} %", 100.0 * placement.scale);
    let values = under_pointer(state, layers, placement, response);
    let whole = values.map(|values| lay(format!("{scale}   {values}")));
    // On a narrow canvas the values step back before the scales do.
    let fits = |galley: &std::sync::Arc<eframe::egui::Galley>| galley.size().x + 20.0 + SCALES + 24.0 < canvas.width();
    let galley = whole.filter(fits).unwrap_or_else(|| lay(scale));
    let words = galley.text().to_owned();
    let height = 30.0;
    let left =
        Rect::from_min_size(canvas.left_bottom() + vec2(8.0, -8.0 - height), vec2(galley.size().x + 20.0, height));
    let plate = ui.interact(left, single("readout"), Sense::hover());
    plate.widget_info(|| WidgetInfo::labeled(Role::Label, true, format!("Under the pointer: {words}")));
    ui.painter().rect_filled(left, 3.0, ground(&palette));
    ui.painter().galley(pos2(left.left() + 10.0, left.center().y - galley.size().y / 2.0), galley, palette.ink);
    let right = Rect::from_min_max(
        canvas.right_bottom() - vec2(8.0 + SCALES, 8.0 + height),
        canvas.right_bottom() - vec2(8.0, 8.0),
    );
    ui.painter().rect_filled(right, 3.0, ground(&palette));
    let inner = eframe::egui::UiBuilder::new().max_rect(right.shrink2(vec2(12.0, 2.0)));
    ui.scope_builder(inner, |ui| {
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 16.0;
            let scales = [
                ("Whole", Zoom::Fit, "The whole picture (F)"),
                ("100 %", Zoom::Scale(1.0), "One picture pixel is one screen pixel (1)"),
                ("200 %", Zoom::Scale(2.0), "One picture pixel is two screen pixels wide (2)"),
            ];
            for (text, zoom, hint) in scales {
                if word(ui, text, "Scale", state.view.zoom == zoom, hint).clicked() {
                    actions.push(Action::Zoom(zoom));
                }
            }
        });
    });
}

/// Place and linear light of the pixel under the pointer.
fn under_pointer(state: &State, layers: &Layers, placement: &Placement, response: &Response) -> Option<String> {
    let pointer = response.hover_pos()?;
    let stored = placement.stored_from_screen(pointer);
    let divider = response.rect.left() + state.divider * response.rect.width();
    let on_single = state.holding_single || is_comparing(state, layers) && pointer.x < divider;
    let layer = if on_single { layers.beside(state.shown) } else { None };
    let pyramid = layer.or_else(|| layers.shown(state.shown))?.pyramid();
    let size = pyramid.size();
    let x = nearest_index(f64::from(stored.x) - 0.5, size.width)?;
    let y = nearest_index(f64::from(stored.y) - 0.5, size.height)?;
    let [red, green, blue] = pyramid.sample(x, y).map(|light| 100.0 * light);
    let place = place(x, y, size, placement.orientation());
    Some(format!("{place}   light {red:.2}  {green:.2}  {blue:.2} % of white"))
}

/// A stored pixel as the picture stands: upright, as in the report and in what is written.
fn place(x: usize, y: usize, stored: Size, orientation: Orientation) -> String {
    let Point { x, y } = orientation.upright_point(Point { x: x as f64, y: y as f64 }, stored);
    format!("column {x}, row {y}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_place_is_that_of_the_upright_picture() {
        let stored = Size { width: 90, height: 60 };
        assert_eq!(place(10, 41, stored, Orientation::Normal), "column 10, row 41", "as stored");
        assert_eq!(place(10, 41, stored, Orientation::Rotate90), "column 18, row 10", "turned clockwise");
    }
}
