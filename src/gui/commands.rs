//! All that can be asked for by name or by key, in the order in which the list shows it.

use crate::gui::action::Action;
use crate::gui::calibration::CalibrationKind;
use crate::gui::correcting::{EdgeChange, Tool};
use crate::gui::keep::Keep;
use crate::gui::sheaf::{Choices, Land};
use crate::gui::state::{Shown, State};
use crate::gui::strokes::BrushKind;
use crate::gui::theme::Theme;
use crate::gui::view::Zoom;
use crate::pipeline::{Combine, DevelopSettings, FileFormat, WhiteBalance};

/// Something that can be asked for.
pub struct Command {
    /// Its key, as printed on the keyboard; empty where it has none.
    pub keys: &'static str,
    /// What it does.
    pub name: &'static str,
    /// What it asks for in the present state; `None` where a key must be held.
    pub action: Option<fn(&State) -> Action>,
}

const fn command(keys: &'static str, name: &'static str, action: fn(&State) -> Action) -> Command {
    Command { keys, name, action: Some(action) }
}

/// Commands about frames.
const FRAMES: [Command; 21] = [
    command("Left", "Frame before", |_| Action::Step(-1)),
    command("Right", "Frame after", |_| Action::Step(1)),
    Command { keys: "Shift Left, Right", name: "Choose several frames", action: None },
    command("X", "Set aside or take back", |_| Action::ToggleAside),
    command("R", "Bring the sky to this frame", |_| Action::ToggleReference),
    command("Ctrl O", "Add files or open a sheaf…", |_| Action::ChooseFiles),
    command("Ctrl Shift O", "Add folder…", |_| Action::ChooseFolder),
    command("", "Try the sample frames", |_| Action::TrySampleFrames),
    command("", "Start over", |_| Action::StartOver),
    command("", "Dark frames…", |_| Action::ChooseCalibration(CalibrationKind::Dark)),
    command("", "Flat frames…", |_| Action::ChooseCalibration(CalibrationKind::Flat)),
    command("", "Bias frames…", |_| Action::ChooseCalibration(CalibrationKind::Bias)),
    command("", "Without dark frames", |_| Action::ClearCalibration(CalibrationKind::Dark)),
    command("", "Without flat frames", |_| Action::ClearCalibration(CalibrationKind::Flat)),
    command("", "Without bias frames", |_| Action::ClearCalibration(CalibrationKind::Bias)),
    command("", "Frames for the landscape…", |_| Action::ChooseLandFrames { folder: false }),
    command("", "Folder for the landscape…", |_| Action::ChooseLandFrames { folder: true }),
    command("", "Landscape from the light frames", |_| Action::ClearLandFrames),
    command("", "Lens profile…", |_| Action::ChooseLensProfile),
    command("", "Without lens profile", |_| Action::UseLensProfile(None)),
    command("", "Save lens…", |_| Action::ChooseLensProfileTarget),
];

/// Commands about the picture on the canvas.
const PICTURE: [Command; 22] = [
    command("F", "Whole picture", |_| Action::Zoom(Zoom::Fit)),
    command("1", "100 %", |_| Action::Zoom(Zoom::Scale(1.0))),
    command("2", "200 %", |_| Action::Zoom(Zoom::Scale(2.0))),
    Command { keys: "+  -", name: "Closer, farther", action: None },
    command("S", "Show the stack", |_| Action::Show(Shown::Stack)),
    Command { keys: "B", name: "Hold: single frame alone", action: None },
    command("H", "Hatching on or off", |_| Action::ToggleHatching),
    command("D", "Star arrows on or off", |_| Action::ToggleResiduals),
    command("V", "Show the preview", |_| Action::Show(Shown::Preview)),
    command("G", "Sky glow or picture", |_| Action::ToggleGlow),
    command("", "Save what was left out…", |_| Action::ChooseLeftOutTarget),
    command("W", "Pick what is grey", |_| Action::TogglePicking),
    command("", "White as shot", |state| balanced(state, WhiteBalance::AsShot)),
    command("", "White by daylight", |state| balanced(state, WhiteBalance::Daylight)),
    command("", "White by a lamp", |state| balanced(state, WhiteBalance::Tungsten)),
    command("", "White from the sky", |state| balanced(state, WhiteBalance::FromSky)),
    command("", "Look as at first", |state| look(state, DevelopSettings::default())),
    command("", "File: TIFF 16-bit", |state| kept_as(state, FileFormat::Tiff16)),
    command("", "File: TIFF float", |state| kept_as(state, FileFormat::Tiff32f)),
    command("", "File: linear DNG", |state| kept_as(state, FileFormat::Dng)),
    command("", "File: PNG", |state| kept_as(state, FileFormat::Png)),
    command("", "File: JPEG", |state| kept_as(state, FileFormat::Jpeg)),
];

