//! What keys ask for.

use eframe::egui::{Context, Event, Key, KeyboardShortcut, Modifiers, Vec2, vec2};

use crate::gui::action::Action;
use crate::gui::canvas;
use crate::gui::correcting::Tool;
use crate::gui::keep::Keep;
use crate::gui::panels::night_line;
use crate::gui::state::{Shown, State};
use crate::gui::strokes::BrushKind;
use crate::gui::timeline::night_order;
use crate::gui::view::Zoom;

/// What was asked with keys since the last frame; nothing while text is typed.
#[must_use]
pub fn actions(context: &Context, state: &State) -> Vec<Action> {
    let mut asked = Vec::new();
    if context.text_edit_focused() {
        if context.input(|input| input.key_pressed(Key::Escape)) {
            asked.push(Action::StepBack);
        }
        return asked;
    }
    let with_command: [(Key, bool, Action); 12] = [
        (Key::Z, true, Action::Redo),
        (Key::Z, false, Action::Undo),
        (Key::Y, false, Action::Redo),
        (Key::S, true, Action::Keep(Keep::SaveAs)),
        (Key::S, false, Action::Keep(Keep::Save)),
        (Key::Comma, false, Action::Keep(Keep::TogglePreferences)),
        (Key::W, false, Action::Quit),
        (Key::O, true, Action::ChooseFolder),
        (Key::O, false, Action::ChooseFiles),
        (Key::E, false, Action::ChooseExportTarget),
        (Key::Enter, false, Action::Stack),
        (Key::Q, false, Action::Quit),
    ];
    for (key, shift, action) in with_command {
        let modifiers = if shift { Modifiers::COMMAND | Modifiers::SHIFT } else { Modifiers::COMMAND };
        if context.input_mut(|input| input.consume_shortcut(&KeyboardShortcut::new(modifiers, key))) {
            asked.push(action);
        }
    }
    if context.input(|input| input.modifiers.command || input.modifiers.alt) {
        return asked;
    }
    asked.extend(plain_keys(context, state));
    asked.extend(arrows(context, state));
    let held = context.input(|input| input.key_down(Key::B));
    if held != state.holding_single {
        asked.push(Action::HoldSingle(held));
    }
    asked
}

fn plain_keys(context: &Context, state: &State) -> Vec<Action> {
    let radius = state.brush.radius_px;
    let brush = |kind| {
        let in_hand = state.painting && state.tool == Tool::Brush && state.brush.kind == kind;
        if in_hand { Action::LayBrushDown } else { Action::TakeBrush(kind) }
    };
    let keys = [
        (Key::X, Action::ToggleAside),
        (Key::R, Action::ToggleReference),
        (Key::F, Action::Zoom(Zoom::Fit)),
        (Key::Num1, Action::Zoom(Zoom::Scale(1.0))),
        (Key::Num2, Action::Zoom(Zoom::Scale(2.0))),
        (Key::S, Action::Show(Shown::Stack)),
        (Key::H, Action::ToggleHatching),
        (Key::D, Action::ToggleResiduals),
        (Key::V, Action::Show(Shown::Preview)),
        (Key::P, brush(BrushKind::Add)),
        (Key::E, brush(BrushKind::Remove)),
        (Key::O, Action::TakeTool(Tool::Polygon)),
        (Key::L, Action::TakeTool(Tool::LevelLine)),
        (Key::A, Action::ToggleSnap),
        (Key::C, Action::TogglePicking),
        (Key::G, Action::ToggleGlow),
        (Key::OpenBracket, Action::ResizeBrush(radius / 1.25)),
        (Key::CloseBracket, Action::ResizeBrush(radius * 1.25)),
        (Key::N, Action::UseTheme(state.theme.next())),
        (Key::T, Action::TogglePlan),
        (Key::Questionmark, Action::ToggleKeys),
        (Key::Escape, Action::StepBack),
    ];
    let pressed = |key| context.input(|input| input.key_pressed(key));
    let mut asked: Vec<Action> = keys.into_iter().filter(|(key, _)| pressed(*key)).map(|(_, action)| action).collect();
    if state.painting && !state.corners.is_empty() && pressed(Key::Backspace) {
        asked.push(Action::DropCorner);
    }
    asked.extend(confirmed(context, state));
    for (key, factor) in [(Key::Plus, 1.25), (Key::Equals, 1.25), (Key::Minus, 0.8)] {
        if pressed(key) {
            asked.push(Action::ZoomBy(factor));
        }
    }
    asked
}

