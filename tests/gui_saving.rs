//! What the window keeps: sheaf files, questions before something is lost, recovery, recent sheaves,
//! missing frames, preferences. Through the accessible tree where a person presses something.
#![cfg(feature = "gui")]

#[path = "gui_saving/support.rs"]
mod support;

#[path = "gui_saving/export.rs"]
mod export;
#[path = "gui_saving/preferences.rs"]
mod preferences;
#[path = "gui_saving/recovery.rs"]
mod recovery;

use std::fs;
use std::io::Write;
use std::path::PathBuf;

use eframe::egui::{Key, Modifiers, Pos2};
use egui_kittest::kittest::Queryable;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::calibration::CalibrationKind;
use nightsheaf::gui::keep::{Keep, Leaving};
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::{Shown, State};
use nightsheaf::gui::strokes::{Brush, BrushKind};
use nightsheaf::settings::{Decider, Landscape, load_sheaf};
use support::{Window, night};

#[test]
fn a_night_is_saved_by_keys_and_the_title_tells_what_is_not_saved() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    assert_eq!(window.title(), "4 frames · Nightsheaf", "frames alone are no decision");
    window.apply(Action::Show(Shown::Frame(1)));
    window.key(Modifiers::NONE, Key::X);
    assert_eq!(window.title(), "4 frames · not saved · Nightsheaf", "a decision that has no file");

    let path = home.path().join("tarn.toml");
    window.apply(Action::Keep(Keep::SaveTo(home.path().join("tarn"))));
    window.wait("it is saved", |state| state.keeping.path.is_some() && !state.keeping.unsaved);
    assert_eq!(window.title(), "4 frames · tarn.toml · Nightsheaf", "its file, with the ending");
    let saved = load_sheaf(&path).expect("a whole file").sheaf;
    let aside: Vec<_> = saved.lights.iter().map(|light| light.mark.as_ref().expect("all are decided")).collect();
    assert!(aside[1].aside && aside[1].by == Decider::Person, "the person's word: {aside:?}");
    assert!(!aside[0].aside && aside[0].by == Decider::Measure, "the program's word: {aside:?}");

    window.key(Modifiers::NONE, Key::X);
    assert_eq!(window.title(), "4 frames · tarn.toml, not saved · Nightsheaf", "changed since");
    window.key(Modifiers::COMMAND, Key::S);
    window.wait("it is saved again", |state| !state.keeping.unsaved);
    let mark = load_sheaf(&path).expect("a whole file").sheaf.lights[1].mark.clone();
    assert!(mark.is_some_and(|mark| !mark.aside), "taken back");
    window.key(Modifiers::COMMAND, Key::Z);
    assert!(window.state().keeping.unsaved, "undone, so it differs from the file");
    window.key(Modifiers::COMMAND, Key::Y);
    assert!(!window.state().keeping.unsaved, "made again, so it is as saved");
}

#[test]
fn closing_with_unsaved_choices_asks_and_saving_first_closes_after() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    assert!(window.closes(), "nothing would be lost");
    window.apply(Action::Show(Shown::Frame(0)));
    window.apply(Action::ToggleAside);
    assert!(!window.closes(), "a choice would be lost");
    window.harness.get_by_label("Your choices are not saved yet");
    window.press("Stay");
    assert_eq!(window.state().keeping.leaving, None, "the window stays");

    window.apply(Action::Keep(Keep::SaveTo(home.path().join("tarn.toml"))));
    window.wait("it is saved", |state| !state.keeping.unsaved);
    window.apply(Action::ToggleAside);
    assert!(!window.closes(), "changed since");
    window.press("Save");
    window.wait_for_close();
    assert!(!window.state().keeping.unsaved, "saved first");

    window.apply(Action::ToggleAside);
    assert!(window.closes(), "it was said that it may close");
}

#[test]
fn another_night_asks_first_too_and_can_be_had_anyway() {
    let home = support::home();
    let path = support::saved_night(home.path());
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::ChooseLand(Land::Nothing));
    for (action, leaving) in [
        (Action::StartOver, Leaving::StartOver),
        (Action::TrySampleFrames, Leaving::Sample),
        (Action::AddPaths(vec![path.clone()]), Leaving::Open(path.clone())),
    ] {
        window.apply(action);
        assert_eq!(window.state().keeping.leaving, Some(leaving), "asked first");
    }
    window.press("Open anyway");
    window.wait("the sheaf is open", |state| state.keeping.path.as_ref() == Some(&path));
    assert_eq!(window.state().sheaf.land, Land::Found, "the saved night");
    assert!(!window.state().keeping.unsaved, "as it was saved");
}