/// Commands about what is landscape.
const FOREGROUND: [Command; 18] = [
    command("P", "Brush: land", |_| Action::TakeBrush(BrushKind::Add)),
    command("E", "Brush: sky", |_| Action::TakeBrush(BrushKind::Remove)),
    command("[", "Smaller brush", |state| Action::ResizeBrush(state.brush.radius_px / 1.25)),
    command("]", "Larger brush", |state| Action::ResizeBrush(state.brush.radius_px * 1.25)),
    command("O", "Polygon", |_| Action::TakeTool(Tool::Polygon)),
    command("L", "Level line", |_| Action::TakeTool(Tool::LevelLine)),
    command("Enter", "Close the shape", |_| Action::CloseShape),
    command("Backspace", "Take a corner back", |_| Action::DropCorner),
    command("A", "Snap to the real edge", |_| Action::ToggleSnap),
    command("", "Grow the landscape", |state| Action::ChangeEdge(EdgeChange::Grow(state.edge_px))),
    command("", "Shrink the landscape", |state| Action::ChangeEdge(EdgeChange::Shrink(state.edge_px))),
    command("", "Feather the landscape", |state| Action::ChangeEdge(EdgeChange::Feather(state.edge_px))),
    command("", "Invert the landscape", |_| Action::ChangeEdge(EdgeChange::Invert)),
    command("", "Landscape found by motion", |_| Action::ChooseLand(Land::Found)),
    command("", "Landscape as painted", |_| Action::ChooseLand(Land::Painted)),
    command("", "No landscape, sky only", |_| Action::ChooseLand(Land::Nothing)),
    command("", "Load mask…", |_| Action::ChooseMask),
    command("", "Save mask…", |_| Action::ChooseMaskTarget),
];

fn balanced(state: &State, white_balance: WhiteBalance) -> Action {
    look(state, DevelopSettings { white_balance, ..state.sheaf.choices.develop.clone() })
}

fn look(state: &State, develop: DevelopSettings) -> Action {
    Action::Choose(Box::new(Choices { develop, ..state.sheaf.choices.clone() }))
}

fn kept_as(state: &State, format: FileFormat) -> Action {
    Action::Choose(Box::new(Choices { format, ..state.sheaf.choices.clone() }))
}

fn combined(state: &State, combine: Combine) -> Action {
    Action::Choose(Box::new(Choices { combine, ..state.sheaf.choices.clone() }))
}

/// Commands about the work as a whole.
const WORK: [Command; 26] = [
    command("Ctrl Enter", "Stack", |_| Action::Stack),
    command("", "Combine: clipped mean", |state| combined(state, Combine::ClippedMean)),
    command("", "Combine: mean", |state| combined(state, Combine::Mean)),
    command("", "Combine: median", |state| combined(state, Combine::Median)),
    command("", "Combine: maximum, star trails", |state| combined(state, Combine::Maximum)),
    command("Ctrl E", "Export…", |_| Action::ChooseExportTarget),
    command("T", "Plan and field check", |_| Action::TogglePlan),
    command("", "Watch a folder…", |_| Action::ChooseFolderToWatch),
    command("", "Stop watching", |_| Action::StopWatching),
    command("", "Plan by the frame shown", |_| Action::PlanFromFrame),
    command("", "Save the page of the plan…", |_| Action::ChoosePageTarget),
    command("Ctrl Z", "Undo", |_| Action::Undo),
    command("Ctrl Shift Z", "Redo", |_| Action::Redo),
    command("Esc", "Step back, cancel", |_| Action::StepBack),
    command("", "Copy the last notice", |state| Action::CopyNotice(last_notice(state))),
    command("", "Dismiss the last notice", |state| Action::Dismiss(last_notice(state))),
    command("Ctrl S", "Save the sheaf", |_| Action::Keep(Keep::Save)),
    command("Ctrl Shift S", "Save the sheaf as…", |_| Action::Keep(Keep::SaveAs)),
    command("", "Recent sheaves…", |_| Action::Keep(Keep::ToggleRecent)),
    command("", "Open the last sheaf", open_last),
    command("Ctrl ,", "Preferences…", |_| Action::Keep(Keep::TogglePreferences)),
    command("Ctrl Q", "Quit", |_| Action::Quit),
    command("N", "Next light", |state| Action::UseTheme(state.theme.next())),
    command("", "Dark light", |_| Action::UseTheme(Theme::Dark)),
    command("", "Red light", |_| Action::UseTheme(Theme::Red)),
    command("", "Paper light", |_| Action::UseTheme(Theme::Paper)),
];

/// All commands by what they are about.
pub const GROUPS: [(&str, &[Command]); 4] =
    [("Frames", &FRAMES), ("Picture", &PICTURE), ("Foreground", &FOREGROUND), ("Work", &WORK)];

/// The sheaf opened or saved last; their list where there is none.
fn open_last(state: &State) -> Action {
    let last = state.keeping.recent.first().cloned();
    Action::Keep(last.map_or(Keep::ToggleRecent, Keep::Open))
}

/// The notice on top.
fn last_notice(state: &State) -> usize {
    state.notices.len().saturating_sub(1)
}

/// Whether a command's name or key has all words of `search` in it, in any case.
#[must_use]
pub fn matches(command: &Command, search: &str) -> bool {
    let text = format!("{} {}", command.name, command.keys).to_lowercase();
    search.to_lowercase().split_whitespace().all(|word| text.contains(word))
}

/// What the first command found asks for.
#[must_use]
pub fn first_match(state: &State, search: &str) -> Option<Action> {
    let all = GROUPS.iter().flat_map(|(_, commands)| commands.iter());
    let found = all.filter(|command| matches(command, search)).find_map(|command| command.action)?;
    Some(found(state))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_command_is_found_by_parts_of_its_words() {
        let state = State::default();
        assert_eq!(first_match(&state, "mask load"), Some(Action::ChooseMask), "words in any order");
        assert_eq!(first_match(&state, "EXPORT"), Some(Action::ChooseExportTarget), "in any case");
        assert_eq!(first_match(&state, "telescope"), None, "not there");
    }
}
