//! The panels through the accessibility tree: what a person finds and presses, and what it asks for.
#![cfg(feature = "gui")]

#[path = "gui/command_list.rs"]
mod command_list;
#[path = "gui/land_frames.rs"]
mod land_frames;
#[path = "support/window.rs"]
mod window;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use eframe::egui::accesskit::Role;
use eframe::egui::os::OperatingSystem;
use eframe::egui::{Key, Modifiers, Ui};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::calibration::CalibrationKind;
use nightsheaf::gui::correcting::{EdgeChange, Tool};
use nightsheaf::gui::lane::Standing;
use nightsheaf::gui::panels::{column, foot, frames, keys, night_line, strips, welcome};
use nightsheaf::gui::sheaf::{Frame, Land};
use nightsheaf::gui::state::{Notice, NoticeTone, Section, Shown, State, Subject, Working};
use nightsheaf::gui::strokes::BrushKind;
use nightsheaf::gui::theme::Theme;
use nightsheaf::gui::timeline::Timeline;
use nightsheaf::job::Progress;
use nightsheaf::pipeline::{
    CaptureTime, ForegroundMask, Found, FrameFinding, FrameKind, FrameReport, GradientRemoval, Guide, LandFrameReport,
    MeasureSummary, Metadata, Report, TripodFinding, Verdict,
};
use nightsheaf::pixels::{Orientation, Size};
use window::{names_of_controls, wait_until, window};

/// What a panel shows and what was asked of it.
struct Stage {
    state: State,
    asked: Vec<Action>,
}

/// A panel alone on a screen of usual size.
fn stage<'a>(state: State, mut panel: impl FnMut(&mut Ui, &State) -> Option<Action> + 'a) -> Harness<'a, Stage> {
    let draw = move |ui: &mut Ui, stage: &mut Stage| {
        Theme::Dark.apply(ui.ctx());
        stage.asked.extend(panel(ui, &stage.state));
    };
    Harness::builder().with_size([960.0, 1400.0]).build_ui_state(draw, Stage { state, asked: Vec::new() })
}

fn press(harness: &mut Harness<'_, Stage>, name: &str) {
    harness.get_by_label(name).click();
    harness.run();
}

fn frame(idx: usize, verdict: Verdict, reason: &str) -> Frame {
    let clock_secs = 1_800_000_000.0 + 17.0 * idx as f64;
    let path = PathBuf::from(format!("night-{:03}.dng", idx + 1));
    let finding = FrameFinding {
        path: path.clone(),
        kind: FrameKind::Light,
        size: Some(Size { width: 640, height: 480 }),
        orientation: Orientation::Normal,
        metadata: Metadata {
            exposure_secs: Some(15.0),
            capture_time: Some(CaptureTime { clock_secs, utc_offset_minutes: None }),
            ..Metadata::default()
        },
        measures: Some(MeasureSummary {
            stars: 300 + idx,
            fwhm_px: Some(2.5),
            elongation: Some(1.1),
            trail_px: Some(0.6),
            sky_level: 0.02,
            clipped_fraction: 0.0,
        }),
        field: None,
        verdict,
        reason: reason.to_owned(),
    };
    Frame { finding: Some(finding), ..Frame::new(path) }
}

/// Four frames, the third of them shaken.
fn night() -> State {
    let mut state = State::default();
    for idx in 0..4 {
        let (verdict, reason) = if idx == 2 { (Verdict::SetAside, "shaken") } else { (Verdict::Use, "") };
        state.sheaf.frames.push(frame(idx, verdict, reason));
    }
    state
}

#[test]
fn an_empty_window_offers_the_sample_frames_and_takes_a_typed_path() {
    let mut harness = stage(State::default(), |ui, state| welcome::show(ui, state, None, false));
    press(&mut harness, "Try the sample frames");
    press(&mut harness, "Add folder…");
    assert_eq!(harness.state().asked, [Action::TrySampleFrames, Action::ChooseFolder], "one press each");
    harness.get_by_role(Role::TextInput).focus();
    harness.run();
    harness.get_by_role(Role::TextInput).type_text("/nights/tarn");
    harness.run();
    let typed = harness.state().asked.last().cloned();
    assert_eq!(typed, Some(Action::TypePath("/nights/tarn".to_owned())), "what is typed is reported");
}

