//! All that can be asked for by name or by key, in the order in which the list shows it.

use crate::gui::action::Action;
use crate::gui::calibration::CalibrationKind;
use crate::gui::correcting::{EdgeChange, Tool};
use crate::gui::keep::Keep;
use crate::gui::panels::picture::DEFAULT_STOPS;
use crate::gui::panels::preferences::SCALES;
use crate::gui::reasons::why_not_listed;
use crate::gui::sheaf::{Choices, Land};
use crate::gui::state::{Section, Shown, State};
use crate::gui::strokes::BrushKind;
use crate::gui::theme::Theme;
use crate::gui::view::Zoom;
use crate::pipeline::{
    Colors, Combine, Compression, DEFAULT_SKY_LEVEL, DevelopSettings, FileFormat, OutputSpace, Stretch, Vignetting,
    WhiteBalance, Writing,
};
use crate::settings::Preferences;

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
const FRAMES: [Command; 18] = [
    command("Left", "Frame before", |_| Action::Step(-1)),
    command("Right", "Frame after", |_| Action::Step(1)),
    Command { keys: "Shift Left, Right", name: "Choose several frames", action: None },
    command("X", "Set aside or take back", |_| Action::ToggleAside),
    command("R", "Bring the sky to this frame", |_| Action::ToggleReference),
    command("Mod O", "Add files or open a sheaf…", |_| Action::ChooseFiles),
    command("Mod Shift O", "Add folder…", |_| Action::ChooseFolder),
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
];

/// Commands about what is seen on the canvas.
const CANVAS: [Command; 14] = [
    command("F", "Whole picture", |_| Action::Zoom(Zoom::Fit)),
    command("1", "100 %", |_| Action::Zoom(Zoom::Scale(1.0))),
    command("2", "200 %", |_| Action::Zoom(Zoom::Scale(2.0))),
    command("+", "Closer", |_| Action::ZoomBy(1.25)),
    command("-", "Farther", |_| Action::ZoomBy(0.8)),
    Command { keys: "Arrows", name: "Tab to it: move the picture", action: None },
    Command { keys: "Arrows", name: "With a tool: move a cross", action: None },
    Command { keys: "Enter, Space", name: "Use the tool at the cross", action: None },
    command("S", "Show the stack", |_| Action::Show(Shown::Stack)),
    command("V", "Show the preview", |_| Action::Show(Shown::Preview)),
    Command { keys: "B", name: "Hold: single frame alone", action: None },
    command("H", "Hatching on or off", |_| Action::ToggleHatching),
    command("D", "Star arrows on or off", |_| Action::ToggleResiduals),
    command("G", "Sky glow or picture", |_| Action::ToggleGlow),
];

