//! Work in the window: one at a time, stopped whenever it is asked to, told as a whole, and what waits for it.
#![cfg(feature = "gui")]

#[path = "support/raster.rs"]
mod raster;
#[allow(dead_code, reason = "shared with tests that need more of it")]
#[path = "support/stage.rs"]
mod stage;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use nightsheaf::error::Error;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::correcting::{EdgeChange, Tool};
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::Shown;
use nightsheaf::gui::tone::Aspect;
use nightsheaf::gui::view::Zoom;
use nightsheaf::gui::whole::{LAYERS, RUN, StepShare, Whole};
use nightsheaf::gui::works::{self, Stacked};
use nightsheaf::job::{CancelToken, Monitor, Progress};
use nightsheaf::pipeline::{DevelopSettings, ExportSettings, Request, collect_frames};
use nightsheaf::pixels::Orientation;
use nightsheaf::settings::{MaskSource, Sheaf};
use stage::Stage;

fn decoder() -> Option<&'static Path> {
    Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli")))
}

fn sample_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames")
}

fn sample() -> Stage {
    let mut stage = Stage::open(vec![sample_folder()], decoder());
    stage.wait("the frames are measured", |state| state.sheaf.n_lights() == 11 && !state.measuring);
    stage.wait("the preview is there", |state| state.preview.is_some() && !state.previewing);
    stage
}

#[test]
fn a_cancelled_correction_leaves_the_mask_as_it_was_and_undo_waits_for_one_that_runs() {
    let mut stage = sample();
    let found = stage.state().sheaf.mask.clone().expect("the landscape was found");
    for change in [EdgeChange::Grow(9.0), EdgeChange::Shrink(9.0), EdgeChange::Feather(30.0), EdgeChange::Invert] {
        // Also one that is worked out before the window hears of it.
        stage.at_once([Action::ChangeEdge(change), Action::ChangeEdge(EdgeChange::Invert), Action::Cancel]);
        stage.rest();
        stage.wait("nothing runs", |state| !state.correcting);
        let sheaf = &stage.state().sheaf;
        assert!(sheaf.mask.as_ref().is_some_and(|mask| Arc::ptr_eq(mask, &found)), "{change:?}: the mask as it was");
        assert_eq!((sheaf.land, stage.state().can_travel.0), (Land::Found, false), "{change:?}: and nothing to undo");
    }

    stage.at_once([Action::ChangeEdge(EdgeChange::Grow(9.0)), Action::ChangeEdge(EdgeChange::Invert), Action::Undo]);
    stage.rest();
    stage.wait("both are done and one is taken back", |state| !state.correcting && state.can_travel == (true, true));
    let grown = stage.state().sheaf.mask.clone().expect("a mask");
    assert_eq!(stage.state().sheaf.land, Land::Painted, "the first one stays");
    assert!(grown.fraction() > found.fraction() && grown.fraction() < 0.9, "grown, not inverted");
    stage.apply(Action::Undo);
    stage.wait("the other one too", |state| !state.can_travel.0);
    assert!(stage.state().sheaf.mask == Some(found), "as it was found");
}

#[test]
fn a_change_of_the_mask_shows_on_the_preview_once_it_is_done() {
    let mut stage = sample();
    let preview = stage.state().preview.expect("a preview");
    assert!(preview.noise.is_some_and(|noise| noise.gain > 1.2), "with the noise of both sides: {preview:?}");
    stage.apply(Action::ToggleHatching);
    let canvas = |stage: &mut Stage| image::imageops::crop_imm(&stage.picture(), 480, 100, 400, 500).to_image();
    let with_found = canvas(&mut stage);
    stage.at_once([Action::ChangeEdge(EdgeChange::Grow(200.0))]);
    stage.wait("the preview is made anew", |state| {
        !state.correcting && !state.previewing && state.preview.is_some_and(|other| other != preview)
    });
    assert!(difference(&canvas(&mut stage), &with_found) > 0.01, "sky stacked as land looks other");

    // With all of the sky taken for land there is nothing to bring the frames together by.
    stage.at_once([Action::Undo, Action::ChangeEdge(EdgeChange::Invert)]);
    stage.wait("it is told why there is none", |state| state.no_preview.is_some());
    assert!(stage.state().notices.is_empty(), "beside the work, not as an error");
    stage.apply(Action::Undo);
    stage.wait("the preview is made of what was found", |state| state.no_preview.is_none() && !state.previewing);
    assert_eq!(stage.state().preview, Some(preview), "as it was");
}

