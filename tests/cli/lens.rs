//! What `stack` tells of the lens and of the stars' places, in the report, as a picture and as a profile.

use std::fs;
use std::path::{Path, PathBuf};

use crate::support::{done, json, keys, names, new_folder, night, picture, run, scene};

/// A burst whose stars tell of the lens.
fn turning_night() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames")
}

#[test]
fn a_measured_lens_is_told_saved_and_used_as_a_start() {
    let folder = new_folder();
    let (output, first) = (folder.path().join("night.tiff"), folder.path().join("first.json"));
    let profile = folder.path().join("tarn.toml");
    done!("stack", turning_night(), "--mask", "none", "-o", output, "--report", first, "--save-lens-profile", profile);
    let lens = json(&first)["lens"].clone();
    assert_eq!((&lens["fitted"], &lens["start"]), (&true.into(), &"stated-focal-length".into()), "{lens}");
    let value = |name: &str, what: &str| {
        let parameters = lens["parameters"].as_array().expect("a list");
        let one = parameters.iter().find(|one| one["name"] == name).unwrap_or_else(|| panic!("{name}: {lens}"));
        assert_eq!(keys(one), ["measured", "name", "sigma", "value"], "{one}");
        one[what].as_f64().expect("a number")
    };
    // The generator's truth: 9 mm on 13.2 mm of sensor.
    let truth = json(&turning_night().join("truth/truth.json"))["scene"]["lens"].clone();
    let true_px =
        truth["focal_mm"].as_f64().expect("a number") / truth["sensor_width_mm"].as_f64().expect("a number") * 1080.0;
    let (focal_px, sigma) = (value("focal length", "value"), value("focal length", "sigma"));
    assert!((focal_px - true_px).abs() < 4.0 * sigma && sigma < 10.0, "{focal_px} ± {sigma}, truly {true_px}");

    // The rings of a frame hold all its stars, and together its distance.
    for frame in json(&first)["frames"].as_array().expect("a list").iter().filter(|frame| frame["used"] == true) {
        if frame["registration"] == "reference" {
            continue;
        }
        let rings = frame["residuals_by_radius"].as_array().expect("a list");
        let n = |ring: &serde_json::Value| ring["n"].as_f64().expect("a number");
        let squares = |ring: &serde_json::Value| n(ring) * ring["rms_px"].as_f64().expect("a number").powi(2);
        let sum: f64 = rings.iter().map(n).sum();
        assert_eq!(Some(sum), frame["matched"].as_f64(), "{frame}");
        let rms_px = (rings.iter().map(squares).sum::<f64>() / sum).sqrt();
        assert!((rms_px / frame["rms_px"].as_f64().expect("a number") - 1.0).abs() < 1e-9, "{rms_px}: {frame}");
        assert_eq!(frame["registration_reason"], serde_json::Value::Null, "the best model needs no reason");
    }

    let second = folder.path().join("second.json");
    done!("stack", turning_night(), "--mask", "none", "-o", output, "--report", second, "--lens-profile", profile);
    let lens = json(&second)["lens"].clone();
    assert_eq!((&lens["start"], &lens["profile"]), (&"profile".into(), &profile.to_str().into()), "{lens}");

    // A profile whose focal length is wrong, though it says otherwise, loses against what the camera states.
    let wrong = folder.path().join("wrong.toml");
    let mut table: toml::Table = fs::read_to_string(&profile).expect("just written").parse().expect("TOML");
    let focal = table["focal_px"].as_array_mut().and_then(|pair| pair.first_mut()).expect("value and deviation");
    *focal = toml::Value::Float(1.2 * focal.as_float().expect("a number"));
    fs::write(&wrong, table.to_string()).expect("a small file");
    let ran =
        run!("stack", turning_night(), "--mask", "none", "-o", output, "--report", second, "--lens-profile", wrong);
    assert_eq!(ran.code, Some(0), "{ran:?}");
    let note = format!("the lens profile {} was not used, because ", wrong.display());
    assert!(ran.out.contains(&note), "{}", ran.out);
    let lens = json(&second)["lens"].clone();
    assert_eq!(lens["start"], "stated-focal-length", "{lens}");
    let found_px = lens["parameters"][0]["value"].as_f64().expect("a number");
    assert!((found_px / true_px - 1.0).abs() < 0.02, "{found_px}, truly {true_px}");

    // The same lens zoomed to another focal length is another lens.
    let other = folder.path().join("other.toml");
    let text = fs::read_to_string(&profile).expect("just written");
    assert!(text.contains("focal_mm = 9.0"), "{text}");
    fs::write(&other, text.replace("focal_mm = 9.0", "focal_mm = 14.0")).expect("a small file");
    let ran = run!("stack", turning_night(), "--mask", "none", "-o", output, "--lens-profile", other);
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.err.contains("other.toml is of 14 mm, these frames state 9 mm: "), "{}", ran.err);
}

