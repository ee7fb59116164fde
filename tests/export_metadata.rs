//! What files tell of the night, read back by exiftool from EXIF and from XMP; and the place, told only when asked for.

#[path = "support/tools.rs"]
mod tools;

use std::path::{Path, PathBuf};

use nightsheaf::export::{
    Compression, FileMetadata, Finished, TiffPicture, write_dng, write_jpeg, write_png, write_tiff,
};
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{ColorEncoding, EncodedImage, LinearImage, Orientation, Plane, Primaries, Size, Transfer};
use nightsheaf::raw::{CameraColor, CaptureTime, Metadata, Place};
use serde_json::Value;
use tools::{printed, run_tool};

const SIZE: Size = Size { width: 70, height: 45 };
const FILES: [&str; 4] = ["night.tiff", "night.png", "night.jpg", "night.dng"];

/// An invented night of four frames, the last one shorter; the lens has a letter beyond ASCII.
fn metadata(place: Option<Place>) -> FileMetadata {
    FileMetadata {
        first: Metadata {
            make: Some("Invented & Sons".to_owned()),
            model: Some("Tarn 1".to_owned()),
            lens: Some("12 mm f/2 Étoile".to_owned()),
            exposure_secs: Some(12.5),
            iso: Some(102_400),
            aperture: Some(2.8),
            focal_mm: Some(12.0),
            sensor_width_mm: Some(23.5),
            // 2026-03-14 22:05:07.25 by the camera's clock.
            capture_time: Some(CaptureTime { clock_secs: 1_773_525_907.25, utc_offset_minutes: Some(-210) }),
            temperature_celsius: None,
            place,
        },
        n_frames: 4,
        total_exposure_secs: Some(45.5),
        exposures_secs: vec![12.5, 12.5, 12.5, 8.0],
    }
}

fn write_all(folder: &Path, metadata: &FileMetadata) -> Vec<PathBuf> {
    let encoding = ColorEncoding { primaries: Primaries::Srgb, transfer: Transfer::Srgb };
    let planes = [0, 1, 2].map(|channel: usize| Plane::from_fn(SIZE, |x, y| (300 * x + 70 * y + channel) as u16));
    let image = EncodedImage { planes, encoding };
    let linear = LinearImage {
        planes: [0, 1, 2].map(|channel: usize| Plane::from_fn(SIZE, |x, y| (x + y + channel) as f32 * 0.004)),
    };
    let (silent, upright) = (Monitor::silent(), Orientation::Normal);
    let finished = Finished::Encoded(&image);
    let paths = FILES.map(|name| folder.join(name));
    let tiff = TiffPicture::Finished(finished, upright);
    write_tiff(&silent, &paths[0], tiff, metadata, Compression::None).expect("a folder");
    write_png(&silent, &paths[1], finished, upright, metadata).expect("a folder");
    write_jpeg(&silent, &paths[2], finished, upright, metadata, 90).expect("a folder");
    write_dng(&silent, &paths[3], &linear, &CameraColor::SRGB, upright, metadata).expect("a folder");
    paths.to_vec()
}

/// Everything that exiftool reads, by group and name; `None` where it is not installed.
fn read(path: &Path) -> Option<Value> {
    let output = run_tool("exiftool", &["-j", "-n", "-G1", "-a", path.to_str().expect("a plain name")], "")?;
    let read: Value = serde_json::from_str(&printed(&output)).expect("JSON");
    Some(read[0].clone())
}

fn near(found: &Value, expected: f64, what: &str) {
    let found = found.as_f64().or_else(|| found.as_str()?.parse().ok());
    assert!(
        found.is_some_and(|found| (found - expected).abs() < 1e-5 * expected.abs().max(1.0)),
        "{what} is {found:?}, not {expected}"
    );
}