#[test]
fn a_preview_does_not_take_the_place_of_what_is_painted_on() {
    let mut stage = sample();
    stage.apply(Action::Show(Shown::Frame(3)));
    stage.wait("the frame is there", |state| !state.opening);
    // A choice of how the sky is made asks for a preview, which comes while the brush is in hand.
    let mut choices = stage.state().sheaf.choices.clone();
    choices.drop_above_sigma = 4.5;
    stage.at_once([Action::Choose(Box::new(choices)), Action::TakeTool(Tool::Brush)]);
    stage.wait("the brush is in hand and the preview is made", |state| state.painting && state.previewing);
    stage.wait("the preview is there", |state| !state.previewing);
    assert_eq!(stage.state().shown, Some(Shown::Frame(3)), "what is painted on stays");
    stage.apply(Action::LayBrushDown);
    assert_eq!(stage.state().shown, Some(Shown::Preview), "and then it is seen");
}

#[test]
fn frames_added_during_a_run_are_measured_after_it() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let frame = collect_frames(&[sample_folder()]).expect("the sample frames").remove(4);
    std::fs::copy(frame, folder.path().join("later.dng")).expect("room for a frame");
    let mut stage = sample();
    stage.at_once([Action::Stack, Action::AddPaths(vec![folder.path().to_owned()])]);
    stage.rest();
    assert!(!stage.state().measuring && stage.state().report.is_none(), "one work at a time");
    let told: Vec<&str> = stage.state().notices.iter().map(|notice| notice.text.as_str()).collect();
    assert!(told.iter().any(|text| text.contains("as soon as")), "it is said: {told:?}");
    stage.wait("the stack is there", |state| state.report.is_some());
    stage.wait("the new frame is measured", |state| {
        let new = state.sheaf.frames.iter().find(|frame| frame.path.ends_with("later.dng"));
        !state.measuring && new.is_some_and(|frame| frame.finding.is_some())
    });
}

#[test]
fn a_strip_that_opens_does_not_move_what_is_looked_at() {
    let mut stage = sample();
    stage.apply(Action::ToggleHatching);
    stage.apply(Action::Zoom(Zoom::Scale(2.0)));
    let spot = |stage: &mut Stage| image::imageops::crop_imm(&stage.picture(), 60, 300, 250, 250).to_image();
    let before = spot(&mut stage);
    stage.apply(Action::ChooseFolder);
    assert!(stage.state().path_for.is_some(), "a strip with a field is open");
    let most = difference(&before, &spot(&mut stage));
    assert!(most < 0.02, "the picture stands still: {most}");
    stage.apply(Action::StepBack);
    assert!(difference(&before, &spot(&mut stage)) < 0.02, "and when it is closed, too");
}

/// Share of the pixels that are not the same.
fn difference(one: &image::RgbImage, other: &image::RgbImage) -> f64 {
    let changed = one.pixels().zip(other.pixels()).filter(|(a, b)| a.0.iter().zip(b.0).any(|(a, b)| a.abs_diff(b) > 8));
    changed.count() as f64 / one.pixels().count() as f64
}

/// A monitor that stops at the look of number `stop_at`, counted from 1.
fn stops_at(stop_at: usize) -> Monitor {
    let cancel = CancelToken::default();
    let (token, n_looks) = (cancel.clone(), AtomicUsize::new(0));
    Monitor::new(cancel, |_| {}).hear_looks(move || {
        if n_looks.fetch_add(1, Ordering::Relaxed) + 1 >= stop_at {
            token.cancel();
        }
    })
}