#[test]
fn residuals_are_drawn_a_panel_a_frame() {
    let folder = new_folder();
    let (output, sheet) = (folder.path().join("night.tiff"), folder.path().join("residuals.png"));
    done!("stack", night(), "--mask", "none", "-o", output, "--residuals", sheet);
    assert_eq!(names(folder.path()), ["night.tiff", "residuals.png"], "nothing else is left");
    let drawn = picture(&sheet).into_rgb8();
    // Three frames beside the reference, and one panel of means: three columns, two rows.
    let height = scene().size.height * 460 / scene().size.width;
    let expected = (26 + 3 * (460 + 26), 72 + 2 * (40 + height as u32 + 26 + 1));
    let found = (drawn.width(), drawn.height());
    assert!(found.0 == expected.0 && found.1.abs_diff(expected.1) <= 2, "{found:?}, expected {expected:?}");
    // The ink of the arrows is in the head (the bar) and in each of the panels of the three frames.
    let arrow_ink = |left: u32, top: u32| {
        let inside = |x: u32, y: u32| (left..left + 460).contains(&x) && (top..top + height as u32).contains(&y);
        drawn.enumerate_pixels().filter(|(x, y, pixel)| inside(*x, *y) && pixel.0 == [238, 190, 110]).count()
    };
    let rows = [72 + 40, 72 + 2 * 40 + height as u32 + 26];
    for (left, top) in [(26 + 486, rows[0]), (26 + 2 * 486, rows[0]), (26, rows[1])] {
        assert!(arrow_ink(left, top) > 100, "{} pixels of arrows at {left}, {top}", arrow_ink(left, top));
    }
    assert_eq!(arrow_ink(26 + 486, rows[1]), 0, "there is no fifth panel");
}

#[test]
fn a_profile_that_cannot_be_used_is_refused_before_the_frames_are_measured() {
    let (folder, work) = (new_folder(), new_folder());
    let output = folder.path().join("night.tiff");
    let letter = work.path().join("letter.toml");
    fs::write(&letter, "Dear lens,\nhow are you?\n").expect("a file");
    for (profile, parts) in [
        (letter, ["letter.toml", "not a lens profile", "--save-lens-profile"]),
        (work.path().join("gone.toml"), ["gone.toml", "cannot be read", "check the name"]),
    ] {
        let ran = run!("stack", night(), "--mask", "none", "-o", output, "--lens-profile", profile);
        assert_eq!((ran.code, ran.out.as_str()), (Some(1), ""), "{ran:?}");
        assert!(parts.iter().all(|part| ran.err.contains(part)), "{parts:?}: {}", ran.err);
        assert!(names(folder.path()).is_empty(), "nothing is written");
    }
}

/// Two frames a moment apart say nothing of the lens: the picture is made all the same.
#[test]
fn a_lens_that_was_not_measured_is_not_saved() {
    let folder = new_folder();
    let (output, profile) = (folder.path().join("night.tiff"), folder.path().join("lens.toml"));
    let ran = run!("stack", night(), "--mask", "none", "-o", output, "--save-lens-profile", profile);
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.err.contains("lens.toml was not written: "), "{}", ran.err);
    assert!(ran.out.contains("wrote") && ran.out.contains("aligned by "), "the model is told: {}", ran.out);
    assert_eq!(names(folder.path()), ["night.tiff"], "the picture alone");
}
