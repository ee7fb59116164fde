//! The built program: what it writes, what it says, and its exit codes.

#[path = "cli/bad_input.rs"]
mod bad_input;
#[path = "cli/choices.rs"]
mod choices;
#[path = "cli/determinism.rs"]
mod determinism;
#[path = "cli/field.rs"]
mod field;
#[path = "cli/interrupt.rs"]
mod interrupt;
#[path = "cli/layers.rs"]
mod layers;
#[path = "cli/lens.rs"]
mod lens;
#[path = "cli/mask.rs"]
mod mask;
#[path = "cli/odd_files.rs"]
mod odd_files;
#[path = "cli/other_inputs.rs"]
mod other_inputs;
#[path = "cli/outside_readers.rs"]
mod outside_readers;
#[path = "cli/sheaf.rs"]
mod sheaf;
#[path = "cli/support.rs"]
mod support;
#[path = "support/tools.rs"]
mod tools;
#[path = "cli/writing.rs"]
mod writing;

use std::fs;

use nightsheaf::calibrate::{Masters, calibrate};
use nightsheaf::demosaic::demosaic;
use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, MaskChoice, Request};
use nightsheaf::pixels::{Orientation, Size};
use nightsheaf::synthetic::{Burst, Scene};
use support::{codes, done, json, keys, names, new_folder, night, run, scene, written};

#[test]
fn a_burst_becomes_a_16_bit_tiff_and_a_summary() {
    let folder = new_folder();
    let output = folder.path().join("night.tiff");
    let ran = done!("stack", night(), "--darks", night().join("darks"), "--mask", "none", "--output", output);
    assert_eq!(codes(&output).0, scene().size, "the size of a frame");
    assert!(ran.out.starts_with("4 of 4 frames stacked on night-00"), "{}", ran.out);
    assert!(ran.out.ends_with(&format!("wrote {}\n", output.display())), "{}", ran.out);
    assert!(ran.err.contains("Reading frames …") && ran.err.contains("Stacking"), "lines of progress: {}", ran.err);
    assert_eq!(names(folder.path()), ["night.tiff"], "nothing else is left");
}

#[test]
fn quiet_says_nothing_and_timings_are_seconds_by_stage() {
    let folder = new_folder();
    let output = folder.path().join("night.tiff");
    let quiet = done!("stack", night(), "--mask", "none", "-o", output, "--quiet");
    assert_eq!((quiet.out.as_str(), quiet.err.as_str()), ("", ""), "nothing on either stream");
    let timed = done!("stack", night(), "--mask", "none", "-o", output, "--quiet", "--timings");
    for stage in ["reading and calibrating", "finding stars", "aligning", "stacking", "peak memory"] {
        let line = timed.out.lines().find(|line| line.ends_with(stage)).unwrap_or_else(|| panic!("{stage}: {timed:?}"));
        let number = line.split_whitespace().next().expect("a number first");
        assert!(number.parse::<f64>().is_ok_and(|number| number >= 0.0), "{line}");
    }
    assert!(!timed.out.contains("wrote"), "no summary: {}", timed.out);
}

/// The definition: linear camera RGB, black 1024, white level 65535, no white balance, the sensor's visible
/// area, unrotated.
#[test]
fn camera_linear_is_the_stack_as_measured_in_the_sensor_s_geometry() {
    let scene = Scene { orientation: Orientation::Rotate90, ..scene() };
    let frames = written("turned", scene.clone());
    let folder = new_folder();
    let (measured, upright) = (folder.path().join("measured.tiff"), folder.path().join("upright.tiff"));
    let first = frames.join("night-001.dng");
    let darks = frames.join("darks");
    done!(
        "stack",
        frames,
        "--darks",
        darks,
        "--mask",
        "none",
        "--reference",
        first,
        "--space",
        "camera-linear",
        "-o",
        measured
    );
    done!("stack", frames, "--mask", "none", "-o", upright);
    let (size, found) = codes(&measured);
    assert_eq!(size, scene.size, "as the sensor lies");
    assert_eq!(codes(&upright).0, Size { width: 320, height: 480 }, "turned by a quarter");

    // Sample by sample what the library measured.
    let request = Request {
        lights: pipeline::collect_frames(std::slice::from_ref(&frames)).expect("just written"),
        darks: pipeline::collect_frames(&[darks]).expect("just written"),
        mask: MaskChoice::None,
        reference: pipeline::ReferenceChoice::File(first),
        decoder_program: Some(env!("CARGO_BIN_EXE_nightsheaf-cli").into()),
        scratch_folder: Some(folder.path().to_owned()),
        ..Request::default()
    };
    let image = pipeline::run(&Monitor::silent(), &request).expect("the burst stacks").picture.image;
    let mut n_other = 0;
    for (idx, &code) in found.iter().enumerate() {
        let value = f64::from(image.planes[idx % 3].samples()[idx / 3]);
        let expected = (1024.0 + value * f64::from(65_535 - 1024)).round().clamp(0.0, 65_535.0);
        // Single precision may round the other way at the middle between two codes.
        assert!((f64::from(code) - expected).abs() <= 1.0, "{code} for {value} at {idx}");
        n_other += usize::from(f64::from(code) != expected);
    }
    assert!(n_other * 200 < found.len(), "{n_other} of {} codes are rounded the other way", found.len());

    // And the light that the generator put there, channel by channel, no balance: first its own frame, then ours.
    let perfect =
        Scene { n_hot_pixels: 0, dark_electrons_per_sec: 0.0, amplifier_glow_electrons_per_sec: 0.0, ..scene };
    let truth = demosaic(&calibrate(&Burst::new(perfect).light(0), &Masters::default()));
    for channel in 0..3 {
        let level = |x: usize, y: usize| f64::from(found[3 * (y * size.width + x) + channel]);
        let sky = || (20..160).flat_map(|y| (20..460).map(move |x| (x, y)));
        let mean = sky().map(|(x, y)| (level(x, y) - 1024.0) / (65_535.0 - 1024.0)).sum::<f64>() / sky().count() as f64;
        let true_mean =
            sky().map(|(x, y)| f64::from(truth.planes[channel].at(x, y))).sum::<f64>() / sky().count() as f64;
        assert!((mean / true_mean - 1.0).abs() < 0.03, "channel {channel}: {mean}, truly {true_mean}");
    }
}

