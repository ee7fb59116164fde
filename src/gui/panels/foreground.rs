//! What is landscape, and the tools that say so.

use eframe::egui::Ui;

use crate::gui::action::Action;
use crate::gui::correcting::{EdgeChange, Tool};
use crate::gui::doubts::asks_for_a_stroke;
use crate::gui::reasons::why_not;
use crate::gui::sheaf::{Land, Sheaf};
use crate::gui::state::State;
use crate::gui::strokes::BrushKind;
use crate::gui::theme::palette;
use crate::gui::widgets::{Scale, WordOf, button_unless, plain_button, quiet, slide, switch, unbroken, word, words};
use crate::pipeline::{Found, sentence};

/// Smallest and largest brush, radius in pixels of the picture.
pub const BRUSH_RANGE: std::ops::RangeInclusive<f32> = 2.0..=400.0;

/// Least and most that the edge is changed at once, in pixels of the picture.
pub const EDGE_RANGE: std::ops::RangeInclusive<f32> = 0.5..=40.0;

const LANDS: [WordOf<Land>; 3] = [
    WordOf { value: Land::Found, text: "Found", hint: "What stands still while the stars move is landscape" },
    WordOf { value: Land::Painted, text: "Painted", hint: "The hatched part is landscape, as painted or loaded" },
    WordOf { value: Land::Nothing, text: "None", hint: "The frames show nothing but sky" },
];

const BRUSH_SIZE: Scale = Scale {
    name: "Brush radius",
    hint: "Half the width of a stroke in pixels of the picture; [ and ] change it",
    unit: " px",
    range: BRUSH_RANGE,
    default: 60.0,
    decimals: 0,
};

const EDGE_STEP: Scale = Scale {
    name: "Edge step",
    hint: "By how many pixels of the picture the buttons below change the edge",
    unit: " px",
    range: EDGE_RANGE,
    default: 4.0,
    decimals: 1,
};

/// Where the landscape comes from.
#[must_use]
pub fn summary(sheaf: &Sheaf) -> &'static str {
    match sheaf.land {
        Land::Found => "found by motion",
        Land::Painted => "painted",
        Land::Nothing => "none, sky only",
    }
}

/// The choice, the tools, the edge, and the mask file.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = words(ui, "What is landscape", state.sheaf.land, &LANDS).map(Action::ChooseLand);
    if state.sheaf.land == Land::Found {
        certainty(ui, state);
    }
    action = tools(ui, state).or(action);
    if state.sheaf.mask.is_some() {
        action = edge(ui, state).or(action);
    }
    ui.horizontal_wrapped(|ui| {
        for (text, hint, asked) in [
            ("Undo", "Take the last change back (Mod+Z)", Action::Undo),
            ("Redo", "Make the change again (Mod+Shift+Z)", Action::Redo),
        ] {
            if button_unless(ui, why_not(state, &asked), text, hint).clicked() {
                action = Some(asked);
            }
        }
        let hint = "Read a grey picture: white is landscape";
        if button_unless(ui, why_not(state, &Action::ChooseMask), "Load mask…", hint).clicked() {
            action = Some(Action::ChooseMask);
        }
        if button_unless(ui, why_not(state, &Action::ChooseMaskTarget), "Save mask…", "Write the mask as a PNG")
            .clicked()
        {
            action = Some(Action::ChooseMaskTarget);
        }
    });
    if switch(ui, "Hatch the landscape", state.hatching, "Diagonal lines mark what is landscape (H)") {
        action = Some(Action::ToggleHatching);
    }
    action
}

/// How sure the program is.
fn certainty(ui: &mut Ui, state: &State) {
    let Some(found) = &state.found else {
        let text = if state.previewing { "Looking for it…" } else { "Looked for when the frames are stacked" };
        quiet(ui, text);
        return;
    };
    let percent = 100.0 * found.confidence;
    if asks_for_a_stroke(found) {
        let ink = palette(ui).lamp;
        ui.colored_label(ink, unbroken(&format!("{percent:.0} % sure: {}", what_to_do(found))));
    } else {
        quiet(ui, &format!("{percent:.0} % sure of it"));
    }
    for note in &found.notes {
        quiet(ui, &sentence(note));
    }
}

fn what_to_do(found: &Found) -> &'static str {
    if found.doubts.is_empty() {
        "look at the hatching, and draw a stroke where it is wrong"
    } else {
        "draw a stroke where a dashed frame asks for it"
    }
}

fn tools(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = None;
    quiet(ui, "Tool");
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 16.0;
        for (tool, text, hint) in [
            (Tool::Brush, "Brush", "Draw strokes over what is land or sky (P, E)"),
            (Tool::Polygon, "Polygon", "Click the corners of a shape (O)"),
            (Tool::LevelLine, "Level line", "Click a few points along the horizon: land lies below it (L)"),
        ] {
            if word(ui, text, "Tool", state.painting && state.tool == tool, hint).clicked() {
                action = Some(Action::TakeTool(tool));
            }
        }
    });
    if !state.painting {
        return action;
    }
    if state.tool != Tool::LevelLine {
        quiet(ui, "What is drawn becomes");
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = 16.0;
            for (kind, text, hint) in [
                (BrushKind::Add, "Land", "Add what is drawn to the landscape (P)"),
                (BrushKind::Remove, "Sky", "Take what is drawn away from the landscape (E)"),
            ] {
                if word(ui, text, "Drawn as", state.brush.kind == kind, hint).clicked() {
                    action = Some(Action::TakeBrush(kind));
                }
            }
        });
    }
    match state.tool {
        Tool::Brush => action = slide(ui, &BRUSH_SIZE, state.brush.radius_px).map(Action::ResizeBrush).or(action),
        Tool::Polygon => {
            quiet(ui, "Click the corners. A double click or Enter closes the shape, Backspace takes a corner back");
        }
        Tool::LevelLine => {
            quiet(ui, "Click along the horizon. A double click or Enter ends the line, Backspace takes a point back");
        }
    }
    let hint = "A rough stroke is a hint: the edge of the landscape is sought beside it (A)";
    if switch(ui, "Snap to the real edge", state.snapping, hint) {
        action = Some(Action::ToggleSnap);
    }
    if state.snapping && state.found.is_none() {
        quiet(ui, "Until the frames were looked at, strokes stay as they are drawn");
    }
    action
}

/// Changes of the whole edge.
fn edge(ui: &mut Ui, state: &State) -> Option<Action> {
    let px = state.edge_px;
    let mut action = slide(ui, &EDGE_STEP, px).map(Action::SetEdgeStep);
    ui.horizontal_wrapped(|ui| {
        for (text, hint, change) in [
            ("Grow", "Move the edge of the landscape outwards", EdgeChange::Grow(px)),
            ("Shrink", "Move the edge of the landscape inwards", EdgeChange::Shrink(px)),
            ("Feather", "Make the edge of the landscape softer", EdgeChange::Feather(px)),
            ("Invert", "Land for sky and sky for land", EdgeChange::Invert),
        ] {
            if plain_button(ui, text, hint).clicked() {
                action = Some(Action::ChangeEdge(change));
            }
        }
    });
    action
}