#[test]
fn a_sheaf_opens_from_the_command_line_and_by_a_drop_with_all_that_was_decided() {
    let home = support::home();
    let path = support::saved_night(home.path());
    let mut window = Window::open(std::slice::from_ref(&path), home.path());
    window.wait("the sheaf is open and measured", |state| state.keeping.path.is_some() && !state.measuring);
    window.wait("a frame is shown", |state| !state.opening);
    let state = window.state();
    assert!(state.sheaf.frames[2].is_aside(), "set aside by the person");
    assert!(state.sheaf.frames[1].is_aside(), "and by an earlier measurement");
    assert_eq!(state.sheaf.frames[1].reason(), "shaken", "with its reason");
    assert_eq!(state.sheaf.choices.develop.exposure_ev, 0.5, "the look");
    assert_eq!(state.sheaf.calibration.darks.len(), 1, "the dark frames");
    assert!(!state.keeping.unsaved, "opening changes nothing");

    let mut empty = Window::open(&[], home.path());
    empty.drop_file(&path);
    empty.wait("the dropped sheaf is open", |state| state.keeping.path.as_ref() == Some(&path));
    assert_eq!(empty.state().sheaf.frames.len(), 4, "its frames");
}

#[test]
fn recent_sheaves_stand_in_the_empty_window_and_open_by_command() {
    let home = support::home();
    let path = support::saved_night(home.path());
    let mut window = Window::open(std::slice::from_ref(&path), home.path());
    window.wait("the sheaf is open", |state| state.keeping.path.is_some());
    window.end();

    let mut window = Window::open(&[], home.path());
    let name = format!("tarn.toml  ·  {}", home.path().display());
    window.press(&name);
    window.wait("it is open", |state| state.keeping.path.is_some());
    window.end();

    let mut window = Window::open(&[], home.path());
    window.key(Modifiers::SHIFT, Key::Questionmark);
    window.press("Recent sheaves…");
    assert!(window.state().keeping.recent_shown, "the list is there");
    window.key(Modifiers::NONE, Key::Escape);
    window.key(Modifiers::SHIFT, Key::Questionmark);
    window.press("Open the last sheaf");
    window.wait("it is open", |state| state.keeping.path.is_some());
}

#[test]
fn missing_frames_are_named_and_their_folder_is_asked_for_once() {
    let home = support::home();
    let frames = home.path().join("frames");
    support::copy_night(&frames);
    let path = support::saved(home.path(), &frames);
    let moved = home.path().join("disk/tarn");
    fs::create_dir_all(home.path().join("disk")).expect("our own folder");
    fs::rename(&frames, &moved).expect("on one disk");
    fs::remove_file(moved.join("night-004.dng")).expect("our own file");

    let mut window = Window::open(std::slice::from_ref(&path), home.path());
    window.wait("it is asked for the folder", |state| state.keeping.missing.is_some());
    let missing = window.state().keeping.missing.clone().expect("asked");
    assert_eq!((missing.n_lights, missing.paths.len()), (4, 5), "all frames and the dark one");
    let named = "5 files are not where tarn.toml says: night-001.dng, night-002.dng, night-003.dng, night-004.dng, \
                 dark-001.dng. Which folder are they in now?";
    window.harness.get_by_label(named);
    assert!(window.state().sheaf.frames.is_empty(), "not opened yet");
    window.press("Do not open");
    assert_eq!(window.state().keeping.missing, None, "put away");

    window.apply(Action::AddPaths(vec![path]));
    window.wait("it is asked again", |state| state.keeping.missing.is_some());
    window.apply(Action::Keep(Keep::LookIn(home.path().join("disk"))));
    window.wait("three frames are there", |state| state.sheaf.frames.len() == 3 && !state.measuring);
    let state = window.state();
    assert!(state.sheaf.frames[2].is_aside(), "with their marks");
    assert_eq!(state.sheaf.calibration.darks, [moved.join("no-light/dark-001.dng")], "the dark frame moved along");
    assert!(state.keeping.unsaved, "the file still names the old folder");
    let text = &state.notices.last().expect("what is not there is told").text;
    assert!(text.contains("night-004.dng") && !text.contains("night-003"), "{text}");
    assert_eq!(state.keeping.missing, None, "asked once");
}

