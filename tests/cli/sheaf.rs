//! `export`: a saved sheaf to the picture, in its place and moved, whole and damaged.

use std::fs;
use std::path::{Path, PathBuf};

use nightsheaf::pipeline::Compression;
use nightsheaf::settings::{
    Colors, Decider, FileFormat, Landscape, Light, Mark, MaskSource, Sheaf, Writing, save_sheaf,
};
use nightsheaf::synthetic::Scene;

use crate::support::{done, json, light, names, new_folder, night, run, scene, written};

/// The night's sky with the second frame left out, brought to the third.
fn sheaf(frames: &Path) -> Sheaf {
    let frame = |number: usize| frames.join(format!("night-{number:03}.dng"));
    let mark = |number| (number == 2).then(|| Mark { aside: true, by: Decider::Measure, reason: "shaken".to_owned() });
    let lights = (1..=4).map(|number| Light { path: frame(number), mark: mark(number) }).collect();
    Sheaf {
        lights,
        landscape: Landscape::None,
        reference: Some(frame(3)),
        drop_above_sigma: 2.5,
        format: FileFormat::Png,
        ..Sheaf::default()
    }
}

fn saved(folder: &Path, sheaf: &Sheaf) -> PathBuf {
    let path = folder.join("tarn.toml");
    save_sheaf(&path, sheaf).expect("room for a small file");
    path
}

#[test]
fn a_sheaf_gives_byte_for_byte_what_the_same_words_give() {
    let folder = new_folder();
    let truth = night().join("truth/mask.png");
    let mut choices = sheaf(night());
    choices.landscape = Landscape::Mask;
    choices.mask = Some(MaskSource::File(truth.clone()));
    choices.darks = vec![night().join("darks/dark-001.dng")];
    choices.develop.exposure_ev = 0.4;
    let (by_sheaf, by_words) = (folder.path().join("a.tif"), folder.path().join("b.tif"));
    let ran = done!("export", saved(folder.path(), &choices), "-o", by_sheaf);
    assert!(ran.out.starts_with("3 of 3 frames stacked on night-003.dng"), "{}", ran.out);
    assert!(ran.out.ends_with(&format!("wrote {}\n", by_sheaf.display())), "{}", ran.out);
    done!(
        "stack",
        night(),
        "--darks",
        night().join("darks/dark-001.dng"),
        "--mask",
        truth,
        "--skip",
        light(2),
        "--reference",
        light(3),
        "--drop-above",
        "2.5",
        "--exposure",
        "0.4",
        "-o",
        by_words
    );
    assert!(fs::read(&by_sheaf).expect("written") == fs::read(&by_words).expect("written"), "the same bytes");
}

