//! What a person gets wrong, and what disks and cards do: a sentence with the file, what was found and what
//! to do, the right exit code, and nothing half-written.

use std::fs;
use std::path::{Path, PathBuf};

use nightsheaf::pixels::Size;
use nightsheaf::synthetic::dng::write_cfa_dng;
use nightsheaf::synthetic::{Burst, Scene};

use crate::support::{Mounted, Ran, done, json, light, names, new_folder, night, run, scene};

/// A failed run says all of `parts` on standard error and nothing elsewhere, and leaves no file in `folder`.
fn check_failed(ran: &Ran, parts: &[&str], folder: &Path) {
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.out.is_empty(), "{ran:?}");
    for part in parts {
        assert!(ran.err.contains(part), "{part:?} is not in: {}", ran.err);
    }
    assert!(ran.err.lines().any(|line| line.starts_with("error: ")), "{}", ran.err);
    assert!(!ran.err.contains("panicked") && !ran.err.contains("Os {"), "{}", ran.err);
    assert!(names(folder).is_empty(), "left behind: {:?}", names(folder));
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a plain name")
}

/// Copies of good frames and whatever a test adds.
fn frames_with(folder: &Path, good: &[usize]) -> PathBuf {
    let frames = folder.join("frames");
    fs::create_dir(&frames).expect("a new folder");
    for &number in good {
        let from = light(number);
        fs::copy(&from, frames.join(from.file_name().expect("a file"))).expect("room for a frame");
    }
    frames
}

/// The reason that the report gives for a file, and whether it was used.
fn fate(report: &Path, name: &str) -> (bool, String) {
    let report = json(report);
    let frames = report["frames"].as_array().expect("a list");
    let ends = |frame: &&serde_json::Value| frame["file"].as_str().is_some_and(|file| file.ends_with(name));
    let frame = frames.iter().find(ends).unwrap_or_else(|| panic!("{name} is not in {report}"));
    (frame["used"] == true, frame["reason"].as_str().expect("text").to_owned())
}

#[test]
fn nothing_to_stack_is_said() {
    let (folder, empty) = (new_folder(), new_folder());
    let output = folder.path().join("night.tiff");
    let of_empty = run!("stack", empty.path(), "-o", output);
    check_failed(&of_empty, &["no frames found in", text(empty.path()), "give raw, TIFF, PNG or JPEG"], folder.path());
    let missing = empty.path().join("gone.dng");
    check_failed(&run!("stack", missing, "-o", output), &[text(&missing), "check the name"], folder.path());
    check_failed(&run!("stack", night(), "--darks", empty.path(), "-o", output), &[text(empty.path())], folder.path());
    let one = run!("stack", light(1), "-o", output);
    let remedy = "a stack needs 2: add frames of the same night, or take back one that was set aside\n";
    check_failed(&one, &["1 of 1 frames", remedy], folder.path());
    let one = run!("mask", light(1), "-o", folder.path().join("mask.png"));
    let remedy =
        "a mask needs 2: the landscape is found by what moves above it, give two frames or more of the burst\n";
    check_failed(&one, &["1 of 1 frames", remedy], folder.path());
    // Beside the light the name of its folder says nothing: what it shows does.
    let work = new_folder();
    let dark = work.path().join("unlit.dng");
    fs::copy(night().join("darks/dark-001.dng"), &dark).expect("room for a frame");
    let with_dark = run!("stack", light(1), dark, "-o", output);
    check_failed(&with_dark, &["1 of 2 frames", "unlit.dng: is a dark frame", "is not stacked"], folder.path());
    let measured = run!("measure", missing);
    check_failed(&measured, &[text(&missing), "check the name"], folder.path());
}

/// What is no picture is told by every command with its name, what was found in it and what is needed instead.
#[test]
fn a_file_that_is_no_raw_is_named_whatever_was_asked() {
    let (folder, work) = (new_folder(), new_folder());
    let (letter, zeros) = (work.path().join("letter.dng"), work.path().join("zeros.dng"));
    fs::write(&letter, "Dear camera,\nwhere are you?\n").expect("a file");
    fs::write(&zeros, [0; 5000]).expect("a file");
    let picture = folder.path().join("out.png");
    for (file, found) in [(&letter, "found text"), (&zeros, "found nothing but zeros")] {
        for command in ["stack", "mask"] {
            let ran = run!(command, file, "-o", picture);
            check_failed(&ran, &["0 of 1 frames", text(file), found, "give a camera raw, DNG"], folder.path());
        }
        let ran = run!("measure", file);
        check_failed(&ran, &["0 of 1 frames can be used\n", text(file), found, "give a camera raw"], folder.path());
        assert!(!ran.err.contains("stack needs"), "one frame is enough to measure: {}", ran.err);
    }
    let ran = run!("mask", letter, light(1), "-o", picture);
    check_failed(&ran, &["1 of 2 frames", "letter.dng", "found text"], folder.path());
    for (file, found) in [(&letter, "line 1"), (&light(1), "found a picture or raw frame"), (&zeros, "zeros")] {
        let ran = run!("export", file, "-o", picture);
        check_failed(&ran, &[text(file), found, "a sheaf is a .toml file"], folder.path());
    }
}

