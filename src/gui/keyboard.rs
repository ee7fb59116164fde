//! What keys ask for.

use eframe::egui::{Context, Key, KeyboardShortcut, Modifiers};

use crate::gui::action::Action;
use crate::gui::correcting::Tool;
use crate::gui::keep::Keep;
use crate::gui::state::{Shown, State};
use crate::gui::strokes::BrushKind;
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
        (Key::W, Action::TogglePicking),
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
    if state.painting && !state.corners.is_empty() {
        let of_shape = [(Key::Enter, Action::CloseShape), (Key::Backspace, Action::DropCorner)];
        asked.extend(of_shape.into_iter().filter(|(key, _)| pressed(*key)).map(|(_, action)| action));
    }
    let middle = context.content_rect().center();
    for (key, factor) in [(Key::Plus, 1.25), (Key::Equals, 1.25), (Key::Minus, 0.8)] {
        if pressed(key) {
            asked.push(Action::ZoomAt { factor, pointer: middle });
        }
    }
    asked
}

/// Arrow keys step through the frames unless a control needs them.
fn arrows(context: &Context, state: &State) -> Option<Action> {
    let focused = context.memory(|memory| memory.focused());
    let free = focused.is_none_or(|id| id == crate::gui::panels::night_line::focus_id());
    if !free || state.sheaf.frames.is_empty() {
        return None;
    }
    let presses = |key| context.input(|input| input.num_presses(key));
    let (right, left) = (presses(Key::ArrowRight), presses(Key::ArrowLeft));
    // A handful of presses a frame at most.
    let by = right as isize - left as isize;
    if by == 0 {
        return None;
    }
    let extend = context.input(|input| input.modifiers.shift);
    let last = state.sheaf.frames.len() - 1;
    match state.shown {
        Some(Shown::Frame(index)) if extend => {
            let end = state.choice_end.unwrap_or(index);
            Some(Action::ExtendTo(end.saturating_add_signed(by).min(last)))
        }
        _ => Some(Action::Step(by)),
    }
}