#[test]
fn the_foot_stacks_what_is_not_set_aside_and_then_exports() {
    let mut harness = stage(night(), |ui, state| foot::show(ui, state, None));
    press(&mut harness, "Stack 3 frames");
    assert_eq!(harness.state().asked, [Action::Stack], "the shaken frame is not counted");
    harness.state_mut().state.report = Some(Report::default());
    harness.run();
    press(&mut harness, "Export…");
    assert_eq!(harness.state().asked.last(), Some(&Action::ChooseExportTarget), "the next step is to write it");
    harness.state_mut().state.stack_is_old = true;
    harness.run();
    press(&mut harness, "Stack 3 frames again");
    assert_eq!(harness.state().asked.last(), Some(&Action::Stack), "choices changed since");
}

#[test]
fn a_single_frame_cannot_be_stacked() {
    let mut state = State::default();
    state.sheaf.frames.push(frame(0, Verdict::Use, ""));
    let mut harness = stage(state, |ui, state| foot::show(ui, state, None));
    press(&mut harness, "Stack 1 frame");
    assert_eq!(harness.state().asked, [], "the button is disabled");
    harness.get_by_label("A stack needs at least two frames");
}

#[test]
fn work_that_runs_can_be_cancelled() {
    let now = Instant::now();
    let progress = Some(Progress { step: "Stacking", done: 3, total: 10 });
    let left = Some(Duration::from_secs(20));
    let standing = Standing { started: now, progress, done: 0.4, left, stopping: false };
    let working = Working { task: "Stacking", standing };
    let mut harness = stage(night(), move |ui, state| foot::show(ui, state, Some(&working)));
    harness.get_by_label("Stacking");
    harness.get_by_label("3 of 10  ·  about 20\u{a0}s left");
    press(&mut harness, "Cancel");
    assert_eq!(harness.state().asked, [Action::Cancel], "one press");
}

#[test]
fn the_night_line_tells_the_reason_of_a_frame_and_shows_it() {
    let mut harness = stage(night(), night_line::show);
    let name = "night-003.dng, star width 2.50 px, 302 stars, sky 2.00 % of white, set aside, shaken";
    press(&mut harness, name);
    assert_eq!(harness.state().asked, [Action::Show(Shown::Frame(2))], "the third frame");
}

#[test]
fn a_frame_is_set_aside_and_made_reference_from_the_column() {
    let state = State { shown: Some(Shown::Frame(1)), ..night() };
    let mut harness = stage(state, column::show);
    press(&mut harness, "Set aside");
    press(&mut harness, "Make reference");
    assert_eq!(harness.state().asked, [Action::ToggleAside, Action::ToggleReference], "one press each");
}

#[test]
fn a_stacked_frame_says_how_it_was_aligned_and_shows_its_star_arrows() {
    let fate = |name: &str, registration: &str, reason: Option<&str>| FrameReport {
        file: PathBuf::from(name),
        used: true,
        reason: String::new(),
        weight: 1.0,
        scale_range: Some([1.0, 1.0]),
        registration: registration.to_owned(),
        matched: 61,
        rms_px: Some(0.284),
        registration_reason: reason.map(str::to_owned),
        capture_time: None,
        exposure_secs: Some(20.0),
        stars: 61,
        fwhm_px: Some(2.1),
        elongation: Some(1.1),
        sky_level: Some(0.05),
        residuals_by_radius: Vec::new(),
    };
    let frames = vec![
        fate("night-001.dng", "reference", None),
        fate("night-002.dng", "homography", Some("no lens fits the burst")),
    ];
    let report = Some(Report { frames, ..Report::default() });
    let unfolded = vec![Section::Frames, Section::Sky];
    let mut harness = stage(State { shown: Some(Shown::Frame(1)), report, unfolded, ..night() }, column::show);
    harness.get_by_label("Alignment: homography, 61 stars, 0.28\u{a0}px off");
    harness.get_by_label("Not by a fitted lens: no lens fits the burst");
    press(&mut harness, "Show star arrows");
    assert_eq!(harness.state().asked, [Action::ToggleResiduals], "one press");
    harness.state_mut().state.residuals_shown = true;
    harness.state_mut().state.shown = Some(Shown::Frame(0));
    harness.run();
    harness.get_by_label("The sky was brought to this frame");
    harness.get_by_label("Hide star arrows");
    harness.state_mut().state.report = None;
    harness.run();
    press(&mut harness, "Hide star arrows");
    assert_eq!(harness.state().asked.len(), 1, "before a run there is nothing to show");
}

