//! Files read back by other programs: pixels, profile, exposure data, and what happens when a file
//! cannot be written.

#[path = "support/tools.rs"]
mod tools;

use std::fs::{self, File};
use std::io::BufReader;
use std::path::Path;

use image::{DynamicImage, ImageDecoder, ImageReader};
use nightsheaf::develop::transfer::decode;
use nightsheaf::develop::{DevelopSettings, Development, OutputSpace};
use nightsheaf::export::{
    Compression, ExportError, FileMetadata, Finished, TiffPicture, icc, write_dng, write_jpeg, write_png, write_tiff,
};
use nightsheaf::job::{CancelToken, Monitor};
use nightsheaf::pixels::{ColorEncoding, EncodedImage, LinearImage, Orientation, Plane, Primaries, Size, Transfer};
use nightsheaf::raw::{CameraColor, CaptureTime, Metadata};
use tools::{printed, run_tool};

const SIZE: Size = Size { width: 151, height: 77 };

const SRGB: ColorEncoding = ColorEncoding { primaries: Primaries::Srgb, transfer: Transfer::Srgb };

/// A picture whose every sample tells where it is.
fn picture(encoding: ColorEncoding) -> EncodedImage {
    let plane = |channel: usize| Plane::from_fn(SIZE, |x, y| (400 * x + 3 * y + 997 * channel) as u16);
    EncodedImage { planes: [plane(0), plane(1), plane(2)], encoding }
}

fn linear_picture() -> LinearImage {
    let plane =
        |channel: usize| Plane::from_fn(SIZE, |x, y| (x as f32 - 3.0) * 0.007 + (y * (channel + 1)) as f32 * 1e-4);
    LinearImage { planes: [plane(0), plane(1), plane(2)] }
}

/// An invented camera and night.
fn metadata() -> FileMetadata {
    FileMetadata {
        first: Metadata {
            make: Some("Invented".to_owned()),
            model: Some("Tarn 1".to_owned()),
            lens: Some("12 mm f/2".to_owned()),
            exposure_secs: Some(12.5),
            iso: Some(102_400),
            aperture: Some(2.8),
            focal_mm: Some(12.0),
            sensor_width_mm: Some(23.5),
            // 2026-03-14 22:05:07.25 by the camera's clock.
            capture_time: Some(CaptureTime { clock_secs: 1_773_525_907.25, utc_offset_minutes: Some(-210) }),
            temperature_celsius: None,
            place: None,
        },
        n_frames: 16,
        total_exposure_secs: Some(200.0),
        exposures_secs: vec![12.5; 16],
    }
}

fn read(path: &Path) -> (DynamicImage, Option<Vec<u8>>) {
    let reader = ImageReader::open(path).expect("a file").with_guessed_format().expect("a file");
    let mut decoder = reader.into_decoder().expect("a known format");
    let profile = decoder.icc_profile().expect("a readable profile");
    (DynamicImage::from_decoder(decoder).expect("a whole picture"), profile)
}

/// Every sample of the upright picture, pixel by pixel.
fn upright_samples(image: &EncodedImage, orientation: Orientation) -> Vec<u16> {
    let planes = [0, 1, 2].map(|channel: usize| orientation.upright(&image.planes[channel]));
    (0..SIZE.area()).flat_map(|idx| [0, 1, 2].map(|channel: usize| planes[channel].samples()[idx])).collect()
}

#[test]
fn a_tiff_has_every_sample_upright_and_its_profile() {
    let folder = tempfile::tempdir().expect("a folder");
    for compression in [Compression::None, Compression::Deflate] {
        for (orientation, primaries) in
            [(Orientation::Normal, Primaries::Srgb), (Orientation::Rotate90, Primaries::Rec2020)]
        {
            let encoding = ColorEncoding { primaries, ..SRGB };
            let image = picture(encoding);
            let path = folder.path().join("night.tiff");
            let tiff = TiffPicture::Finished(Finished::Encoded(&image), orientation);
            write_tiff(&Monitor::silent(), &path, tiff, &metadata(), compression).expect("a folder to write to");
            let (found, profile) = read(&path);
            let DynamicImage::ImageRgb16(found) = found else { panic!("{compression:?}: not 16-bit RGB") };
            assert!(
                found.as_raw() == &upright_samples(&image, orientation),
                "samples of {compression:?} {orientation:?}"
            );
            assert_eq!(profile, Some(icc::profile(encoding)), "profile of {encoding:?}");
        }
    }
}

