//! All that can be asked for by name or by key, in the order in which the list shows it.

use crate::gui::action::Action;
use crate::gui::sheaf::Land;
use crate::gui::state::{Shown, State};
use crate::gui::strokes::BrushKind;
use crate::gui::theme::Theme;
use crate::gui::view::Zoom;

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
const FRAMES: [Command; 9] = [
    command("Left", "Frame before", |_| Action::Step(-1)),
    command("Right", "Frame after", |_| Action::Step(1)),
    Command { keys: "Shift Left, Right", name: "Choose several frames", action: None },
    command("X", "Set aside or take back", |_| Action::ToggleAside),
    command("R", "Bring the sky to this frame", |_| Action::ToggleReference),
    command("Ctrl O", "Add files…", |_| Action::ChooseFiles),
    command("Ctrl Shift O", "Add folder…", |_| Action::ChooseFolder),
    command("", "Try the sample frames", |_| Action::TrySampleFrames),
    command("", "Start over", |_| Action::StartOver),
];

/// Commands about the picture on the canvas.
const PICTURE: [Command; 15] = [
    command("F", "Whole picture", |_| Action::Zoom(Zoom::Fit)),
    command("1", "100 %", |_| Action::Zoom(Zoom::Scale(1.0))),
    command("2", "200 %", |_| Action::Zoom(Zoom::Scale(2.0))),
    Command { keys: "+  -", name: "Closer, farther", action: None },
    command("S", "Show the stack", |_| Action::Show(Shown::Stack)),
    Command { keys: "B", name: "Hold: single frame alone", action: None },
    command("H", "Hatching on or off", |_| Action::ToggleHatching),
    command("D", "Star arrows on or off", |_| Action::ToggleResiduals),
    command("P", "Brush: add land", |_| Action::TakeBrush(BrushKind::Add)),
    command("E", "Brush: take land away", |_| Action::TakeBrush(BrushKind::Remove)),
    command("[", "Smaller brush", |state| Action::ResizeBrush(state.brush.radius_px / 1.25)),
    command("]", "Larger brush", |state| Action::ResizeBrush(state.brush.radius_px * 1.25)),
    command("", "Landscape found by motion", |_| Action::ChooseLand(Land::Found)),
    command("", "Load mask…", |_| Action::ChooseMask),
    command("", "Save mask…", |_| Action::ChooseMaskTarget),
];

/// Commands about the work as a whole.
const WORK: [Command; 14] = [
    command("Ctrl Enter", "Stack", |_| Action::Stack),
    command("Ctrl E", "Export…", |_| Action::ChooseExportTarget),
    command("T", "Plan and field check", |_| Action::TogglePlan),
    command("", "Watch a folder…", |_| Action::ChooseFolderToWatch),
    command("", "Stop watching", |_| Action::StopWatching),
    command("", "Save the page of the plan…", |_| Action::ChoosePageTarget),
    command("Ctrl Z", "Undo", |_| Action::Undo),
    command("Ctrl Shift Z", "Redo", |_| Action::Redo),
    command("Esc", "Step back, cancel", |_| Action::StepBack),
    command("Ctrl Q", "Quit", |_| Action::Quit),
    command("N", "Next light", |state| Action::UseTheme(state.theme.next())),
    command("", "Dark light", |_| Action::UseTheme(Theme::Dark)),
    command("", "Red light", |_| Action::UseTheme(Theme::Red)),
    command("", "Paper light", |_| Action::UseTheme(Theme::Paper)),
];

/// All commands by what they are about.
pub const GROUPS: [(&str, &[Command]); 3] = [("Frames", &FRAMES), ("Picture", &PICTURE), ("Work", &WORK)];

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
