//! Preferences and the remembered layout, from one start of the window to the next.

use std::fs;
use std::time::{Duration, Instant};

use eframe::egui::accesskit::Role;
use eframe::egui::{Key, Modifiers, Rect, ViewportId, pos2, vec2};
use egui_kittest::kittest::Queryable;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::{NoticeTone, PathFor, Section, Shown, State};
use nightsheaf::gui::theme::Theme;
use nightsheaf::settings::{Folders, Preferences, Remembered, ScreenLight};

use crate::support::{self, Window, night};

#[test]
fn preferences_take_effect_at_once_and_outlast_the_window() {
    let home = support::home();
    let mut window = Window::open(&[], home.path());
    window.key(Modifiers::COMMAND, Key::Comma);
    window.press("Light: Red");
    assert_eq!(window.state().theme, Theme::Red, "at once");
    window.press("Size of text and controls: 125 %");
    window.step();
    window.harness.get_by_role_and_label(Role::Slider, "Memory of a run").focus();
    window.key(Modifiers::NONE, Key::ArrowRight);
    window.harness.get_by_role_and_label(Role::Slider, "Copy unsaved work every").focus();
    window.key(Modifiers::NONE, Key::ArrowRight);
    let chosen = window.state().keeping.preferences.clone();
    assert!(chosen.memory_mib > 1536 && chosen.autosave_secs > 20, "moved by keys: {chosen:?}");
    window.press("Close");
    assert!(!window.state().keeping.preferences_shown, "put away");
    window.end();

    let own = Folders::inside(&home.path().join("own"));
    assert_eq!(Preferences::load(&own.preferences()), (chosen.clone(), None), "on disk");
    let window = Window::open(&[], home.path());
    assert_eq!((window.state().theme, &window.state().keeping.preferences), (Theme::Red, &chosen), "at the next start");
    assert_eq!(window.harness.ctx.zoom_factor(), 1.25, "as large");
    assert_eq!(chosen.light, ScreenLight::Red, "the light is one of them");
}

#[test]
fn a_broken_preferences_file_gives_the_defaults_and_a_note() {
    let home = support::home();
    fs::create_dir_all(home.path().join("own")).expect("our own folder");
    fs::write(home.path().join("own/preferences.toml"), "light = \"red\"\nscale = [").expect("a small file");
    fs::write(home.path().join("own/remembered.toml"), [0xFF, 0x00]).expect("a small file");
    let window = Window::open(&[], home.path());
    let state = window.state();
    assert_eq!(state.keeping.preferences, Preferences::default(), "the defaults");
    assert_eq!(state.notices.len(), 2, "one for each file: {:?}", state.notices);
    assert!(state.notices.iter().all(|notice| notice.tone == NoticeTone::Note), "no failure");
    assert!(state.notices[0].text.contains("preferences.toml") && state.notices[0].text.contains("line 2"), "named");
}

#[test]
fn the_layout_is_remembered() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.press("Frames, unfolded");
    window.press("File, folded");
    window.apply(Action::MoveDivider(0.3));
    window.apply(Action::TogglePlan);
    let size = Rect::from_min_size(pos2(0.0, 0.0), vec2(1000.0, 700.0));
    window.harness.input_mut().viewports.entry(ViewportId::ROOT).or_default().inner_rect = Some(size);
    let outer = size.translate(vec2(40.0, 20.0));
    window.harness.input_mut().viewports.entry(ViewportId::ROOT).or_default().outer_rect = Some(outer);
    window.step();
    window.end();
    let own = Folders::inside(&home.path().join("own"));
    let (remembered, _) = Remembered::load(&own.remembered());
    assert_eq!(remembered.window_size, Some([1000.0, 700.0]), "as large as it was");
    assert_eq!(remembered.window_position, Some([40.0, 20.0]), "where it was");
    let window = Window::open(&[], home.path());
    assert_eq!((window.state().divider, window.state().plan_shown), (0.3, true), "divider and drawer");
    assert_eq!(window.state().unfolded, [Section::Picture, Section::File], "the sections that were open");
}

#[test]
fn a_scratch_folder_and_threads_are_used_by_the_next_run() {
    let home = support::home();
    let scratch = home.path().join("scratch");
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    let preferences = Preferences {
        scratch_folder: Some(scratch.clone()),
        threads: Some(1),
        ..window.state().keeping.preferences.clone()
    };
    window.apply(Action::Keep(nightsheaf::gui::keep::Keep::Prefer(Box::new(preferences))));
    window.apply(Action::Stack);
    window.wait("the folder that is not there is told", |state| !state.notices.is_empty());
    let told = window.state().notices[0].text.clone();
    assert!(told.contains(&scratch.display().to_string()), "{told}");
    fs::create_dir(&scratch).expect("our own folder");
    window.apply(Action::Dismiss(0));
    window.apply(Action::Stack);
    window.wait("the stack is there", |state| state.report.is_some());
    assert_eq!(fs::read_dir(&scratch).expect("there").count(), 0, "and nothing stays in it");
    assert_eq!(window.state().path_for, None::<PathFor>, "no question is open");
}

/// Names of the threads of this process at present.
#[cfg(target_os = "linux")]
fn thread_names() -> Vec<String> {
    let tasks = fs::read_dir("/proc/self/task").expect("the system tells its threads").flatten();
    tasks.filter_map(|task| fs::read_to_string(task.path().join("comm")).ok()).map(|name| name.trim().into()).collect()
}

#[test]
#[cfg(target_os = "linux")]
fn work_runs_on_as_many_threads_as_the_preference_says() {
    let home = support::home();
    let mut window = Window::open(&[], home.path());
    // Numbers that no other test of this file chooses.
    let seen = |window: &mut Window, threads: u16, action: Action, what: &str, met: &dyn Fn(&State) -> bool| {
        let preferences = Preferences { threads: Some(threads), ..window.state().keeping.preferences.clone() };
        window.apply(Action::Keep(nightsheaf::gui::keep::Keep::Prefer(Box::new(preferences))));
        let ending = format!(" of {threads}");
        let count = || thread_names().iter().filter(|name| name.ends_with(&ending)).count();
        window.harness.state_mut().as_mut().expect("the window was drawn").apply(action);
        // Short work may be over before the next frame of the screen.
        let begun = Instant::now();
        let mut most = 0;
        while most < usize::from(threads) && begun.elapsed() < Duration::from_secs(1) {
            most = most.max(count());
        }
        window.step();
        while !met(window.state()) {
            assert!(begun.elapsed() < Duration::from_secs(180), "{what} goes on: {:?}", window.state().notices);
            most = most.max(count());
            window.step();
        }
        assert!(most >= usize::from(threads), "{what}: {most} threads of {threads}");
    };
    let frames = Action::AddPaths(vec![night()]);
    seen(&mut window, 7, frames, "measuring", &|state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.wait("a frame is shown", |state| !state.opening && state.shown.is_some());
    // Another one than that.
    let other = if window.state().shown == Some(Shown::Frame(2)) { Shown::Frame(1) } else { Shown::Frame(2) };
    seen(&mut window, 5, Action::Show(other), "opening", &|state| state.shown == Some(other) && !state.opening);
    seen(&mut window, 6, Action::Stack, "stacking", &|state| state.report.is_some());
    let target = Action::Export(home.path().join("night.tif"));
    seen(&mut window, 9, target, "writing", &|state| state.exported.is_some());
    let land = nightsheaf::gui::correcting::EdgeChange::Grow(3.0);
    seen(&mut window, 8, Action::ChangeEdge(land), "correcting", &|state| {
        state.sheaf.land == Land::Painted && !state.correcting
    });
}
