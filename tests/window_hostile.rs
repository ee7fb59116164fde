//! Hundreds of damaged files, and what is no file at all, in the built window: each is one frame's reason, and the
//! window stays.
#![cfg(all(feature = "gui", unix))]

#[path = "hostile/cases.rs"]
#[allow(dead_code, reason = "shared with the tests that judge the pictures too")]
mod cases;

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

/// A debug build on a busy machine.
const PATIENCE: Duration = Duration::from_secs(300);
/// Damaged files at once.
const N_FILES: usize = 400;

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
    // The frame shown first may be a damaged one, which is told.
    let is_through = |title: &str| title.starts_with("Not done") || title.contains(" frames ·");
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
