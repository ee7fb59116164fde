//! What becomes of old and new files when writing fails: a full disk, a folder that is gone, Ctrl-C.
#![cfg(unix)]

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::support::{Mounted, names, new_folder, night, picture, program, run_words};

type Word<'a> = &'a dyn AsRef<std::ffi::OsStr>;

/// Every kind of file that a run writes, on a disk with room for none of them.
#[test]
fn a_full_disk_keeps_the_old_file_whatever_its_kind() {
    let Some(disk) = Mounted::memory() else { return };
    let elsewhere = new_folder();
    let on_disk = |name: &str| disk.path().join(name);
    let old = ["night.tiff", "night.dng", "night.png", "night.jpg", "light.tiff", "mask.png", "night.html", "sky.tiff"];
    for name in old {
        fs::write(on_disk(name), "old").expect("room for three letters");
    }
    fs::write(on_disk("filler"), vec![1; (4 << 20) - (old.len() + 1) * 4096]).expect("less than the disk holds");
    let before = names(disk.path());
    let (picture, mask) = (elsewhere.path().join("night.tiff"), night().join("truth/mask.png"));
    let cases: [(&str, Vec<&str>); 8] = [
        ("night.tiff", vec!["--output", "night.tiff"]),
        ("night.dng", vec!["--output", "night.dng"]),
        ("night.png", vec!["--output", "night.png"]),
        ("night.jpg", vec!["--output", "night.jpg"]),
        ("light.tiff", vec!["--output", "light.tiff", "--format", "tiff32f", "--compression", "deflate"]),
        ("mask.png", vec!["--mask-output", "mask.png"]),
        ("night.html", vec!["--report", "night.html"]),
        ("sky.tiff", vec!["--layers", ""]),
    ];
    for (name, words) in &cases {
        let paths: Vec<_> = words
            .iter()
            .map(|word| {
                if word.starts_with("--") || ["tiff32f", "deflate"].contains(word) {
                    Path::new(word).to_owned()
                } else {
                    on_disk(word)
                }
            })
            .collect();
        let mut all: Vec<Word<'_>> = vec![&"stack", &"--mask"];
        let (frames, scratch) = (night(), elsewhere.path());
        all.extend([&mask as Word<'_>, &frames, &"--scratch", &scratch]);
        all.extend(paths.iter().map(|path| path as Word<'_>));
        if words[0] != "--output" {
            all.extend([&"--output" as Word<'_>, &picture]);
        }
        let ran = run_words(&all);
        assert_eq!(ran.code, Some(1), "{name}: {ran:?}");
        for part in [name, "the disk is full", "free some space or choose another disk"] {
            assert!(ran.err.contains(part), "{name}: {part:?} is not in: {}", ran.err);
        }
        assert_eq!(names(disk.path()), before, "{name}: nothing is left");
        assert!(
            old.iter().all(|name| fs::read(on_disk(name)).is_ok_and(|bytes| bytes == b"old")),
            "{name}: all are as they were"
        );
    }
}

/// Starts a stack of the sample frames and waits until it says `line`.
fn started(output: &Path, line: &str, words: &[&str]) -> (Child, BufReader<std::process::ChildStderr>) {
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let scratch = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let mut child = program()
        .arg("stack")
        .args([1, 2, 3, 4].map(|number| frames.join(format!("night-{number:03}.dng"))))
        .args(["--mask", "none", "--scratch"])
        .arg(scratch)
        .arg("--output")
        .arg(output)
        .args(words)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program was built");
    let mut said = BufReader::new(child.stderr.take().expect("a pipe was asked for"));
    let mut heard = String::new();
    while !heard.contains(line) {
        assert!(said.read_line(&mut heard).expect("text") > 0, "never said {line}: {heard}");
    }
    (child, said)
}

#[test]
fn a_folder_that_is_gone_when_the_picture_is_written_is_named() {
    let folder = new_folder();
    let place = folder.path().join("drive");
    fs::create_dir(&place).expect("a new folder");
    let (mut child, mut said) = started(&place.join("night.tiff"), "Stacking", &[]);
    fs::remove_dir_all(&place).expect("our own folder");
    let mut rest = String::new();
    said.read_to_string(&mut rest).expect("text");
    assert_eq!(child.wait().expect("the program ends").code(), Some(1), "{rest}");
    assert!(rest.contains("night.tiff") && rest.contains("the folder does not exist"), "{rest}");
    assert!(names(folder.path()).is_empty(), "nothing came in its place");
}

/// Whatever the moment: the old file as it was and the code of a cancel, or the new one whole and no error.
#[test]
fn ctrl_c_while_a_file_is_written_leaves_the_old_file_or_the_whole_new_one() {
    let mut n_cancelled = 0;
    for attempt in 0..8 {
        let folder = new_folder();
        let output = folder.path().join("night.tiff");
        fs::write(&output, "old").expect("a small file");
        let (mut child, mut said) = started(&output, "Writing", &["--compression", "deflate", "--threads", "1"]);
        std::thread::sleep(Duration::from_millis(4 * attempt));
        let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
        assert!(sent.is_ok(), "the signal is sent, if anybody is left to hear it");
        let mut rest = String::new();
        said.read_to_string(&mut rest).expect("text");
        let code = child.wait().expect("the program ends").code();
        assert_eq!(names(folder.path()), ["night.tiff"], "attempt {attempt}: nothing else is left");
        if code == Some(130) {
            n_cancelled += 1;
            assert_eq!(fs::read(&output).expect("there"), b"old", "attempt {attempt}: {rest}");
        } else {
            assert_eq!(code, Some(0), "attempt {attempt}: {rest}");
            assert_eq!(picture(&output).width(), 1080, "attempt {attempt}: the whole new picture");
        }
    }
    assert!(n_cancelled > 0, "at least one signal came in time");
}
