//! Preferences and the remembered layout, from one start of the window to the next.

use std::fs;

use eframe::egui::accesskit::Role;
use eframe::egui::{Key, Modifiers, Rect, ViewportId, pos2, vec2};
use egui_kittest::kittest::Queryable;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::state::{NoticeTone, PathFor, Section};
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
    let size = Rect::from_min_size(pos2(0.0, 0.0), vec2(1000.0, 700.0));
    window.harness.input_mut().viewports.entry(ViewportId::ROOT).or_default().inner_rect = Some(size);
    window.step();
    window.end();
    let own = Folders::inside(&home.path().join("own"));
    let (remembered, _) = Remembered::load(&own.remembered());
    assert_eq!(remembered.window_size, Some([1000.0, 700.0]), "as large as it was");
    let window = Window::open(&[], home.path());
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
