//! Files in, frames or messages out, through the child process of the built command line.

#[path = "support/libraw.rs"]
mod libraw;
#[path = "support/sha256.rs"]
mod sha256;

use std::fs;
use std::path::{Path, PathBuf};

use libraw::{check_color_matrix, orientation_of};
use nightsheaf::job::CancelToken;
use nightsheaf::pixels::{Layout, Plane, Rect, Size};
use nightsheaf::raw::{DecodeError, Decoder, Limits, Metadata, RawFrame, TransferFunction};
use nightsheaf::synthetic::dng::write_cfa_dng;
use nightsheaf::synthetic::{Burst, Scene};
use serde_json::{Value, json};

fn decoder() -> Decoder {
    Decoder { program: env!("CARGO_BIN_EXE_nightsheaf-cli").into(), limits: Limits::default() }
}

fn decode(path: &Path) -> Result<RawFrame, DecodeError> {
    decoder().decode(path, &CancelToken::default())
}

fn read_json(path: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(path).expect("the values beside the files")).expect("JSON")
}

fn fingerprint(plane: &Plane<u16>) -> String {
    let bytes: Vec<u8> = plane.samples().iter().flat_map(|sample| sample.to_le_bytes()).collect();
    sha256::sha256_hex(&bytes)
}

fn size_of(shape: &Value) -> Size {
    let side = |index: usize| shape[index].as_u64().expect("a whole number") as usize;
    Size { width: side(1), height: side(0) }
}

/// LibRaw numbers the second green 3; its origin lies `shift` pixels down and right of ours.
fn check_pattern(frame: &RawFrame, expected: &Value, shift: usize, file: &str) {
    let Layout::Mosaic(cfa) = frame.layout else { panic!("{file}: found {:?} where a mosaic is needed", frame.layout) };
    for y in 0..2 {
        for x in 0..2 {
            let color = expected[y][x].as_u64().expect("a colour number");
            let color = if color == 3 { 1 } else { color };
            assert_eq!(cfa.color_at(x + shift, y + shift) as u64, color, "{file}: colour at ({x}, {y})");
        }
    }
}

fn check_neutral(frame: &RawFrame, multipliers: &Value, file: &str) {
    let multiplier = |channel: usize| multipliers[channel].as_f64().expect("a number");
    for channel in 0..3 {
        let expected = multiplier(1) / multiplier(channel);
        let found = frame.color.as_shot_neutral[channel];
        assert!((found / expected - 1.0).abs() < 1e-6, "{file}: neutral {channel} is {found}, LibRaw has {expected}");
    }
}

#[test]
fn the_digest_is_that_of_the_standard() {
    let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    assert_eq!(sha256::sha256_hex(b"abc"), expected, "FIPS 180-4, the one-block example");
}