#[test]
fn sections_fold_and_say_what_they_hold() {
    let mut harness = stage(State { unfolded: Vec::new(), ..night() }, column::show);
    press(&mut harness, "Sky, folded");
    assert_eq!(harness.state().asked, [Action::ToggleSection(Section::Sky)], "the section asked for");
    harness.state_mut().state.unfolded = vec![Section::Sky];
    harness.run();
    harness.get_by_label("Sky, unfolded");
    harness.get_by_role_and_label(Role::Slider, "Drop above");
}

#[test]
fn landscape_and_tools_are_words_to_choose_from() {
    let mut harness = stage(State { unfolded: vec![Section::Foreground], ..night() }, column::show);
    press(&mut harness, "What is landscape: None");
    press(&mut harness, "Tool: Level line");
    let expected = [Action::ChooseLand(Land::Nothing), Action::TakeTool(Tool::LevelLine)];
    assert_eq!(harness.state().asked, expected, "one press each");
}

#[test]
fn a_doubtful_landscape_asks_for_a_stroke_and_tools_say_what_they_do() {
    let found = |confidence| Found {
        confidence,
        doubts: Vec::new(),
        notes: Vec::new(),
        guide: Arc::new(Guide::plain(Size { width: 64, height: 48 })),
    };
    let state = State { unfolded: vec![Section::Foreground], found: Some(found(0.93)), ..night() };
    let mut harness = stage(state, column::show);
    harness.get_by_label("93\u{a0}% sure of it");
    harness.state_mut().state.found = Some(found(0.4));
    harness.state_mut().state.painting = true;
    harness.state_mut().state.sheaf.mask = Some(Arc::new(ForegroundMask::all_sky(Size { width: 64, height: 48 })));
    harness.run();
    harness.get_by_label("40\u{a0}% sure: look at the hatching, and draw a stroke where it is wrong");
    press(&mut harness, "Drawn as: Sky");
    press(&mut harness, "Snap to the real edge");
    press(&mut harness, "Grow");
    press(&mut harness, "Invert");
    let expected = [
        Action::TakeBrush(BrushKind::Remove),
        Action::ToggleSnap,
        Action::ChangeEdge(EdgeChange::Grow(4.0)),
        Action::ChangeEdge(EdgeChange::Invert),
    ];
    assert_eq!(harness.state().asked, expected, "one press each");
}

#[test]
fn dropped_frames_are_sorted_by_the_person() {
    let state = State { dropped: vec![PathBuf::from("lid/"), PathBuf::from("lid2/")], ..night() };
    let mut harness = stage(state, strips::dropped);
    harness.get_by_label("The 2 things dropped are");
    press(&mut harness, "Dark frames");
    press(&mut harness, "For the landscape");
    press(&mut harness, "None of these");
    assert_eq!(
        harness.state().asked,
        [Action::SortDropped(Some(CalibrationKind::Dark)), Action::SortDroppedForLand, Action::ForgetDropped],
        "one press each"
    );
}