/// All that is written beside a picture is the same, whoever asks for it.
#[test]
fn what_is_written_beside_the_picture_is_that_of_the_same_words() {
    let folder = new_folder();
    let truth = night().join("truth/mask.png");
    let mut choices = sheaf(night());
    choices.landscape = Landscape::Mask;
    choices.mask = Some(MaskSource::File(truth.clone()));
    let path = saved(folder.path(), &choices);
    let [by_sheaf, by_words] = ["sheaf", "words"].map(|name| folder.path().join(name));
    [&by_sheaf, &by_words].into_iter().for_each(|place| fs::create_dir(place).expect("a new folder"));
    let at = |place: &Path, name: &str| place.join(name);
    let ran = done!(
        "export",
        path,
        "-o",
        at(&by_sheaf, "night.png"),
        "--layers",
        at(&by_sheaf, "layers"),
        "--mask-output",
        at(&by_sheaf, "mask.png"),
        "--clipped",
        at(&by_sheaf, "clipped.png"),
        "--residuals",
        at(&by_sheaf, "arrows.png"),
        "--report",
        at(&by_sheaf, "night.html")
    );
    assert!(ran.out.contains(&format!("wrote {}\n", at(&by_sheaf, "layers/land.png").display())), "{}", ran.out);
    // A sheaf names its own darks, and here it names none.
    let frames = folder.path().join("frames");
    fs::create_dir(&frames).expect("a new folder");
    (1..=4).for_each(|number| drop(fs::copy(light(number), frames.join(format!("night-{number:03}.dng")))));
    done!(
        "stack",
        frames,
        "--mask",
        truth,
        "--skip",
        frames.join("night-002.dng"),
        "--reference",
        frames.join("night-003.dng"),
        "--drop-above",
        "2.5",
        "-o",
        at(&by_words, "night.png"),
        "--layers",
        at(&by_words, "layers"),
        "--mask-output",
        at(&by_words, "mask.png"),
        "--clipped",
        at(&by_words, "clipped.png"),
        "--residuals",
        at(&by_words, "arrows.png")
    );
    assert_eq!(names(&by_sheaf.join("layers")), ["land.png", "mask.png", "sky.png"], "as the picture: PNG");
    for name in ["layers/sky.png", "layers/land.png", "layers/mask.png", "mask.png", "clipped.png", "arrows.png"] {
        let [here, there] = [&by_sheaf, &by_words].map(|place| fs::read(place.join(name)).expect("written"));
        assert!(here == there, "{name}: the same bytes");
    }
    let page = fs::read_to_string(by_sheaf.join("night.html")).expect("a page");
    assert_eq!(page.matches("<img").count(), 4, "the frame before is kept for the page");

    let output = folder.path().join("other.png");
    for (option, target, part) in [
        ("--layers", path.clone(), "the layers need a folder"),
        ("--mask-output", path.clone(), "the sheaf itself"),
        ("--clipped", folder.path().join("clipped.jpg"), "it is written as PNG"),
        ("--residuals", light(1), "one of the frames"),
    ] {
        let refused = run!("export", path, "-o", output, option, target);
        assert_eq!(refused.code, Some(1), "{refused:?}");
        assert!(refused.err.contains(part) && !output.exists(), "{option}: {}", refused.err);
    }
}

/// A longer exposure makes the landscape: named in the sheaf by a relative path, as by words.
#[test]
fn frames_for_the_landscape_are_part_of_a_sheaf() {
    let folder = new_folder();
    let frames = folder.path().join("tarn");
    fs::create_dir(&frames).expect("our own folder");
    (1..=4).for_each(|number| drop(fs::copy(light(number), frames.join(format!("night-{number:03}.dng")))));
    let longer = written("longer", Scene { exposure_secs: 60.0, n_lights: 2, ..scene() });
    (1..=2).for_each(|number| {
        let copied = fs::copy(longer.join(format!("night-{number:03}.dng")), frames.join(format!("long-{number}.dng")));
        copied.expect("room for a small frame");
    });
    let mut choices = sheaf(&frames);
    choices.landscape = Landscape::Mask;
    choices.mask = Some(MaskSource::File(night().join("truth/mask.png")));
    let plain = folder.path().join("plain.tif");
    done!("export", saved(folder.path(), &choices), "-o", plain, "--quiet");

    choices.land = (1..=2).map(|number| frames.join(format!("long-{number}.dng"))).collect();
    let (by_sheaf, by_words) = (folder.path().join("a.tif"), folder.path().join("b.tif"));
    let path = saved(folder.path(), &choices);
    let text = fs::read_to_string(&path).expect("just written");
    assert!(text.contains("\"tarn/long-2.dng\""), "relative to the sheaf: {text}");
    let ran = done!("export", path, "-o", by_sheaf);
    assert!(ran.out.contains("landscape from 2 of 2 frames given for it"), "{}", ran.out);
    let mask = night().join("truth/mask.png");
    let (skip, reference) = (frames.join("night-002.dng"), frames.join("night-003.dng"));
    let words = ["--land".into(), frames.join("long-1.dng"), "--land".into(), frames.join("long-2.dng")];
    let [a, first, b, second] = &words;
    done!(
        "stack",
        frames,
        a,
        first,
        b,
        second,
        "--mask",
        mask,
        "--skip",
        skip,
        "--reference",
        reference,
        "--drop-above",
        "2.5",
        "-o",
        by_words
    );
    let [by_sheaf, by_words, plain] = [by_sheaf, by_words, plain].map(|path| fs::read(path).expect("written"));
    assert!(by_sheaf == by_words, "the same bytes");
    assert!(by_sheaf != plain, "the longer frames make another landscape than the lights");

    fs::rename(&frames, folder.path().join("moved")).expect("on one disk");
    let output = folder.path().join("c.tif");
    let lost = run!("export", path, "-o", output);
    assert!(lost.code == Some(1) && lost.err.contains("long-1.dng"), "they are missed like all others: {lost:?}");
    done!("export", path, "-o", output, "--frames", folder.path().join("moved"), "--quiet");
    assert!(fs::read(&output).expect("written") == by_sheaf, "found where they are said to be");
}

