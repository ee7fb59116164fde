//! Developed pictures with a color profile or an orientation: as LittleCMS and Pillow read them
//! (tests/reference/profiled_pictures.py).

use std::path::{Path, PathBuf};

use nalgebra::{Matrix3, Vector3};
use nightsheaf::calibrate::{Masters, calibrate};
use nightsheaf::develop::color::{D65, PCS_WHITE, adapt_white};
use nightsheaf::job::CancelToken;
use nightsheaf::pixels::Size;
use nightsheaf::raw::{Decoder, Limits, RawFrame};
use serde_json::Value;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/profiled_pictures")
}

fn decode(name: &str) -> RawFrame {
    let decoder = Decoder { program: env!("CARGO_BIN_EXE_nightsheaf-cli").into(), limits: Limits::default() };
    decoder.decode(&folder().join(name), &CancelToken::default()).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn expected() -> Value {
    let text = std::fs::read_to_string(folder().join("littlecms.json")).expect("the values beside the files");
    serde_json::from_str(&text).expect("JSON")
}

/// XYZ under D50, percent, of the middle of a patch.
fn patch_xyz(frame: &RawFrame, patch: usize) -> Vector3<f64> {
    let light = calibrate(frame, &Masters::default());
    let rgb = [0, 1, 2].map(|channel: usize| {
        let inside = (4..12).flat_map(|y| (4..12).map(move |x| (16 * patch + x, y)));
        inside.map(|(x, y)| f64::from(light.planes[channel].at(x, y))).sum::<f64>() / 64.0
    });
    let camera_from_xyz = Matrix3::from_fn(|row, column| frame.color.camera_from_xyz[row][column]);
    let xyz = camera_from_xyz.try_inverse().expect("a camera that sees colors") * Vector3::from(rgb);
    adapt_white(&D65.xyz(), &PCS_WHITE.into()).expect("D65 is a light") * xyz * 100.0
}

#[test]
fn pictures_with_a_profile_have_the_light_and_color_that_it_states() {
    let expected = expected();
    for name in ["wide_gamma.tif", "rec2020_linear.tif", "srgb_table.png", "wide_parametric.jpg", "grey_gamma.png"] {
        let frame = decode(name);
        assert_eq!(frame.size(), Size { width: 96, height: 16 }, "{name}: six patches");
        let tolerance = if name.ends_with("jpg") { 1.2 } else { 0.03 };
        for patch in 0..6 {
            let found = patch_xyz(&frame, patch);
            for (channel, found) in found.iter().enumerate() {
                let expected = expected[name][patch][channel].as_f64().expect("a number");
                assert!(
                    (found - expected).abs() < tolerance,
                    "{name}: XYZ {channel} of patch {patch} is {found}, LittleCMS has {expected}"
                );
            }
        }
    }
}

#[test]
fn turned_pictures_are_upright_as_pillow_shows_them() {
    let expected = expected();
    for (name, values) in expected["turned"].as_object().expect("one entry a file") {
        let frame = decode(name);
        let upright = frame.orientation.upright(&frame.planes[0]);
        let value = |index: usize| values[index].as_u64().expect("a whole number") as usize;
        assert_eq!(upright.size(), Size { width: value(0), height: value(1) }, "{name}: upright");
        let (right, bottom) = (value(0) - 3, value(1) - 3);
        for (index, (x, y)) in [(2, (2, 2)), (3, (right, 2)), (4, (2, bottom))] {
            let found = usize::from(upright.at(x, y));
            assert!(found.abs_diff(value(index)) <= 2, "{name}: {found} at ({x}, {y}), Pillow has {}", value(index));
        }
    }
}
