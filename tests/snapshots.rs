//! Each state of the window as a picture, compared with the one that was looked at and found good.
//!
//! The window is drawn by our own few lines (tests/support/raster.rs), which need no graphics and give the same
//! pixels everywhere. The stored pictures are regression values: they say what changed, not what is right.
//! After a wanted change, `NIGHTSHEAF_UPDATE_SNAPSHOTS=1 cargo test --test snapshots` writes them anew; look at
//! each before it is kept.
#![cfg(feature = "gui")]

#[path = "support/raster.rs"]
mod raster;
#[path = "support/stage.rs"]
mod stage;

use std::path::{Path, PathBuf};

use eframe::egui::accesskit::Role;
use eframe::egui::{Key, Modifiers, Pos2};
use egui_kittest::kittest::NodeT;
use image::imageops::{FilterType, resize};
use image::{GrayImage, RgbImage};
use nightsheaf::gui::action::Action;
use nightsheaf::gui::correcting::{EdgeChange, Tool};
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::{Section, Shown};
use nightsheaf::gui::theme::Theme;
use stage::Stage;

/// Two pictures differ in a place by more than this many of 255 steps before it counts.
const VISIBLE: u8 = 20;

/// Share of the places that may differ: some letters, or the edge of a progress bar.
const MOST_DIFFERENT: f64 = 0.01;

fn sample() -> Stage {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let mut stage = Stage::open(vec![folder], Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli"))));
    stage.wait("the frames are measured", |state| state.sheaf.frames.len() == 11 && !state.measuring);
    stage.wait("the preview is there", |state| state.preview.is_some() && !state.previewing);
    stage
}

/// Compares at half size and in grey: what a person would see, not what one rounding does.
fn compare(name: &str, picture: &RgbImage) {
    let small = |picture: &GrayImage| resize(picture, stage::SIZE[0] / 2, stage::SIZE[1] / 2, FilterType::Triangle);
    let found = small(&image::DynamicImage::ImageRgb8(picture.clone()).into_luma8());
    let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/snapshots").join(format!("{name}.png"));
    picture.save(PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("state-{name}.png"))).expect("room");
    if std::env::var_os("NIGHTSHEAF_UPDATE_SNAPSHOTS").is_some() {
        std::fs::create_dir_all(stored.parent().expect("it lies in a folder")).expect("room");
        found.save(&stored).expect("room for a small picture");
    }
    let expected = image::open(&stored).unwrap_or_else(|error| panic!("{}: {error}", stored.display())).into_luma8();
    assert_eq!(found.dimensions(), expected.dimensions(), "{name} has another size");
    let pairs = found.pixels().zip(expected.pixels());
    let different = pairs.filter(|(a, b)| a.0[0].abs_diff(b.0[0]) > VISIBLE).count();
    let share = different as f64 / found.pixels().len() as f64;
    assert!(
        share < MOST_DIFFERENT,
        "{:.2} % of {name} looks different: compare state-{name}.png in the build's temporary folder with {}",
        100.0 * share,
        stored.display()
    );
}

#[test]
fn an_empty_window_looks_as_it_did() {
    let mut stage = Stage::open(Vec::new(), None);
    stage.rest();
    compare("empty", &stage.picture());
}