/// Whether keys are for the picture: it has the focus, or nothing has and a tool is in hand.
fn is_canvas_active(context: &Context, state: &State) -> bool {
    let focused = context.memory(|memory| memory.focused());
    focused == Some(canvas::focus_id()) || focused.is_none() && (state.painting || state.picking)
}

/// Enter and Space use the tool in hand at the cross; Enter ends a shape that was drawn with the pointer.
fn confirmed(context: &Context, state: &State) -> Option<Action> {
    let pressed = |key| context.input(|input| input.key_pressed(key));
    let (enter, space) = (pressed(Key::Enter), pressed(Key::Space));
    let has_tool = state.painting || state.picking;
    if !(enter || space) || !has_tool {
        return None;
    }
    let has_focus = context.memory(|memory| memory.focused()) == Some(canvas::focus_id());
    let by_keys = is_canvas_active(context, state) && (state.cross.is_some() || has_focus && state.corners.is_empty());
    match by_keys {
        true => Some(Action::UseCross { ends: enter }),
        false => (enter && state.painting && !state.corners.is_empty()).then_some(Action::CloseShape),
    }
}

/// Presses of the arrow keys since the last frame, as directions, each with its own Shift.
fn arrow_presses(context: &Context) -> Vec<(Vec2, bool)> {
    let direction = |key: Key| match key {
        Key::ArrowLeft => Some(vec2(-1.0, 0.0)),
        Key::ArrowRight => Some(vec2(1.0, 0.0)),
        Key::ArrowUp => Some(vec2(0.0, -1.0)),
        Key::ArrowDown => Some(vec2(0.0, 1.0)),
        _ => None,
    };
    let press = |event: &Event| match event {
        Event::Key { key, pressed: true, modifiers, .. } => Some((direction(*key)?, modifiers.shift)),
        _ => None,
    };
    context.input(|input| input.events.iter().filter_map(press).collect())
}

/// Points of the screen by which one press moves the picture, and the cross; with Shift so many times as far.
const PAN_STEP: f32 = 40.0;
const CROSS_STEP: f32 = 8.0;
const SHIFT_TIMES: f32 = 5.0;

/// Arrow keys step through the frames, or move the picture or its cross, unless a control needs them.
fn arrows(context: &Context, state: &State) -> Vec<Action> {
    let presses = arrow_presses(context);
    if presses.is_empty() || state.sheaf.frames.is_empty() {
        return Vec::new();
    }
    if is_canvas_active(context, state) {
        let times = |shift: bool| if shift { SHIFT_TIMES } else { 1.0 };
        let has_tool = state.painting || state.picking;
        let moved = presses.into_iter().map(|(direction, shift)| match has_tool {
            true => Action::MoveCross(direction * CROSS_STEP * times(shift)),
            // The picture goes the other way: what lies to the right comes in sight.
            false => Action::Pan(-direction * PAN_STEP * times(shift)),
        });
        return moved.collect();
    }
    let focused = context.memory(|memory| memory.focused());
    if focused.is_some_and(|id| id != night_line::focus_id()) {
        return Vec::new();
    }
    let mut asked = Vec::new();
    let order = night_order(&state.sheaf.frames);
    let mut end = match state.shown {
        Some(Shown::Frame(index)) => Some(state.choice_end.unwrap_or(index)),
        _ => None,
    };
    for (direction, shift) in presses.into_iter().filter(|(direction, _)| direction.x != 0.0) {
        let by = if direction.x > 0.0 { 1 } else { -1 };
        let place = end.filter(|_| shift).and_then(|end| order.iter().position(|&light| light == end));
        match place {
            Some(place) => {
                let next = order[place.saturating_add_signed(by).min(order.len() - 1)];
                end = Some(next);
                asked.push(Action::ExtendTo(next));
            }
            None => asked.push(Action::Step(by)),
        }
    }
    asked
}
