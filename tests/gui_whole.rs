//! The whole window without a screen: the shortest way to a picture, previews, strokes, and the keyboard.
#![cfg(feature = "gui")]

#[path = "support/raster.rs"]
mod raster;
#[allow(dead_code, reason = "shared with tests that need more of it")]
#[path = "support/stage.rs"]
mod stage;
#[allow(dead_code, reason = "shared with tests that need more of it")]
#[path = "support/window.rs"]
mod window;

#[path = "gui_whole/unreadable.rs"]
mod unreadable;

use std::path::Path;

use eframe::egui::accesskit::NodeId;
use eframe::egui::accesskit::Role;
use eframe::egui::{Event, Key, Modifiers, Pos2, Shape};
use egui_kittest::kittest::{NodeT, Queryable};
use image::RgbImage;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::canvas;
use nightsheaf::gui::correcting::Tool;
use nightsheaf::gui::keep::Keep;
use nightsheaf::gui::panels::{frames, night_line};
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::{PathFor, Section, Shown};
use nightsheaf::pipeline::{Combine, FrameKind, WhiteBalance};
use nightsheaf::settings::Preferences;
use stage::Stage;
use window::names_of_controls;

fn decoder() -> Option<&'static Path> {
    Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli")))
}

fn sample() -> Stage {
    sample_sized(stage::SIZE)
}

fn sample_sized(size: [u32; 2]) -> Stage {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let mut stage = Stage::open_sized(vec![folder], decoder(), size);
    stage.wait("the frames are measured", |state| state.sheaf.n_lights() == 11 && !state.measuring);
    stage.wait("the preview is there", |state| state.preview.is_some() && !state.previewing);
    stage
}

/// From the empty window to a written picture: four presses on the button that stands out, and no choice made.
#[test]
fn a_first_picture_takes_four_clicks() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let target = folder.path().join("first.tif");
    let mut stage = Stage::open(Vec::new(), decoder());
    stage.rest();
    stage.click("Try the sample frames");
    stage.wait("the frames are measured", |state| state.sheaf.n_lights() == 11 && !state.measuring);
    stage.click("Stack 10 frames");
    stage.wait("the stack is there", |state| state.report.is_some());
    let picture = stage.harness().get_by_label("Picture, unfolded").rect();
    assert!((0.0..100.0).contains(&picture.top()), "how it is developed comes in sight: {picture:?}");
    stage.click_last("Export…");
    stage.wait("the place is asked for", |state| state.path_for.is_some());
    stage.type_over(&target.display().to_string());
    stage.click("Write");
    stage.wait("it is written", |state| state.exported.is_some());
    assert_eq!(stage.n_clicks, 4, "presses of the pointer");
    let picture = image::open(&target).expect("a TIFF");
    assert_eq!((picture.width(), picture.height()), (1080, 720), "the size of the sample frames");
    assert!(matches!(picture, image::DynamicImage::ImageRgb16(_)), "16 bits a channel");

    // The same place again: what stands there is not lost by one press.
    std::fs::write(&target, "precious").expect("our own folder");
    stage.click_last("Export…");
    stage.wait("the place is asked for", |state| state.path_for.is_some());
    stage.type_over(&target.display().to_string());
    stage.click("Write");
    stage.rest();
    assert_eq!(std::fs::read(&target).expect("it stands").as_slice(), b"precious", "asked first");
    stage.click("Write over it");
    stage.wait("and then it is written over", |_| image::open(&target).is_ok());

    let left_out = folder.path().join("left-out.png");
    stage.apply(Action::ToggleSection(Section::File));
    stage.click("What was left out…");
    stage.wait("the place is asked for", |state| state.path_for.is_some());
    stage.type_over(&left_out.display().to_string());
    stage.click("Write");
    stage.wait("it is written", |state| state.notices.iter().any(|notice| notice.text.contains("What was left out")));
    let left_out = image::open(&left_out).expect("a PNG").into_luma16();
    assert_eq!(left_out.dimensions(), (1080, 720), "the size of the picture");
    assert!(left_out.pixels().any(|pixel| pixel.0[0] > 0), "the trails of the sample frames");
}