/// The list is told before any work; the other files of a run have their own kinds.
#[test]
fn an_ending_that_is_not_written_is_refused_before_the_work() {
    let folder = new_folder();
    let (output, wrong) = (folder.path().join("night.tiff"), folder.path().join("night.bmp"));
    let check = |ran: Ran, parts: &[&str]| {
        check_failed(&ran, &[&["night.bmp"], parts].concat(), folder.path());
        assert!(!ran.err.contains("Looking at") && !ran.err.contains("Reading"), "{}", ran.err);
    };
    let pictures = [".tif or .tiff, .dng, .png, .jpg or .jpeg"];
    check(run!("stack", night(), "-o", wrong), &pictures);
    check(run!("stack", night(), "-o", wrong, "--format", "png"), &pictures);
    for option in ["--mask-output", "--residuals", "--clipped"] {
        check(run!("stack", night(), "-o", output, option, wrong), &["name it .png"]);
    }
    check(run!("stack", night(), "-o", output, "--report", wrong), &["name it .json or .html"]);
    check(run!("mask", night(), "-o", wrong), &["name it .png"]);
}

#[test]
fn what_the_system_says_is_put_into_words() {
    let (folder, work) = (new_folder(), new_folder());
    let (missing, output) = (work.path().join("gone.dng"), folder.path().join("night.tiff"));
    for ran in [run!("stack", missing, "-o", output), run!("measure", missing), run!("export", missing, "-o", output)] {
        check_failed(&ran, &[text(&missing), "there is nothing by this name"], folder.path());
        assert!(!ran.err.contains("os error"), "{}", ran.err);
    }
}

#[test]
fn when_no_frame_is_usable_each_is_named_with_its_reason() {
    let (folder, work) = (new_folder(), new_folder());
    let frames = frames_with(work.path(), &[]);
    fs::write(frames.join("letter.dng"), "Dear camera,\nwhere are you?\n").expect("a file");
    fs::write(frames.join("nothing.dng"), "").expect("a file");
    let whole = fs::read(light(1)).expect("a frame");
    fs::write(frames.join("cut.dng"), &whole[..whole.len() / 2]).expect("a file");
    let ran = run!("stack", frames, "--mask", "none", "-o", folder.path().join("night.tiff"));
    check_failed(&ran, &["0 of 3 frames", "letter.dng: ", "nothing.dng: ", "cut.dng: "], folder.path());
}

#[test]
fn a_truncated_raw_and_a_letter_among_good_frames_are_set_aside() {
    let (folder, work) = (new_folder(), new_folder());
    let frames = frames_with(work.path(), &[1, 2, 3]);
    let whole = fs::read(light(4)).expect("a frame");
    fs::write(frames.join("night-004.dng"), &whole[..whole.len() * 2 / 3]).expect("a file");
    // First by name: the burst must not take its measure from it.
    fs::write(frames.join("a-letter.dng"), "Dear camera,\nwhere are you?\n").expect("a file");
    let (output, report) = (folder.path().join("night.tiff"), folder.path().join("night.json"));
    let ran = done!("stack", frames, "--mask", "none", "-o", output, "--report", report);
    assert!(ran.out.starts_with("3 of 5 frames"), "{}", ran.out);
    for name in ["night-004.dng", "a-letter.dng"] {
        let (used, reason) = fate(&report, name);
        assert!(!used && reason.len() > 20, "{name}: {reason}");
        let line = ran.out.lines().find(|line| line.starts_with("set aside: ") && line.contains(name));
        assert!(line.is_some_and(|line| line.ends_with(&reason)), "{name}: {}", ran.out);
    }
    assert!(fate(&report, "night-004.dng").1.contains("truncated"), "{:?}", fate(&report, "night-004.dng"));
}