#[test]
fn a_png_has_every_sample_upright_and_its_profile() {
    let folder = tempfile::tempdir().expect("a folder");
    for orientation in [Orientation::Normal, Orientation::Transverse] {
        let image = picture(SRGB);
        let path = folder.path().join("night.png");
        let finished = Finished::Encoded(&image);
        write_png(&Monitor::silent(), &path, finished, orientation, &metadata()).expect("a folder to write to");
        let (found, profile) = read(&path);
        let DynamicImage::ImageRgb16(found) = found else { panic!("not 16-bit RGB") };
        assert!(found.as_raw() == &upright_samples(&image, orientation), "samples of {orientation:?}");
        assert_eq!(profile, Some(icc::profile(SRGB)), "the profile");
    }
}

#[test]
fn a_jpeg_looks_like_the_picture() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("night.jpg");
    let plane = |channel: usize| Plane::from_fn(SIZE, |x, y| (100 * x + 300 * y + 9_000 * channel) as u16);
    let image = EncodedImage { planes: [plane(0), plane(1), plane(2)], encoding: SRGB };
    let finished = Finished::Encoded(&image);
    write_jpeg(&Monitor::silent(), &path, finished, Orientation::Rotate270, &metadata(), 95).expect("a folder");
    let (found, profile) = read(&path);
    let found = found.into_rgb8();
    assert_eq!((found.width(), found.height()), (77, 151), "upright");
    for (&code, sample) in found.as_raw().iter().zip(upright_samples(&image, Orientation::Rotate270)) {
        // Quality 95 on smooth slopes; more would be a wrong sample.
        assert!((i32::from(code) - i32::from(sample) / 257).abs() <= 6, "{code} for {sample}");
    }
    assert_eq!(profile, Some(icc::profile(SRGB)), "the profile");
}

#[test]
fn a_picture_developed_while_it_is_written_is_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    let image = linear_picture();
    let development = Development::prepare(&image, &CameraColor::SRGB, None, &DevelopSettings::default());
    let encoded = nightsheaf::develop::develop(&image, &development);
    for orientation in [Orientation::Normal, Orientation::Rotate180, Orientation::Rotate90] {
        let write = |name: &str, finished| {
            let path = folder.path().join(name);
            let tiff = TiffPicture::Finished(finished, orientation);
            write_tiff(&Monitor::silent(), &path, tiff, &metadata(), Compression::None).expect("a folder");
            fs::read(path).expect("written")
        };
        let before = write("before.tiff", Finished::Encoded(&encoded));
        let meanwhile = write("meanwhile.tiff", Finished::Developed { image: &image, development: &development });
        assert!(before == meanwhile, "byte for byte, {orientation:?}");
    }
}

#[test]
fn a_float_tiff_holds_linear_light_beyond_both_ends() {
    let folder = tempfile::tempdir().expect("a folder");
    let image = linear_picture();
    let settings = DevelopSettings { space: OutputSpace::Rec2020, exposure_ev: 1.0, ..DevelopSettings::default() };
    let development = Development::prepare(&image, &CameraColor::SRGB, None, &settings);
    for compression in [Compression::None, Compression::Deflate] {
        let path = folder.path().join("light.tiff");
        let tiff = TiffPicture::Light(&image, &development, Orientation::Normal);
        write_tiff(&Monitor::silent(), &path, tiff, &metadata(), compression).expect("a folder to write to");
        let (found, profile) = read(&path);
        let DynamicImage::ImageRgb32F(found) = found else { panic!("{compression:?}: not 32-bit float RGB") };
        let [least, most] = [0, 110].map(|x: u32| found.get_pixel(x, 0).0);
        // Grey stays grey from sRGB to Rec. 2020; one stop is twice the light.
        for (found, expected) in [(least, 2.0 * -3.0 * 0.007), (most, 2.0 * 107.0 * 0.007)] {
            assert!(found.iter().all(|light| (light - expected).abs() < 1e-5), "{found:?} instead of {expected}");
        }
        let linear = ColorEncoding { primaries: Primaries::Rec2020, transfer: Transfer::Linear };
        assert_eq!(profile, Some(icc::profile(linear)), "a linear profile");
    }
}

