//! Damaged files, and what is no file at all, in the built window and in the window without a screen: each is one frame's
//! reason, the window stays, and good frames are stacked afterwards.
#![cfg(all(feature = "gui", unix))]

#[path = "hostile/cases.rs"]
#[allow(dead_code, reason = "shared with the tests that judge the pictures too")]
mod cases;

#[path = "support/raster.rs"]
mod raster;
#[path = "support/stage.rs"]
#[allow(dead_code, reason = "shared with tests that need more of it")]
mod stage;

use std::ffi::OsStr;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use cases::{N_CASES, case, good_files};
use eframe::egui::MissingGlyphPolicy;
use nightsheaf::gui::action::Action;
use stage::Stage;

/// A debug build on a busy machine.
const PATIENCE: Duration = Duration::from_secs(300);
/// Damaged files at once, in the built window.
const N_FILES: usize = 400;
/// Of the cases, every so many go through the window without a screen; all with NIGHTSHEAF_ALL_CASES set.
const EVERY: usize = 10;
/// So many at once.
const N_AT_ONCE: usize = 500;

struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn tools_are_there() -> bool {
    let there =
        |tool: &str| Command::new(tool).arg("-version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok();
    let all = ["Xvfb", "xdotool"].into_iter().all(there);
    if !all {
        assert!(std::env::var_os("NIGHTSHEAF_REQUIRE_TOOLS").is_none(), "Xvfb and xdotool are needed");
        let _ = writeln!(std::io::stdout(), "skipped: no Xvfb or xdotool on this machine");
    }
    all
}

fn title(display: &str) -> String {
    let words = ["search", "--name", "Nightsheaf", "getwindowname"];
    let output =
        Command::new("xdotool").args(words).env("DISPLAY", display).output().expect("xdotool was found before");
    String::from_utf8_lossy(&output.stdout).trim().to_owned()
}

fn wait_for(window: &mut Ended, display: &str, what: &str, met: impl Fn(&str) -> bool) {
    let deadline = Instant::now() + PATIENCE;
    loop {
        let ended = window.0.try_wait().expect("our own child");
        assert!(ended.is_none(), "the window ended with {ended:?} while waiting for {what}");
        let title = title(display);
        if met(&title) {
            return;
        }
        assert!(Instant::now() < deadline, "{what} did not come, the title is {title:?}");
        sleep(Duration::from_millis(200));
    }
}

/// A pipe, a link to it, a socket, links in a circle and to nowhere, folders, and a name that is no text.
fn odd_places(folder: &Path) -> Vec<PathBuf> {
    let at = |name: &str| folder.join(name);
    let made = Command::new("mkfifo").arg(at("pipe.dng")).status();
    assert!(made.is_ok_and(|made| made.success()), "pipes can be made");
    for (to, from) in [("pipe.dng", "to-pipe.dng"), ("b.dng", "a.dng"), ("a.dng", "b.dng"), ("nowhere", "gone.dng")] {
        symlink(at(to), at(from)).expect("a link");
    }
    // Bound and closed again: its name stays.
    UnixListener::bind(at("socket.dng")).expect("a socket");
    fs::create_dir(at("folder.dng")).expect("a folder to write to");
    fs::write(at("empty.dng"), b"").expect("a folder to write to");
    let names = ["pipe.dng", "to-pipe.dng", "a.dng", "gone.dng", "socket.dng", "folder.dng", "empty.dng"];
    let mut places: Vec<PathBuf> = names.into_iter().map(at).collect();
    let strange = folder.join(OsStr::from_bytes(b"na\xffme.dng"));
    // Not every disk takes such a name.
    if fs::copy(at("night-001.dng"), &strange).is_ok() {
        places.push(strange);
    }
    places
}

#[test]
fn hundreds_of_damaged_files_leave_the_window_alive() {
    if !tools_are_there() {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let good = good_files();
    for number in (0..N_CASES).step_by(N_CASES / N_FILES) {
        let case = case(&good, number);
        fs::write(folder.path().join(format!("{number}-{}", case.name)), &case.bytes).expect("room for a small file");
    }
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    for name in ["night-001.dng", "night-002.dng"] {
        fs::copy(sample.join(name), folder.path().join(name)).expect("room for a frame");
    }
    let odd = odd_places(folder.path());
    let mut server = Command::new("Xvfb")
        .args(["-displayfd", "1", "-screen", "0", "1280x800x24", "+extension", "GLX", "-nolisten", "tcp"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("Xvfb was found before");
    let output = server.stdout.take().expect("its output is piped");
    let _server = Ended(server);
    let mut number = String::new();
    BufReader::new(output).read_line(&mut number).expect("the server tells its display");
    let display = format!(":{}", number.trim());
    // What the program keeps of its own; never the person's.
    let home = tempfile::tempdir().expect("a temporary folder");
    let window = Command::new(env!("CARGO_BIN_EXE_nightsheaf"))
        .arg(folder.path())
        .args(&odd)
        .env("DISPLAY", &display)
        .env("LIBGL_ALWAYS_SOFTWARE", "1")
        .env("NIGHTSHEAF_HOME", home.path())
        .env_remove("WAYLAND_DISPLAY")
        .env("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nonexistent")
        .spawn()
        .expect("the program was built");
    let mut window = Ended(window);
    wait_for(&mut window, &display, "the window", |title| title.contains("Nightsheaf"));
    // The frame shown first may be a damaged one, which is told; else all that are listed are counted.
    let n_frames = |title: &str| title.split_once(" frames ·")?.0.parse::<usize>().ok();
    let is_through = |title: &str| title.starts_with("Not done") || n_frames(title).is_some_and(|n| n > N_FILES);
    wait_for(&mut window, &display, "the measured frames", is_through);
    // Not the moment before the work begins, but the one after it.
    sleep(Duration::from_secs(5));
    wait_for(&mut window, &display, "the last of them", is_through);
    // Still there, and it hears: the keys of the list and back.
    let pressed = Command::new("xdotool").args(["key", "question", "Escape"]).env("DISPLAY", &display).status();
    assert!(pressed.is_ok_and(|pressed| pressed.success()), "keys are sent");
    sleep(Duration::from_millis(500));
    assert!(window.0.try_wait().expect("our own child").is_none(), "the window is still there");
}

/// Through the window's own lists, lanes and decoder, some hundred at a time.
#[test]
#[allow(clippy::print_stdout, reason = "the figures are the result")]
fn every_damaged_file_is_told_in_the_window_and_good_frames_are_stacked_afterwards() {
    let good = good_files();
    let began = Instant::now();
    let mut stage = Stage::open(Vec::new(), Some(Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli"))));
    // As in the built window: what no font has, as in a damaged name, is a box.
    stage.harness().ctx.set_missing_glyph_policy(MissingGlyphPolicy::Tofu);
    let (mut n_told, mut n_measured) = (0, 0);
    let every = if std::env::var_os("NIGHTSHEAF_ALL_CASES").is_some() { 1 } else { EVERY };
    let all: Vec<usize> = (0..N_CASES).step_by(every).collect();
    for batch in all.chunks(N_AT_ONCE) {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for &number in batch {
            let case = case(&good, number);
            let path = folder.path().join(format!("{number}-{}", case.name));
            fs::write(path, &case.bytes).expect("room for a small file");
        }
        stage.apply(Action::AddPaths(vec![folder.path().to_owned()]));
        stage.wait("all are listed and measured", |state| {
            !state.measuring && state.sheaf.frames.iter().filter(|frame| frame.finding.is_some()).count() == batch.len()
        });
        for frame in &stage.state().sheaf.frames {
            let finding = frame.finding.as_ref().expect("waited for");
            let is_measured = finding.measures.is_some();
            assert!(is_measured || finding.reason.len() > 10, "{}: {:?}", frame.path.display(), finding.reason);
            n_measured += usize::from(is_measured);
            n_told += usize::from(!is_measured);
        }
        stage.apply(Action::StartOver);
        stage.wait("an empty window", |state| state.sheaf.frames.is_empty());
    }
    println!(
        "{n_told} damaged files told, {n_measured} measured in the window, in {:.0} s",
        began.elapsed().as_secs_f64()
    );
    assert_eq!(n_told + n_measured, all.len(), "every case");

    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let frames = [1, 2, 3].map(|number| sample.join(format!("night-{number:03}.dng")));
    stage.apply(Action::AddPaths(frames.to_vec()));
    stage.wait("good frames", |state| !state.measuring && state.sheaf.n_wanted() == 3);
    stage.apply(Action::Stack);
    stage.wait("their stack", |state| state.report.is_some());
    let report = stage.state().report.as_ref().expect("waited for");
    assert_eq!(report.frames.iter().filter(|frame| frame.used).count(), 3, "all three are used");
}