#[test]
fn frames_of_another_size_or_camera_are_set_aside() {
    let (folder, work) = (new_folder(), new_folder());
    let frames = frames_with(work.path(), &[1, 2, 3]);
    let small = Burst::new(Scene { size: Size { width: 200, height: 160 }, n_stars: 300, ..scene() });
    write_cfa_dng(&frames.join("other-size.dng"), &small.light(0)).expect("room for a frame");
    let mut stranger = Burst::new(scene()).light(3);
    stranger.metadata.model = Some("Corrie Two".to_owned());
    write_cfa_dng(&frames.join("other-camera.dng"), &stranger).expect("room for a frame");
    let (output, report) = (folder.path().join("night.tiff"), folder.path().join("night.json"));
    done!("stack", frames, "--mask", "none", "-o", output, "--report", report);
    for (name, parts) in [
        ("other-size.dng", ["200 × 160", "480 × 320", "stack frames of one size"]),
        ("other-camera.dng", ["Corrie Two", "Corrie One", "stack frames of one camera"]),
    ] {
        let (used, reason) = fate(&report, name);
        assert!(!used && parts.iter().all(|part| reason.contains(part)), "{name}: {reason}");
    }
    let pair = [frames.join("night-001.dng"), frames.join("other-size.dng")];
    let other = new_folder();
    let ran = run!("stack", pair[0], pair[1], "--mask", "none", "-o", other.path().join("night.tiff"));
    check_failed(&ran, &["1 of 2 frames", "other-size.dng: is 200", "stack frames of one size"], other.path());
}

#[test]
fn a_place_that_cannot_be_written_is_told_before_the_work() {
    let folder = new_folder();
    let nowhere = folder.path().join("nowhere/night.tiff");
    let started = |ran: &Ran| ran.err.contains("Reading frames");
    let check = |ran: Ran, parts: &[&str]| {
        check_failed(&ran, parts, folder.path());
        assert!(!started(&ran), "{}", ran.err);
    };
    check(run!("stack", night(), "-o", nowhere), &[text(&nowhere), "the folder does not exist; create it"]);
    check(run!("stack", night(), "-o", folder.path()), &[text(folder.path()), "this is a folder; add a file name"]);
    let output = folder.path().join("night.tiff");
    for option in ["--report", "--mask-output", "--residuals", "--save-lens-profile"] {
        let ran = run!("stack", night(), "-o", output, option, nowhere);
        check(ran, &[text(&nowhere), "the folder does not exist; create it"]);
    }
    check(
        run!("stack", night(), "-o", output, "--format", "jpeg", "--space", "camera-linear"),
        &["16-bit TIFF or DNG"],
    );
    let scratch = folder.path().join("no-scratch");
    let ran = run!("stack", night(), "-o", output, "--scratch", scratch);
    check(ran, &[text(&scratch), "choose a folder that exists and can be written"]);
}

#[test]
fn a_frame_is_never_written_over() {
    let (folder, work) = (new_folder(), new_folder());
    let frames = frames_with(work.path(), &[1, 2]);
    let before = fs::read(frames.join("night-002.dng")).expect("a frame");
    // The same file by another name.
    let target = frames.join("../frames/night-002.dng");
    let ran = run!("stack", frames, "--mask", "none", "-o", target);
    check_failed(&ran, &["night-002.dng", "is one of the frames", "choose another name"], folder.path());
    assert!(fs::read(frames.join("night-002.dng")).expect("still there") == before, "the frame is as it was");
    assert_eq!(names(&frames), ["night-001.dng", "night-002.dng"], "nothing else is there");
}

#[test]
fn frames_that_the_request_names_must_be_among_the_lights() {
    let folder = new_folder();
    let output = folder.path().join("night.tiff");
    let dark = night().join("darks/dark-001.dng");
    for option in ["--skip", "--reference"] {
        let ran = run!("stack", night(), "--mask", "none", "-o", output, option, dark);
        check_failed(&ran, &[text(&dark), "is not among the light frames"], folder.path());
    }
}

