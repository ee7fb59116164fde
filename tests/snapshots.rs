//! Each state of the window as a picture, compared with the one that was looked at and found good.
//!
//! The window is drawn by our own few lines (tests/support/raster.rs), which need no graphics and give the same
//! pixels everywhere. The stored pictures are regression values: they say what changed, not what is right.
//! After a wanted change, `NIGHTSHEAF_UPDATE_SNAPSHOTS=1 cargo test --test snapshots` writes them anew; look at
//! each before it is kept.
#![cfg(feature = "gui")]

#[path = "support/raster.rs"]
mod raster;
#[allow(dead_code, reason = "shared with tests that need more of it")]
#[path = "support/stage.rs"]
mod stage;

use std::path::{Path, PathBuf};

use eframe::egui::{Pos2, Rect};
use egui_kittest::kittest::Queryable;
use image::imageops::{FilterType, resize};
use image::{GrayImage, Luma, Rgb, RgbImage};
use nightsheaf::gui::action::Action;
use nightsheaf::gui::correcting::{EdgeChange, Tool};
use nightsheaf::gui::panels::frames;
use nightsheaf::gui::plan_form::{Field, PlanForm};
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::{Section, Shown};
use nightsheaf::gui::theme::Theme;
use stage::{SIZE, Stage};

/// A window as small as it is of use.
const SMALL: [u32; 2] = [880, 600];

/// Grey is stored in so many steps: the noise of a single frame would make the files large.
const STEPS: f32 = 16.0;

/// Two pictures differ in a place by more than this many of 255 before it counts: half a stored step, and as
/// much again for the last digits of another processor's arithmetic in the picture on the canvas.
const VISIBLE: u8 = 17;

/// Share of the places that may differ. Letters and lines are drawn from the same numbers everywhere, so only
/// the picture on the canvas may: a button that moved by its own height changes more than this.
const MOST_DIFFERENT: f64 = 0.0008;

fn decoder() -> Option<&'static Path> {
    Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli")))
}

/// The window over the sample frames, darks among them, as far as it comes by itself.
fn sample(size: [u32; 2]) -> Stage {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let mut stage = Stage::open_sized(vec![folder], decoder(), size);
    stage.wait("the frames are measured", |state| state.sheaf.n_lights() == 11 && !state.measuring);
    stage.wait("the preview is there", |state| state.preview.is_some() && !state.previewing);
    stage
}

/// At half size and in grey: what a person would see, not what one rounding does.
fn reduced(picture: &RgbImage) -> GrayImage {
    let gray = image::DynamicImage::ImageRgb8(picture.clone()).into_luma8();
    resize(&gray, picture.width() / 2, picture.height() / 2, FilterType::Triangle)
}

fn stored(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/snapshots").join(format!("{name}.png"))
}

/// Share of the places that look different from the stored picture of this name.
fn difference(name: &str, picture: &RgbImage) -> f64 {
    let (found, path) = (reduced(picture), stored(name));
    let expected = image::open(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display())).into_luma8();
    assert_eq!(found.dimensions(), expected.dimensions(), "{name} has another size");
    let pairs = found.pixels().zip(expected.pixels());
    let different = pairs.filter(|(a, b)| a.0[0].abs_diff(b.0[0]) > VISIBLE).count();
    different as f64 / found.pixels().len() as f64
}

fn compare(name: &str, picture: &RgbImage) {
    picture.save(PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("state-{name}.png"))).expect("room");
    if std::env::var_os("NIGHTSHEAF_UPDATE_SNAPSHOTS").is_some() {
        std::fs::create_dir_all(stored(name).parent().expect("it lies in a folder")).expect("room");
        let mut steps = reduced(picture);
        for Luma([value]) in steps.pixels_mut() {
            let step = (f32::from(*value) / 255.0 * (STEPS - 1.0)).round();
            // A share of 255, so the cast is exact.
            *value = (step / (STEPS - 1.0) * 255.0).round() as u8;
        }
        steps.save(stored(name)).expect("room for a small picture");
    }
    let share = difference(name, picture);
    assert!(
        share < MOST_DIFFERENT,
        "{:.3} % of {name} looks different: compare state-{name}.png in the build's temporary folder with {}",
        100.0 * share,
        stored(name).display()
    );
}

/// Covers what depends on the time of day: how far a run is.
fn cover(picture: &mut RgbImage, rect: Rect) {
    // All within the window, so the casts round down.
    for y in rect.top() as u32..rect.bottom() as u32 {
        for x in rect.left() as u32..rect.right() as u32 {
            picture.put_pixel(x, y, Rgb([0, 0, 0]));
        }
    }
}