/// A name typed in haste, and what comes of it.
#[test]
fn a_wrong_path_is_named_stays_to_be_corrected_and_spoils_nothing() {
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames").display().to_string();
    let wrong = format!("{frames}x");
    let mut stage = Stage::open(Vec::new(), decoder());
    stage.rest();
    stage.harness().get_by_role(Role::TextInput).focus();
    stage.rest();
    stage.type_over(&wrong);
    stage.key(Modifiers::NONE, Key::Enter);
    stage.wait("it is told", |state| !state.notices.is_empty() && !state.measuring);
    let told = stage.state().notices[0].text.clone();
    assert!(told.contains(&wrong) && told.contains("check the name"), "the path and what to do: {told}");
    assert_eq!(stage.state().typed_path, wrong, "what was typed is there to be corrected");
    stage.type_over(&frames);
    stage.key(Modifiers::NONE, Key::Enter);
    stage.wait("the frames are measured", |state| state.sheaf.n_lights() == 11 && !state.measuring);
    assert!(stage.state().notices.is_empty(), "nothing is wrong any more: {:?}", stage.state().notices);
    assert_eq!((stage.state().typed_path.as_str(), stage.state().path_for), ("", None), "the field is done with");
    stage.wait("a frame is shown", |state| !state.opening);

    stage.apply(Action::ChooseFolder);
    stage.type_over(&wrong);
    stage.click("Add");
    stage.wait("it is told", |state| !state.notices.is_empty() && !state.measuring);
    assert_eq!(stage.state().path_for, Some(PathFor::Frames), "the field is there again");
    assert_eq!(stage.state().typed_path, wrong, "with what was typed");
    assert_eq!(stage.state().sheaf.n_lights(), 11, "the night is as it was");
    stage.key(Modifiers::NONE, Key::Escape);
    stage.apply(Action::AddPaths(vec![frames.into()]));
    stage.wait("it is measured again", |state| !state.measuring);
    assert!(stage.state().notices.is_empty(), "what was wrong is over: {:?}", stage.state().notices);
}

#[test]
fn a_path_that_does_not_exist_on_the_command_line_keeps_no_other_away() {
    let mut stage = Stage::open(vec!["no-such-night".into()], decoder());
    stage.wait("it is told", |state| !state.notices.is_empty());
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    stage.apply(Action::AddPaths(vec![frames, "nor-this-one".into()]));
    stage.wait("the frames are measured", |state| state.sheaf.n_lights() == 11 && !state.measuring);
    let told: Vec<String> = stage.state().notices.iter().map(|notice| notice.text.clone()).collect();
    assert!(told.len() == 1 && told[0].contains("nor-this-one"), "what was left out of the last ones: {told:?}");
}

#[test]
fn a_preview_answers_a_choice_before_the_run() {
    let mut stage = sample();
    assert_eq!(stage.state().shown, Some(Shown::Preview), "it comes on the canvas by itself");
    assert!(stage.state().found.as_ref().is_some_and(|found| found.confidence > 0.5), "with the landscape");
    assert!(!stage.state().keeping.unsaved, "nobody decided anything yet: the dark frames lay among the others");
    let before = stage.picture();
    let mut choices = stage.state().sheaf.choices.clone();
    choices.combine = Combine::Maximum;
    stage.apply(Action::Choose(Box::new(choices)));
    stage.wait("another preview is there", |state| !state.previewing);
    let after = stage.picture();
    let canvas = |picture: &RgbImage| image::imageops::crop_imm(picture, 480, 80, 400, 250).to_image();
    assert!(canvas(&before) != canvas(&after), "the maximum of five frames looks other than their mean");
}

