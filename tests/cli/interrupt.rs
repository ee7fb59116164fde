//! Ctrl-C: the program stops soon, says so and leaves nothing behind.
#![cfg(unix)]

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::support::{names, new_folder, program};

/// Sends the signal of Ctrl-C when the program has said `line`; its exit code, the rest of what it said, and how
/// long it took to end.
fn interrupted_at(line: &str, output: &Path) -> (Option<i32>, String, Duration) {
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let mut child = program()
        .arg("stack")
        .arg(&frames)
        .arg("--mask")
        .arg(frames.join("truth/mask.png"))
        .arg("--output")
        .arg(output)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program was built");
    let mut said = BufReader::new(child.stderr.take().expect("a pipe was asked for"));
    let mut heard = String::new();
    while !heard.contains(line) {
        assert!(said.read_line(&mut heard).expect("text") > 0, "never said {line}: {heard}");
    }
    let asked = Instant::now();
    let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(sent.is_ok_and(|sent| sent.success()), "the signal is sent");
    let mut rest = String::new();
    said.read_to_string(&mut rest).expect("text");
    let code = child.wait().expect("the program ends").code();
    (code, rest, asked.elapsed())
}

#[test]
fn ctrl_c_ends_with_130_and_without_a_file() {
    for line in ["Reading frames", "Stacking"] {
        let folder = new_folder();
        let (code, said, took) = interrupted_at(line, &folder.path().join("night.tiff"));
        assert_eq!(code, Some(130), "at {line}: {said}");
        assert!(said.ends_with("cancelled, nothing was written\n"), "at {line}: {said}");
        // A debug build on a busy machine; a person waits 0.2 s.
        assert!(took < Duration::from_secs(5), "at {line}: took {took:?}");
        assert!(names(folder.path()).is_empty(), "at {line}: {:?}", names(folder.path()));
    }
}