#[test]
fn a_camera_tiff_holds_the_stack_as_measured_and_claims_no_space() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("measured.tiff");
    let image = linear_picture();
    write_tiff(&Monitor::silent(), &path, TiffPicture::Camera(&image), &metadata(), Compression::None)
        .expect("a folder");
    let (found, profile) = read(&path);
    assert_eq!(profile, None, "no profile");
    let DynamicImage::ImageRgb16(found) = found else { panic!("not 16-bit RGB") };
    assert_eq!((found.width(), found.height()), (151, 77), "as the sensor lies");
    for (x, y, pixel) in found.enumerate_pixels() {
        for channel in 0..3 {
            let value = f64::from(image.planes[channel].at(x as usize, y as usize));
            let expected = (1024.0 + value * 64511.0).clamp(0.0, 65535.0);
            let error = (f64::from(pixel.0[channel]) - expected).abs();
            assert!(error <= 0.51, "channel {channel} at ({x}, {y}) is off by {error}");
        }
    }
}

fn field(data: &exif::Exif, tag: exif::Tag) -> String {
    data.get_field(tag, exif::In::PRIMARY).map_or("nothing".to_owned(), |field| field.display_value().to_string())
}

#[test]
fn exposure_data_are_read_back_from_every_format() {
    let folder = tempfile::tempdir().expect("a folder");
    let image = picture(SRGB);
    let finished = Finished::Encoded(&image);
    let silent = Monitor::silent();
    let path = |name: &str| folder.path().join(name);
    let tiff = TiffPicture::Finished(finished, Orientation::Rotate90);
    write_tiff(&silent, &path("a.tiff"), tiff, &metadata(), Compression::Deflate).expect("a folder");
    write_png(&silent, &path("a.png"), finished, Orientation::Rotate90, &metadata()).expect("a folder");
    write_jpeg(&silent, &path("a.jpg"), finished, Orientation::Rotate90, &metadata(), 90).expect("a folder");
    for name in ["a.tiff", "a.png", "a.jpg"] {
        let mut file = BufReader::new(File::open(path(name)).expect("written"));
        let data = exif::Reader::new().read_from_container(&mut file).expect("exposure data");
        let expected = [
            (exif::Tag::Make, "\"Invented\""),
            (exif::Tag::Model, "\"Tarn 1\""),
            (exif::Tag::LensModel, "\"12 mm f/2\""),
            (exif::Tag::ExposureTime, "12.5"),
            (exif::Tag::FNumber, "2.8"),
            (exif::Tag::FocalLength, "12"),
            (exif::Tag::PhotographicSensitivity, "65535"),
            (exif::Tag::RecommendedExposureIndex, "102400"),
            (exif::Tag::DateTimeOriginal, "2026-03-14 22:05:07"),
            (exif::Tag::SubSecTimeOriginal, "\"250\""),
            (exif::Tag::OffsetTimeOriginal, "\"-03:30\""),
            (exif::Tag::ImageDescription, "\"16 frames of 12.5 s, 200.0 s in all\""),
            (exif::Tag::ColorSpace, "sRGB"),
        ];
        for (tag, text) in expected {
            assert_eq!(field(&data, tag), text, "{tag} of {name}");
        }
        let orientation = data.get_field(exif::Tag::Orientation, exif::In::PRIMARY).expect("an orientation");
        assert_eq!(orientation.value.get_uint(0), Some(1), "{name} is upright");
        assert!(field(&data, exif::Tag::Software).contains("Nightsheaf"), "the program of {name}");
    }
}

