//! The drawer of plan and field check through the accessibility tree, and the folder that is watched.
#![cfg(feature = "gui")]

#[allow(dead_code, reason = "shared with tests that need more of it")]
#[path = "support/raster.rs"]
mod raster;
#[allow(dead_code, reason = "shared with tests that need more of it")]
#[path = "support/stage.rs"]
mod stage;
#[path = "support/window.rs"]
mod window;

use std::path::{Path, PathBuf};

use eframe::egui::accesskit::Role;
use eframe::egui::{Key, Ui};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT, Queryable};
use nightsheaf::gui::action::Action;
use nightsheaf::gui::app::App;
use nightsheaf::gui::panels::plan;
use nightsheaf::gui::plan_form::{Field, LightFrom, PlanForm, PointingBy};
use nightsheaf::gui::sheaf::Frame;
use nightsheaf::gui::state::{Shown, State};
use nightsheaf::gui::theme::Theme;
use nightsheaf::synthetic::dng::write_cfa_dng;
use nightsheaf::synthetic::{Burst, LandKind, Scene};
use window::{names_of_controls, wait_until, window};

/// What the drawer shows and what was asked of it.
struct Stage {
    state: State,
    asked: Vec<Action>,
}

fn drawer<'a>(state: State) -> Harness<'a, Stage> {
    let draw = |ui: &mut Ui, stage: &mut Stage| {
        Theme::Dark.apply(ui.ctx());
        stage.asked.extend(plan::show(ui, &stage.state));
    };
    Harness::builder().with_size([420.0, 2200.0]).build_ui_state(draw, Stage { state, asked: Vec::new() })
}

fn alpine() -> PlanForm {
    let mut form = PlanForm::default();
    for (field, text) in [
        (Field::Latitude, "46.5"),
        (Field::Longitude, "8"),
        (Field::Date, "2027-03-10"),
        (Field::Zone, "Europe/Zurich"),
    ] {
        form.set(field, text.to_owned());
    }
    form
}

fn planned(form: PlanForm) -> State {
    State { planned: form.planned(None), plan_form: form, plan_shown: true, ..State::default() }
}

fn press(harness: &mut Harness<'_, Stage>, name: &str) {
    harness.get_by_label(name).click();
    harness.run();
}

/// Every text on the screen; spaces at which no line may break are as good as others.
fn texts(harness: &Harness<'_, impl Sized>) -> Vec<String> {
    let nodes = harness.root().children_recursive();
    let texts = nodes.into_iter().filter_map(|node| node.accesskit_node().value().or(node.accesskit_node().label()));
    texts.map(|text| text.replace('\u{a0}', " ")).collect()
}

fn says(harness: &Harness<'_, impl Sized>, part: &str) -> bool {
    texts(harness).iter().any(|text| text.contains(part))
}

#[test]
fn the_drawer_tells_the_night_the_shutter_the_frames_and_the_cautions() {
    let harness = drawer(planned(alpine()));
    for part in [
        "Chart of the night: dark without Moon 21:07 to",
        "Astronomical twilight (18°)",
        "300 over focal length",
        "25 s (common practice)",
        "7.4 s (F. Michaud, Société astronomique du Havre)",
        "13.4 s in the middle",
        "16 frames of 25 s",
        "from 25 frames on",
        "More frames help most",
        "Local rules and rangers come first",
        "Tides",
        "Alone",
    ] {
        assert!(says(&harness, part), "{part:?} is not among {:?}", texts(&harness));
    }
}

#[test]
fn without_a_place_it_says_what_is_missing_and_still_tells_the_shutter() {
    let mut form = alpine();
    form.set(Field::Latitude, String::new());
    let mut harness = drawer(planned(form));
    assert!(says(&harness, "Latitude and longitude tell when it is dark"), "{:?}", texts(&harness));
    assert!(says(&harness, "300 over focal length") && !says(&harness, "Sunset"), "{:?}", texts(&harness));
    press(&mut harness, "Save page…");
    assert_eq!(harness.state().asked, [], "there is no night to write");
}

#[test]
fn the_field_check_offers_a_frame_where_the_canvas_shows_several() {
    let mut harness = drawer(planned(alpine()));
    assert!(says(&harness, "Drop a frame on the window"), "there is none: {:?}", texts(&harness));
    let mut state = planned(alpine());
    state.sheaf.frames = ["a.dng", "b.dng", "c.dng"].map(|name| Frame::new(name.into())).to_vec();
    state.sheaf.frames[1].wanted = Some(false);
    state.shown = Some(Shown::Preview);
    harness = drawer(state);
    assert!(!says(&harness, "Drop a frame"), "there are some: {:?}", texts(&harness));
    press(&mut harness, "Check c.dng");
    assert_eq!(harness.state().asked, [Action::Show(Shown::Frame(2))], "one that takes part");
}

#[test]
fn what_is_typed_and_chosen_asks_for_another_plan() {
    let mut harness = drawer(planned(alpine()));
    harness.get_by_role_and_label(Role::TextInput, "Focal length, mm").focus();
    harness.run();
    harness.get_by_role_and_label(Role::TextInput, "Focal length, mm").type_text("4");
    harness.run();
    let Some(Action::EditPlan(form)) = harness.state().asked.last() else { panic!("{:?}", harness.state().asked) };
    assert!(form.text(Field::Focal).contains('4'), "typed: {}", form.text(Field::Focal));
    press(&mut harness, "Pointing by: Direction");
    let Some(Action::EditPlan(form)) = harness.state().asked.last() else { panic!("{:?}", harness.state().asked) };
    assert_eq!(form.pointing, PointingBy::Direction, "chosen");
    press(&mut harness, "Day after");
    let Some(Action::EditPlan(form)) = harness.state().asked.last() else { panic!("{:?}", harness.state().asked) };
    assert_eq!(form.text(Field::Date), "2027-03-11", "the next night");
    press(&mut harness, "Light and noise: Frame shown");
    press(&mut harness, "Save page…");
    press(&mut harness, "Watch a folder…");
    press(&mut harness, "Close plan");
    let last = &harness.state().asked[harness.state().asked.len() - 4..];
    let expected = [Action::PlanFromFrame, Action::ChoosePageTarget, Action::ChooseFolderToWatch, Action::TogglePlan];
    assert_eq!(last, expected, "one press each");
}