/// A camera's own file, read as LibRaw reads it (rawpy 0.28.0; the values stand beside the file).
#[test]
#[allow(clippy::print_stdout, reason = "a skipped check says so")]
fn a_real_raw_reads_as_libraw_reads_it() {
    let Some(folder) = std::env::var_os("NIGHTSHEAF_REAL_RAWS").map(PathBuf::from) else {
        println!("not run: NIGHTSHEAF_REAL_RAWS names no folder with colorchart.dng and golden_libraw.json");
        return;
    };
    for file in ["colorchart.dng", "golden_libraw.json"] {
        let path = folder.join(file);
        assert!(path.is_file(), "NIGHTSHEAF_REAL_RAWS is {:?}, which has no {file}: unset it", folder.display());
    }
    let reference = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference");
    let turns = read_json(&reference.join("libraw/real_raws.json"));
    let golden = read_json(&folder.join("golden_libraw.json"));
    let golden = golden.as_object().expect("one entry a file");
    assert!(!golden.is_empty(), "the reference values name no file");
    for entry in fs::read_dir(&folder).expect("a folder that was just looked into") {
        let name = entry.expect("an entry").file_name().to_string_lossy().into_owned();
        let is_told = golden.contains_key(&name) || name.ends_with(".json") || name.ends_with(".md");
        assert!(is_told, "{name} has no reference values in golden_libraw.json: it would not be checked");
    }
    for (file, golden) in golden {
        let frame = decode(&folder.join(file)).unwrap_or_else(|error| panic!("{file}: {error}"));
        assert_eq!(frame.size(), size_of(&golden["visible_shape"]), "{file}: the visible area");
        assert_eq!(fingerprint(&frame.planes[0]), golden["visible_sha256"], "{file}: every sample");
        check_pattern(&frame, &golden["pattern"], 0, file);
        for (position, black) in frame.black_level.iter().enumerate() {
            let expected = golden["black"][position].as_f64();
            assert_eq!(Some(f64::from(*black)), expected, "{file}: black level of position {position}");
        }
        assert_eq!(Some(u64::from(frame.white_level)), golden["white"].as_u64(), "{file}: white level");
        check_neutral(&frame, &golden["camera_wb"], file);
        check_color_matrix(&frame, &golden["color_matrix"], file);
        // The values beside the files say nothing of it.
        let turn = &turns["files"][golden["sha256"].as_str().expect("the digest of the file")];
        assert!(turn.is_object(), "{file} is not in tests/reference/libraw/real_raws.json: run real_raws.py");
        assert_eq!(frame.orientation, orientation_of(&turn["flip"]), "{file}: orientation");
    }
    let frame = decode(&folder.join("colorchart.dng")).expect("a sound file");
    assert_eq!(frame.metadata.model.as_deref(), Some("Canon EOS Kiss X4"), "the model, from EXIF");
    assert_eq!(frame.metadata.exposure_secs, None, "the file says 0 s, which is to say nothing");
}

/// Every way of storing samples that is read: see tests/reference/raw_variants.
#[test]
fn every_kind_of_dng_reads_as_libraw_reads_it() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/raw_variants");
    let expected = read_json(&folder.join("libraw.json"));
    let expected = expected.as_object().expect("one entry a file");
    assert_eq!(expected.len(), 10, "the files of the reference");
    for (file, libraw) in expected {
        let frame = decode(&folder.join(file)).unwrap_or_else(|error| panic!("{file}: {error}"));
        let size = size_of(&libraw["visible_shape"]);
        let is_odd = file == "odd_margins.dng";
        // The active area begins at row 3, column 5; LibRaw shows it from row 4, column 6.
        let shift = usize::from(is_odd);
        assert_eq!(libraw["visible_origin"], if is_odd { json!([4, 6]) } else { json!([0, 0]) }, "{file}: origin");
        let full = if is_odd { Size { width: 75, height: 58 } } else { size };
        assert_eq!(frame.size(), full, "{file}: the active area");
        let shown = frame.planes[0].crop(Rect { x: shift, y: shift, size });
        assert_eq!(fingerprint(&shown), libraw["visible_sha256"], "{file}: every sample");
        check_pattern(&frame, &libraw["pattern"], shift, file);
        for (position, black) in frame.black_level.iter().enumerate().filter(|_| !is_odd) {
            let expected = libraw["black_by_position"][position / 2][position % 2].as_f64();
            assert_eq!(Some(f64::from(*black)), expected, "{file}: black level of position {position}");
        }
        assert_eq!(Some(u64::from(frame.white_level)), libraw["white"].as_u64(), "{file}: white level");
        check_neutral(&frame, &libraw["camera_white_balance"], file);
        assert_eq!(frame.orientation, orientation_of(&libraw["flip"]), "{file}: orientation");
        check_color_matrix(&frame, &libraw["color_matrix"], file);
        assert_eq!(frame.metadata.make.as_deref(), Some("Invented"), "{file}: make");
    }
}

#[test]
fn a_sixteen_bit_tiff_and_png_keep_every_sample() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let sample = |x: u32, y: u32| [(x * 811 + y) as u16, (y * 1021 + x) as u16, (x * y * 17) as u16];
    let picture = image::ImageBuffer::from_fn(40, 30, |x, y| image::Rgb(sample(x, y)));
    for name in ["frame.tif", "frame.png"] {
        let path = folder.path().join(name);
        picture.save(&path).expect("a folder to write to");
        let frame = decode(&path).expect("a sound file");
        assert_eq!((frame.layout, frame.transfer), (Layout::Rgb, TransferFunction::Srgb), "{name}: what it holds");
        assert_eq!(frame.white_level, 0xFFFF, "{name}: white");
        for (channel, plane) in frame.planes.iter().enumerate() {
            let expected = Plane::from_fn(Size { width: 40, height: 30 }, |x, y| sample(x as u32, y as u32)[channel]);
            assert_eq!(plane, &expected, "{name}: channel {channel}");
        }
    }
}