#[test]
fn a_stroke_by_pointer_is_a_hint_and_is_taken_back_by_keys() {
    let mut stage = sample();
    stage.key(Modifiers::NONE, Key::P);
    let before = stage.state().sheaf.mask.clone();
    stage.drag(&[Pos2::new(600.0, 430.0), Pos2::new(640.0, 440.0), Pos2::new(690.0, 450.0)]);
    stage.wait("the hint is answered", |state| !state.correcting && state.sheaf.land == Land::Painted);
    assert!(stage.state().sheaf.mask != before, "the mask changed");
    let after = stage.state().sheaf.mask.clone();
    stage.key(Modifiers::COMMAND, Key::Z);
    assert_eq!(stage.state().sheaf.land, Land::Found, "found again");
    assert!(stage.state().sheaf.mask == before, "and as it was");
    stage.key(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    assert!(stage.state().sheaf.mask == after, "and made again");
}

#[test]
fn a_cancelled_run_leaves_nothing_and_can_be_begun_again() {
    let mut stage = sample();
    stage.apply(Action::Stack);
    stage.click("Cancel");
    stage.wait_for_button("Stack 10 frames");
    assert!(stage.state().report.is_none(), "no stack is left behind");
    assert!(stage.state().notices.is_empty(), "a cancel needs no words: {:?}", stage.state().notices);
    stage.click("Stack 10 frames");
    stage.wait("it can be begun again", |state| state.report.is_some());
}

#[test]
fn the_night_line_is_worked_by_the_keyboard_alone() {
    let mut stage = sample();
    let line = night_line::focus_id();
    let has_focus = |stage: &mut Stage| stage.harness().ctx.memory(|memory| memory.focused()) == Some(line);
    let mut presses = 0;
    while !has_focus(&mut stage) {
        stage.harness().key_press(Key::Tab);
        stage.harness().step();
        presses += 1;
        assert!(presses < 200, "the Tab key reaches the night line");
    }
    stage.key(Modifiers::NONE, Key::ArrowRight);
    assert_eq!(stage.state().shown, Some(Shown::Frame(0)), "the first frame of the night");
    stage.key(Modifiers::NONE, Key::ArrowRight);
    stage.key(Modifiers::SHIFT, Key::ArrowRight);
    assert_eq!(stage.state().chosen(), [1, 2], "two are chosen");
    stage.key(Modifiers::NONE, Key::X);
    assert_eq!(stage.state().sheaf.n_wanted(), 8, "both are set aside");
    stage.key(Modifiers::NONE, Key::X);
    assert_eq!(stage.state().sheaf.n_wanted(), 10, "and taken back");
    stage.key(Modifiers::NONE, Key::R);
    let reference = stage.state().sheaf.choices.reference.clone();
    assert_eq!(reference, Some(stage.state().sheaf.frames[1].path.clone()), "the sky is brought to it");
    assert!(has_focus(&mut stage), "the line keeps the focus");
    for _ in 0..20 {
        stage.key(Modifiers::NONE, Key::ArrowRight);
    }
    assert_eq!(stage.state().shown, Some(Shown::Frame(10)), "darks are no part of the night");
}

#[test]
fn every_control_of_the_whole_window_has_a_name_and_the_tab_key_goes_through_them() {
    let mut stage = sample();
    for section in [Section::Foreground, Section::Sky, Section::Landscape, Section::File] {
        stage.apply(Action::ToggleSection(section));
    }
    stage.apply(Action::TakeTool(Tool::Brush));
    let names = names_of_controls(stage.harness());
    assert!(names.len() > 60, "{} controls were looked at: {names:?}", names.len());
    let marks: Vec<String> = stage.state().sheaf.frames.iter().map(frames::spoken).collect();
    let mut missing: Vec<NodeId> = Vec::new();
    for node in stage.harness().root().children_recursive() {
        let node = node.accesskit_node();
        let name = node.label().unwrap_or_default();
        // The marks of the night line are one control: arrow keys step through them.
        let is_mark = marks.iter().any(|mark| name.starts_with(mark.as_str()));
        if window::CONTROLS.contains(&node.role()) && !node.is_disabled() && !is_mark {
            missing.push(node.locate().0);
        }
    }
    let n_controls = missing.len();
    assert!(n_controls > 50, "{n_controls} are enabled and no marks");
    for _ in 0..2 * names.len() {
        stage.harness().key_press(Key::Tab);
        stage.harness().step();
        let focused = stage.harness().root().children_recursive().find(|node| node.accesskit_node().is_focused());
        let focused = focused.map(|node| node.accesskit_node().locate().0);
        missing.retain(|id| Some(*id) != focused);
    }
    let root = stage.harness().root();
    let left = root.children_recursive().filter(|node| missing.contains(&node.accesskit_node().locate().0));
    let left: Vec<String> = left.map(|node| node.accesskit_node().label().unwrap_or_default()).collect();
    assert!(left.is_empty(), "of {n_controls} controls the Tab key does not reach {left:?}");
}

#[test]
fn a_range_is_of_lights_and_what_calibrates_them_stays_so() {
    let mut stage = sample();
    let n_darks = |stage: &Stage| {
        stage.state().sheaf.frames.iter().filter(|frame| frame.calibrates_as() == Some(FrameKind::Dark)).count()
    };
    let n_before = n_darks(&stage);
    assert!(n_before > 0, "the sample frames have darks");
    stage.apply(Action::Show(Shown::Frame(8)));
    for _ in 0..6 {
        stage.key(Modifiers::SHIFT, Key::ArrowRight);
    }
    assert_eq!(stage.state().chosen(), [8, 9, 10], "to the last light and no further");
    let n_wanted = stage.state().sheaf.n_wanted();
    stage.key(Modifiers::NONE, Key::X);
    assert_eq!(stage.state().sheaf.n_wanted(), n_wanted - 3, "three are set aside");
    stage.key(Modifiers::NONE, Key::X);
    assert_eq!((n_darks(&stage), stage.state().sheaf.n_wanted()), (n_before, n_wanted), "darks are as they were");

    let dark = stage.state().sheaf.frames.iter().position(|frame| frame.calibrates_as().is_some()).expect("a dark");
    stage.apply(Action::ExtendTo(dark));
    assert_eq!(stage.state().chosen(), [dark], "a dark ends no range, it is shown");
    stage.key(Modifiers::NONE, Key::X);
    assert_eq!(n_darks(&stage), n_before - 1, "one alone can be made a light");
    stage.key(Modifiers::COMMAND, Key::Z);
    assert_eq!(n_darks(&stage), n_before, "and taken back");

    // Two presses within one frame of the screen, each with its own Shift.
    stage.apply(Action::Show(Shown::Frame(3)));
    for shift in [true, true] {
        let modifiers = if shift { Modifiers::SHIFT } else { Modifiers::NONE };
        let (key, physical_key) = (Key::ArrowRight, None);
        stage.harness().event(Event::Key { key, physical_key, pressed: true, repeat: false, modifiers });
    }
    stage.rest();
    assert_eq!(stage.state().chosen(), [3, 4, 5], "by the press and not by what is held a moment later");
}

#[test]
fn what_is_typed_just_before_enter_counts() {
    let mut stage = Stage::open(Vec::new(), decoder());
    stage.rest();
    stage.harness().get_by_role(Role::TextInput).focus();
    stage.rest();
    stage.type_over("/no-such-nigh");
    // A slow frame of the screen takes the last letter and Enter together.
    stage.harness().event(Event::Text("t".to_owned()));
    stage.harness().key_press(Key::Enter);
    stage.wait("it is told", |state| !state.notices.is_empty() && !state.measuring);
    let told = stage.state().notices[0].text.clone();
    assert!(told.contains("/no-such-night"), "the whole path: {told}");
}

#[test]
fn the_picture_is_worked_by_the_keyboard_alone() {
    let mut stage = sample();
    stage.key(Modifiers::NONE, Key::Num1);
    let before = stage.state().view;
    stage.key(Modifiers::NONE, Key::Plus);
    let after = stage.state().view;
    assert!(after.zoom != before.zoom && after.center.distance(before.center) < 0.01, "about the middle: {after:?}");

    let focus = |stage: &mut Stage| stage.harness().ctx.memory_mut(|memory| memory.request_focus(canvas::focus_id()));
    focus(&mut stage);
    stage.rest();
    stage.key(Modifiers::NONE, Key::ArrowRight);
    let moved = stage.state().view.center;
    assert!(moved.x > after.center.x && moved.y == after.center.y, "what lies to the right comes in sight: {moved:?}");
    stage.key(Modifiers::SHIFT, Key::ArrowDown);
    assert!(stage.state().view.center.y - moved.y > 2.0 * (moved.x - after.center.x), "farther with Shift");
    stage.key(Modifiers::NONE, Key::F);

    // A polygon: three corners, and Enter a second time at the last one.
    stage.key(Modifiers::NONE, Key::O);
    for (key, n) in [(Key::ArrowUp, 4), (Key::ArrowRight, 6), (Key::ArrowDown, 5)] {
        for _ in 0..n {
            stage.key(Modifiers::SHIFT, key);
        }
        stage.key(Modifiers::NONE, Key::Enter);
    }
    assert_eq!(stage.state().corners.len(), 3, "{:?}", stage.state().corners);
    assert!(stage.state().corners[1].x > stage.state().corners[0].x, "to the right");
    let before = stage.state().sheaf.mask.clone();
    stage.key(Modifiers::NONE, Key::Enter);
    stage.wait("it is filled", |state| !state.correcting && state.corners.is_empty());
    assert!(stage.state().sheaf.mask != before && stage.state().sheaf.land == Land::Painted, "filled");

    // A dab of the brush.
    stage.key(Modifiers::NONE, Key::Escape);
    stage.key(Modifiers::NONE, Key::P);
    let before = stage.state().sheaf.mask.clone();
    stage.key(Modifiers::NONE, Key::ArrowUp);
    stage.key(Modifiers::NONE, Key::Space);
    stage.wait("it is drawn", |state| !state.correcting);
    assert!(stage.state().sheaf.mask != before, "where the cross is");

    // What is grey.
    stage.key(Modifiers::NONE, Key::C);
    assert!(stage.state().picking, "by its key");
    stage.key(Modifiers::NONE, Key::ArrowDown);
    stage.key(Modifiers::NONE, Key::Enter);
    let white = stage.state().sheaf.choices.develop.white_balance;
    assert!(matches!(white, WhiteBalance::Picked(_)), "picked at the cross: {white:?}");
}

#[test]
fn a_key_that_can_do_nothing_says_why_and_the_next_one_that_can_clears_it() {
    let mut stage = sample();
    assert_eq!(stage.state().shown, Some(Shown::Preview), "no single frame");
    for (key, why) in [(Key::X, "no single frame"), (Key::R, "no single frame"), (Key::S, "no stack yet")] {
        stage.key(Modifiers::NONE, key);
        let told: Vec<_> = stage.state().notices.iter().map(|notice| notice.text.clone()).collect();
        assert!(told.len() == 1 && told[0].contains(why), "{key:?}: {told:?}");
    }
    stage.key(Modifiers::NONE, Key::ArrowRight);
    assert!(stage.state().notices.is_empty(), "read and over: {:?}", stage.state().notices);
}

/// The line below the picture while the pointer rests at `place`.
fn readout(stage: &mut Stage, place: Pos2, action: Action) -> String {
    stage.apply(action);
    stage.harness().hover_at(place);
    stage.rest();
    let node = stage.harness().get_by_label_contains("Under the pointer");
    let words = node.accesskit_node().label().or(node.accesskit_node().value()).unwrap_or_default();
    assert!(words.contains("column"), "it tells the place: {words}");
    words
}

#[test]
fn the_readout_tells_what_is_under_the_pointer_on_either_side_of_the_divider() {
    let mut stage = sample();
    stage.apply(Action::Stack);
    stage.wait("the stack is there", |state| state.report.is_some());
    let place = Pos2::new(300.0, 300.0);
    let on_stack = readout(&mut stage, place, Action::MoveDivider(0.0));
    let left_of_divider = readout(&mut stage, place, Action::MoveDivider(0.9));
    assert!(left_of_divider != on_stack, "the single frame has other values than {on_stack}");
    assert_eq!(readout(&mut stage, place, Action::HoldSingle(true)), left_of_divider, "those of the frame alone");
}

/// All words on the screen.
fn words_seen(stage: &mut Stage) -> Vec<String> {
    fn collect(shape: &Shape, words: &mut Vec<String>) {
        match shape {
            Shape::Text(text) => words.push(text.galley.text().to_owned()),
            Shape::Vec(shapes) => shapes.iter().for_each(|shape| collect(shape, words)),
            _ => {}
        }
    }
    let mut words = Vec::new();
    stage.harness().output().shapes.iter().for_each(|clipped| collect(&clipped.shape, &mut words));
    words
}

#[test]
fn the_noise_of_either_side_is_told_also_where_there_is_little_room() {
    let mut stage = sample_sized([880, 560]);
    for divider in [0.8, 0.5, 0.2] {
        stage.apply(Action::MoveDivider(divider));
        let words = words_seen(&mut stage);
        let told = words.iter().filter(|words| words.contains("σ 0")).count();
        assert_eq!(told, 2, "at {divider}: {words:?}");
    }
}

#[test]
fn all_preferences_are_in_sight_in_a_window_of_usual_size() {
    let mut stage = Stage::open(Vec::new(), decoder());
    stage.apply(Action::Keep(Keep::TogglePreferences));
    let sheet = stage.harness().get_by_role_and_label(Role::Dialog, "Preferences").rect();
    let last = stage.harness().get_by_label("Close").rect();
    assert!(sheet.contains_rect(last), "nothing has to be scrolled: {last:?} in {sheet:?}");
}

#[test]
fn large_text_leaves_everything_in_reach() {
    let mut stage = sample();
    let preferences = Preferences { scale: 2.5, ..stage.state().keeping.preferences.clone() };
    stage.apply(Action::Keep(Keep::Prefer(Box::new(preferences))));
    let window = stage.harness().ctx.content_rect();
    assert!(window.width() < 520.0, "a small room for large text: {window:?}");
    for (asked, name) in [(Keep::TogglePreferences, "Preferences"), (Keep::ToggleRecent, "Recent sheaves")] {
        stage.apply(Action::Keep(asked.clone()));
        let sheet = stage.harness().get_by_role_and_label(Role::Dialog, name).rect();
        assert!(window.contains_rect(sheet), "{name} at {sheet:?} in {window:?}");
        stage.apply(Action::Keep(asked));
    }
    let column = stage.harness().get_by_label("Frames, unfolded").rect();
    assert!(column.left() > 0.35 * window.width(), "the picture keeps its part: {column:?}");
    let plan = stage.harness().get_by_label("Sheaf: Save").rect();
    assert!(window.contains_rect(plan), "the foot is in sight: {plan:?}");
}

#[test]
fn a_picture_is_written_among_the_pictures_and_its_whole_path_is_told() {
    let mut stage = sample();
    stage.apply(Action::Stack);
    stage.wait("the stack is there", |state| state.report.is_some());
    stage.apply(Action::ChooseExportTarget);
    let typed = Path::new(&stage.state().typed_path).to_owned();
    assert!(typed.is_absolute() && typed.ends_with("night.tif"), "{}", typed.display());
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    assert!(!typed.starts_with(&frames), "never among the frames: {}", typed.display());
    stage.key(Modifiers::NONE, Key::Escape);

    let folder = tempfile::tempdir_in(env!("CARGO_MANIFEST_DIR")).expect("our own folder");
    let name = folder.path().file_name().expect("a name");
    // From where the tests are started, which is our own folder.
    stage.apply(Action::Export(Path::new(name).join("low.jpg")));
    stage.wait("it is written", |state| state.exported.is_some());
    let told = stage.state().notices.last().map(|notice| notice.text.clone()).unwrap_or_default();
    let whole = folder.path().join("low.jpg");
    assert!(whole.is_file() && told.contains(&whole.display().to_string()), "{told}");
    stage.apply(Action::ChooseExportTarget);
    assert!(Path::new(&stage.state().typed_path).starts_with(folder.path()), "where the last one went");
}
