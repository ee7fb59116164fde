//! The sample frames as other readers see them, and as the generator makes them.

use std::path::PathBuf;

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

fn samples(raw: &rawloader::RawImage) -> &[u16] {
    match &raw.data {
        rawloader::RawImageData::Integer(samples) => samples,
        rawloader::RawImageData::Float(_) => panic!("the sample frames hold whole numbers"),
    }
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
fn samples_and_levels_are_those_that_libraw_reads() {
    let frames = reference();
    assert_eq!(frames.len(), 14, "eleven lights and three darks");
    for frame in &frames {
        let file = frame["file"].as_str().expect("a name");
        let raw = rawloader::decode_file(root().join("sample-frames").join(file)).expect("a readable sample frame");
        let samples = samples(&raw);
        assert_eq!(frame["width"], raw.width, "{file}: width");
        assert_eq!(frame["height"], raw.height, "{file}: height");
        assert_eq!(frame["pattern"], raw.cfa.name, "{file}: colour filters");
        let black: Vec<f64> = raw.blacklevels.iter().map(|&level| f64::from(level)).collect();
        assert_eq!(numbers(&frame["black"]), black, "{file}: black levels");
        assert_eq!(frame["white"], raw.whitelevels[0], "{file}: white level");
        let sum: u64 = samples.iter().map(|&sample| u64::from(sample)).sum();
        assert_eq!(frame["sum"], sum, "{file}: sum of samples");
        assert_eq!(frame["checksum"], checksum(samples), "{file}: checksum of samples");
    }
}

#[test]
fn colour_is_what_libraw_makes_of_it() {
    // CIE D65, 2° observer.
    const D65: [f64; 3] = [0.950_47, 1.0, 1.088_83];
    for frame in &reference() {
        let file = frame["file"].as_str().expect("a name");
        let raw = rawloader::decode_file(root().join("sample-frames").join(file)).expect("a readable sample frame");
        let white: Vec<f64> = (0..3)
            .map(|channel| (0..3).map(|axis| f64::from(raw.xyz_to_cam[channel][axis]) * D65[axis]).sum())
            .collect();
        let daylight = numbers(&frame["daylight_gain"]);
        let as_shot = numbers(&frame["as_shot_gain"]);
        for channel in 0..3 {
            let gain = white[1] / white[channel];
            assert!((gain - daylight[channel]).abs() < 1e-3, "{file}: daylight {gain}, LibRaw {daylight:?}");
            let gain = f64::from(raw.wb_coeffs[channel] / raw.wb_coeffs[1]);
            assert!((gain - as_shot[channel]).abs() < 1e-4, "{file}: as shot {gain}, LibRaw {as_shot:?}");
        }
    }
}

#[test]
fn capture_data_is_what_tifffile_reads() {
    for frame in &reference() {
        let file = frame["file"].as_str().expect("a name");
        let bytes = std::fs::read(root().join("sample-frames").join(file)).expect("a readable sample frame");
        let exif = exif::Reader::new().read_from_container(&mut std::io::Cursor::new(bytes)).expect("EXIF");
        let text = |tag| match &exif.get_field(tag, exif::In::PRIMARY).expect("the tag is there").value {
            exif::Value::Ascii(lines) => String::from_utf8_lossy(&lines[0]).into_owned(),
            other => panic!("{tag} is {other:?}"),
        };
        let number = |tag| match &exif.get_field(tag, exif::In::PRIMARY).expect("the tag is there").value {
            exif::Value::Rational(parts) => parts[0].to_f64(),
            other => f64::from(other.get_uint(0).expect("a number")),
        };
        let expected = &frame["exif"];
        assert_eq!(expected["make"], text(exif::Tag::Make), "{file}: make");
        assert_eq!(expected["model"], text(exif::Tag::Model), "{file}: model");
        assert_eq!(expected["lens"], text(exif::Tag::LensModel), "{file}: lens");
        assert_eq!(expected["time"], text(exif::Tag::DateTimeOriginal), "{file}: time");
        assert_eq!(expected["time_fraction"], text(exif::Tag::SubSecTimeOriginal), "{file}: fraction");
        assert_eq!(expected["time_offset"], text(exif::Tag::OffsetTimeOriginal), "{file}: offset");
        assert_eq!(expected["exposure_secs"], number(exif::Tag::ExposureTime), "{file}: exposure");
        assert_eq!(expected["aperture"], number(exif::Tag::FNumber), "{file}: aperture");
        assert_eq!(expected["focal_mm"], number(exif::Tag::FocalLength), "{file}: focal length");
        assert_eq!(expected["iso"], number(exif::Tag::PhotographicSensitivity) as u32, "{file}: ISO");
    }
}

/// Another machine's sine may differ in its last digit and push a few samples over the edge of a step.
#[test]
fn the_files_are_those_that_the_generator_makes() {
    let burst = Burst::new(Scene::sample());
    let light = burst.light(3);
    let raw = rawloader::decode_file(root().join("sample-frames/night-004.dng")).expect("a readable sample frame");
    let stored = samples(&raw);
    let n_other = light.planes[0].samples().iter().zip(stored).filter(|(made, stored)| made != stored).count();
    assert!(n_other * 1000 < stored.len(), "{n_other} of {} samples differ", stored.len());
}