#[test]
fn other_programs_read_our_files_without_a_warning() {
    let folder = tempfile::tempdir().expect("a folder");
    let image = picture(SRGB);
    let linear = linear_picture();
    let development = Development::prepare(&linear, &CameraColor::SRGB, None, &DevelopSettings::default());
    let finished = Finished::Encoded(&image);
    let silent = Monitor::silent();
    let path = |name: &str| folder.path().join(name);
    let tiffs = [
        ("plain.tiff", TiffPicture::Finished(finished, Orientation::Normal), Compression::None),
        ("packed.tiff", TiffPicture::Finished(finished, Orientation::Rotate90), Compression::Deflate),
        ("light.tiff", TiffPicture::Light(&linear, &development, Orientation::Normal), Compression::Deflate),
        ("float.tiff", TiffPicture::Light(&linear, &development, Orientation::Rotate180), Compression::None),
        ("camera.tiff", TiffPicture::Camera(&linear), Compression::None),
    ];
    write_dng(&silent, &path("a.dng"), &linear, &CameraColor::SRGB, Orientation::Rotate90, &metadata())
        .expect("a folder");
    for (name, picture, compression) in tiffs {
        write_tiff(&silent, &path(name), picture, &metadata(), compression).expect("a folder");
    }
    for name in tiffs.iter().map(|(name, ..)| *name).chain(["a.dng"]) {
        // tiffinfo -D reads every strip.
        if let Some(output) = run_tool("tiffinfo", &["-D", path(name).to_str().expect("a plain name")], "") {
            let text = printed(&output);
            assert!(text.contains("Image Width: "), "{name}: {text}");
            let complaints = String::from_utf8_lossy(&output.stderr);
            assert!(complaints.is_empty(), "{name}: {complaints}");
        }
    }
    write_png(&silent, &path("a.png"), finished, Orientation::Normal, &metadata()).expect("a folder");
    write_jpeg(&silent, &path("a.jpg"), finished, Orientation::Normal, &metadata(), 90).expect("a folder");
    let files = tiffs.iter().map(|(name, _, compression)| (*name, *compression == Compression::Deflate));
    for (name, is_deflated) in files.chain([("a.png", false), ("a.jpg", false), ("a.dng", false)]) {
        let arguments =
            ["-validate", "-warning", "-error", "-a", path(name).to_str().expect("a plain name")].map(str::to_owned);
        let Some(output) = run_tool("exiftool", &arguments.each_ref().map(String::as_str), "") else { return };
        let text = printed(&output);
        let values: Vec<&str> = text.lines().map(|line| line.split_once(": ").map_or("", |(_, value)| value)).collect();
        // The one exception: deflate (8) came with Adobe's technical notes after TIFF 6.0, by whose list (1, 2, 5, 6,
        // 32773) this program judges every TIFF.
        let expected: &[&str] =
            if is_deflated { &["1 Warning", "Invalid value for IFD0 tag 0x0103 Compression"] } else { &["OK"] };
        assert_eq!(values, expected, "{name}: {text}");
    }
}

#[test]
fn a_linear_dng_carries_the_levels_matrix_and_neutral_of_the_camera() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("night.dng");
    let color = CameraColor { as_shot_neutral: [0.454_718, 1.0, 0.600_104], ..CameraColor::SRGB };
    let image = linear_picture();
    write_dng(&Monitor::silent(), &path, &image, &color, Orientation::Rotate90, &metadata()).expect("a folder");
    let tags = ["-AsShotNeutral", "-BlackLevel", "-WhiteLevel", "-Orientation", "-PhotometricInterpretation"];
    let values = ["0.454718 1 0.600104", "1024 1024 1024", "65535 65535 65535", "6", "34892"];
    for (tag, value) in tags.into_iter().zip(values) {
        let arguments = ["-s3", "-n", tag, path.to_str().expect("a plain name")];
        let Some(output) = run_tool("exiftool", &arguments, "") else { return };
        assert_eq!(printed(&output).trim(), value, "{tag}");
    }
    let arguments = ["-s3", "-n", "-ColorMatrix1", path.to_str().expect("a plain name")];
    let Some(output) = run_tool("exiftool", &arguments, "") else { return };
    let matrix: Vec<f64> = printed(&output).split_whitespace().filter_map(|word| word.parse().ok()).collect();
    for (found, expected) in matrix.iter().zip(color.camera_from_xyz.as_flattened()) {
        assert!((found - expected).abs() < 1e-5, "{matrix:?}");
    }
    assert_eq!(matrix.len(), 9, "three rows of three");
}

