//! Bursts of finished pictures instead of raws.

use std::path::Path;

use image::{ImageBuffer, Rgb};
use nightsheaf::calibrate::{Masters, calibrate};
use nightsheaf::demosaic::demosaic;
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
            let encoded =
                if balanced <= 0.003_130_8 { 12.92 * balanced } else { 1.055 * balanced.powf(1.0 / 2.4) - 0.055 };
            (encoded * 65_535.0).round() as u16
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