#[test]
fn an_empty_window_looks_as_it_did() {
    let mut stage = Stage::open(Vec::new(), None);
    stage.rest();
    compare("empty", &stage.picture());
    stage.apply(Action::ToggleKeys);
    compare("commands", &stage.picture());
    let mut small = Stage::open_sized(Vec::new(), None, SMALL);
    small.apply(Action::ToggleKeys);
    compare("commands-small", &small.picture());
}

#[test]
fn the_path_from_frames_to_a_stack_looks_as_it_did() {
    let mut stage = sample(SIZE);
    compare("loaded", &stage.picture());
    stage.apply(Action::ToggleSection(Section::Picture));
    let changed = difference("loaded", &stage.picture());
    assert!(changed > 5.0 * MOST_DIFFERENT, "a section that folds is seen: {:.3} %", 100.0 * changed);

    for section in [Section::Frames, Section::Sky, Section::File] {
        stage.apply(Action::ToggleSection(section));
    }
    compare("sky-and-file", &stage.picture());
    for section in [Section::Sky, Section::File, Section::Foreground] {
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
    stage.apply(Action::LayBrushDown);
    for section in [Section::Foreground, Section::Frames, Section::Picture] {
        stage.apply(Action::ToggleSection(section));
    }

    let mut running = stage.begin(Action::Stack);
    let cancel = stage.harness().get_by_label("Cancel").rect();
    let (left, right) = (running.width() as f32 - 330.0, running.width() as f32);
    let step = Rect::from_min_max(Pos2::new(left, cancel.top()), Pos2::new(cancel.left() - 4.0, cancel.bottom()));
    let bar = Rect::from_min_max(Pos2::new(left, cancel.bottom() + 2.0), Pos2::new(right, cancel.bottom() + 40.0));
    cover(&mut running, step);
    cover(&mut running, bar);
    compare("running", &running);

    stage.wait("the stack is there", |state| state.report.is_some());
    compare("done", &stage.picture());
    stage.apply(Action::UseTheme(Theme::Red));
    let red = stage.picture();
    assert!(red.pixels().all(|pixel| pixel.0[1] == 0 && pixel.0[2] == 0), "the red light is red only");
    compare("done-red", &red);
    stage.apply(Action::UseTheme(Theme::Paper));
    compare("done-paper", &stage.picture());

    stage.apply(Action::UseTheme(Theme::Dark));
    // Files that were dropped are darks, flats or lights: that is asked. The stack is not written yet: so is that.
    stage.apply(Action::Drop(vec![PathBuf::from("sample-frames/dark-001.dng")]));
    compare("dropped", &stage.picture());
    stage.apply(Action::ForgetDropped);
    stage.apply(Action::StartOver);
    compare("question", &stage.picture());
}

#[test]
fn a_small_window_and_the_plan_in_it_look_as_they_did() {
    let mut stage = sample(SMALL);
    compare("small", &stage.picture());
    // An invented place and evening, so that the plan is the same on every day.
    let mut form = PlanForm::default();
    for (field, text) in [
        (Field::Latitude, "46.5"),
        (Field::Longitude, "8"),
        (Field::Date, "2027-03-10"),
        (Field::Zone, "Europe/Zurich"),
    ] {
        form.set(field, text.to_owned());
    }
    stage.apply(Action::EditPlan(Box::new(form)));
    stage.apply(Action::Show(Shown::Frame(5)));
    stage.apply(Action::TogglePlan);
    compare("small-plan", &stage.picture());
    stage.apply(Action::TogglePlan);
    for section in [Section::Frames, Section::Picture, Section::Foreground] {
        stage.apply(Action::ToggleSection(section));
    }
    stage.apply(Action::TakeTool(Tool::Brush));
    compare("small-brush", &stage.picture());
}

#[test]
fn a_failure_looks_as_it_did() {
    // A text that was dropped by mistake; by a short name, so that the words break where they broke.
    let text = PathBuf::from("sample-frames/README.md");
    let mut stage = Stage::open(vec![text], decoder());
    stage.wait("it is told", |state| !state.notices.is_empty() && !state.measuring);
    let told = stage.state().notices[0].text.clone();
    assert!(told.contains("README.md"), "the file is named: {told}");
    let sheaf = &stage.state().sheaf;
    assert_eq!(frames::summary(sheaf), "0 of 1 used", "what cannot be read takes no part");
    assert!(sheaf.frames[0].reason().contains("a picture is needed"), "and says why: {}", sheaf.frames[0].reason());
    compare("error", &stage.picture());
}
