//! A crash costs seconds: copies of unsaved work, and the next start that offers them.

use std::fs;
use std::path::Path;

use egui_kittest::kittest::Queryable;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::keep::{Keep, Leaving};
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::Shown;

use crate::support::{self, Window, night};

/// Copies are made as often as may be chosen.
fn copy_often(home: &Path) {
    fs::create_dir_all(home.join("own")).expect("our own folder");
    fs::write(home.join("own/preferences.toml"), "autosave_secs = 5\n").expect("a small file");
}

fn copies(home: &Path) -> usize {
    let Ok(entries) = fs::read_dir(home.join("own/autosave")) else { return 0 };
    entries.flatten().filter(|entry| entry.path().extension().is_some_and(|ending| ending == "toml")).count()
}

/// A night with a choice that is copied and not saved.
fn window_with_a_copy(home: &Path) -> Window {
    copy_often(home);
    let mut window = Window::open(&[night()], home);
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::Show(Shown::Frame(3)));
    window.apply(Action::ToggleAside);
    window.apply(Action::ChooseLand(Land::Nothing));
    let path = home.to_owned();
    window.wait("the work is copied", move |_| {
        let text = |entry: fs::DirEntry| fs::read_to_string(entry.path()).unwrap_or_default();
        let entries = fs::read_dir(path.join("own/autosave")).into_iter().flatten().flatten();
        entries.map(text).any(|text| text.contains("landscape = \"none\"") && text.contains("by = \"person\""))
    });
    window
}

#[test]
fn work_that_a_crash_left_is_offered_and_comes_back() {
    let home = support::home();
    window_with_a_copy(home.path()).crash();
    assert_eq!(copies(home.path()), 1, "left behind");

    let mut window = Window::open(&[], home.path());
    window.wait("it is offered", |state| state.keeping.recovery.is_some());
    window.step();
    window.harness.get_by_label_contains("Unsaved work on a night without a name (4 frames) was copied");
    window.press("Bring it back");
    window.wait("it is back", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    let state = window.state();
    assert!(state.sheaf.frames[3].is_aside() && state.sheaf.land == Land::Nothing, "as it was");
    assert!(state.keeping.unsaved && state.keeping.path.is_none(), "and still not saved");
    let path = home.path().join("tarn.toml");
    window.apply(Action::Keep(Keep::SaveTo(path)));
    window.wait("it is saved", |state| state.keeping.path.is_some() && !state.keeping.unsaved);
    window.end();
    assert_eq!(copies(home.path()), 0, "saved and closed in order: nothing is left");
    let mut window = Window::open(&[], home.path());
    window.wait("it looked", |state| !state.keeping.busy);
    assert_eq!(window.state().keeping.recovery, None, "nothing to offer");
}

#[test]
fn work_that_a_crash_left_can_be_thrown_away() {
    let home = support::home();
    window_with_a_copy(home.path()).crash();
    let mut window = Window::open(&[], home.path());
    window.wait("it is offered", |state| state.keeping.recovery.is_some());
    window.press("Throw it away");
    assert_eq!((window.state().keeping.recovery.clone(), copies(home.path())), (None, 0), "gone");
}

#[test]
fn a_window_that_lives_keeps_its_copy_and_one_that_closes_leaves_none() {
    let home = support::home();
    let window = window_with_a_copy(home.path());
    let mut second = Window::open(&[], home.path());
    second.wait("it looked", |state| !state.keeping.busy);
    assert_eq!(second.state().keeping.recovery, None, "the first window lives");
    second.end();
    window.end();
    assert_eq!(copies(home.path()), 0, "the person closed it and let the work go");
}

#[test]
fn bringing_work_back_asks_before_it_takes_the_place_of_another_night() {
    let home = support::home();
    window_with_a_copy(home.path()).crash();
    let mut window = Window::open(&[night()], home.path());
    window.wait("it is offered", |state| {
        state.keeping.recovery.is_some() && state.sheaf.frames.len() == 4 && !state.measuring
    });
    window.apply(Action::Show(Shown::Frame(0)));
    window.apply(Action::ToggleAside);
    window.press("Bring it back");
    assert_eq!(window.state().keeping.leaving, Some(Leaving::Recover), "it asks first");
    assert!(window.state().sheaf.frames[0].is_aside(), "the night is as it was");
    window.press("Stay");
    assert!(window.state().keeping.recovery.is_some(), "it is still offered");
    window.press("Bring it back");
    window.press("Open anyway");
    window.wait("it is back", |state| state.sheaf.land == Land::Nothing);
    assert!(!window.state().sheaf.frames[0].is_aside(), "the work that the crash left");
}
