//! The sample frames as our reader and other readers see them, and as the generator makes them.

#[path = "support/libraw.rs"]
mod libraw;

use std::path::PathBuf;

use libraw::{check_color_matrix, orientation_of};
use nightsheaf::job::CancelToken;
use nightsheaf::pixels::{Layout, Size};
use nightsheaf::raw::{Decoder, Limits, RawFrame};
use nightsheaf::synthetic::{Burst, Scene};
use serde_json::Value;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// What LibRaw and tifffile read (tests/reference/README.md).
fn reference() -> Vec<Value> {
    let path = root().join("tests/reference/libraw/sample_frames.json");
    let text = std::fs::read_to_string(path).expect("the reference values are part of the project");
    let whole: Value = serde_json::from_str(&text).expect("the reference values are JSON");
    whole["frames"].as_array().expect("a list of frames").clone()
}

/// A sample frame as the program reads it.
fn decode(file: &str) -> RawFrame {
    let decoder = Decoder { program: env!("CARGO_BIN_EXE_nightsheaf-cli").into(), limits: Limits::default() };
    let path = root().join("sample-frames").join(file);
    decoder.decode(&path, &CancelToken::default()).unwrap_or_else(|error| panic!("{file}: {error}"))
}

/// Sum of sample times place, places counted from 1 and starting again after 65521.
fn checksum(samples: &[u16]) -> u64 {
    let places = (0..samples.len() as u64).map(|index| index % 65_521 + 1);
    places.zip(samples).fold(0, |sum: u64, (place, &sample)| sum.wrapping_add(place * u64::from(sample)))
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|number| number.as_f64().expect("a number")).collect()
}

#[test]
fn samples_levels_and_orientation_are_those_that_libraw_reads() {
    let frames = reference();
    assert_eq!(frames.len(), 14, "eleven lights and three darks");
    for frame in &frames {
        let file = frame["file"].as_str().expect("a name");
        let read = decode(file);
        let side = |name: &str| frame[name].as_u64().expect("a whole number") as usize;
        assert_eq!(read.size(), Size { width: side("width"), height: side("height") }, "{file}: size");
        let Layout::Mosaic(cfa) = read.layout else { panic!("{file} is {:?}, no mosaic", read.layout) };
        let letters: String = (0..4).map(|at| ["R", "G", "B"][cfa.color_at(at % 2, at / 2) as usize]).collect();
        assert_eq!(frame["pattern"], letters, "{file}: color filters");
        // The four levels of LibRaw are of R, G, B and the second G; all are the same here.
        let black: Vec<f64> = read.black_level.iter().map(|&level| f64::from(level)).collect();
        assert_eq!(numbers(&frame["black"]), black, "{file}: black levels");
        assert_eq!(frame["white"], read.white_level, "{file}: white level");
        assert_eq!(read.orientation, orientation_of(&frame["flip"]), "{file}: orientation");
        let samples = read.planes[0].samples();
        let sum: u64 = samples.iter().map(|&sample| u64::from(sample)).sum();
        assert_eq!(frame["sum"], sum, "{file}: sum of samples");
        assert_eq!(frame["checksum"], checksum(samples), "{file}: checksum of samples");
        let extremes = (samples.iter().min().copied(), samples.iter().max().copied());
        let expected = (side("minimum"), side("maximum"));
        assert_eq!(
            (extremes.0.map(usize::from), extremes.1.map(usize::from)),
            (Some(expected.0), Some(expected.1)),
            "{file}: least and most"
        );
    }
}

#[test]
fn color_is_what_libraw_makes_of_it() {
    // CIE D65, 2° observer.
    const D65: [f64; 3] = [0.950_47, 1.0, 1.088_83];
    for frame in &reference() {
        let file = frame["file"].as_str().expect("a name");
        let read = decode(file);
        let color = &read.color;
        let white: Vec<f64> =
            color.camera_from_xyz.iter().map(|row| row.iter().zip(D65).map(|(of, light)| of * light).sum()).collect();
        let daylight = numbers(&frame["daylight_gain"]);
        let as_shot = numbers(&frame["as_shot_gain"]);
        for channel in 0..3 {
            let gain = white[1] / white[channel];
            assert!((gain - daylight[channel]).abs() < 1e-3, "{file}: daylight {gain}, LibRaw {daylight:?}");
            let gain = color.as_shot_neutral[1] / color.as_shot_neutral[channel];
            assert!((gain - as_shot[channel]).abs() < 1e-4, "{file}: as shot {gain}, LibRaw {as_shot:?}");
        }
        check_color_matrix(&read, &frame["color_matrix"], file);
    }
}

#[test]
fn capture_data_are_what_tifffile_reads() {
    for frame in &reference() {
        let file = frame["file"].as_str().expect("a name");
        let read = decode(file).metadata;
        let expected = &frame["exif"];
        for (name, read) in [("make", &read.make), ("model", &read.model), ("lens", &read.lens)] {
            assert_eq!(expected[name].as_str(), read.as_deref(), "{file}: {name}");
        }
        for (name, read) in [
            ("exposure_secs", read.exposure_secs),
            ("aperture", read.aperture),
            ("focal_mm", read.focal_mm),
            ("iso", read.iso.map(f64::from)),
        ] {
            assert_eq!(expected[name].as_f64(), read, "{file}: {name}");
        }
        let part = |name: &str| expected[name].as_str().expect("text").to_owned();
        // EXIF has colons in the date and a space before the time.
        let time = part("time").replacen(':', "-", 2).replace(' ', "T");
        let time = format!("{time}.{}{}", part("time_fraction"), part("time_offset"));
        assert_eq!(read.capture_time.and_then(|read| read.text()), Some(time), "{file}: time of capture");
    }
}

/// Another machine's sine may differ in its last digit and push a few samples over the edge of a step.
#[test]
fn the_files_are_those_that_the_generator_makes() {
    let burst = Burst::new(Scene::sample());
    let light = burst.light(3);
    let read = decode("night-004.dng");
    let stored = read.planes[0].samples();
    let n_other = light.planes[0].samples().iter().zip(stored).filter(|(made, stored)| made != stored).count();
    assert!(n_other * 1000 < stored.len(), "{n_other} of {} samples differ", stored.len());
}
