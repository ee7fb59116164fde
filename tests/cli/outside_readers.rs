//! Every kind of file that a whole run writes of the sample frames, with their own metadata, in the hands of outside
//! readers: exiftool, libtiff, LittleCMS and LibRaw have nothing to complain of.

use std::path::{Path, PathBuf};

use image::{ImageDecoder, ImageReader};
use serde_json::Value;

use crate::support::{new_folder, run_words};
use crate::tools::{printed, run_tool};

type Word<'a> = &'a dyn AsRef<std::ffi::OsStr>;

/// The sample frames' sensor; they lie as they are seen.
const SIZE: (u32, u32) = (1080, 720);

/// File, what asks for it, whether it is packed with deflate.
const FILES: [(&str, &[&str], bool); 8] = [
    ("night.tiff", &[], false),
    ("packed.tiff", &["--compression", "deflate", "--space", "rec2020"], true),
    ("light.tiff", &["--format", "tiff32f"], false),
    ("packed-light.tiff", &["--format", "tiff32f", "--compression", "deflate"], true),
    ("measured.tiff", &["--space", "camera-linear"], false),
    ("night.dng", &[], false),
    ("night.png", &[], false),
    ("night.jpg", &["--quality", "90"], false),
];

/// Stacks three of the sample frames; with the first file go the layers, the mask and the charts.
fn stack_all(folder: &Path) {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let frames = [1, 2, 3].map(|number| samples.join(format!("night-{number:03}.dng")));
    let (mask, layers) = (samples.join("truth/mask.png"), folder.join("layers"));
    let at = |name: &str| folder.join(name);
    let (used, arrows, clipped) = (at("mask.png"), at("arrows.png"), at("clipped.png"));
    for (name, asked, _) in FILES {
        let output = at(name);
        let mut words: Vec<Word<'_>> = vec![&"stack", &"--quiet", &"--mask", &mask, &"-o", &output];
        words.extend(frames.iter().map(|frame| frame as Word<'_>));
        words.extend(asked.iter().map(|word| word as Word<'_>));
        if name == "night.tiff" {
            words.extend([&"--layers" as Word<'_>, &layers, &"--mask-output", &used]);
            words.extend([&"--residuals" as Word<'_>, &arrows, &"--clipped", &clipped]);
        }
        let ran = run_words(&words);
        assert_eq!(ran.code, Some(0), "{name}: {ran:?}");
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a plain name")
}

/// What exiftool's validator says; `None` where it is not installed.
fn complaints(path: &Path) -> Option<Vec<String>> {
    let output = run_tool("exiftool", &["-validate", "-warning", "-error", "-a", text(path)], "")?;
    let said = printed(&output);
    Some(said.lines().filter_map(|line| Some(line.split_once(": ")?.1.to_owned())).collect())
}

/// The night that the frames tell of.
fn check_metadata(path: &Path) {
    let name = path.display();
    let Some(output) = run_tool("exiftool", &["-j", "-n", text(path)], "") else { return };
    let read: Value = serde_json::from_str(&printed(&output)).expect("JSON");
    for (tag, expected) in [
        ("Make", Value::from("Invented")),
        ("Model", "Corrie One".into()),
        ("LensModel", "Invented 9 mm f/2".into()),
        ("ExposureTime", 16.into()),
        ("FNumber", 2.into()),
        ("FocalLength", 9.into()),
        ("ISO", 3200.into()),
        ("Frames", 3.into()),
        ("TotalExposureSeconds", 48.into()),
        ("OffsetTimeOriginal", "+01:00".into()),
        ("SubSecTimeOriginal", 250.into()),
    ] {
        assert_eq!(read[0][tag], expected, "{tag} of {name}");
    }
    let time = read[0]["DateTimeOriginal"].as_str().unwrap_or_default();
    assert!(time.starts_with("2027:03:11 22:14:07"), "the first frame's time, {name}: {time}");
    assert!(read[0]["Software"].as_str().is_some_and(|text| text.starts_with("Nightsheaf ")), "{name}");
}

/// libtiff reads every strip.
fn check_strips(path: &Path) {
    let Some(output) = run_tool("tiffinfo", &["-D", text(path)], "") else { return };
    let said = printed(&output);
    let size = format!("Image Width: {} Image Length: {}", SIZE.0, SIZE.1);
    assert!(said.contains(&size), "{}: {said}", path.display());
    assert!(output.stderr.is_empty(), "{}: {}", path.display(), String::from_utf8_lossy(&output.stderr));
}

/// LittleCMS takes the profile that the file carries, and white is the white of the connection space.
fn check_profile(path: &Path, folder: &Path) {
    let name = path.display();
    let reader = ImageReader::open(path).expect("a file").with_guessed_format().expect("a file");
    let profile = reader.into_decoder().expect("a known format").icc_profile().expect("a readable profile");
    let file = folder.join("profile.icc");
    std::fs::write(&file, profile.unwrap_or_else(|| panic!("{name} has no profile"))).expect("a folder");
    let profile = format!("-i{}", file.display());
    let Some(output) = run_tool("transicc", &[&profile, "-o*XYZ", "-t1", "-n"], "255\n255\n255\n") else { return };
    let said = printed(&output);
    let found: Vec<f64> = said.split_whitespace().filter_map(|word| word.parse().ok()).collect();
    // Its own name and version come there too.
    let beside = String::from_utf8_lossy(&output.stderr).to_lowercase();
    assert!(!beside.contains("error") && !beside.contains("warning"), "{name}: {beside}");
    // D50 of ICC.1: 0.9642, 1, 0.8249; profiles hold numbers to 1/65536.
    let is_white = found.len() == 3 && found.iter().zip([96.42, 100.0, 82.49]).all(|(a, b)| (a - b).abs() < 0.02);
    assert!(is_white, "{name}: white is {said}");
}

/// LibRaw develops it without a word; the neutral is the frames' own.
fn check_dng(path: &Path) {
    let words = ["-4", "-w", "-W", "-o", "1", "-T", text(path)];
    if let Some(output) = run_tool("dcraw_emu", &words, "") {
        let said = printed(&output);
        assert!(output.stderr.is_empty(), "{said}{}", String::from_utf8_lossy(&output.stderr));
        let developed = image::open(format!("{}.tiff", path.display())).expect("LibRaw wrote a picture");
        assert_eq!((developed.width(), developed.height()), SIZE, "the size that LibRaw develops");
        std::fs::remove_file(format!("{}.tiff", path.display())).expect("just written");
    }
    let frame = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/night-001.dng");
    let tags = |path: &Path| -> Option<Vec<f64>> {
        let tags = ["-s3", "-n", "-AsShotNeutral", "-ColorMatrix1", text(path)];
        let output = run_tool("exiftool", &tags, "")?;
        Some(printed(&output).split_whitespace().filter_map(|word| word.parse().ok()).collect())
    };
    let Some((stack, frame)) = tags(path).zip(tags(&frame)) else { return };
    assert_eq!(stack.len(), 12, "a neutral and a matrix: {stack:?}");
    let near = |(a, b): (&f64, &f64)| (a - b).abs() < 1e-4;
    assert!(frame.len() == 12 && stack.iter().zip(&frame).all(near), "{stack:?} of {frame:?}");
}

#[test]
fn outside_readers_have_no_complaint_of_a_whole_run() {
    let folder = new_folder();
    stack_all(folder.path());
    let at = |name: &str| folder.path().join(name);
    for (name, asked, is_packed) in FILES {
        let path = at(name);
        // The known exception: exiftool judges by the compressions of TIFF 6.0, and deflate (8) came later.
        let expected: &[&str] =
            if is_packed { &["1 Warning", "Invalid value for IFD0 tag 0x0103 Compression"] } else { &["OK"] };
        if let Some(found) = complaints(&path) {
            assert_eq!(found, expected, "{name}");
        }
        check_metadata(&path);
        if name.ends_with(".tiff") || name.ends_with(".dng") {
            check_strips(&path);
        }
        match () {
            () if name.ends_with(".dng") => check_dng(&path),
            // What the sensor measured is in no color space.
            () if asked.contains(&"camera-linear") => {}
            () => check_profile(&path, folder.path()),
        }
    }
    let layers: [PathBuf; 3] = ["layers/sky.tiff", "layers/land.tiff", "layers/mask.png"].map(at);
    for path in layers.iter().chain(&["mask.png", "arrows.png", "clipped.png"].map(at)) {
        if let Some(found) = complaints(path) {
            assert_eq!(found, ["OK"], "{}", path.display());
        }
    }
    for path in &layers[..2] {
        check_metadata(path);
        check_strips(path);
        check_profile(path, folder.path());
    }
}
