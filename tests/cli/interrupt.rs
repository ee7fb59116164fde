//! Ctrl-C: the program stops soon, says so and leaves nothing behind.
#![cfg(unix)]

use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::support::{names, new_folder, program};

/// Sends the signal of Ctrl-C when the program has said `line`; its exit code, the rest of what it said, what it
/// printed, and how long it took to end.
fn interrupted_at(line: &str, arguments: &[&OsStr]) -> (Option<i32>, String, String, Duration) {
    let mut child =
        program().args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program was built");
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
    let took = asked.elapsed();
    let mut printed = String::new();
    child.stdout.take().expect("a pipe was asked for").read_to_string(&mut printed).expect("text");
    (code, rest, printed, took)
}

#[test]
fn ctrl_c_ends_with_130_and_without_a_file() {
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let mask = frames.join("truth/mask.png");
    let whole = |name: &'static str| [OsStr::new(name), frames.as_os_str()];
    let stack = [&whole("stack")[..], &[OsStr::new("--mask"), mask.as_os_str()]].concat();
    let runs = [
        ("Reading frames", stack.clone(), Some("night.tiff")),
        ("Stacking", stack, Some("night.tiff")),
        ("Reading frames", whole("mask").to_vec(), Some("mask.png")),
        ("Reading frames", whole("measure").to_vec(), None),
    ];
    for (line, mut arguments, name) in runs {
        let folder = new_folder();
        let output = name.map(|name| folder.path().join(name));
        if let Some(output) = &output {
            arguments.extend([OsStr::new("--output"), output.as_os_str()]);
        }
        let (code, said, printed, took) = interrupted_at(line, &arguments);
        let what = format!("{arguments:?} at {line}");
        assert_eq!(code, Some(130), "{what}: {said}");
        assert!(said.ends_with("cancelled, nothing was written\n"), "{what}: {said}");
        assert!(printed.is_empty(), "{what}: {printed}");
        // A debug build on a busy machine; a person waits 0.2 s.
        assert!(took < Duration::from_secs(5), "{what}: took {took:?}");
        assert!(names(folder.path()).is_empty(), "{what}: {:?}", names(folder.path()));
    }
}