/// A monitor, and what it is told.
fn listening() -> (Monitor, Arc<Mutex<Vec<Progress>>>) {
    let told = Arc::new(Mutex::new(Vec::new()));
    let hears = Arc::clone(&told);
    let monitor = Monitor::new(CancelToken::default(), move |progress| {
        hears.lock().expect("nobody panics").push(progress);
    });
    (monitor, told)
}

/// Each step has a share in the plan, nothing goes back, and the end is the whole.
fn check_told(plan: &[StepShare], told: &Mutex<Vec<Progress>>) {
    let mut whole = Whole::new(plan.to_vec());
    let mut last = 0.0;
    for &progress in told.lock().expect("nobody panics").iter() {
        assert!(plan.iter().any(|(step, _)| *step == progress.step), "a step without a share: {}", progress.step);
        whole.note(progress, Instant::now());
        assert!(whole.done() >= last, "{progress:?}: from {last} back to {}", whole.done());
        last = whole.done();
    }
    assert!((0.95..=1.0001).contains(&last), "the run ends at {last}");
}

/// Bytes of a file, or of all that a folder holds.
fn weight(path: &Path) -> u64 {
    if !path.is_dir() {
        return std::fs::metadata(path).expect("it is there").len();
    }
    let inside = std::fs::read_dir(path).expect("a folder").filter_map(Result::ok);
    inside.map(|entry| entry.metadata().expect("it is there").len()).sum()
}

/// Takes a file or a folder away, if it is there.
fn remove(path: &Path) {
    let _ = if path.is_dir() { std::fs::remove_dir_all(path) } else { std::fs::remove_file(path) };
}