#[test]
fn how_the_file_is_written_and_the_colors_are_made_is_in_the_sheaf_too() {
    let folder = new_folder();
    let mut choices = sheaf(night());
    choices.colors = Colors::Interpolated;
    choices.writing = Writing { compression: Compression::Deflate, jpeg_quality: 55, keep_place: true };
    // Darks beside the lights are found by `stack`; a sheaf names its own.
    choices.darks = vec![night().join("darks/dark-001.dng")];
    let path = saved(folder.path(), &choices);
    let text = fs::read_to_string(&path).expect("just written");
    for line in ["colors = \"interpolated\"", "compression = \"deflate\"", "quality = 55", "keep_place = true"] {
        assert!(text.lines().any(|found| found == line), "{line} in {text}");
    }
    for name in ["packed.tif", "small.jpg"] {
        let (by_sheaf, by_words) = (folder.path().join(name), folder.path().join(format!("words-{name}")));
        done!("export", path, "-o", by_sheaf, "--quiet");
        done!(
            "stack",
            night(),
            "--darks",
            night().join("darks/dark-001.dng"),
            "--mask",
            "none",
            "--skip",
            light(2),
            "--reference",
            light(3),
            "--drop-above",
            "2.5",
            "--colors",
            "interpolated",
            "--compression",
            "deflate",
            "--quality",
            "55",
            "--keep-place",
            "--quiet",
            "-o",
            by_words
        );
        assert!(
            fs::read(&by_sheaf).expect("written") == fs::read(&by_words).expect("written"),
            "{name}: the same bytes"
        );
        let plain = folder.path().join(format!("plain-{name}"));
        done!("export", saved(folder.path(), &sheaf(night())), "-o", plain, "--quiet");
        saved(folder.path(), &choices);
        let sizes = [&by_sheaf, &plain].map(|path| fs::metadata(path).expect("written").len());
        assert!(sizes[0] < sizes[1], "{name} is smaller than one without these choices: {sizes:?} bytes");
    }
    fs::write(&path, text.replace("quality = 55", "quality = 0")).expect("our own file");
    fs::remove_file(folder.path().join("tarn.toml.kept")).expect("the copy");
    let refused = run!("export", path, "-o", folder.path().join("none.jpg"));
    assert!(refused.code == Some(1) && refused.err.contains("quality is 0"), "{refused:?}");
}

#[test]
fn the_kind_of_file_is_asked_for_or_follows_the_ending_or_the_sheaf() {
    let folder = new_folder();
    let path = saved(folder.path(), &sheaf(night()));
    let start = |name: &str| fs::read(folder.path().join(name)).expect("written")[..4].to_vec();
    done!("export", path, "-o", folder.path().join("plain"), "--quiet");
    assert_eq!(start("plain"), b"\x89PNG", "as the sheaf says");
    done!("export", path, "-o", folder.path().join("night.tif"), "--threads", "1");
    assert_eq!(start("night.tif"), b"II*\0", "by its ending");
    let report = folder.path().join("night.json");
    done!("export", path, "-o", folder.path().join("small.tif"), "--format", "jpeg", "--report", report);
    assert_eq!(start("small.tif")[..3], *b"\xFF\xD8\xFF", "as asked");
    assert_eq!(json(&report)["reference"], "night-003.dng", "the report of the run");
}