#[test]
fn a_mask_that_does_not_fit_is_refused() {
    let (folder, work) = (new_folder(), new_folder());
    let output = folder.path().join("night.tiff");
    let square = work.path().join("square.png");
    image::GrayImage::new(64, 64).save(&square).expect("a folder");
    let letter = work.path().join("letter.png");
    fs::write(&letter, "no picture").expect("a file");
    let missing = work.path().join("missing.png");
    for (mask, parts) in [
        (&square, ["is 64 × 64", "480 × 320", "give a mask of the same shape"]),
        (&letter, ["letter.png cannot be used: found text", "a grey picture is needed", "give a grey PNG or TIFF"]),
        (&light(1), ["night-001.dng cannot be used: found a camera raw", "grey picture", "give a grey PNG or TIFF"]),
        (&missing, ["cannot be read", "missing.png", "mask"]),
    ] {
        let ran = run!("stack", night(), "--mask", mask, "-o", output);
        check_failed(&ran, &parts, folder.path());
    }
}

#[test]
fn scratch_in_memory_or_on_a_full_disk_is_refused_with_the_numbers() {
    let folder = new_folder();
    let output = folder.path().join("night.tiff");
    if let Some(memory) = Mounted::memory() {
        let ran = run!("stack", night(), "--mask", "none", "-o", output, "--scratch", memory.path());
        check_failed(
            &ran,
            &[text(memory.path()), "is kept in memory", "choose a scratch folder on a disk"],
            folder.path(),
        );
        assert!(names(memory.path()).is_empty(), "nothing is left there");
    }
    let work = new_folder();
    if let Some(disk) = Mounted::small_disk(work.path()) {
        let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
        let ran = run!("stack", sample, "--mask", "none", "-o", output, "--scratch", disk.path());
        // Eleven frames of 1080 × 720 samples of two bytes.
        let parts = ["the scratch file needs 16.3 MiB", text(disk.path()), "free some space", "another disk"];
        check_failed(&ran, &parts, folder.path());
    }
}

#[test]
fn a_disk_that_fills_up_while_the_picture_is_written_keeps_nothing_of_it() {
    let work = new_folder();
    let Some(disk) = Mounted::small_disk(work.path()) else { return };
    let output = disk.path().join("night.tiff");
    fs::write(&output, "old").expect("room for three letters");
    let filler = disk.path().join("filler");
    // Leaves less room than a picture of 480 × 320 × 6 bytes.
    let free = fs4::available_space(disk.path()).expect("a disk");
    fs::write(&filler, vec![1; usize::try_from(free).expect("small") - 100_000]).expect("it was free");
    let before = names(disk.path());
    let ran = run!("stack", night(), "--mask", "none", "-o", output);
    assert_eq!(ran.code, Some(1), "{ran:?}");
    for part in [text(&output), "the disk is full", "free some space or choose another disk"] {
        assert!(ran.err.contains(part), "{part:?} is not in: {}", ran.err);
    }
    assert_eq!(fs::read(&output).expect("still there"), b"old", "the old picture is as it was");
    assert_eq!(names(disk.path()), before, "and nothing else");
}

/// As the superuser may read everything, the program is run as nobody then, where that is possible.
#[cfg(unix)]
#[test]
fn a_folder_without_permission_is_named() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;

    use crate::support::{program, skipped};

    const NOBODY: u32 = 65_534;
    let as_other = |words: &[&str]| {
        let mut command = program();
        command.args(words);
        let folder = new_folder();
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o000)).expect("our own folder");
        let allowed_all = fs::read_dir(folder.path()).is_ok();
        if allowed_all {
            command.uid(NOBODY).gid(NOBODY);
        }
        command.output().ok().map(Ran::from)
    };
    if as_other(&["--version"]).is_none_or(|ran| ran.code != Some(0)) {
        let _: Option<()> = skipped("the program cannot be run without the superuser's rights");
        return;
    }
    let (closed, work) = (new_folder(), new_folder());
    fs::set_permissions(work.path(), fs::Permissions::from_mode(0o755)).expect("our own folder");
    fs::set_permissions(closed.path(), fs::Permissions::from_mode(0o000)).expect("our own folder");
    let output = work.path().join("night.tiff");
    let ran = as_other(&["stack", text(closed.path()), "-o", text(&output)]).expect("it ran before");
    check_failed(&ran, &[text(closed.path()), "cannot be read", "permission"], work.path());

    let target = closed.path().join("night.tiff");
    fs::set_permissions(closed.path(), fs::Permissions::from_mode(0o555)).expect("our own folder");
    let ran = as_other(&["stack", text(night()), "-o", text(&target)]).expect("it ran before");
    check_failed(&ran, &[text(&target), "no permission to write here; choose another folder"], closed.path());
    fs::set_permissions(closed.path(), fs::Permissions::from_mode(0o755)).expect("our own folder");
}