/// LittleCMS computes XYZ (D50) through the profile; the expectation is the standards' own arithmetic.
#[test]
fn littlecms_reads_our_profiles_as_they_are_meant() {
    let folder = tempfile::tempdir().expect("a folder");
    for primaries in [Primaries::Srgb, Primaries::Rec2020] {
        for transfer in [Transfer::Linear, Transfer::Srgb, Transfer::Rec2020] {
            let encoding = ColorEncoding { primaries, transfer };
            let path = folder.path().join("profile.icc");
            fs::write(&path, icc::profile(encoding)).expect("a folder");
            for rgb in [[255.0, 255.0, 255.0], [128.0, 64.0, 200.0], [3.0, 5.0, 2.0], [20.0, 20.0, 20.0]] {
                let input = rgb.map(|value: f64| value.to_string()).join("\n");
                let profile_argument = format!("-i{}", path.display());
                let arguments = [profile_argument.as_str(), "-o*XYZ", "-t1", "-n"];
                let Some(output) = run_tool("transicc", &arguments, &format!("{input}\n")) else { return };
                let text = printed(&output);
                let found: Vec<f64> = text.split_whitespace().filter_map(|word| word.parse().ok()).collect();
                let expected = expected_xyz(encoding, rgb);
                assert_eq!(found.len(), 3, "three numbers in {text:?}");
                for (found, expected) in found.into_iter().zip(expected) {
                    // Profiles hold numbers to 1/65536, and XYZ is printed to four decimals of 100.
                    assert!((found - expected).abs() < 0.01, "{rgb:?} in {encoding:?}: {found} instead of {expected}");
                }
            }
        }
    }
}

fn expected_xyz(encoding: ColorEncoding, rgb: [f64; 3]) -> [f64; 3] {
    use nalgebra::Vector3;
    use nightsheaf::develop::color::{D65, PCS_WHITE, adapt_white, xyz_from_rgb};
    let light = Vector3::from(rgb.map(|value| decode(encoding.transfer, value / 255.0)));
    let to_pcs = adapt_white(&D65.xyz(), &PCS_WHITE.into()).expect("D65 is a light");
    let xyz = to_pcs * xyz_from_rgb(encoding.primaries) * light * 100.0;
    [xyz[0], xyz[1], xyz[2]]
}

#[test]
fn a_cancelled_write_leaves_the_old_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let image = picture(SRGB);
    let finished = Finished::Encoded(&image);
    let cancel = CancelToken::default();
    cancel.cancel();
    let monitor = Monitor::new(cancel, |_| {});
    for name in ["night.tiff", "night.png", "night.jpg"] {
        fs::write(folder.path().join(name), "old").expect("a folder");
    }
    let path = |name: &str| folder.path().join(name);
    let tiff = TiffPicture::Finished(finished, Orientation::Normal);
    let results = [
        write_tiff(&monitor, &path("night.tiff"), tiff, &metadata(), Compression::None),
        write_png(&monitor, &path("night.png"), finished, Orientation::Normal, &metadata()),
        write_jpeg(&monitor, &path("night.jpg"), finished, Orientation::Normal, &metadata(), 90),
    ];
    for result in results {
        assert!(matches!(result, Err(ExportError::Cancelled(_))), "{result:?}");
    }
    let mut names: Vec<_> =
        fs::read_dir(folder.path()).expect("a folder").map(|entry| entry.expect("an entry").path()).collect();
    names.sort();
    assert_eq!(names, ["night.jpg", "night.png", "night.tiff"].map(path), "nothing else is left");
    assert!(names.iter().all(|name| fs::read(name).expect("there") == b"old"), "the old files are as they were");
}

#[test]
fn a_picture_that_a_format_cannot_hold_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let wide = Size { width: 70_000, height: 1 };
    let image = EncodedImage { planes: std::array::from_fn(|_| Plane::filled(wide, 9)), encoding: SRGB };
    let path = folder.path().join("wide.jpg");
    let result = write_jpeg(&Monitor::silent(), &path, Finished::Encoded(&image), Orientation::Normal, &metadata(), 90);
    let message = result.expect_err("too wide").to_string();
    assert!(message.contains("70000 × 1") && message.contains("65535"), "{message}");
    assert!(!path.exists(), "no file");
}