#[test]
fn calibration_frames_are_counted_and_given_up() {
    let mut state = State { unfolded: vec![Section::Frames], ..night() };
    state.sheaf.calibration.flats = vec![PathBuf::from("flat-1.dng"), PathBuf::from("flat-2.dng")];
    let mut harness = stage(state, column::show);
    harness.get_by_label("Flat frames: 2");
    press(&mut harness, "Choose bias frames");
    press(&mut harness, "Without flat frames");
    let expected = [Action::ChooseCalibration(CalibrationKind::Bias), Action::ClearCalibration(CalibrationKind::Flat)];
    assert_eq!(harness.state().asked, expected, "one press each");
}

#[test]
fn what_is_grey_is_pointed_at_and_the_glow_can_be_looked_at() {
    let mut state = State { unfolded: vec![Section::Picture], ..night() };
    state.sheaf.choices.develop.gradient = GradientRemoval::On { strength: 0.5 };
    let mut harness = stage(state, column::show);
    press(&mut harness, "White balance: Picked");
    press(&mut harness, "Show what is taken away");
    assert_eq!(harness.state().asked, [Action::TogglePicking, Action::ToggleGlow], "one press each");
}

#[test]
fn frames_without_capture_time_say_so_and_a_gap_tells_its_length() {
    let mut state = night();
    for (frame, secs) in state.sheaf.frames.iter_mut().zip([0.0, 17.0, 34.0, 640.0]) {
        let finding = frame.finding.as_mut().expect("all are measured");
        finding.metadata.capture_time = Some(CaptureTime { clock_secs: secs, utc_offset_minutes: None });
    }
    let line = Timeline::of(&state.sheaf.frames);
    assert_eq!(line.gaps.len(), 1, "ten minutes without a frame");
    for frame in &mut state.sheaf.frames {
        frame.finding.as_mut().expect("all are measured").metadata.capture_time = None;
    }
    let line = Timeline::of(&state.sheaf.frames);
    assert_eq!((line.n_untimed, line.clock), (4, None), "all in file order, marked so");
    let mut harness = stage(state, night_line::show);
    harness.run();
    assert!(harness.state().asked.is_empty(), "it is drawn without a clock");
}

#[test]
fn a_slider_moves_by_the_keyboard_and_asks_for_the_new_choice() {
    let mut harness = stage(State { unfolded: vec![Section::Picture], ..night() }, column::show);
    harness.get_by_role_and_label(Role::Slider, "Exposure").focus();
    harness.run();
    harness.key_press(Key::ArrowRight);
    harness.run();
    let Some(Action::Choose(choices)) = harness.state().asked.last() else {
        panic!("asked for {:?}", harness.state().asked)
    };
    assert!(choices.develop.exposure_ev > 0.0, "brighter, {} EV", choices.develop.exposure_ev);
}

#[test]
fn a_notice_can_be_copied_and_dismissed() {
    let text = "tarn.dng is cut short: copy it from the card again".to_owned();
    let state = State {
        notices: vec![Notice { tone: NoticeTone::Failure, subject: Subject::Adding, text }],
        ..State::default()
    };
    let mut harness = stage(state, |ui, state| strips::notices(ui, &state.notices));
    press(&mut harness, "Copy");
    press(&mut harness, "Dismiss");
    assert_eq!(harness.state().asked, [Action::CopyNotice(0), Action::Dismiss(0)], "one press each");
}

#[test]
fn everything_that_can_be_used_has_a_name() {
    let all = [Section::Frames, Section::Foreground, Section::Sky, Section::Landscape, Section::Picture, Section::File];
    let state = State { unfolded: all.to_vec(), painting: true, shown: Some(Shown::Frame(0)), ..night() };
    let mut harness = stage(state, |ui, state| {
        let lists = [column::show(ui, state), keys::show(ui, state)];
        lists.into_iter().flatten().next()
    });
    harness.run();
    let names = names_of_controls(&harness);
    assert!(names.len() > 40, "{} controls were looked at", names.len());
}

