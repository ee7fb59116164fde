//! The picture: drawn from tiles, moved, zoomed, compared and painted on.

use eframe::egui::{
    Align2, CursorIcon, EventFilter, Id, Key, PointerButton, Rect, Response, Role, Sense, Shape, Stroke, StrokeKind,
    TextStyle, Ui, WidgetInfo, pos2, vec2,
};

use crate::gui::action::Action;
use crate::gui::correcting::Tool;
use crate::gui::drawing::Drawn;
use crate::gui::hatching::{Hatched, hatch};
use crate::gui::layer::Layer;
use crate::gui::sheaf::Land;
use crate::gui::state::{Shown, State};
use crate::gui::theme::palette;
use crate::gui::tiles::Order;
use crate::gui::view::{Placement, Zoom};
use crate::gui::widgets::single;
use crate::gui::{arrows, doubts, drawing, plates, readout};
use crate::pipeline::Found;

/// The pictures that the canvas can show.
#[derive(Default)]
pub struct Layers {
    /// A frame, as shot.
    pub frame: Option<Layer>,
    /// The stack.
    pub stack: Option<Layer>,
    /// The reference frame alone, to compare with.
    pub single: Option<Layer>,
    /// A stack of a few frames.
    pub preview: Option<Layer>,
    /// Its reference frame alone.
    pub preview_single: Option<Layer>,
}

impl Layers {
    /// The picture that decides where everything lies.
    #[must_use]
    pub fn shown(&self, shown: Option<Shown>) -> Option<&Layer> {
        match shown? {
            Shown::Frame(_) => self.frame.as_ref(),
            Shown::Stack => self.stack.as_ref(),
            Shown::Preview => self.preview.as_ref(),
        }
    }

    /// The single frame to compare with.
    #[must_use]
    pub fn beside(&self, shown: Option<Shown>) -> Option<&Layer> {
        match shown? {
            Shown::Frame(_) => None,
            Shown::Stack => self.single.as_ref(),
            Shown::Preview => self.preview_single.as_ref(),
        }
    }

    /// All that are there.
    pub fn all_mut(&mut self) -> impl Iterator<Item = &mut Layer> {
        let Self { frame, stack, single, preview, preview_single } = self;
        [frame, stack, single, preview, preview_single].into_iter().flatten()
    }
}

/// What one frame of the canvas came to.
#[derive(Default)]
pub struct CanvasOutput {
    /// What was asked, in order.
    pub actions: Vec<Action>,
    /// Tiles that are missing.
    pub orders: Vec<Order>,
}

/// Draws the picture and hears what is done with it.
pub fn show(ui: &mut Ui, state: &State, layers: &mut Layers, drawn: &Drawn<'_>) -> CanvasOutput {
    let canvas = ui.max_rect();
    let response = ui.interact(canvas, focus_id(), Sense::click_and_drag());
    let name = "Picture: arrow keys move it, or a cross while a tool is in hand; Enter uses the tool there";
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, name));
    keep_arrow_keys(ui, &response);
    let mut output = CanvasOutput::default();
    let Some(layer) = layers.shown(state.shown) else {
        waiting(ui, canvas, state.opening || state.measuring);
        focus_ring(ui, &response, canvas);
        return output;
    };
    let (size, orientation) = (layer.pyramid().size(), layer.pyramid().picture().orientation);
    let placement = state.view.place(size, orientation, canvas, ui.ctx().pixels_per_point());
    output.orders = draw(ui, state, layers, &placement, canvas);
    if state.hatching && !state.holding_single {
        let mask = state.sheaf.mask.as_deref();
        let painter = ui.painter().with_clip_rect(canvas);
        hatch(&painter, &Hatched { mask, over: &drawn.over }, &placement, canvas, &palette(ui));
    }
    if state.residuals_shown {
        arrows::show(&ui.painter().with_clip_rect(canvas), state, &placement, &palette(ui));
    }
    let comparing = is_comparing(state, layers);
    if comparing {
        divider(ui, state, canvas, &mut output.actions);
    }
    move_picture(ui, &response, &placement, canvas, state, &mut output.actions);
    if let Some(found) = asks_here(state, &placement) {
        doubts::show(ui, found, &placement, canvas);
    }
    if state.picking {
        drawing::pick(ui, &response, &placement, &mut output.actions);
    } else if state.painting {
        drawing::use_tool(ui, &response, &placement, state, drawn.last, &mut output.actions);
    }
    drawing::keyboard_cross(ui, &placement, state, canvas);
    if !layers.shown(state.shown).is_some_and(Layer::is_visible) {
        waiting(ui, canvas, true);
    }
    plates::labels(ui, state, comparing, canvas);
    if state.residuals_shown {
        plates::arrow_label(ui, state, &placement, canvas);
    }
    readout::show(ui, state, layers, &placement, &response, canvas, &mut output.actions);
    focus_ring(ui, &response, canvas);
    output
}

/// The picture as something that can have the keyboard's focus.
#[must_use]
pub fn focus_id() -> Id {
    single("canvas")
}

/// While the picture has the focus, arrow keys are for it and do not move the focus.
fn keep_arrow_keys(ui: &Ui, response: &Response) {
    if response.has_focus() {
        let filter = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
    }
}

fn focus_ring(ui: &Ui, response: &Response, canvas: Rect) {
    if response.has_focus() {
        ui.painter().rect_stroke(canvas.shrink(1.0), 0.0, Stroke::new(1.0, palette(ui).lamp), StrokeKind::Inside);
    }
}

