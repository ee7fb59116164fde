//! What becomes of old and new files when writing fails: a full disk, a folder that is gone, Ctrl-C.
#![cfg(unix)]

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use nightsheaf::error::WithSources;
use nightsheaf::settings::{Light, Sheaf, load_sheaf, save_sheaf};

use crate::support::{Mounted, names, new_folder, night, picture, program, run_words};

type Word<'a> = &'a dyn AsRef<std::ffi::OsStr>;

/// Every kind of file that a run writes, on a disk with room for none of them.
const ALL_KINDS: [(&str, &[&str]); 12] = [
    ("night.tiff", &["--output", "night.tiff"]),
    ("night.dng", &["--output", "night.dng"]),
    ("night.png", &["--output", "night.png"]),
    ("night.jpg", &["--output", "night.jpg"]),
    ("light.tiff", &["--output", "light.tiff", "--format", "tiff32f", "--compression", "deflate"]),
    ("mask.png", &["--mask-output", "mask.png"]),
    ("night.html", &["--report", "night.html"]),
    ("night.json", &["--report", "night.json"]),
    ("arrows.png", &["--residuals", "arrows.png"]),
    ("clipped.png", &["--clipped", "clipped.png"]),
    ("lens.toml", &["--save-lens-profile", "lens.toml"]),
    ("sky.tiff", &["--layers", ""]),
];

/// A disk whose files of these names hold "old", and not one byte is free.
fn full_disk<'a>(names: impl Iterator<Item = &'a str>) -> Option<Mounted> {
    let disk = Mounted::memory()?;
    for name in names {
        fs::write(disk.path().join(name), "old").expect("room for three letters");
    }
    fill(&disk);
    Some(disk)
}

/// Takes what is left of a disk.
fn fill(disk: &Mounted) {
    let mut filler = fs::File::create(disk.path().join("filler")).expect("a new name takes no room");
    while filler.write_all(&[1; 4096]).is_ok() {}
}

fn check_full(name: &str, said: &str) {
    for part in [name, "the disk is full", "free some space or choose another disk"] {
        assert!(said.contains(part), "{name}: {part:?} is not in: {said}");
    }
}

#[test]
fn a_full_disk_keeps_the_old_file_whatever_its_kind() {
    let Some(disk) = full_disk(ALL_KINDS.iter().map(|(name, _)| *name)) else { return };
    let elsewhere = new_folder();
    let on_disk = |name: &str| disk.path().join(name);
    let before = names(disk.path());
    let (picture, mask) = (elsewhere.path().join("night.tiff"), night().join("truth/mask.png"));
    for (name, words) in &ALL_KINDS {
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
        // Only a sky that turned far tells of the lens.
        let (frames, mask): (_, Word<'_>) = match *name {
            "lens.toml" => (Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames"), &"none"),
            _ => (night().to_owned(), &mask),
        };
        let scratch = elsewhere.path();
        all.extend([mask, &frames, &"--scratch", &scratch]);
        all.extend(paths.iter().map(|path| path as Word<'_>));
        if words[0] != "--output" {
            all.extend([&"--output" as Word<'_>, &picture]);
        }
        let ran = run_words(&all);
        assert_eq!(ran.code, Some(1), "{name}: {ran:?}");
        check_full(name, &ran.err);
        assert_eq!(names(disk.path()), before, "{name}: nothing is left");
        for (name, _) in &ALL_KINDS {
            assert_eq!(fs::read(on_disk(name)).ok().as_deref(), Some(&b"old"[..]), "{name} is as it was");
        }
    }
}

/// The other commands write too.
#[test]
fn a_full_disk_keeps_the_old_mask_and_the_old_plan() {
    let Some(disk) = full_disk(["mask.png", "plan.pdf"].into_iter()) else { return };
    let (elsewhere, before) = (new_folder(), names(disk.path()));
    let (mask, page) = (disk.path().join("mask.png"), disk.path().join("plan.pdf"));
    let scratch = elsewhere.path();
    let of_mask: [Word<'_>; 6] = [&"mask", &night(), &"--scratch", &scratch, &"-o", &mask];
    let place = ["--date", "2027-03-11", "--latitude", "57", "--longitude", "-6", "--utc-offset", "+00:00", "--page"];
    let of_plan: Vec<Word<'_>> = [&"plan" as Word<'_>]
        .into_iter()
        .chain(place.iter().map(|word| word as Word<'_>))
        .chain([&page as _])
        .collect();
    for (name, words) in [("mask.png", &of_mask[..]), ("plan.pdf", &of_plan)] {
        let ran = run_words(words);
        assert_eq!(ran.code, Some(1), "{name}: {ran:?}");
        check_full(name, &ran.err);
        assert_eq!(names(disk.path()), before, "{name}: nothing is left");
        assert_eq!(fs::read(disk.path().join(name)).ok().as_deref(), Some(&b"old"[..]), "{name} is as it was");
    }
}

#[test]
fn a_full_disk_keeps_the_old_sheaf() {
    let Some(disk) = Mounted::memory() else { return };
    let path = disk.path().join("tarn.toml");
    let old = Sheaf { lights: vec![light("a.dng"), light("b.dng")], ..Sheaf::default() };
    save_sheaf(&path, &old).expect("room for a small sheaf");
    fill(&disk);
    let before = names(disk.path());
    let error = save_sheaf(&path, &Sheaf { lights: vec![light("c.dng")], ..old.clone() }).expect_err("no room");
    check_full("tarn.toml", &WithSources(&error).to_string());
    assert_eq!(names(disk.path()), before, "nothing is left");
    let found = load_sheaf(&path).expect("the old file is whole");
    assert_eq!((found.sheaf, found.recovered), (old, false), "as it was saved");
}

fn light(name: &str) -> Light {
    Light { path: Path::new("/nights").join(name), mark: None }
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
