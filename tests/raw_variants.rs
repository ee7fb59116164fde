//! Files that are conformant and unusual, read as LibRaw reads them: see tests/reference/dng_variants.py.

#[path = "support/libraw.rs"]
mod libraw;
#[path = "support/sha256.rs"]
mod sha256;

use std::path::{Path, PathBuf};

use libraw::{check_color_matrix, orientation_of};
use nightsheaf::job::CancelToken;
use nightsheaf::pixels::{Layout, Plane, Size};
use nightsheaf::raw::{DecodeError, Decoder, Limits, RawFrame};
use serde_json::Value;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/dng_variants")
}

fn decode(name: &str) -> Result<RawFrame, DecodeError> {
    let decoder = Decoder { program: env!("CARGO_BIN_EXE_nightsheaf-cli").into(), limits: Limits::default() };
    decoder.decode(&folder().join(name), &CancelToken::default())
}

fn fingerprint(plane: &Plane<u16>) -> String {
    let bytes: Vec<u8> = plane.samples().iter().flat_map(|sample| sample.to_le_bytes()).collect();
    sha256::sha256_hex(&bytes)
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|value| value.as_f64().expect("a number")).collect()
}

fn check(name: &str, expected: &Value) {
    let frame = decode(name).unwrap_or_else(|error| panic!("{name}: {error}"));
    let size = numbers(&expected["size"]);
    assert_eq!(frame.size(), Size { width: size[0] as usize, height: size[1] as usize }, "{name}: what is to be seen");
    let first: Vec<f64> = match frame.layout {
        Layout::Mosaic(_) => frame.planes[0].row(0)[..8].iter().map(|&sample| f64::from(sample)).collect(),
        Layout::Rgb => (0..8).map(|at| f64::from(frame.planes[at % 3].row(0)[at / 3])).collect(),
    };
    assert_eq!(first, numbers(&expected["first8"]), "{name}: the first samples");
    let digests: Vec<String> = frame.planes.iter().map(fingerprint).collect();
    assert_eq!(serde_json::to_value(&digests).expect("plain"), expected["planes_sha256"], "{name}: every sample");
    if let Layout::Mosaic(cfa) = frame.layout {
        for position in 0..4 {
            let color = expected["pattern"][position / 2][position % 2].as_u64().expect("a color number");
            let color = if color == 3 { 1 } else { color };
            assert_eq!(cfa.color_at(position % 2, position / 2) as u64, color, "{name}: color of position {position}");
        }
    }
    for (position, (found, expected)) in frame.black_level.iter().zip(numbers(&expected["black"])).enumerate() {
        // LibRaw keeps whole levels.
        assert!((f64::from(*found) - expected).abs() < 0.51, "{name}: black {position} is {found}, not {expected}");
    }
    assert_eq!(Some(u64::from(frame.white_level)), expected["white"].as_u64(), "{name}: white level");
    assert_eq!(frame.orientation, orientation_of(&expected["flip"]), "{name}: orientation");
    // LibRaw has no matrix for the camera of the last file: its test compares with the decoder's table.
    if name != "second_decoder.3fr" {
        check_color_matrix(&frame, &expected["color_matrix"], name);
    }
    let multipliers = numbers(&expected["multipliers"]);
    // Of three colours LibRaw scales its multipliers by the range left above each black level: 4e-4 at most here.
    let tolerance = if frame.layout == Layout::Rgb { 5e-4 } else { 1e-6 };
    for channel in 0..3 {
        let expected = multipliers[1] / multipliers[channel];
        let found = frame.color.as_shot_neutral[channel];
        assert!((found / expected - 1.0).abs() < tolerance, "{name}: neutral {channel} is {found}, not {expected}");
    }
}

#[test]
fn unusual_files_read_as_libraw_reads_them() {
    let text = std::fs::read_to_string(folder().join("libraw.json")).expect("the values beside the files");
    let expected: serde_json::Map<String, Value> = serde_json::from_str(&text).expect("one entry a file");
    assert_eq!(expected.len(), 18, "the files of the reference");
    for (name, values) in &expected {
        check(name, values);
    }
}

/// The camera of this raw is unknown to the first decoder.
#[test]
fn what_the_first_decoder_refuses_the_second_reads() {
    let bytes = std::fs::read(folder().join("second_decoder.3fr")).expect("a reference file");
    let first = rawloader::decode(&mut bytes.as_slice());
    assert!(first.is_err(), "the first decoder reads it by now: choose a newer camera for this test");
    let frame = decode("second_decoder.3fr").expect("the second decoder knows the camera");
    assert_eq!(frame.metadata.model.as_deref(), Some("X2D 100C"), "the model, from EXIF");
    // The camera's own matrix, from the decoder's table.
    let row = frame.color.camera_from_xyz[0];
    for (found, expected) in row.into_iter().zip([0.6468, -0.1899, -0.0545]) {
        assert!((found - expected).abs() < 1e-6, "the first row of the matrix is {row:?}");
    }
}

#[test]
fn what_is_no_bayer_array_is_refused_by_name() {
    for (name, words) in [
        ("xtrans.dng", "X-Trans (6 × 6)"),
        ("quad.dng", "quad Bayer (4 × 4)"),
        ("cmyg.dng", "GCMY (2 × 2)"),
        ("staggered.dng", "staggered"),
    ] {
        let message = decode(name).expect_err("no Bayer array").to_string();
        assert!(message.contains(words), "{name}: {message}");
        assert!(message.contains("16-bit TIFF"), "{name} says what to do: {message}");
    }
}
