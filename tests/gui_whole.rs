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

use std::path::Path;

use eframe::egui::accesskit::Role;
use eframe::egui::{Key, Modifiers, Pos2};
use egui_kittest::kittest::Queryable;
use image::RgbImage;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::correcting::Tool;
use nightsheaf::gui::panels::night_line;
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::{PathFor, Section, Shown};
use nightsheaf::pipeline::Combine;
use stage::Stage;
use window::names_of_controls;

fn decoder() -> Option<&'static Path> {
    Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli")))
}

fn sample() -> Stage {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let mut stage = Stage::open(vec![folder], decoder());
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
    stage.click_last("Export…");
    stage.wait("the place is asked for", |state| state.path_for.is_some());
    stage.type_over(&target.display().to_string());
    stage.click("Write");
    stage.wait("it is written", |state| state.exported.is_some());
    assert_eq!(stage.n_clicks, 4, "presses of the pointer");
    let picture = image::open(&target).expect("a TIFF");
    assert_eq!((picture.width(), picture.height()), (1080, 720), "the size of the sample frames");
    assert!(matches!(picture, image::DynamicImage::ImageRgb16(_)), "16 bits a channel");

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
    assert_eq!(stage.state().chosen(), 1..=2, "two are chosen");
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
    let mut reached = Vec::new();
    for _ in 0..2 * names.len() {
        stage.harness().key_press(Key::Tab);
        stage.harness().step();
        let focused = stage.harness().ctx.memory(|memory| memory.focused());
        reached.extend(focused.filter(|id| !reached.contains(id)));
    }
    // Controls that are disabled at present are left out, and so are frames: arrow keys step through them.
    assert!(reached.len() * 2 > names.len(), "{} of {} controls were reached", reached.len(), names.len());
}