#[test]
fn a_sheaf_opens_without_the_frames_that_are_gone_for_good() {
    let home = support::home();
    let frames = home.path().join("frames");
    support::copy_night(&frames);
    let path = support::saved(home.path(), &frames);
    fs::remove_file(frames.join("night-001.dng")).expect("our own file");
    let mut window = Window::open(&[path], home.path());
    window.wait("it is asked", |state| state.keeping.missing.is_some());
    window.harness.get_by_label("1 file is not where tarn.toml says: night-001.dng. Which folder are they in now?");
    window.press("Open without them");
    window.wait("three frames are there", |state| state.sheaf.frames.len() == 3 && !state.measuring);
    assert!(window.state().keeping.unsaved, "the file still names four");
}

#[test]
fn a_newer_sheaf_is_refused_and_the_night_that_is_open_stays() {
    let home = support::home();
    let path = support::saved_night(home.path());
    let text = fs::read_to_string(&path).expect("there").replace("version = 1", "version = 2");
    fs::write(&path, text).expect("our own file");
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::AddPaths(vec![path.clone()]));
    window.wait("the refusal is told", |state| !state.notices.is_empty());
    let told = window.state().notices[0].text.clone();
    assert!(told.contains("saved by a newer Nightsheaf (version 2, this one reads up to 1)"), "{told}");
    assert_eq!((window.state().sheaf.frames.len(), window.state().keeping.path.clone()), (4, None), "as before");
    window.press("Copy");
    window.press("Dismiss");

    fs::write(&path, "[sky]\ncomb").expect("our own file");
    window.apply(Action::AddPaths(vec![path.clone()]));
    window.wait("the copy is open", |state| state.keeping.path.is_some());
    assert!(window.state().notices.iter().any(|notice| notice.text.contains("is damaged")), "and it is told");
    assert!(window.state().keeping.unsaved, "the file itself is still damaged");
}

#[test]
fn undo_and_redo_go_over_masks_rejects_and_settings_in_turn() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("a frame is shown", |state| {
        state.sheaf.frames.len() == 4 && !state.measuring && !state.opening && state.shown.is_some()
    });
    // Whoever looks at a frame is not shown results unasked.
    window.apply(Action::Show(Shown::Frame(0)));
    window.wait("it is there", |state| !state.opening);
    let decided = |window: &Window| {
        let mut sheaf = window.state().sheaf.settings();
        // A landscape that is found meanwhile is no decision.
        sheaf.mask.take_if(|_| sheaf.landscape != Landscape::Mask);
        sheaf
    };
    let mut steps = vec![decided(&window)];
    window.apply(Action::ToggleSnap);
    window.apply(Action::ToggleAside);
    steps.push(decided(&window));
    let mut choices = window.state().sheaf.choices.clone();
    choices.develop.exposure_ev = 1.0;
    choices.drop_above_sigma = 4.0;
    window.apply(Action::Choose(Box::new(choices)));
    steps.push(decided(&window));
    let brush = Brush { kind: BrushKind::Add, radius_px: 30.0 };
    window.apply(Action::Paint { brush, from: Pos2::new(50.0, 50.0), to: Pos2::new(90.0, 60.0) });
    window.apply(Action::EndStroke);
    window.wait("it is painted", |state| state.sheaf.land == Land::Painted && !state.correcting);
    steps.push(decided(&window));
    window.apply(Action::ChooseLand(Land::Nothing));
    steps.push(decided(&window));
    for (idx, pair) in steps.windows(2).enumerate() {
        assert!(pair[0] != pair[1], "step {idx} changes something");
    }
    for step in steps.iter().rev().skip(1) {
        window.key(Modifiers::COMMAND, Key::Z);
        window.wait("it is taken back", |state| !state.correcting);
        assert!(decided(&window) == *step, "one step back");
    }
    for step in &steps[1..] {
        window.key(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
        window.wait("it is made again", |state| !state.correcting);
        assert!(decided(&window) == *step, "one step forward");
    }
}

