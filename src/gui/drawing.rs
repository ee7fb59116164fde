//! What the pointer does on the picture while a tool is in hand: strokes, corners, and the white spot.

use eframe::egui::{CursorIcon, Painter, PointerButton, Pos2, Rect, Response, Shape, Stroke, Ui, vec2};

use crate::gui::action::Action;
use crate::gui::correcting::Tool;
use crate::gui::panels::foreground::BRUSH_RANGE;
use crate::gui::state::State;
use crate::gui::strokes::{Brush, BrushKind, MaskPatch};
use crate::gui::theme::{Palette, palette};
use crate::gui::view::Placement;

/// A corner is hit again within so many points.
pub(super) const CORNER_REACH: f32 = 9.0;

/// What is drawn of strokes that the mask does not hold yet.
#[derive(Default)]
pub struct Drawn<'a> {
    /// Where the brush was last, while it draws.
    pub last: Option<Pos2>,
    /// Strokes over the mask, the newest first.
    pub over: Vec<&'a MaskPatch>,
}

/// Uses the tool in hand.
pub fn use_tool(
    ui: &Ui,
    response: &Response,
    placement: &Placement,
    state: &State,
    last_stroke: Option<Pos2>,
    actions: &mut Vec<Action>,
) {
    match state.tool {
        Tool::Brush => paint(ui, response, placement, state, last_stroke, actions),
        Tool::Polygon | Tool::LevelLine => corners(ui, response, placement, state, actions),
    }
}

fn paint(
    ui: &Ui,
    response: &Response,
    placement: &Placement,
    state: &State,
    last_stroke: Option<Pos2>,
    actions: &mut Vec<Action>,
) {
    let brush = state.brush;
    if let Some(pointer) = response.hover_pos().or(response.interact_pointer_pos()) {
        let palette = palette(ui);
        let radius = brush.radius_px * placement.points_per_px();
        let painter = ui.painter().with_clip_rect(response.rect);
        painter.circle_stroke(pointer, radius, Stroke::new(3.0, palette.over_dark));
        painter.circle_stroke(pointer, radius, Stroke::new(1.0, palette.over_light));
        cross(&painter, pointer, brush.kind, &palette);
        ui.ctx().set_cursor_icon(CursorIcon::None);
    }
    let down = response.is_pointer_button_down_on() && ui.input(|input| input.pointer.primary_down());
    match (down, response.interact_pointer_pos()) {
        (true, Some(pointer)) => {
            let to = placement.stored_from_screen(pointer);
            actions.push(Action::Paint { brush: clamped(brush), from: last_stroke.unwrap_or(to), to });
        }
        _ if last_stroke.is_some() => actions.push(Action::EndStroke),
        _ => {}
    }
}

/// A plus for land, a minus for sky.
fn cross(painter: &Painter, at: Pos2, kind: BrushKind, palette: &Palette) {
    let arm = vec2(5.0, 0.0);
    let thin = Stroke::new(1.0, palette.over_light);
    painter.line_segment([at - arm, at + arm], thin);
    if kind == BrushKind::Add {
        painter.line_segment([at - arm.rot90(), at + arm.rot90()], thin);
    }
}

fn clamped(brush: Brush) -> Brush {
    Brush { radius_px: brush.radius_px.clamp(*BRUSH_RANGE.start(), *BRUSH_RANGE.end()), ..brush }
}

fn corners(ui: &Ui, response: &Response, placement: &Placement, state: &State, actions: &mut Vec<Action>) {
    let palette = palette(ui);
    let painter = ui.painter().with_clip_rect(response.rect);
    let drawn: Vec<Pos2> = state.corners.iter().map(|&corner| placement.screen_from_stored(corner)).collect();
    let pointer = response.hover_pos();
    let closes = |at: Pos2| state.tool == Tool::Polygon && drawn.len() > 2 && drawn[0].distance(at) < CORNER_REACH;
    let path: Vec<Pos2> = drawn.iter().copied().chain(pointer).collect();
    if path.len() > 1 {
        painter.add(Shape::line(path.clone(), Stroke::new(3.0, palette.over_dark)));
        painter.add(Shape::line(path, Stroke::new(1.5, palette.over_light)));
    }
    for (idx, &corner) in drawn.iter().enumerate() {
        let lit = idx == 0 && pointer.is_some_and(closes);
        painter.circle(corner, if lit { 7.0 } else { 4.0 }, palette.wall, Stroke::new(1.5, palette.over_light));
    }
    if let Some(pointer) = pointer {
        let kind = if state.tool == Tool::LevelLine { BrushKind::Remove } else { state.brush.kind };
        cross(&painter, pointer, kind, &palette);
        ui.ctx().set_cursor_icon(CursorIcon::None);
    }
    if response.double_clicked() {
        // The first of the two clicks may have ended it.
        actions.extend((!state.corners.is_empty()).then_some(Action::CloseShape));
    } else if response.clicked_by(PointerButton::Primary)
        && let Some(at) = response.interact_pointer_pos()
    {
        let corner = Action::AddCorner(placement.stored_from_screen(at));
        actions.push(if closes(at) { Action::CloseShape } else { corner });
    }
}

/// The keyboard's cross, with what it does where it is.
pub fn keyboard_cross(ui: &Ui, placement: &Placement, state: &State, canvas: Rect) {
    let Some(cross) = state.cross.filter(|_| state.painting || state.picking) else { return };
    let at = placement.screen_from_stored(cross);
    let palette = palette(ui);
    let painter = ui.painter().with_clip_rect(canvas);
    for (width, ink) in [(3.5, palette.over_dark), (1.5, palette.over_light)] {
        for turn in [vec2(1.0, 0.0), vec2(0.0, 1.0), vec2(-1.0, 0.0), vec2(0.0, -1.0)] {
            painter.line_segment([at + turn * 4.0, at + turn * 16.0], Stroke::new(width, ink));
        }
        if state.painting && state.tool == Tool::Brush {
            painter.circle_stroke(at, state.brush.radius_px * placement.points_per_px(), Stroke::new(width - 0.5, ink));
        }
    }
    if let Some(&corner) = state.corners.last().filter(|_| state.painting) {
        let from = placement.screen_from_stored(corner);
        painter.line_segment([from, at], Stroke::new(3.0, palette.over_dark));
        painter.line_segment([from, at], Stroke::new(1.5, palette.over_light));
    }
}

/// Points at what is to be colourless.
pub fn pick(ui: &Ui, response: &Response, placement: &Placement, actions: &mut Vec<Action>) {
    let Some(pointer) = response.hover_pos() else { return };
    let palette = palette(ui);
    let painter = ui.painter().with_clip_rect(response.rect);
    for (width, ink) in [(3.0, palette.over_dark), (1.2, palette.over_light)] {
        painter.circle_stroke(pointer, 9.0, Stroke::new(width, ink));
        for turn in [vec2(1.0, 0.0), vec2(0.0, 1.0), vec2(-1.0, 0.0), vec2(0.0, -1.0)] {
            painter.line_segment([pointer + turn * 9.0, pointer + turn * 15.0], Stroke::new(width, ink));
        }
    }
    ui.ctx().set_cursor_icon(CursorIcon::None);
    // Not by a key: that picks at the cross.
    if response.clicked_by(PointerButton::Primary) {
        actions.push(Action::PickWhite(placement.stored_from_screen(pointer)));
    }
}