/// A run, told as a whole; then each file that the window writes from it, stopped at each of the first looks: it is
/// whole, or not there.
#[test]
fn a_run_is_told_as_a_whole_and_files_are_written_whole_or_not_at_all() {
    if let Some(decoder) = decoder() {
        nightsheaf::pipeline::decode_by(decoder.to_owned());
    }
    let (monitor, told) = listening();
    let lights = collect_frames(&[sample_folder()]).expect("the sample frames");
    let request = Request { lights, keep_single: true, ..Request::default() };
    let Stacked { outcome, foreground, .. } =
        works::stack(&monitor, &request, &DevelopSettings::default(), Aspect::Picture).expect("a stack");
    check_told(RUN, &told);

    // The layers are a run of their own, which ends otherwise.
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (monitor, told) = listening();
    let settings = ExportSettings::default;
    let written = works::save_layers(&monitor, request.clone(), folder.path().join("layers"), settings());
    assert!(folder.path().join("layers/land.tiff").is_file(), "sky and land apart: {written:?}");
    check_told(LAYERS, &told);
    let apart = Request { keep_layers: true, ..request };
    let apart = Arc::new(nightsheaf::pipeline::run(&Monitor::silent(), &apart).expect("as before"));

    let mask = foreground.expect("a landscape");
    let sheaf = Sheaf { mask: Some(MaskSource::Inside(Arc::clone(&mask))), ..Sheaf::default() };
    type Write<'a> = Box<dyn Fn(&Monitor, PathBuf) -> Result<(), Error> + 'a>;
    let kinds: Vec<(&str, Write<'_>)> = vec![
        ("mask.png", {
            let mask = Arc::clone(&mask);
            Box::new(move |monitor, path| {
                works::save_mask(monitor, path, Arc::clone(&mask), Orientation::Normal).map(|_| ())
            })
        }),
        ("left-out.png", {
            let outcome = Arc::clone(&outcome);
            Box::new(move |monitor, path| works::save_left_out(monitor, Arc::clone(&outcome), path).map(|_| ()))
        }),
        ("night.toml", {
            let sheaf = sheaf.clone();
            Box::new(move |monitor, path| {
                works::save_sheaf(monitor, path, sheaf.clone(), Default::default()).map(|_| ())
            })
        }),
        ("copy.toml", Box::new(|monitor, path| works::copy_work(monitor, path, sheaf.clone(), None))),
        (
            "night.tif",
            Box::new(|monitor, path| {
                works::export(monitor, Arc::clone(&outcome), path, ExportSettings::default()).map(|_| ())
            }),
        ),
        (
            "night.html",
            Box::new(|monitor, path| {
                works::save_report_page(monitor, Arc::clone(&outcome), path, settings()).map(|_| ())
            }),
        ),
        (
            "layers",
            Box::new(|monitor, path| works::write_layers(monitor, Arc::clone(&apart), path, settings()).map(|_| ())),
        ),
    ];
    for (name, write) in kinds {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join(name);
        write(&Monitor::silent(), path.clone()).unwrap_or_else(|error| panic!("{name} can be written: {error}"));
        let whole = weight(&path);
        let mut n_cancelled = 0;
        // Far enough to fall between one file of a folder and the next.
        let most = if path.is_dir() { 60 } else { 8 };
        for stop_at in 1..=most {
            remove(&path);
            let result = write(&stops_at(stop_at), path.clone());
            match result {
                Ok(()) => assert_eq!(weight(&path), whole, "{name} is whole"),
                Err(Error::Cancelled(_)) => {
                    n_cancelled += 1;
                    // What was given up ends a moment later, and must not come to light then.
                    std::thread::sleep(std::time::Duration::from_millis(60));
                    assert!(!path.exists(), "{name} stopped at look {stop_at} is not there");
                }
                Err(error) => panic!("{name}: {error}"),
            }
        }
        // What is being given up ends at its own next look.
        let parts = || {
            let inside = std::fs::read_dir(folder.path()).expect("a folder").filter_map(Result::ok);
            inside.map(|part| part.file_name()).filter(|part| part.to_string_lossy().contains(".part")).count()
        };
        let began = Instant::now();
        while parts() > 0 && began.elapsed().as_secs() < 20 {
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        // What is written in no time has no second look.
        assert!(n_cancelled >= 1, "{name} is stopped at its first look at least");
        assert_eq!(parts(), 0, "{name}: nothing half-written is left");
    }
}

/// What reads files is stopped before it has read them, too.
#[test]
fn what_reads_files_stops_when_it_is_asked_to() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let nothing = folder.path().join("nothing");
    let is_cancelled = |name: &str, result: Result<(), Error>| {
        assert!(matches!(result, Err(Error::Cancelled(_))), "{name}: {result:?}");
    };
    let paths = || vec![sample_folder()];
    for stop_at in [1, 2] {
        let stop = || stops_at(stop_at);
        let size = nightsheaf::pixels::Size { width: 8, height: 6 };
        let loaded = works::load_mask(&stop(), nothing.clone(), size, Orientation::Normal);
        is_cancelled("a mask", loaded.map(|_| ()));
        is_cancelled("a sheaf", works::open_sheaf(&stop(), nothing.clone()).map(|_| ()));
        let kind = nightsheaf::gui::calibration::CalibrationKind::Dark;
        is_cancelled("calibration frames", works::collect_calibration(&stop(), kind, paths()).map(|_| ()));
        is_cancelled("frames for the landscape", works::collect_land(&stop(), paths()).map(|_| ()));
        let (sender, _receiver) = std::sync::mpsc::channel();
        let ear = works::Ear::new(sender, eframe::egui::Context::default());
        let gathered = works::gather(&stop(), &ear, works::Gathering { paths: paths(), ..works::Gathering::default() });
        is_cancelled("a night", gathered.map(|_| ()));
        let made = works::make_sample_frames(&stop(), &ear, folder.path(), 1 << 30);
        is_cancelled("the sample frames", made.map(|_| ()));
    }
}