/// Commands about what is landscape.
const FOREGROUND: [Command; 19] = [
    command("P", "Brush: land", |_| Action::TakeBrush(BrushKind::Add)),
    command("E", "Brush: sky", |_| Action::TakeBrush(BrushKind::Remove)),
    command("[", "Smaller brush", |state| Action::ResizeBrush(state.brush.radius_px / 1.25)),
    command("]", "Larger brush", |state| Action::ResizeBrush(state.brush.radius_px * 1.25)),
    command("O", "Polygon", |_| Action::TakeTool(Tool::Polygon)),
    command("L", "Level line", |_| Action::TakeTool(Tool::LevelLine)),
    command("Enter", "Close the shape", |_| Action::CloseShape),
    command("Backspace", "Take a corner back", |_| Action::DropCorner),
    command("A", "Snap to the real edge", |_| Action::ToggleSnap),
    command("", "Lay the tool down", |_| Action::LayBrushDown),
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

/// Commands about the run.
const SKY: [Command; 14] = [
    command("Mod Enter", "Stack", |_| Action::Stack),
    command("Esc", "Step back, cancel", |_| Action::StepBack),
    command("", "Combine: clipped mean", |state| combined(state, Combine::ClippedMean)),
    command("", "Combine: mean", |state| combined(state, Combine::Mean)),
    command("", "Combine: median", |state| combined(state, Combine::Median)),
    command("", "Combine: maximum, star trails", |state| combined(state, Combine::Maximum)),
    command("", "Sky colors: chosen for me", |state| colored(state, Colors::Auto)),
    command("", "Sky colors: filled in", |state| colored(state, Colors::Interpolated)),
    command("", "Sky colors: as sampled", |state| colored(state, Colors::Sampled)),
    command("", "Let the reference be chosen", |state| {
        Action::Choose(Box::new(Choices { reference: None, ..state.sheaf.choices.clone() }))
    }),
    command("", "Lens profile…", |_| Action::ChooseLensProfile),
    command("", "Without lens profile", |_| Action::UseLensProfile(None)),
    command("", "Save lens…", |_| Action::ChooseLensProfileTarget),
    command("", "Save what was left out…", |_| Action::ChooseLeftOutTarget),
];

/// Commands about how the picture is developed.
const PICTURE: [Command; 10] = [
    command("C", "Pick what is grey", |_| Action::TogglePicking),
    command("", "White as shot", |state| balanced(state, WhiteBalance::AsShot)),
    command("", "White by daylight", |state| balanced(state, WhiteBalance::Daylight)),
    command("", "White by a lamp", |state| balanced(state, WhiteBalance::Tungsten)),
    command("", "White from the sky", |state| balanced(state, WhiteBalance::FromSky)),
    command("", "Stretch by the sky", |state| stretched(state, Stretch::Auto { sky_level: DEFAULT_SKY_LEVEL })),
    command("", "Stretch by stops", |state| stretched(state, Stretch::Stops(DEFAULT_STOPS))),
    command("", "Corners: even", |state| cornered(state, Vignetting::Auto)),
    command("", "Corners: as they are", |state| cornered(state, Vignetting::Off)),
    command("", "Look as at first", |state| look(state, DevelopSettings::default())),
];

/// Commands about what is written.
const FILE: [Command; 18] = [
    command("Mod E", "Export…", |_| Action::ChooseExportTarget),
    command("", "Layers: sky, land, mask…", |_| Action::ChooseLayersTarget),
    command("", "Report page…", |_| Action::ChooseReportTarget),
    command("", "File: TIFF 16-bit", |state| kept_as(state, FileFormat::Tiff16)),
    command("", "File: TIFF float", |state| kept_as(state, FileFormat::Tiff32f)),
    command("", "File: linear DNG", |state| kept_as(state, FileFormat::Dng)),
    command("", "File: PNG", |state| kept_as(state, FileFormat::Png)),
    command("", "File: JPEG", |state| kept_as(state, FileFormat::Jpeg)),
    command("", "Color space: sRGB", |state| spaced(state, OutputSpace::Srgb)),
    command("", "Color space: Rec. 2020", |state| spaced(state, OutputSpace::Rec2020)),
    command("", "Color space: camera linear", |state| spaced(state, OutputSpace::CameraLinear)),
    command("", "Packing: not packed", |state| packed(state, Compression::None)),
    command("", "Packing: Deflate", |state| packed(state, Compression::Deflate)),
    command("", "Tell the place, or not", |state| {
        let writing = state.sheaf.choices.writing;
        written(state, Writing { keep_place: !writing.keep_place, ..writing })
    }),
    command("Mod S", "Save the sheaf", |_| Action::Keep(Keep::Save)),
    command("Mod Shift S", "Save the sheaf as…", |_| Action::Keep(Keep::SaveAs)),
    command("", "Recent sheaves…", |_| Action::Keep(Keep::ToggleRecent)),
    command("", "Open the last sheaf", open_last),
];

/// Commands about the night before, and the hour in the field.
const PLAN: [Command; 5] = [
    command("T", "Plan and field check", |_| Action::TogglePlan),
    command("", "Watch a folder…", |_| Action::ChooseFolderToWatch),
    command("", "Stop watching", |_| Action::StopWatching),
    command("", "Plan by the frame shown", |_| Action::PlanFromFrame),
    command("", "Save the page of the plan…", |_| Action::ChoosePageTarget),
];

/// Commands about the window itself.
const WINDOW: [Command; 22] = [
    command("Mod Z", "Undo", |_| Action::Undo),
    command("Mod Shift Z", "Redo", |_| Action::Redo),
    command("", "Copy the last notice", |state| Action::CopyNotice(last_notice(state))),
    command("", "Dismiss the last notice", |state| Action::Dismiss(last_notice(state))),
    command("Mod ,", "Preferences…", |_| Action::Keep(Keep::TogglePreferences)),
    command("Mod +", "Larger text and controls", |state| scaled(state, true)),
    command("Mod -", "Smaller text and controls", |state| scaled(state, false)),
    command("", "Scratch folder…", |_| Action::Keep(Keep::ChooseScratch)),
    command("", "Fold, unfold: Frames", |_| Action::ToggleSection(Section::Frames)),
    command("", "Fold, unfold: Foreground", |_| Action::ToggleSection(Section::Foreground)),
    command("", "Fold, unfold: Sky", |_| Action::ToggleSection(Section::Sky)),
    command("", "Fold, unfold: Landscape", |_| Action::ToggleSection(Section::Landscape)),
    command("", "Fold, unfold: Picture", |_| Action::ToggleSection(Section::Picture)),
    command("", "Fold, unfold: File", |_| Action::ToggleSection(Section::File)),
    command("N", "Next light", |state| Action::UseTheme(state.theme.next())),
    command("", "Dark light", |_| Action::UseTheme(Theme::Dark)),
    command("", "Red light", |_| Action::UseTheme(Theme::Red)),
    command("", "Paper light", |_| Action::UseTheme(Theme::Paper)),
    Command { keys: "Tab", name: "Next control", action: None },
    command("?", "This list", |_| Action::ToggleKeys),
    command("Mod W", "Close the window", |_| Action::Quit),
    command("Mod Q", "Quit", |_| Action::Quit),
];

/// All commands by what they are about.
pub const GROUPS: [(&str, &[Command]); 8] = [
    ("Frames", &FRAMES),
    ("Canvas", &CANVAS),
    ("Foreground", &FOREGROUND),
    ("Sky", &SKY),
    ("Window", &WINDOW),
    ("Picture", &PICTURE),
    ("File", &FILE),
    ("Plan", &PLAN),
];

fn balanced(state: &State, white_balance: WhiteBalance) -> Action {
    look(state, DevelopSettings { white_balance, ..state.sheaf.choices.develop.clone() })
}

fn stretched(state: &State, stretch: Stretch) -> Action {
    look(state, DevelopSettings { stretch, ..state.sheaf.choices.develop.clone() })
}

fn cornered(state: &State, vignetting: Vignetting) -> Action {
    look(state, DevelopSettings { vignetting, ..state.sheaf.choices.develop.clone() })
}

fn spaced(state: &State, space: OutputSpace) -> Action {
    look(state, DevelopSettings { space, ..state.sheaf.choices.develop.clone() })
}

fn look(state: &State, develop: DevelopSettings) -> Action {
    Action::Choose(Box::new(Choices { develop, ..state.sheaf.choices.clone() }))
}

fn kept_as(state: &State, format: FileFormat) -> Action {
    Action::Choose(Box::new(Choices { format, ..state.sheaf.choices.clone() }))
}

fn packed(state: &State, compression: Compression) -> Action {
    written(state, Writing { compression, ..state.sheaf.choices.writing })
}

fn written(state: &State, writing: Writing) -> Action {
    Action::Choose(Box::new(Choices { writing, ..state.sheaf.choices.clone() }))
}

fn combined(state: &State, combine: Combine) -> Action {
    Action::Choose(Box::new(Choices { combine, ..state.sheaf.choices.clone() }))
}

fn colored(state: &State, colors: Colors) -> Action {
    Action::Choose(Box::new(Choices { colors, ..state.sheaf.choices.clone() }))
}

/// The next larger or smaller size of text and controls; the last one stays.
fn scaled(state: &State, larger: bool) -> Action {
    let preferences = &state.keeping.preferences;
    let now = preferences.scale;
    let mut scales = SCALES.iter().map(|one| one.value);
    let next = if larger { scales.find(|scale| *scale > now) } else { scales.rfind(|scale| *scale < now) };
    let preferences = Preferences { scale: next.unwrap_or(now), ..preferences.clone() };
    Action::Keep(Keep::Prefer(Box::new(preferences)))
}

/// The sheaf opened or saved last; their list where there is none.
fn open_last(state: &State) -> Action {
    let last = state.keeping.recent.first().cloned();
    Action::Keep(last.map_or(Keep::ToggleRecent, Keep::Open))
}

/// The notice on top.
fn last_notice(state: &State) -> usize {
    state.notices.len().saturating_sub(1)
}

/// Whether each word of `search`, in any case, is a part of the command's name or stands for its key.
#[must_use]
pub fn matches(command: &Command, search: &str) -> bool {
    let name = command.name.to_lowercase();
    search.to_lowercase().split_whitespace().all(|word| name.contains(word) || stands_for(word, command.keys))
}

/// Whether a word in small letters stands for keys that follow each other, such as `cmd+z`, or for one of them, which
/// may be typed in part where it has a name. The main modifier has either of its names on any platform.
fn stands_for(word: &str, keys: &str) -> bool {
    // A plus after something joins it to the next, and is a key where nothing stands before it.
    let pressed: Vec<&str> = word
        .split_inclusive('+')
        .map(|key| key.strip_suffix('+').filter(|key| !key.is_empty()).unwrap_or(key))
        .collect();
    let is_for = |pressed: &str, key: &str| if pressed.len() > 1 { key.starts_with(pressed) } else { key == pressed };
    let keys = keys.to_lowercase();
    let keys: Vec<&str> = keys.split([' ', ',']).filter(|key| !key.is_empty()).collect();
    keys.windows(pressed.len()).any(|keys| {
        keys.iter().zip(&pressed).all(|(&key, pressed)| match key {
            "mod" => is_for(pressed, "ctrl") || is_for(pressed, "cmd"),
            key => is_for(pressed, key),
        })
    })
}

/// The command that Enter takes for `search`: the one of this very name, else one that begins with it, else one
/// that has it anywhere; of several the one that can be done now, then the one that has a key of its own.
#[must_use]
pub fn best_match(state: &State, search: &str) -> Option<(&'static Command, Action)> {
    let wanted = search.trim().to_lowercase();
    if wanted.is_empty() {
        return None;
    }
    let all = GROUPS.iter().flat_map(|(_, commands)| commands.iter()).filter(|command| matches(command, &wanted));
    let can_be_asked = all.filter_map(|command| Some((command, command.action?(state))));
    can_be_asked.min_by_key(|(command, action)| {
        let name = command.name.to_lowercase();
        let cannot = why_not_listed(state, action).is_some();
        let is_it = name.trim_end_matches('…') == wanted;
        (!is_it, !name.starts_with(&wanted), cannot, command.keys.is_empty())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gui::sheaf::Frame;

    #[test]
    fn a_command_is_found_by_parts_of_its_words() {
        let state = State::default();
        let found = |search: &str| best_match(&state, search).map(|(command, _)| command.name);
        assert_eq!(found("mask load"), Some("Load mask…"), "words in any order");
        assert_eq!(found("EXPORT"), Some("Export…"), "in any case");
        assert_eq!(found("telescope"), None, "not there");
    }

    #[test]
    fn enter_takes_the_command_that_was_most_likely_meant() {
        let mut state = State::default();
        let found = |state: &State, search: &str| best_match(state, search).expect("some command").0.name;
        assert_eq!(found(&state, "stack"), "Stack", "its very name, though no frames are there");
        assert_eq!(found(&state, "load mask"), "Load mask…", "the name without its dots");
        assert_eq!(found(&state, "show the"), "Show the stack", "it begins so");
        assert_eq!(found(&state, "light"), "Next light", "no landscape has frames of its own: that cannot be done");
        assert_eq!(found(&state, "corners"), "Corners: even", "the first of several alike");
        assert!(best_match(&state, "hold: single").is_none(), "a key that must be held cannot be asked for");
        state.sheaf.frames.push(Frame::new("a.dng".into()));
        assert_eq!(found(&state, "save"), "Save the sheaf", "it can be done and has a key");
    }

    #[test]
    fn a_command_is_found_by_its_key_on_any_platform() {
        let found = |search: &str| {
            let all = GROUPS.iter().flat_map(|(_, commands)| commands.iter());
            all.filter(|command| matches(command, search)).map(|command| command.name).collect::<Vec<_>>()
        };
        for main in ["ctrl", "cmd", "Ctrl", "CMD"] {
            assert_eq!(found(&format!("{main}+z")), ["Undo"], "{main}: and not what has another key between them");
            assert_eq!(found(&format!("{main}+shift+z")), ["Redo"], "{main}: three keys");
            assert_eq!(found(&format!("{main}++")), ["Larger text and controls"], "{main}: a plus is a key too");
            assert!(found(&format!("{main}+")).contains(&"Undo"), "{main}: more is still to be typed");
            assert!(found(&main[..2]).contains(&"Undo"), "{main}: typed in part");
        }
        assert_eq!(found("+"), ["Closer", "Larger text and controls"], "the key itself, not what joins keys");
        assert_eq!(found("ctrl+s"), ["Save the sheaf"], "S alone, not the beginning of Shift");
        assert_eq!(found("undo ctrl"), ["Undo"], "by name and key together");
        assert_eq!(found("backsp"), ["Take a corner back"], "a key with a name, in part");
    }

    #[test]
    fn text_grows_and_shrinks_by_steps_and_stops_at_the_ends() {
        let mut state = State::default();
        let scale_after = |state: &State, larger: bool| match scaled(state, larger) {
            Action::Keep(Keep::Prefer(preferences)) => preferences.scale,
            action => panic!("{action:?}"),
        };
        assert_eq!((scale_after(&state, true), scale_after(&state, false)), (1.25, 0.75), "from 100 %");
        state.keeping.preferences.scale = 2.5;
        assert_eq!((scale_after(&state, true), scale_after(&state, false)), (2.5, 2.0), "from the largest");
    }

    #[test]
    fn no_key_of_the_list_stands_for_two_commands() {
        let all: Vec<&Command> = GROUPS.iter().flat_map(|(_, commands)| commands.iter()).collect();
        for (idx, one) in all.iter().enumerate().filter(|(_, one)| !one.keys.is_empty() && one.action.is_some()) {
            let other = all[idx + 1..].iter().find(|other| other.keys == one.keys && other.action.is_some());
            assert!(other.is_none(), "{}: {} and {}", one.keys, one.name, other.map_or("", |other| other.name));
        }
    }
}