/// The doubts about the landscape, where they are to be shown.
fn asks_here<'a>(state: &'a State, placement: &Placement) -> Option<&'a Found> {
    let fits = state.sheaf.mask.as_ref().is_some_and(|mask| mask.size() == placement.stored());
    let wanted = state.hatching && !state.holding_single && state.sheaf.land == Land::Found && fits;
    state.found.as_ref().filter(|found| wanted && doubts::asks_for_a_stroke(found))
}

pub(super) fn is_comparing(state: &State, layers: &Layers) -> bool {
    let free = !state.painting && !state.holding_single && !state.picking && !state.glow_shown;
    layers.beside(state.shown).is_some() && free
}

fn draw(ui: &Ui, state: &State, layers: &mut Layers, placement: &Placement, canvas: Rect) -> Vec<Order> {
    let tint = palette(ui).picture;
    let painter = ui.painter();
    let comparing = is_comparing(state, layers);
    let Layers { frame, stack, single, preview, preview_single } = layers;
    let mut none = None;
    let (whole, single) = match state.shown {
        Some(Shown::Frame(_)) => (frame, &mut none),
        Some(Shown::Preview) => (preview, preview_single),
        _ => (stack, single),
    };
    let alone = state.holding_single && single.is_some();
    let middle = canvas.left() + state.divider * canvas.width();
    let mut orders = Vec::new();
    if let Some(layer) = if alone { &mut *single } else { whole } {
        let clip = if comparing { canvas.with_min_x(middle) } else { canvas };
        orders.extend(layer.draw(painter, placement, clip, tint));
    }
    if comparing && let Some(layer) = single {
        orders.extend(layer.draw(painter, placement, canvas.with_max_x(middle), tint));
    }
    orders
}

/// The line between the single frame and the stack: drag it, or move it with the arrow keys.
fn divider(ui: &mut Ui, state: &State, canvas: Rect, actions: &mut Vec<Action>) {
    let palette = palette(ui);
    let x = canvas.left() + state.divider * canvas.width();
    let grip = Rect::from_center_size(pos2(x, canvas.center().y), vec2(14.0, canvas.height()));
    let response = ui.interact(grip, single("divider"), Sense::drag());
    response
        .widget_info(|| WidgetInfo::slider(true, f64::from(state.divider), "Divider between single frame and stack"));
    let mut divider = state.divider;
    if let Some(pointer) = response.interact_pointer_pos() {
        divider = (pointer.x - canvas.left()) / canvas.width();
    }
    if response.has_focus() {
        let filter = EventFilter { horizontal_arrows: true, ..Default::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
        let presses = |key| ui.input(|input| input.num_presses(key)) as f32;
        divider += 0.02 * (presses(Key::ArrowRight) - presses(Key::ArrowLeft));
    }
    let divider = divider.clamp(0.0, 1.0);
    if divider != state.divider {
        actions.push(Action::MoveDivider(divider));
    }
    let lit = response.hovered() || response.dragged() || response.has_focus();
    let painter = ui.painter().with_clip_rect(canvas);
    painter.vline(x, canvas.y_range(), Stroke::new(if lit { 5.0 } else { 4.0 }, palette.over_dark));
    painter.vline(x, canvas.y_range(), Stroke::new(if lit { 2.5 } else { 1.5 }, palette.over_light));
    let hold = pos2(x, canvas.bottom() - canvas.height() * 0.2);
    let lozenge = [vec2(0.0, -13.0), vec2(6.0, 0.0), vec2(0.0, 13.0), vec2(-6.0, 0.0)].map(|corner| hold + corner);
    painter.add(Shape::convex_polygon(lozenge.to_vec(), palette.over_light, Stroke::new(1.5, palette.over_dark)));
    let hint = "Left of it a single frame, right of it the stack: drag it, or move it with the arrow keys";
    response.on_hover_cursor(CursorIcon::ResizeHorizontal).on_hover_text(hint);
}

fn waiting(ui: &Ui, canvas: Rect, coming: bool) {
    let palette = palette(ui);
    let body = TextStyle::Body.resolve(ui.style());
    let text = if coming { "Opening the picture…" } else { "This frame cannot be shown" };
    ui.painter().text(canvas.center(), Align2::CENTER_CENTER, text, body, palette.quiet);
}

fn move_picture(
    ui: &Ui,
    response: &Response,
    placement: &Placement,
    canvas: Rect,
    state: &State,
    actions: &mut Vec<Action>,
) {
    let brush = state.painting && state.tool == Tool::Brush && !state.picking;
    let pan_button = |button| !(brush && button == PointerButton::Primary);
    let buttons = [PointerButton::Primary, PointerButton::Middle, PointerButton::Secondary];
    if buttons.into_iter().any(|button| pan_button(button) && response.dragged_by(button)) {
        actions.push(Action::Pan(response.drag_delta()));
        ui.ctx().set_cursor_icon(CursorIcon::Grabbing);
    }
    let Some(pointer) = response.hover_pos().filter(|pointer| canvas.contains(*pointer)) else { return };
    let (wheel, pinch) = ui.input(|input| (input.smooth_scroll_delta().y, input.zoom_delta()));
    let factor = pinch * (wheel * 0.004).exp();
    if (factor - 1.0).abs() > 1e-4 {
        actions.push(Action::ZoomAt { factor, pointer });
    }
    if response.double_clicked() && !state.painting && !state.picking {
        let whole = state.view.zoom == Zoom::Fit;
        let closer = Action::ZoomAt { factor: 1.0 / placement.scale, pointer };
        actions.push(if whole { closer } else { Action::Zoom(Zoom::Fit) });
    }
}
