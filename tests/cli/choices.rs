//! Each option of `stack` changes what it says it changes, and nothing else does.

use std::fs;
use std::path::{Path, PathBuf};

use nightsheaf::job::CancelToken;
use nightsheaf::pixels::Layout;
use nightsheaf::raw::Decoder;
use nightsheaf::synthetic::{Mover, MoverKind, Scene};

use crate::support::{codes, done, json, light, names, new_folder, night, picture, run, scene, written};

/// Stacks the sky of the night as measured with more words, and gives the picture's path.
fn measured(folder: &Path, name: &str, words: &[&str]) -> PathBuf {
    stacked(&folder.join(name), &[&["--mask", "none", "--space", "camera-linear"], words].concat())
}

fn stacked(output: &Path, words: &[&str]) -> PathBuf {
    let words = words.iter().map(|word| word as &dyn AsRef<std::ffi::OsStr>);
    let start: [&dyn AsRef<std::ffi::OsStr>; 4] = [&"stack", &night(), &"--output", &output];
    let all: Vec<_> = start.into_iter().chain(words).collect();
    let ran = crate::support::run_words(&all);
    assert_eq!(ran.code, Some(0), "{ran:?}");
    output.to_owned()
}

fn mean_code(path: &Path) -> f64 {
    let samples = codes(path).1;
    samples.iter().map(|&code| f64::from(code)).sum::<f64>() / samples.len() as f64
}

#[test]
fn the_same_bytes_on_one_two_and_seven_threads_and_in_little_memory() {
    let folder = new_folder();
    let mask = night().join("truth/mask.png");
    let mask = mask.to_str().expect("a plain name");
    let bytes = |name: &str, words: &[&str]| {
        let all = [&["--mask", mask], words].concat();
        fs::read(stacked(&folder.path().join(name), &all)).expect("just written")
    };
    let one = bytes("one.tiff", &["--threads", "1"]);
    assert!(one == bytes("two.tiff", &["--threads", "2"]), "two threads");
    assert!(one == bytes("seven.tiff", &["--threads", "7"]), "seven threads");
    assert!(one == bytes("little.tiff", &["--memory", "256MiB"]), "little memory");
}

#[test]
fn each_way_to_combine_gives_its_own_picture() {
    let folder = new_folder();
    let ways = ["clipped-mean", "mean", "median", "maximum"];
    let pictures = ways.map(|way| measured(folder.path(), &format!("{way}.tiff"), &["--combine", way]));
    let samples = pictures.each_ref().map(|path| codes(path).1);
    for (idx, one) in samples.iter().enumerate() {
        assert!(samples[..idx].iter().all(|other| other != one), "{} is a picture of its own", ways[idx]);
    }
    let level = |idx: usize| mean_code(&pictures[idx]);
    assert!(
        level(3) > level(1) + 20.0 && level(3) > level(2) + 20.0,
        "the brightest of four is brighter than the mean"
    );
    let noise = |idx: usize| {
        let mut steps: Vec<_> =
            samples[idx][..3 * 480 * 100].windows(4).map(|window| window[3].abs_diff(window[0])).collect();
        steps.sort_unstable();
        f64::from(steps[steps.len() / 2])
    };
    assert!(noise(1) < noise(2), "the mean is smoother than the median: {} and {}", noise(1), noise(2));
}

#[test]
fn the_limits_of_clipping_pull_the_mean_their_way() {
    let folder = new_folder();
    let plain = mean_code(&measured(folder.path(), "plain.tiff", &[]));
    let lower = mean_code(&measured(folder.path(), "lower.tiff", &["--drop-above", "0.7"]));
    let higher = mean_code(&measured(folder.path(), "higher.tiff", &["--drop-below", "0.7"]));
    assert!(lower < plain - 1.0 && higher > plain + 1.0, "{lower}, {plain}, {higher}");
}

#[test]
fn a_skipped_frame_takes_no_part() {
    let folder = new_folder();
    let (output, report) = (folder.path().join("night.tiff"), folder.path().join("night.json"));
    let ran = done!(
        "stack",
        night(),
        "--mask",
        "none",
        "--skip",
        light(2),
        "--skip",
        light(4),
        "-o",
        output,
        "--report",
        report
    );
    assert!(ran.out.starts_with("2 of 2 frames"), "{}", ran.out);
    let frames = json(&report)["frames"].clone();
    let files: Vec<&str> =
        frames.as_array().expect("a list").iter().filter_map(|frame| frame["file"].as_str()).collect();
    assert_eq!(files, [light(1), light(3)].map(|path| path.to_str().expect("a plain name").to_owned()), "the others");
}

#[test]
fn the_sky_is_that_of_the_reference_asked_for() {
    let folder = new_folder();
    let mut skies = Vec::new();
    for number in [1, 4] {
        let (output, report) = (folder.path().join(format!("{number}.tiff")), folder.path().join("night.json"));
        done!("stack", night(), "--mask", "none", "--reference", light(number), "-o", output, "--report", report);
        assert_eq!(json(&report)["reference"], format!("night-{number:03}.dng"), "the reference in the report");
        skies.push(codes(&output).1);
    }
    assert!(skies[0] != skies[1], "the sky turned between the two");
}

#[test]
fn masks_are_used_and_written_as_asked() {
    let folder = new_folder();
    let truth = night().join("truth/mask.png");
    let mut pictures = Vec::new();
    for (name, mask) in [("land", truth.clone()), ("sky", PathBuf::from("none"))] {
        let (output, used) = (folder.path().join(format!("{name}.tiff")), folder.path().join(format!("{name}.png")));
        done!("stack", night(), "--mask", mask, "-o", output, "--mask-output", used);
        pictures.push((codes(&output).1, picture(&used).into_luma16().into_raw()));
    }
    assert!(pictures[0].0 != pictures[1].0, "the land stands still in one of them");
    assert!(pictures[0].1 == picture(&truth).into_luma16().into_raw(), "the mask comes back as it was");
    assert!(pictures[1].1.iter().all(|&code| code == 0), "no land, no white");
}