#[test]
fn a_picture_never_takes_the_place_of_a_frame_and_work_is_one_at_a_time() {
    let home = support::home();
    let frames = home.path().join("frames");
    support::copy_night(&frames);
    let mut window = Window::open(std::slice::from_ref(&frames), home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::ChooseLand(Land::Nothing));
    window.apply(Action::Stack);
    window.step();
    window.harness.get_by_label("Cancel");
    window.wait("the stack is there", |state| state.report.is_some());
    let frame: PathBuf = frames.join("night-002.dng");
    let bytes = fs::read(&frame).expect("a frame");
    window.apply(Action::Export(frame.clone()));
    let told = window.state().notices.last().map(|notice| notice.text.clone()).unwrap_or_default();
    assert!(told.contains("night-002.dng is one of the frames and will not be written over"), "{told}");
    assert!(fs::read(&frame).expect("a frame") == bytes, "as it was");

    window.apply(Action::Stack);
    window.apply(Action::Export(home.path().join("night.tif")));
    let told = window.state().notices.last().map(|notice| notice.text.clone()).unwrap_or_default();
    assert!(told.contains("a stack is being made"), "{told}");
    let asked = std::time::Instant::now();
    window.apply(Action::Cancel);
    while window.harness.query_by_label("Stopping").is_some() {
        assert!(asked.elapsed().as_secs() < 20, "it stops");
        window.step();
    }
    let _ = writeln!(std::io::stdout(), "cancelled after {} ms", asked.elapsed().as_millis());
    assert!(window.state().report.is_some(), "the stack that was there is still there");
    let told = window.state().notices.last().map(|notice| notice.text.clone()).unwrap_or_default();
    assert!(told.contains("a stack is being made"), "a cancel needs no words: {told}");
    assert_eq!(fs::read_dir(&frames).expect("there").count(), 5, "no scratch file is left beside the frames");
}

#[test]
fn without_frames_a_save_says_what_is_missing() {
    let home = support::home();
    let mut window = Window::open(&[], home.path());
    window.key(Modifiers::COMMAND, Key::S);
    let told = window.state().notices.last().map(|notice| notice.text.clone()).unwrap_or_default();
    assert!(told.contains("nothing to save yet") && told.contains("drop frames"), "{told}");
    window.key(Modifiers::COMMAND, Key::E);
    let told = window.state().notices.last().map(|notice| notice.text.clone()).unwrap_or_default();
    assert!(told.contains("stack the frames first"), "{told}");
    assert_eq!(window.state().notices.len(), 2, "one for each");
    window.key(Modifiers::COMMAND, Key::S);
    assert_eq!(window.state().notices.len(), 2, "the same is said once");
}

#[test]
fn a_second_file_does_not_stop_the_first_that_is_being_written() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::ChooseLand(Land::Nothing));
    window.apply(Action::Stack);
    window.wait("the stack is there", |state| state.report.is_some());
    let (picture, left_out) = (home.path().join("night.tif"), home.path().join("left-out.png"));
    window.apply(Action::Export(picture.clone()));
    window.apply(Action::SaveLeftOut(left_out.clone()));
    let is_told = |state: &State, word: &str| state.notices.iter().any(|notice| notice.text.contains(word));
    window.wait("both are written", |state| is_told(state, "night.tif is written") && is_told(state, "left out"));
    assert!(picture.is_file() && left_out.is_file(), "both are there");
    window.apply(Action::ChooseLand(Land::Found));
    assert!(window.state().notices.is_empty(), "that it went well is read: {:?}", window.state().notices);
}

#[test]
fn a_place_that_cannot_be_written_any_more_is_told_before_the_next_run() {
    let home = support::home();
    let target = home.path().join("pictures");
    fs::create_dir(&target).expect("our own folder");
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::ChooseLand(Land::Nothing));
    window.apply(Action::Stack);
    window.wait("the stack is there", |state| state.report.is_some());
    window.apply(Action::Export(target.join("night.jpg")));
    window.wait("it is written", |state| state.exported.is_some());
    fs::remove_dir_all(&target).expect("our own folder");
    window.apply(Action::Stack);
    let told = window.state().notices.last().map(|notice| notice.text.clone()).unwrap_or_default();
    assert!(told.contains("night.jpg cannot be written") && told.contains("write it elsewhere"), "{told}");
    window.apply(Action::Cancel);
}