#[cfg(unix)]
#[test]
fn a_name_that_is_no_text_is_read() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join(OsStr::from_bytes(b"night \xff\xfe.png"));
    let png = folder.path().join("night.png");
    image::GrayImage::from_fn(20, 20, |x, y| image::Luma([(x * y) as u8])).save(&png).expect("a folder to write to");
    fs::rename(png, &path).expect("the same folder");
    assert_eq!(decode(&path).expect("a sound file").size(), Size { width: 20, height: 20 }, "the picture");
}

/// The writer of invented frames and the reader of all frames agree on every field.
#[test]
fn an_invented_frame_comes_back_as_it_was_written() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("light.dng");
    let written = Burst::new(Scene::small()).light(1);
    write_cfa_dng(&path, &written).expect("a folder to write to");
    let read = decode(&path).expect("a sound file");
    assert_eq!(read.planes, written.planes, "every sample");
    assert_eq!(
        (read.layout, read.black_level, read.white_level, read.transfer, read.orientation),
        (written.layout, written.black_level, written.white_level, written.transfer, written.orientation),
        "layout, levels, transfer function and orientation"
    );
    let near = |a: f64, b: f64| (a - b).abs() <= 1e-4 * b.abs().max(0.1);
    for (read, written) in [
        (read.color.as_shot_neutral, written.color.as_shot_neutral),
        (read.color.camera_from_xyz[0], written.color.camera_from_xyz[0]),
        (read.color.camera_from_xyz[2], written.color.camera_from_xyz[2]),
    ] {
        assert!(read.iter().zip(written).all(|(&a, b)| near(a, b)), "colour {read:?} of {written:?}");
    }
    let (read, written) = (read.metadata, written.metadata);
    let texts = |metadata: &Metadata| (metadata.make.clone(), metadata.model.clone(), metadata.iso);
    assert_eq!(texts(&read), texts(&written), "make, model, ISO");
    for (name, read, written) in [
        ("exposure", read.exposure_secs, written.exposure_secs),
        ("aperture", read.aperture, written.aperture),
        ("focal length", read.focal_mm, written.focal_mm),
        ("sensor width", read.sensor_width_mm, written.sensor_width_mm),
    ] {
        let (read, written) = (read.expect("written"), written.expect("an invented frame says everything"));
        assert!(near(read, written), "{name}: {read} of {written}");
    }
    let clock = |metadata: &Metadata| metadata.capture_time.expect("written");
    let (read, written) = (clock(&read), clock(&written));
    assert!((read.clock_secs - written.clock_secs).abs() < 0.002, "{} of {} s", read.clock_secs, written.clock_secs);
    assert_eq!(read.utc_offset_minutes, written.utc_offset_minutes, "offset of the clock");
}

#[test]
fn the_head_of_a_raw_tells_exposure_size_and_temperature_without_its_samples() {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written");
    let path = folder.path().join("light.dng");
    let scene = Scene { temperature_celsius: Some(-4.5), n_stars: 20, ..Scene::small() };
    let frame = Burst::new(scene).light(0);
    write_cfa_dng(&path, &frame).expect("room for a small frame");
    let whole = fs::read(&path).expect("just written");
    fs::write(&path, &whole[..4096]).expect("our own file");
    let facts = decoder().facts(&path, &CancelToken::default()).expect("a head is enough");
    assert_eq!(facts.size, Some(frame.size()), "size");
    assert_eq!(facts.metadata.exposure_secs, Some(16.0), "exposure");
    assert_eq!(facts.metadata.temperature_celsius, Some(-4.5), "temperature");
    assert_eq!(facts.metadata.model, frame.metadata.model, "camera");
    fs::write(&path, b"Clouds until midnight.").expect("our own file");
    let facts = decoder().facts(&path, &CancelToken::default()).expect("a text can be read");
    assert_eq!((facts.size, facts.metadata.model), (None, None), "a text says nothing");
}