#[test]
fn exif_and_xmp_tell_the_same_in_every_format() {
    let folder = tempfile::tempdir().expect("a folder");
    for path in write_all(folder.path(), &metadata(None)) {
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        let Some(read) = read(&path) else { return };
        for (tag, expected) in [
            ("ExifIFD:ExposureTime", 12.5),
            ("ExifIFD:FNumber", 2.8),
            ("ExifIFD:FocalLength", 12.0),
            ("ExifIFD:RecommendedExposureIndex", 102_400.0),
            ("ExifIFD:CompositeImage", 2.0),
            ("XMP-exif:ExposureTime", 12.5),
            ("XMP-exif:FNumber", 2.8),
            ("XMP-exif:FocalLength", 12.0),
            ("XMP-exif:ISO", 102_400.0),
            ("XMP-sheaf:Frames", 4.0),
            ("XMP-sheaf:TotalExposureSeconds", 45.5),
        ] {
            near(&read[tag], expected, &format!("{tag} of {name}"));
        }
        for (tag, expected) in [
            ("IFD0:Make", "Invented & Sons"),
            ("IFD0:Model", "Tarn 1"),
            // EXIF holds ASCII alone; XMP any letter.
            ("ExifIFD:LensModel", "12 mm f/2 ?toile"),
            ("ExifIFD:DateTimeOriginal", "2026:03:14 22:05:07"),
            ("ExifIFD:OffsetTimeOriginal", "-03:30"),
            ("ExifIFD:CompositeImageCount", "4 4"),
            ("IFD0:ImageDescription", "4 frames of 12.5 s, 45.5 s in all"),
            ("XMP-tiff:Make", "Invented & Sons"),
            ("XMP-tiff:Model", "Tarn 1"),
            ("XMP-exifEX:LensModel", "12 mm f/2 Étoile"),
            ("XMP-exif:DateTimeOriginal", "2026:03:14 22:05:07.250-03:30"),
            ("XMP-xmp:CreateDate", "2026:03:14 22:05:07.250-03:30"),
            ("XMP-dc:Description", "4 frames of 12.5 s, 45.5 s in all"),
        ] {
            assert_eq!(read[tag], expected, "{tag} of {name}: {read}");
        }
        for tag in ["IFD0:Software", "XMP-xmp:CreatorTool"] {
            assert!(read[tag].as_str().is_some_and(|text| text.starts_with("Nightsheaf ")), "{tag} of {name}: {read}");
        }
        // Total of all, of those used; longest and shortest of both; one sequence of four; then each (EXIF 2.32).
        let exposures = read["ExifIFD:CompositeImageExposureTimes"].as_str().unwrap_or_default();
        assert_eq!(exposures, "45.5 45.5 45.5 12.5 12.5 8 8 1 4 12.5 12.5 12.5 8", "exposures of {name}");
        let places: Vec<_> = read.as_object().expect("tags").keys().filter(|tag| tag.contains("GPS")).collect();
        assert!(places.is_empty(), "{name} tells no place: {places:?}");
    }
}

#[test]
fn the_place_is_told_when_it_is_asked_for() {
    let folder = tempfile::tempdir().expect("a folder");
    // An invented hut in the south and west, below the sea.
    let place = Place::new(-33.870_834, -70.000_5, Some(-12.5)).expect("a place on the Earth");
    for path in write_all(folder.path(), &metadata(Some(place))) {
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        let Some(read) = read(&path) else { return };
        near(&read["GPS:GPSLatitude"], 33.870_834, &format!("latitude of {name}"));
        near(&read["GPS:GPSLongitude"], 70.000_5, &format!("longitude of {name}"));
        assert_eq!((&read["GPS:GPSLatitudeRef"], &read["GPS:GPSLongitudeRef"]), (&"S".into(), &"W".into()), "{name}");
        near(&read["Composite:GPSLatitude"], -33.870_834, &format!("latitude with its sign, {name}"));
        near(&read["XMP-exif:GPSLatitude"], -33.870_834, &format!("latitude in XMP of {name}"));
        near(&read["XMP-exif:GPSLongitude"], -70.000_5, &format!("longitude in XMP of {name}"));
        near(&read["GPS:GPSAltitude"], 12.5, &format!("altitude of {name}"));
        assert_eq!(read["GPS:GPSAltitudeRef"], 1, "below the sea, {name}");
        near(&read["XMP-exif:GPSAltitude"], 12.5, &format!("altitude in XMP of {name}"));
    }
}

#[test]
fn the_validator_of_exiftool_has_no_complaint_of_a_place_and_packet() {
    let folder = tempfile::tempdir().expect("a folder");
    let place = Place::new(46.5, 8.25, Some(2100.0));
    // Frames of a burst of pictures may tell nothing at all.
    let silent = FileMetadata { n_frames: 2, ..FileMetadata::default() };
    let told = write_all(folder.path(), &metadata(place));
    let other = tempfile::tempdir().expect("a folder");
    for path in told.into_iter().chain(write_all(other.path(), &silent)) {
        let arguments = ["-validate", "-warning", "-error", "-a", path.to_str().expect("a plain name")];
        let Some(output) = run_tool("exiftool", &arguments, "") else { return };
        let text = printed(&output);
        assert_eq!(text.trim().split(": ").nth(1), Some("OK"), "{}: {text}", path.display());
    }
}
