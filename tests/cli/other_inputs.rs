//! Bursts of finished pictures instead of raws.

use std::path::Path;

use image::{ImageBuffer, ImageEncoder, Rgb};
use nightsheaf::calibrate::{Masters, calibrate};
use nightsheaf::demosaic::demosaic;
use nightsheaf::pixels::{ColorEncoding, Primaries, Size, Transfer};
use nightsheaf::synthetic::{Burst, Scene};

use crate::support::{codes, done, new_folder, scene};

/// The light frames as a camera would save them: balanced, brightened, sRGB (IEC 61966-2-1), 16 bits.
fn developed(burst: &Burst, idx: usize) -> ImageBuffer<Rgb<u16>, Vec<u16>> {
    let raw = burst.light(idx);
    let neutral = raw.color.as_shot_neutral;
    let image = demosaic(&calibrate(&raw, &Masters::default()));
    let size = image.size();
    ImageBuffer::from_fn(size.width as u32, size.height as u32, |x, y| {
        Rgb(std::array::from_fn(|channel| {
            let linear = f64::from(image.planes[channel].at(x as usize, y as usize));
            let balanced = (3.0 * linear / neutral[channel]).clamp(0.0, 1.0);
            (srgb_code(balanced) * 65_535.0).round() as u16
        }))
    })
}

fn check(ending: &str, save: impl Fn(&ImageBuffer<Rgb<u16>, Vec<u16>>, &Path)) {
    // A camera that saves finished pictures has hot pixels mended already, most of the time.
    check_burst(ending, &Burst::new(Scene { n_hot_pixels: 0, ..scene() }), save);
}

fn check_burst(ending: &str, burst: &Burst, save: impl Fn(&ImageBuffer<Rgb<u16>, Vec<u16>>, &Path)) {
    let folder = new_folder();
    let frames = folder.path().join("frames");
    std::fs::create_dir(&frames).expect("a new folder");
    for idx in 0..3 {
        save(&developed(burst, idx), &frames.join(format!("shot-{idx}.{ending}")));
    }
    let output = folder.path().join("night.tiff");
    let ran = done!("stack", frames, "--mask", "none", "-o", output);
    assert!(ran.out.starts_with("3 of 3 frames stacked on shot-"), "{ending}: {}", ran.out);
    let (size, samples) = codes(&output);
    assert_eq!(size, scene().size, "{ending}: the size of a frame");
    assert!(samples.iter().any(|&code| code > 30_000), "{ending}: stars are bright");
}

#[test]
fn a_burst_of_tiff_files_is_stacked() {
    check("tif", |picture, path| picture.save_with_format(path, image::ImageFormat::Tiff).expect("a folder"));
}

#[test]
fn a_burst_of_png_files_is_stacked() {
    check("png", |picture, path| picture.save_with_format(path, image::ImageFormat::Png).expect("a folder"));
}

#[test]
fn a_burst_of_jpeg_files_is_stacked() {
    check("JPG", |picture, path| {
        let bytes = image::DynamicImage::ImageRgb16(picture.clone()).into_rgb8();
        let file = std::fs::File::create(path).expect("a folder");
        let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(file, 95);
        bytes.write_with_encoder(encoder).expect("a folder");
    });
}

/// What the camera did not mend is smeared by its development into small colored lights that stand still.
#[test]
fn a_burst_of_pictures_with_hot_pixels_is_stacked() {
    let burst = Burst::new(scene());
    check_burst("png", &burst, |picture, path| {
        let bytes = image::DynamicImage::ImageRgb16(picture.clone()).into_rgb8();
        bytes.save_with_format(path, image::ImageFormat::Png).expect("a folder");
    });
}

/// IEC 61966-2-1.
fn srgb_code(light: f64) -> f64 {
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}

fn srgb_light(code: f64) -> f64 {
    if code <= 0.040_45 { code / 12.92 } else { ((code + 0.055) / 1.055).powf(2.4) }
}

/// Rec. ITU-R BT.2020-2, table 4.
fn rec2020_light(code: f64) -> f64 {
    if code < 4.5 * 0.018_1 { code / 4.5 } else { ((code + 0.0993) / 1.0993).powf(1.0 / 0.45) }
}

/// Exif (CIPA DC-008) of one entry, the orientation: the picture is held upright by a quarter turn clockwise.
const TURNED: [u8; 26] = [b'I', b'I', 42, 0, 8, 0, 0, 0, 1, 0, 0x12, 0x01, 3, 0, 1, 0, 0, 0, 6, 0, 0, 0, 0, 0, 0, 0];

/// A burst of JPEG files of wide colors, with a profile that says so or without, turned by their metadata or not; its
/// stack in a space of colors.
fn stack_of_jpegs(profile: bool, turned: bool, space: &str) -> (Size, Vec<u16>) {
    let burst = Burst::new(Scene { n_hot_pixels: 0, ..scene() });
    let folder = new_folder();
    let frames = folder.path().join("frames");
    std::fs::create_dir(&frames).expect("a new folder");
    for idx in 0..3 {
        let picture = image::DynamicImage::ImageRgb16(developed(&burst, idx)).into_rgb8();
        let file = std::fs::File::create(frames.join(format!("shot-{idx}.jpg"))).expect("a folder");
        let mut encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(file, 97);
        if profile {
            let encoding = ColorEncoding { primaries: Primaries::Rec2020, transfer: Transfer::Srgb };
            encoder.set_icc_profile(nightsheaf::export::icc::profile(encoding)).expect("a JPEG can hold a profile");
        }
        if turned {
            encoder.set_exif_metadata(TURNED.to_vec()).expect("a JPEG can hold Exif");
        }
        picture.write_with_encoder(encoder).expect("a folder");
    }
    let output = folder.path().join("night.tiff");
    done!("stack", frames, "--mask", "none", "--space", space, "-o", output);
    codes(&output)
}

#[test]
fn a_burst_of_pictures_is_stacked_by_their_profile_and_turned_by_their_orientation() {
    let (size, wide) = stack_of_jpegs(true, false, "rec2020");
    let (turned_size, turned) = stack_of_jpegs(true, true, "rec2020");
    assert_eq!((turned_size.width, turned_size.height), (size.height, size.width), "upright");
    for (place, code) in turned.chunks_exact(3).enumerate() {
        let (x, y) = (place % turned_size.width, place / turned_size.width);
        let from = y + (size.height - 1 - x) * size.width;
        assert_eq!(code, &wide[3 * from..3 * from + 3], "({x}, {y}) of the turned picture");
    }
    // The same numbers are the same colors to whoever is told of no profile, and shown in the usual space.
    let (_, plain) = stack_of_jpegs(false, false, "srgb");
    let (_, narrowed) = stack_of_jpegs(true, false, "srgb");
    let off = |light: fn(f64) -> f64, other: &[u16]| {
        let pairs = plain.iter().zip(other).map(|(&a, &b)| (f64::from(a) / 65_535.0, f64::from(b) / 65_535.0));
        pairs.map(|(a, b)| (a - srgb_code(light(b))).abs()).sum::<f64>() / plain.len() as f64
    };
    let (same, changed) = (off(rec2020_light, &wide), off(srgb_light, &narrowed));
    assert!(same < 0.004, "in their own space the numbers stay: off by {same} of white");
    assert!(changed > 3.0 * same, "in another they change: by {changed}, {same} in their own");
}