#[test]
fn everything_in_the_drawer_has_a_name() {
    let mut form = alpine();
    form.pointing = PointingBy::Direction;
    let harness = drawer(State { watching: Some(PathBuf::from("card")), ..planned(form) });
    let names = names_of_controls(&harness);
    assert!(names.len() > 22, "{} controls were looked at", names.len());
}

fn app<'a>(harness: &'a mut Harness<'_, Option<App>>) -> &'a mut App {
    harness.state_mut().as_mut().expect("the window was drawn")
}

#[test]
fn a_key_opens_the_drawer_and_its_plan_follows_the_fields_and_is_saved() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut harness = window(Vec::new());
    harness.key_press(Key::T);
    harness.step();
    harness.step();
    let today = app(&mut harness).state().plan_form.text(Field::Date).to_owned();
    assert!(today.parse::<jiff::civil::Date>().is_ok(), "it begins with this evening: {today}");
    app(&mut harness).apply(Action::EditPlan(Box::new(alpine())));
    harness.step();
    harness.step();
    assert!(says(&harness, "Night of") || says(&harness, "dark without Moon 21:07"), "{:?}", texts(&harness));
    let path = folder.path().join("night");
    app(&mut harness).apply(Action::SavePage(path.clone()));
    wait_until(&mut harness, "the page is written", |state| !state.notices.is_empty());
    let page = std::fs::read(path.with_extension("pdf")).expect("the page");
    assert!(page.starts_with(b"%PDF-"), "a PDF, with its ending added");
    harness.key_press(Key::T);
    harness.step();
    assert!(!app(&mut harness).state().plan_shown, "the same key puts it away");
}

fn frame_into(folder: &Path, name: &str, seed: u64) {
    let scene = Scene { n_lights: 1, land: LandKind::None, seed, ..Scene::small() };
    write_cfa_dng(&folder.join(name), &Burst::new(scene).light(0)).expect("room for a small frame");
}

#[test]
fn frames_that_come_into_a_watched_folder_join_the_night() {
    nightsheaf::pipeline::decode_by(PathBuf::from(env!("CARGO_BIN_EXE_nightsheaf-cli")));
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut harness = window(Vec::new());
    harness.step();
    app(&mut harness).apply(Action::WatchFolder(folder.path().join("missing")));
    assert!(app(&mut harness).state().notices[0].text.contains("missing"), "a missing folder is named");
    app(&mut harness).apply(Action::WatchFolder(folder.path().to_owned()));
    assert_eq!(app(&mut harness).state().watching.as_deref(), Some(folder.path()), "it watches");
    harness.step();
    frame_into(folder.path(), "night-001.dng", 1);
    wait_until(&mut harness, "the frame joined", |state| {
        state.sheaf.frames.len() == 1 && state.sheaf.frames[0].finding.is_some()
    });
    assert_eq!(app(&mut harness).state().shown, Some(Shown::Frame(0)), "the latest frame is shown");
    frame_into(folder.path(), "night-002.dng", 2);
    wait_until(&mut harness, "the second is measured", |state| {
        state.sheaf.frames.len() == 2 && state.sheaf.frames[1].finding.is_some()
    });
    let state = app(&mut harness).state();
    assert_eq!(state.shown, Some(Shown::Frame(1)), "and now that one");
    let finding = state.sheaf.frames[1].finding.as_ref().expect("just waited for");
    assert!(finding.measures.is_some_and(|measures| measures.stars > 20), "{}", finding.reason);
    harness.key_press(Key::T);
    harness.step();
    harness.step();
    assert!(says(&harness, "night-002.dng") && says(&harness, "best of this burst"), "{:?}", texts(&harness));
    app(&mut harness).apply(Action::StopWatching);
    assert_eq!(app(&mut harness).state().watching, None, "it stopped");
}

/// The drawer over the sample frames, drawn in all lights; the pictures stay in the build's temporary folder.
#[test]
fn the_drawer_is_drawn_in_every_light() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let mut stage = stage::Stage::open(vec![folder], Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli"))));
    stage.wait("the frames are measured", |state| state.sheaf.frames.len() >= 11 && !state.measuring);
    stage.apply(Action::Show(Shown::Frame(3)));
    stage.apply(Action::EditPlan(Box::new(alpine())));
    stage.apply(Action::TogglePlan);
    for theme in Theme::ALL {
        stage.apply(Action::UseTheme(theme));
        let picture = stage.picture();
        let name = format!("plan-{}.png", theme.name().to_lowercase());
        picture.save(PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(name)).expect("room for a picture");
        let red_only = picture.pixels().all(|pixel| pixel.0[1] == 0 && pixel.0[2] == 0);
        assert_eq!(red_only, theme == Theme::Red, "{}", theme.name());
    }
}

#[test]
fn light_from_the_frame_shown_needs_a_measured_frame() {
    let mut form = alpine();
    form.light = LightFrom::FrameShown;
    let problem = form.planned(None).problem.expect("no frame is shown");
    assert!(problem.contains("Show a raw frame"), "{problem}");
}
