//! Names that are no text, and pipes where files are meant.
#![cfg(unix)]

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::FileTypeExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread;
use std::time::{Duration, Instant};

use crate::support::{Ran, json, light, names, new_folder, night, program, run};

/// A name that is no text in any encoding of Unicode; `None` where the disk takes no such name.
fn copy_without_text(from: &Path, folder: &Path, name: &[u8]) -> Option<PathBuf> {
    let path = folder.join(OsStr::from_bytes(name));
    fs::copy(from, &path).ok()?;
    Some(path)
}

#[test]
fn reports_name_frames_whose_names_are_no_text() {
    let work = new_folder();
    let folder = work.path().join(OsStr::from_bytes(b"night \xfe"));
    let made = fs::create_dir(&folder).and_then(|()| fs::create_dir(folder.join("darks")));
    let strange = made.ok().and_then(|()| copy_without_text(&light(1), &folder, b"l\xff.dng"));
    let Some(strange) = strange else { return };
    copy_without_text(&light(2), &folder, b"second.dng").expect("room for a frame");
    copy_without_text(&night().join("darks/dark-001.dng"), &folder.join("darks"), b"d\xff.dng").expect("room");
    let (output, data) = (work.path().join("out.tiff"), work.path().join("out.json"));
    let page = work.path().join("out.html");
    let ran = run!("stack", folder, "-o", output, "--mask", "none", "--report", data, "--report", page);
    assert_eq!(ran.code, Some(0), "{ran:?}");
    let shown = strange.to_string_lossy().into_owned();
    let report = json(&data);
    assert_eq!(report["frames"][0]["file"].as_str(), Some(shown.as_str()), "with a sign for what is no text");
    let dark = report["settings"]["beside"][0].as_str().expect("the dark beside the lights");
    assert!(dark.ends_with("d\u{fffd}.dng"), "{dark}");
    assert!(fs::read_to_string(&page).expect("a page").contains("l\u{fffd}.dng"), "on the page too");
}

/// Runs the program, which must end by itself soon.
fn ended(words: &[&dyn AsRef<OsStr>]) -> Ran {
    let mut child = program();
    child.args(words.iter().map(|word| word.as_ref()));
    let mut child = child.stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::piped()).spawn();
    let child_ref = child.as_mut().expect("the program was built");
    let begun = Instant::now();
    while child_ref.try_wait().expect("our own child").is_none() {
        if begun.elapsed() > Duration::from_secs(60) {
            child_ref.kill().expect("our own child");
            panic!("the program waits for a pipe that nobody writes to");
        }
        thread::sleep(Duration::from_millis(20));
    }
    child.expect("started").wait_with_output().expect("ended").into()
}

#[test]
fn a_pipe_is_refused_wherever_a_file_is_meant() {
    let work = new_folder();
    let folder = new_folder();
    let pipe = work.path().join("pipe");
    let made = Command::new("mkfifo").arg(&pipe).status();
    assert!(made.is_ok_and(|made| made.success()), "pipes can be made");
    let output = folder.path().join("out.tiff");
    let check = |words: &[&dyn AsRef<OsStr>], name: &Path| {
        let ran = ended(words);
        assert!(matches!(ran.code, Some(1)), "{ran:?}");
        assert!(ran.err.contains("a pipe") && ran.err.contains(&*name.to_string_lossy()), "{ran:?}");
        assert!(names(folder.path()).is_empty(), "left behind: {:?}", names(folder.path()));
    };
    check(&[&"stack", &night(), &"-o", &output, &"--mask", &pipe], &pipe);
    check(&[&"stack", &night(), &"-o", &output, &"--lens-profile", &pipe], &pipe);
    check(&[&"export", &pipe, &"-o", &output], &pipe);
    check(&[&"stack", &night(), &"-o", &pipe, &"--format", &"tiff16", &"--mask", &"none"], &pipe);
    // Without its darks a night is still a night.
    for kind in ["--darks", "--flats", "--bias"] {
        let ran = ended(&[&"stack", &night(), &"-o", &output, &"--mask", &"none", &kind, &pipe]);
        assert_eq!(ran.code, Some(0), "{ran:?}");
        assert!(ran.out.contains("frame pipe was left out: found a pipe"), "{ran:?}");
    }
    assert!(fs::metadata(&pipe).expect("still there").file_type().is_fifo(), "and is a pipe as before");
}
