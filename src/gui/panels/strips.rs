//! Strips over the picture: what went wrong, and the field for a typed path.

use eframe::egui::{Align, Color32, Frame, Key, Layout, Margin, ScrollArea, Stroke, TextEdit, TextStyle, Ui, vec2};

use crate::gui::action::Action;
use crate::gui::calibration::CalibrationKind;
use crate::gui::panels::landscape;
use crate::gui::state::{Notice, NoticeTone, PathFor, State};
use crate::gui::theme::palette;
use crate::gui::widgets::{button_unless, plain_button, quiet, single, unbroken};

/// Notices at most on screen at once; older ones follow when these are put away.
const MOST_NOTICES: usize = 3;

/// The notices, newest first.
pub fn notices(ui: &mut Ui, notices: &[Notice]) -> Option<Action> {
    let mut action = None;
    for (index, notice) in notices.iter().enumerate().rev().take(MOST_NOTICES) {
        action = ui.push_id(index, |ui| strip(ui, index, notice)).inner.or(action);
    }
    let n_more = notices.len().saturating_sub(MOST_NOTICES);
    if n_more > 0 {
        let text = if n_more == 1 { "1 more below these".to_owned() } else { format!("{n_more} more below these") };
        pinned(ui, palette(ui).line, None, &text, Vec::new());
    }
    action
}

fn strip(ui: &mut Ui, index: usize, notice: &Notice) -> Option<Action> {
    let palette = palette(ui);
    let (ink, word) = match notice.tone {
        NoticeTone::Failure => (palette.alarm, "Not done"),
        NoticeTone::Done => (palette.lamp, "Done"),
        NoticeTone::Note => (palette.lamp, "Note"),
    };
    let answers =
        [("Copy", "Copy this text", Action::CopyNotice(index)), ("Dismiss", "Put this away", Action::Dismiss(index))];
    pinned(ui, ink, Some(word), &notice.text, answers.into())
}

/// A button of a strip: its word, what it does in one sentence, and what it asks for.
pub(super) type Answer = (&'static str, &'static str, Action);

/// A note pinned to the wall: a bar in `ink` at the left, a word and a text, and the answers at the right.
pub(super) fn pinned(
    ui: &mut Ui,
    ink: Color32,
    word: Option<&str>,
    text: &str,
    answers: Vec<Answer>,
) -> Option<Action> {
    let palette = palette(ui);
    let mut action = None;
    let text = unbroken(text);
    let frame = Frame::new().fill(palette.wall).inner_margin(Margin::symmetric(14, 8));
    let shown = frame.show(ui, |ui| {
        // A row of its own height: what a layout centers must not reach for the room below.
        let row = vec2(ui.available_width(), ui.spacing().interact_size.y);
        let font = TextStyle::Body.resolve(ui.style());
        let width = |text: &str| ui.painter().layout_no_wrap(text.to_owned(), font.clone(), ink).size().x;
        let padding = 2.0 * ui.spacing().button_padding.x + ui.spacing().item_spacing.x;
        let buttons: f32 = answers.iter().map(|(answer, _, _)| width(answer) + padding).sum();
        let words = word.map_or(0.0, |word| width(word) + ui.spacing().item_spacing.x);
        let one_line = !text.contains('\n') && width(&text) < row.x - buttons - words - 12.0;
        // A single line stands in the middle of its buttons, more begin at their top.
        let align = if one_line { Align::Center } else { Align::Min };
        ui.allocate_ui_with_layout(row, Layout::right_to_left(align), |ui| {
            // Laid out from the right, so the last answer comes first.
            for (answer, hint, asked) in answers.into_iter().rev() {
                if plain_button(ui, answer, hint).clicked() {
                    action = Some(asked);
                }
            }
            ui.with_layout(Layout::left_to_right(align), |ui| {
                ui.add_space(4.0);
                if let Some(word) = word {
                    ui.colored_label(ink, word);
                }
                if one_line {
                    ui.label(&text);
                } else {
                    let area = ScrollArea::vertical().max_height(110.0).auto_shrink([false, true]);
                    area.show(ui, |ui| ui.vertical(|ui| ui.label(&text)));
                }
            });
        });
    });
    let rect = shown.response.rect;
    ui.painter().hline(rect.x_range(), rect.bottom(), Stroke::new(1.0, palette.line));
    ui.painter().vline(rect.left() + 2.0, rect.y_range(), Stroke::new(4.0, ink));
    action
}