#[test]
fn the_report_has_the_names_that_other_programs_read() {
    let folder = new_folder();
    let (output, report) = (folder.path().join("night.tiff"), folder.path().join("night.json"));
    done!("stack", night(), "--mask", night().join("truth/mask.png"), "-o", output, "--report", report);
    let report = json(&report);
    for name in ["frames", "reference", "noise", "seconds", "peak_memory_bytes"] {
        assert!(keys(&report).contains(&name), "{name} is not in {report}");
    }
    let frames = report["frames"].as_array().expect("a list");
    assert_eq!(frames.len(), 4, "every frame given");
    for frame in frames {
        for name in ["file", "used", "reason", "weight", "registration", "matched", "rms_px"] {
            assert!(keys(frame).contains(&name), "{name} is not in {frame}");
        }
        assert_eq!(frame["used"], true, "{frame}");
        assert!(frame["weight"].as_f64().is_some_and(|weight| weight > 0.5 && weight < 2.0), "{frame}");
        assert!(frame["rms_px"].as_f64().is_some_and(|rms_px| rms_px < 0.3), "{frame}");
    }
    for name in ["single", "stack", "gain", "ideal"] {
        assert!(report["noise"][name].as_f64().is_some_and(|value| value > 0.0), "{name} of {}", report["noise"]);
    }
    assert!(report["reference"].as_str().is_some_and(|name| name.starts_with("night-00")), "{}", report["reference"]);
    assert!(report["seconds"]["stacking"].as_f64().is_some(), "{}", report["seconds"]);
}

#[test]
fn measure_gives_a_line_a_frame_or_a_list_with_fixed_names() {
    let folder = new_folder();
    let broken = folder.path().join("broken.dng");
    fs::write(&broken, "this is no raw file").expect("a file");
    let lines = done!("measure", night(), broken);
    assert_eq!(lines.out.lines().count(), 5, "{}", lines.out);
    for word in ["stars", "FWHM", "elongation", "trail", "sky"] {
        assert!(lines.out.lines().next().is_some_and(|line| line.contains(word)), "{word}: {}", lines.out);
    }
    let ran = done!("measure", night(), broken, "--json");
    let list: serde_json::Value = serde_json::from_str(&ran.out).expect("JSON and nothing else");
    let rows = list.as_array().expect("a list");
    assert_eq!(rows.len(), 5, "{list}");
    for name in ["file", "stars", "fwhm_px", "elongation", "trail_px", "sky_level", "verdict", "reason"] {
        assert!(rows.iter().all(|row| row.get(name).is_some()), "{name}: {list}");
    }
    for row in &rows[..4] {
        assert_eq!(row["verdict"], "use", "{row}");
        assert!(row["stars"].as_u64().is_some_and(|stars| stars > 20), "{row}");
        assert!(row["fwhm_px"].as_f64().is_some_and(|fwhm_px| (2.0..3.5).contains(&fwhm_px)), "{row}");
    }
    assert_eq!(rows[4]["verdict"], "set-aside", "{list}");
    assert!(rows[4]["reason"].as_str().is_some_and(|reason| !reason.is_empty()), "{list}");
}

#[test]
fn help_and_version_are_answers_and_wrong_words_are_usage() {
    assert!(done!("--help").out.contains("stack"), "the commands are listed");
    assert!(done!("stack", "--help").out.contains("--darks"), "the options are listed");
    assert!(done!("--version").out.starts_with("nightsheaf-cli "), "name and version");
    let check = |ran: support::Ran, part: &str| {
        assert_eq!(ran.code, Some(2), "{ran:?}");
        assert!(ran.err.contains(part) && ran.out.is_empty(), "{part}: {ran:?}");
    };
    check(run!("stack", night(), "-o", "x.tiff", "--sharper"), "--sharper");
    check(run!("stack", night()), "--output");
    check(run!("stack", "-o", "x.tiff"), "PATH");
    check(run!("stack", night(), "-o", "x.tiff", "--combine", "best"), "clipped-mean");
    check(run!("stack", night(), "-o", "x.tiff", "--drop-above", "-1"), "--drop-above");
    check(run!("stack", night(), "-o", "x.tiff", "--memory", "3 sheep"), "--memory");
    check(run!("stack", night(), "-o", "x.tiff", "--threads", "0"), "--threads");
    check(run!("stack", night(), "-o", "x.tiff", "--white-balance", "purple"), "as-shot");
    check(run!("dream"), "dream");
}