#[test]
fn a_sheaf_whose_frames_were_sought_asks_before_it_takes_the_place_of_new_work() {
    let home = support::home();
    let frames = home.path().join("frames");
    support::copy_night(&frames);
    let path = support::saved(home.path(), &frames);
    let moved = home.path().join("moved");
    fs::rename(&frames, &moved).expect("on one disk");
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    for asked in [Keep::LookIn(moved.clone()), Keep::OpenWithoutMissing] {
        window.apply(Action::AddPaths(vec![path.clone()]));
        window.wait("it is asked for the folder", |state| state.keeping.missing.is_some());
        // Work that is done while the question stands.
        window.apply(Action::ChooseLand(Land::Nothing));
        window.apply(Action::Keep(asked.clone()));
        window.wait("it asks first", |state| state.keeping.leaving == Some(Leaving::Show));
        assert_eq!(window.state().sheaf.land, Land::Nothing, "{asked:?}: the night is as it was");
        window.press("Stay");
        assert_eq!((window.state().keeping.leaving.clone(), window.state().sheaf.frames.len()), (None, 4), "it stays");
        window.apply(Action::Undo);
        let state = window.state();
        let (land, mask) = (state.sheaf.land, state.sheaf.mask.is_some());
        assert!(!state.keeping.unsaved, "{asked:?}: {land:?}, mask {mask}, {:?}", state.notices);
    }
    // What was given up before the folder was asked for is not asked about again.
    window.apply(Action::ChooseLand(Land::Nothing));
    window.apply(Action::AddPaths(vec![path.clone()]));
    window.press("Open anyway");
    window.wait("it is asked for the folder", |state| state.keeping.missing.is_some());
    window.apply(Action::Keep(Keep::LookIn(moved)));
    window.wait("it is open", |state| state.keeping.path.is_some());
    assert_eq!((window.state().keeping.leaving.clone(), window.state().sheaf.land), (None, Land::Found), "at once");
}

#[test]
fn closing_during_a_run_asks_and_exporting_first_closes_after() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::Stack);
    assert!(!window.state().keeping.unsaved, "nobody decided anything");
    assert!(!window.closes(), "the run would be lost");
    window.step();
    window.harness.get_by_label("A stack is being made");
    window.press("Stay");
    window.wait("the stack is there", |state| state.report.is_some());
    assert!(!window.closes(), "the stack would be lost");
    window.step();
    window.harness.get_by_label("The stack is not written yet");
    window.apply(Action::Export(home.path().join("night.jpg")));
    window.wait_for_close();
    assert!(home.path().join("night.jpg").is_file(), "written first");
}

#[test]
fn a_look_that_is_taken_back_is_not_the_one_that_was_written() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::ChooseLand(Land::Nothing));
    window.apply(Action::Stack);
    window.wait("the stack is there", |state| state.report.is_some());
    let mut choices = window.state().sheaf.choices.clone();
    choices.develop.exposure_ev = 1.0;
    window.apply(Action::Choose(Box::new(choices)));
    for action in [Action::Undo, Action::Redo] {
        window.apply(Action::Export(home.path().join("night.jpg")));
        window.wait("it is written", |state| state.exported.is_some());
        window.apply(action.clone());
        assert_eq!(window.state().exported, None, "{action:?}: the picture has another look now");
    }
}

#[test]
fn frames_named_as_darks_are_darks_and_undo_goes_on_when_frames_are_added() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("four frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::Show(Shown::Frame(1)));
    window.apply(Action::ToggleAside);
    let fourth = window.state().sheaf.frames[3].path.clone();
    window.apply(Action::AddCalibration(CalibrationKind::Dark, vec![fourth.clone()]));
    window.wait("it is a dark", |state| state.sheaf.frames[3].calibrates_as().is_some() && !state.measuring);
    assert!(window.state().sheaf.frames[3].reason().contains("by your choice"), "as the person said");
    let settings = window.state().sheaf.settings();
    assert_eq!((settings.darks, settings.lights.len()), (vec![fourth], 3), "counted once, and no light");
    window.apply(Action::AddPaths(vec![support::longer()]));
    window.wait("two more are there", |state| state.sheaf.frames.len() == 6 && !state.measuring);
    assert!(window.state().sheaf.frames[3].calibrates_as().is_some(), "still a dark among more frames");
    window.apply(Action::Undo);
    window.wait("it is a light again", |state| state.sheaf.n_lights() == 6 && !state.measuring);
    window.apply(Action::Undo);
    assert!(!window.state().sheaf.frames[1].is_aside(), "what was set aside before they came is taken back");
}