/// Asks what kind of frames fell on the window.
pub fn dropped(ui: &mut Ui, state: &State) -> Option<Action> {
    let n = state.dropped.len();
    if n == 0 {
        return None;
    }
    let what = if n == 1 { "What was dropped is".to_owned() } else { format!("The {n} things dropped are") };
    let mut answers: Vec<Answer> = vec![("Light frames", "More frames of the same night", Action::SortDropped(None))];
    answers.extend(CalibrationKind::ALL.map(|kind| (kind.name(), kind.hint(), Action::SortDropped(Some(kind)))));
    answers.push(("For the landscape", landscape::FRAMES_HINT, Action::SortDroppedForLand));
    answers.push(("None of these", "Leave them out (Esc)", Action::ForgetDropped));
    let ink = palette(ui).lamp;
    pinned(ui, ink, None, &what, answers)
}

/// The path field, when a path is to be typed.
pub fn path_field(ui: &mut Ui, state: &State) -> Option<Action> {
    let (label, verb) = match state.path_for? {
        PathFor::Frames => ("Path of a frame, of a folder of frames, or of a sheaf", "Add"),
        PathFor::MaskToLoad => ("Path of the mask picture to read", "Read"),
        PathFor::MaskToSave => ("Path of the PNG to write the mask to", "Write"),
        PathFor::LeftOut => ("Path of the PNG to write what was left out to", "Write"),
        PathFor::Layers => ("Path of the folder to write sky, land and mask to", "Write"),
        PathFor::Report => ("Path of the HTML file to write the report to", "Write"),
        PathFor::Export => ("Path of the file to write the picture to", "Write"),
        PathFor::FolderToWatch => ("Path of the folder that frames come into", "Watch"),
        PathFor::PlanPage => ("Path of the PDF to write the plan to", "Write"),
        PathFor::Calibration(kind) => match kind {
            CalibrationKind::Dark => ("Path of a dark frame or of a folder of them", "Add"),
            CalibrationKind::Flat => ("Path of a flat frame or of a folder of them", "Add"),
            CalibrationKind::Bias => ("Path of a bias frame or of a folder of them", "Add"),
        },
        PathFor::LandFrames => ("Path of a frame for the landscape or of a folder of them", "Add"),
        PathFor::LensProfileToLoad => ("Path of the lens profile to read", "Read"),
        PathFor::LensProfileToSave => ("Path of the file to write the lens profile to", "Write"),
        PathFor::SheafToSave => ("Path of the file to save the sheaf to", "Save"),
        PathFor::MovedFrames => ("Path of the folder that the frames are in now", "Look"),
        PathFor::ScratchFolder => ("Path of the folder for scratch files", "Use"),
    };
    let palette = palette(ui);
    let frame = Frame::new().fill(palette.wall).inner_margin(Margin::symmetric(14, 8));
    let typed = |ui: &mut Ui| {
        ui.set_width(ui.available_width());
        typed_path(ui, state, label, verb)
    };
    frame.show(ui, typed).inner
}

/// A named field for a path with the button that uses it.
pub fn typed_path(ui: &mut Ui, state: &State, label: &str, verb: &str) -> Option<Action> {
    let mut action = None;
    let mut text = state.typed_path.clone();
    ui.horizontal(|ui| {
        let name = ui.label(label);
        let buttons = match (state.path_for.is_some(), asks_again(state)) {
            (true, true) => 210.0,
            (true, false) => 150.0,
            (false, _) => 55.0,
        };
        let room = (ui.available_width() - buttons).max(160.0);
        let field = TextEdit::singleline(&mut text).id(single("path field")).desired_width(room);
        let response = ui.add(field).labelled_by(name.id).on_hover_text("Type or paste a path, then press Enter");
        if response.changed() {
            action = Some(Action::TypePath(text.clone()));
        }
        let entered = response.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
        let verb = if asks_again(state) { "Write over it" } else { verb };
        let ready = !text.trim().is_empty();
        let why_not = (!ready).then_some("no path is typed yet");
        let used = button_unless(ui, why_not, verb, "Use this path (Enter)").clicked();
        if ready && (used || entered) {
            action = Some(Action::UseTypedPath(text.clone()));
        }
        if state.path_for.is_some() && plain_button(ui, "Close", "Put this field away (Esc)").clicked() {
            action = Some(Action::StepBack);
        }
    });
    if asks_again(state) {
        quiet(ui, "A file of this name is there already: Enter once more writes over it, another name leaves it");
    }
    action
}

/// Whether the path in the field is that of a file which is not to be lost by mistake.
fn asks_again(state: &State) -> bool {
    state.path_for.is_some() && state.writes_over.as_ref() == Some(&state.typed_path)
}