/// A satellite crosses one of five frames: what is left out shows it as a line.
#[test]
fn what_was_left_out_is_drawn() {
    let satellite = Mover {
        kind: MoverKind::Satellite,
        frame: 0,
        start: [0.0, 0.1],
        width_per_sec: [0.07, 0.0],
        electrons_per_px: 900.0,
    };
    let night = written("crossed", Scene { movers: vec![satellite], n_lights: 5, ..scene() });
    let folder = new_folder();
    let (output, clipped) = (folder.path().join("night.tiff"), folder.path().join("left-out.png"));
    done!(
        "stack",
        night,
        "--mask",
        "none",
        "--reference",
        night.join("night-001.dng"),
        "-o",
        output,
        "--clipped",
        clipped
    );
    let found = picture(&clipped).into_luma16();
    assert_eq!((found.width(), found.height()), (480, 320), "as large as the picture");
    let row_mean = |y: u32| (20..460).map(|x| f64::from(found.get_pixel(x, y)[0])).sum::<f64>() / 440.0 / 65535.0;
    // A tenth of the width down; one of five frames is the root of a fifth, 0.447.
    let (on, off) = (row_mean(48), row_mean(70));
    assert!(on > 0.42 && off < 0.15, "{on} on the trail, {off} beside it");
}

#[test]
fn where_nothing_is_clipped_there_is_nothing_to_draw() {
    let folder = new_folder();
    let (output, clipped) = (folder.path().join("night.tiff"), folder.path().join("left-out.png"));
    let ran = run!("stack", night(), "--combine", "mean", "-o", output, "--clipped", clipped);
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.err.contains("clipped-mean"), "says what to do: {}", ran.err);
    assert!(names(folder.path()).is_empty(), "before the work: {:?}", names(folder.path()));
}

#[test]
fn colors_may_be_left_as_sampled() {
    let folder = new_folder();
    let interpolated = measured(folder.path(), "a.tiff", &["--colors", "interpolated"]);
    let sampled = measured(folder.path(), "b.tiff", &["--colors", "sampled"]);
    let (a, b) = (mean_code(&interpolated), mean_code(&sampled));
    assert!(codes(&interpolated).1 != codes(&sampled).1, "another picture");
    assert!((a - 1024.0) / (b - 1024.0) > 0.97 && (a - 1024.0) / (b - 1024.0) < 1.03, "as bright: {a} and {b}");
    let automatic = measured(folder.path(), "c.tiff", &[]);
    assert!(codes(&automatic).1 == codes(&interpolated).1, "four frames are too few to leave them");
}

#[test]
fn every_format_can_be_read_by_another_decoder() {
    let folder = new_folder();
    let written =
        |format: &str, name: &str| stacked(&folder.path().join(name), &["--mask", "none", "--format", format]);
    let size = (scene().size.width as u32, scene().size.height as u32);
    for (format, name, color) in [
        ("tiff16", "a.tiff", image::ColorType::Rgb16),
        ("tiff32f", "b.tiff", image::ColorType::Rgb32F),
        ("png", "c.png", image::ColorType::Rgb16),
        ("jpeg", "d.jpg", image::ColorType::Rgb8),
    ] {
        let found = picture(&written(format, name));
        assert_eq!((found.width(), found.height(), found.color()), (size.0, size.1, color), "{format}");
        let samples = found.into_luma16().into_raw();
        let mean = samples.iter().map(|&code| f64::from(code)).sum::<f64>() / samples.len() as f64;
        assert!((500.0..40_000.0).contains(&mean), "{format}: a night, neither black nor white: {mean}");
    }
    let dng = written("dng", "e.dng");
    let raw = rawloader::decode_file(&dng).expect("another decoder reads it");
    assert_eq!((raw.width, raw.height, raw.cpp), (scene().size.width, scene().size.height, 3), "three colors a pixel");
    let decoder =
        Decoder { program: env!("CARGO_BIN_EXE_nightsheaf-cli").into(), ..Decoder::this_program().expect("a test") };
    let own = decoder.decode(&dng, &CancelToken::default()).expect("and so does this program");
    assert_eq!((own.layout, own.size()), (Layout::Rgb, scene().size), "as a linear picture");
}

#[test]
fn the_look_follows_its_options() {
    let folder = new_folder();
    let look = |name: &str, words: &[&str]| {
        codes(&stacked(&folder.path().join(name), &[&["--mask", "none"], words].concat())).1
    };
    let plain = look("plain.tiff", &[]);
    let mut seen = vec![plain.clone()];
    for (name, words) in [
        ("rec2020.tiff", &["--space", "rec2020"]),
        ("tungsten.tiff", &["--white-balance", "tungsten"]),
        ("sky.tiff", &["--white-balance", "sky"]),
        ("picked.tiff", &["--white-balance", "0.4,1,0.8"]),
        ("level.tiff", &["--gradient", "on"]),
        ("dark.tiff", &["--exposure", "-1"]),
    ] {
        let found = look(name, words);
        assert!(!seen.contains(&found), "{words:?} changes the picture in its own way");
        seen.push(found);
    }
    let sum = |samples: &[u16]| samples.iter().map(|&code| u64::from(code)).sum::<u64>();
    assert!(sum(&seen[6]) < sum(&plain), "a stop less is darker");
}