#[test]
fn a_missing_folder_is_named_with_a_remedy_and_the_window_goes_on() {
    let mut harness = window(vec![PathBuf::from("no-such-night")]);
    wait_until(&mut harness, "the failure is told", |state| !state.notices.is_empty());
    let text = harness.state().as_ref().map(|app| app.state().notices[0].text.clone()).unwrap_or_default();
    assert!(text.contains("no-such-night") && text.contains("check"), "it says: {text}");
    // The search for frames ends by itself.
    for _ in 0..500 {
        harness.step();
        if harness.query_by_label("Try the sample frames").is_some() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("the sample frames are not offered again");
}

#[test]
fn keys_change_the_light_and_show_the_list_of_keys() {
    let mut harness = window(Vec::new());
    harness.key_press_modifiers(Modifiers::SHIFT, Key::Questionmark);
    harness.step();
    harness.step();
    harness.get_by_label("Set aside or take back");
    harness.get_by_label("Star arrows on or off");
    harness.key_press(Key::Escape);
    harness.step();
    harness.key_press(Key::N);
    harness.step();
    harness.key_press(Key::D);
    harness.step();
    let app = harness.state().as_ref().expect("the window was drawn");
    assert_eq!((app.state().keys_shown, app.state().theme), (false, Theme::Red), "closed, and the next light");
    assert!(app.state().residuals_shown, "and the arrows are on");
}

#[test]
fn the_reference_is_marked_by_its_path_before_a_run_and_after_it() {
    let marked = |harness: &Harness<'_, Stage>| {
        let names = names_of_controls(harness);
        names.into_iter().filter(|name| name.ends_with("the sky is brought to it")).collect::<Vec<_>>()
    };
    let harness = stage(night(), night_line::show);
    let names = marked(&harness);
    assert!(names.len() == 1 && names[0].starts_with("night-002.dng"), "one near the middle: {names:?}");

    // Two cards with the same names of files.
    let mut state = night();
    for (idx, frame) in state.sheaf.frames.iter_mut().enumerate() {
        frame.path = PathBuf::from(if idx < 2 { "first" } else { "second" }).join(format!("n-{}.dng", idx % 2));
        frame.finding.as_mut().expect("measured").path = frame.path.clone();
        frame.wanted = Some(true);
    }
    let fate = |file: PathBuf, registration: &str| FrameReport {
        file,
        used: true,
        reason: String::new(),
        weight: 1.0,
        scale_range: Some([1.0, 1.0]),
        registration: registration.to_owned(),
        matched: 40,
        rms_px: Some(0.2),
        registration_reason: None,
        capture_time: None,
        exposure_secs: None,
        stars: 40,
        fwhm_px: None,
        elongation: None,
        sky_level: None,
        residuals_by_radius: Vec::new(),
    };
    let frames = vec![fate("first/n-0.dng".into(), "camera"), fate("second/n-0.dng".into(), "reference")];
    state.report = Some(Report { reference: "n-0.dng".to_owned(), frames, ..Report::default() });
    assert_eq!(state.reference(), Some(std::path::Path::new("second/n-0.dng")), "by its whole path");
    let harness = stage(state, night_line::show);
    assert_eq!(marked(&harness).len(), 1, "one of the two with this name");
}

#[test]
fn what_cannot_be_pressed_says_why_when_the_pointer_rests_on_it() {
    let mut harness = stage(State { unfolded: vec![Section::File], ..night() }, column::show);
    for name in ["Export…", "What was left out…", "Layers: sky, land, mask…", "Report page…"] {
        let place = harness.get_by_label(name).rect().center();
        harness.hover_at(place);
        harness.run_steps(60);
        harness.get_by_label_contains("Not now: there is no stack yet");
    }
}

#[test]
fn shortcuts_are_written_as_on_the_keyboard_of_the_platform() {
    for (os, key) in [(OperatingSystem::Mac, "Cmd"), (OperatingSystem::Nix, "Ctrl")] {
        let mut harness = stage(night(), |ui, state| foot::show(ui, state, None));
        harness.ctx.set_os(os);
        harness.run();
        harness.get_by_label(&format!("{key}+Enter"));
        let place = harness.get_by_label("Stack 3 frames").rect().center();
        harness.hover_at(place);
        harness.run_steps(60);
        harness.get_by_label_contains(&format!("({key}+Enter)"));
    }
}