#[test]
fn moved_frames_are_named_and_found_where_they_are_said_to_be() {
    let folder = new_folder();
    let frames = written("to-be-moved", scene());
    let path = saved(folder.path(), &sheaf(&frames));
    let before = folder.path().join("before.tif");
    done!("export", path, "-o", before, "--quiet");

    let elsewhere = folder.path().join("disk/deep");
    fs::create_dir_all(elsewhere.parent().expect("a folder")).expect("our own folder");
    fs::rename(&frames, &elsewhere).expect("on one disk");
    let output = folder.path().join("after.tif");
    let lost = run!("export", path, "-o", output);
    assert_eq!(lost.code, Some(1), "{lost:?}");
    for part in ["4 of the files that", "tarn.toml", "night-001.dng", "night-004.dng", "--frames"] {
        assert!(lost.err.contains(part), "{part}: {}", lost.err);
    }
    assert!(!output.exists(), "nothing is written");

    fs::remove_file(elsewhere.join("night-004.dng")).expect("our own file");
    let lost = run!("export", path, "-o", output, "--frames", folder.path().join("disk"));
    assert!(lost.err.contains("1 of the files") && lost.err.contains("night-004.dng"), "{}", lost.err);

    fs::copy(light(4), elsewhere.join("night-004.dng")).expect("room");
    done!("export", path, "-o", output, "--frames", folder.path().join("disk"), "--quiet");
    assert!(fs::read(&before).expect("written") == fs::read(&output).expect("written"), "the same picture");
}

#[test]
fn a_newer_sheaf_is_refused_and_a_damaged_one_recovered_aloud() {
    let folder = new_folder();
    let path = saved(folder.path(), &sheaf(night()));
    let (text, output) = (fs::read_to_string(&path).expect("just written"), folder.path().join("night.tif"));
    fs::write(&path, text.replace("version = 1", "version = 2")).expect("our own file");
    let newer = run!("export", path, "-o", output);
    assert_eq!(newer.code, Some(1), "{newer:?}");
    assert!(newer.err.contains("saved by a newer Nightsheaf (version 2, this one reads up to 1): update"), "{newer:?}");

    fs::write(&path, &text[..text.len() / 2]).expect("our own file");
    let damaged = done!("export", path, "-o", output, "--quiet");
    assert!(damaged.err.contains("note:") && damaged.err.contains("tarn.toml is damaged"), "{}", damaged.err);
    let whole = folder.path().join("whole.tif");
    fs::write(&path, &text).expect("our own file");
    done!("export", path, "-o", whole, "--quiet");
    assert!(fs::read(&output).expect("written") == fs::read(&whole).expect("written"), "the same picture");

    fs::remove_file(folder.path().join("tarn.toml.kept")).expect("the copy");
    fs::write(&path, text.replace("\"none\"", "\"lake\"")).expect("our own file");
    let broken = run!("export", path, "-o", output);
    let line = text.lines().position(|line| line.contains("\"none\"")).expect("the landscape") + 1;
    assert_eq!(broken.code, Some(1), "{broken:?}");
    assert!(broken.err.contains(&format!("line {line}: ")) && broken.err.contains("lake"), "{}", broken.err);
}

#[test]
fn an_unknown_key_is_named_and_the_sheaf_and_its_frames_are_never_written_over() {
    let folder = new_folder();
    let path = saved(folder.path(), &sheaf(night()));
    let text = fs::read_to_string(&path).expect("just written").replace("[sky]", "[sky]\nmoonlight = 3");
    fs::write(&path, &text).expect("our own file");
    let ran = done!("export", path, "-o", folder.path().join("night.jpg"));
    assert!(ran.err.contains("sky.moonlight"), "{}", ran.err);
    for (output, part) in [(path.clone(), "the sheaf itself"), (light(2), "one of the frames")] {
        let refused = run!("export", path, "-o", output);
        assert_eq!(refused.code, Some(1), "{refused:?}");
        assert!(refused.err.contains(part), "{}", refused.err);
    }
    assert_eq!(fs::read_to_string(&path).expect("there"), text, "as it was");
    assert_eq!(names(folder.path()), ["night.jpg", "tarn.toml", "tarn.toml.kept"], "nothing else is left");
}
