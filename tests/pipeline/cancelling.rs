//! A small burst stopped at each step in turn: no result, and no file but the old ones.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use nightsheaf::error::Error;
use nightsheaf::job::{CancelToken, Monitor};
use nightsheaf::pipeline::{self, ExportSettings, MaskChoice, Request};
use nightsheaf::pixels::Size;
use nightsheaf::synthetic::{Burst, Scene};

use crate::sample::request;

struct Place {
    folder: tempfile::TempDir,
    request: Request,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written");
        let at = |name: &str| folder.path().join(name);
        let scene = Scene { n_lights: 3, n_stars: 1200, size: Size { width: 300, height: 200 }, ..Scene::small() };
        Burst::new(scene).write(&at("frames"), 2).expect("room for a small burst");
        for name in ["scratch", "output"] {
            std::fs::create_dir(at(name)).expect("a new folder");
        }
        let frames = |name: &str| pipeline::collect_frames(&[at(name)]).expect("just written");
        let request = Request {
            lights: frames("frames"),
            darks: frames("frames/darks"),
            mask: MaskChoice::File(at("frames/truth/mask.png")),
            scratch_folder: Some(at("scratch")),
            output_folder: Some(at("output")),
            ..request()
        };
        Self { folder, request }
    }

    fn output(&self) -> PathBuf {
        self.folder.path().join("output/night.tiff")
    }

    fn run(&self, monitor: &Monitor) -> Result<(), Error> {
        let outcome = pipeline::run(monitor, &self.request)?;
        pipeline::export(monitor, &outcome, &self.output(), &ExportSettings::default())
    }

    fn files(&self, name: &str) -> Vec<PathBuf> {
        list(&self.folder.path().join(name))
    }
}

fn list(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("a folder");
    entries.map(|entry| entry.expect("an entry").path()).collect()
}

/// A monitor that asks for a stop at the step of number `stop_at`, counted from 0, and the names it heard.
fn stopping(stop_at: usize) -> (Monitor, Arc<Mutex<Vec<&'static str>>>) {
    let (cancel, count) = (CancelToken::default(), AtomicUsize::new(0));
    let heard = Arc::new(Mutex::new(Vec::new()));
    let (asked, noted) = (cancel.clone(), Arc::clone(&heard));
    let monitor = Monitor::new(cancel, move |progress| {
        noted.lock().expect("no panic in a listener").push(progress.step);
        if count.fetch_add(1, Ordering::Relaxed) == stop_at {
            asked.cancel();
        }
    });
    (monitor, heard)
}

#[test]
fn a_run_stopped_at_any_step_leaves_nothing() {
    let place = Place::new();
    let (monitor, heard) = stopping(usize::MAX);
    place.run(&monitor).expect("nobody stops this one");
    assert_eq!(place.files("output"), [place.output()], "the picture alone");
    std::fs::remove_file(place.output()).expect("just written");
    let steps = heard.lock().expect("no panic in a listener").clone();
    for name in ["Averaging calibration frames", "Reading frames", "Stacking", "Writing the picture"] {
        assert!(steps.contains(&name), "{name} is not among {steps:?}");
    }

    for (stop_at, step) in steps.iter().enumerate() {
        let (monitor, _) = stopping(stop_at);
        let result = place.run(&monitor);
        let last = stop_at + 1 == steps.len();
        assert!(matches!(result, Err(Error::Cancelled(_))) || last, "stopped at {step}, step {stop_at}: {result:?}");
        assert_eq!(place.files("scratch"), [] as [PathBuf; 0], "scratch folder after {step}");
        if result.is_err() {
            assert_eq!(place.files("output"), [] as [PathBuf; 0], "output folder after {step}");
        }
    }
}

#[test]
fn an_old_picture_outlives_a_stopped_run() {
    let place = Place::new();
    std::fs::write(place.output(), "old").expect("a file");
    let outcome = pipeline::run(&Monitor::silent(), &place.request).expect("nobody stops this one");
    let (monitor, _) = stopping(0);
    let result = pipeline::export(&monitor, &outcome, &place.output(), &ExportSettings::default());
    assert!(matches!(result, Err(Error::Cancelled(_))), "stopped while writing: {result:?}");
    assert_eq!(std::fs::read(place.output()).expect("still there"), b"old", "the old picture is as it was");
    assert_eq!(place.files("output"), [place.output()], "and nothing else");
}