#[test]
fn the_path_from_frames_to_a_stack_looks_as_it_did() {
    let mut stage = sample();
    compare("loaded", &stage.picture());
    for section in [Section::Frames, Section::Picture, Section::Foreground] {
        stage.apply(Action::ToggleSection(section));
    }
    stage.apply(Action::ChangeEdge(EdgeChange::Grow(6.0)));
    stage.wait("the edge is moved", |state| state.sheaf.land == Land::Painted && !state.correcting);
    stage.apply(Action::TakeTool(Tool::Polygon));
    for corner in [(300.0, 150.0), (420.0, 130.0), (400.0, 260.0)] {
        stage.apply(Action::AddCorner(Pos2::new(corner.0, corner.1)));
    }
    compare("masked", &stage.picture());
    stage.apply(Action::CloseShape);
    stage.wait("the polygon is filled", |state| !state.correcting && state.corners.is_empty());
    stage.apply(Action::Undo);
    stage.apply(Action::Undo);
    assert_eq!(stage.state().sheaf.land, Land::Found, "both are taken back");
    for section in [Section::Foreground, Section::Picture] {
        stage.apply(Action::ToggleSection(section));
    }
    stage.apply(Action::LayBrushDown);
    let running = stage.begin(Action::Stack);
    compare("running", &running);
    stage.wait("the stack is there", |state| state.report.is_some());
    compare("done", &stage.picture());
    stage.apply(Action::UseTheme(Theme::Red));
    let red = stage.picture();
    assert!(red.pixels().all(|pixel| pixel.0[1] == 0 && pixel.0[2] == 0), "the red light is red only");
    compare("done-red", &red);
    stage.apply(Action::UseTheme(Theme::Paper));
    compare("done-paper", &stage.picture());
}

#[test]
fn a_failure_looks_as_it_did() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    // A name of one length, so that the words break where they broke.
    let text = folder.path().join("diary.dng");
    std::fs::write(&text, "Clouds until midnight.\n").expect("a small file");
    let mut stage = Stage::open(vec![text], Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli"))));
    stage.wait("it is told", |state| !state.notices.is_empty());
    let place = stage.state().notices[0].text.clone();
    assert!(place.contains("diary.dng"), "the file is named: {place}");
    compare("error", &stage.picture());
}

/// From the empty window to a written picture: four presses, nothing to read but the words on them.
#[test]
fn a_first_picture_takes_four_clicks() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let target = folder.path().join("first.tif");
    let mut stage = Stage::open(Vec::new(), Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli"))));
    stage.rest();
    stage.click("Try the sample frames");
    stage.wait("the frames are measured", |state| state.sheaf.frames.len() == 11 && !state.measuring);
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
}

#[test]
fn a_preview_answers_a_choice_before_the_run() {
    let mut stage = sample();
    assert_eq!(stage.state().shown, Some(Shown::Preview), "it comes on the canvas by itself");
    assert!(stage.state().found.as_ref().is_some_and(|found| found.confidence > 0.5), "with the landscape");
    let before = stage.picture();
    let mut choices = stage.state().sheaf.choices.clone();
    choices.combine = nightsheaf::pipeline::Combine::Maximum;
    stage.apply(Action::Choose(Box::new(choices)));
    stage.wait("another preview is made", |state| state.previewing);
    stage.wait("it is there", |state| !state.previewing);
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
    stage.key(Modifiers::COMMAND, Key::Z);
    assert_eq!(stage.state().sheaf.land, Land::Found, "found again");
    assert!(stage.state().sheaf.mask == before, "and as it was");
}

#[test]
fn every_control_of_the_whole_window_has_a_name_and_is_reached_by_the_tab_key() {
    let mut stage = sample();
    for section in [Section::Foreground, Section::Sky, Section::Landscape, Section::File] {
        stage.apply(Action::ToggleSection(section));
    }
    stage.apply(Action::TakeTool(Tool::Brush));
    let used = [Role::Button, Role::RadioButton, Role::Slider, Role::SpinButton, Role::TextInput, Role::CheckBox];
    let mut names = Vec::new();
    for node in stage.harness().root().children_recursive() {
        let node = node.accesskit_node();
        if used.contains(&node.role()) {
            let name = node.label().unwrap_or_default();
            assert!(!name.trim().is_empty(), "a {:?} has no name", node.role());
            names.push(name);
        }
    }
    assert!(names.len() > 60, "{} controls were looked at: {names:?}", names.len());
    let mut reached = std::collections::HashSet::new();
    for _ in 0..2 * names.len() {
        stage.harness().key_press(Key::Tab);
        stage.harness().step();
        reached.extend(stage.harness().ctx.memory(|memory| memory.focused()));
    }
    // Controls that are disabled at present, and those scrolled out of sight in the list of frames, are left out.
    assert!(reached.len() * 2 > names.len(), "{} of {} controls were reached", reached.len(), names.len());
}
