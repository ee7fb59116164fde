//! Linear DNG files developed by LibRaw (its example program `dcraw_emu`): the white balance and the colors that the
//! camera's matrix and neutral state.

#[path = "support/tools.rs"]
mod tools;

use std::path::Path;

use image::DynamicImage;
use nalgebra::{Matrix3, Vector3};
use nightsheaf::develop::color::{D65, xyz_from_rgb};
use nightsheaf::export::{FileMetadata, write_dng};
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{LinearImage, Orientation, Plane, Primaries, Size};
use nightsheaf::raw::{CameraColor, Metadata};
use tools::{printed, run_tool};

/// An invented camera whose red and blue are weak; its white under D65 is far from grey.
fn camera() -> CameraColor {
    let camera_from_xyz = [[0.70, -0.15, -0.05], [-0.40, 1.20, 0.22], [-0.07, 0.15, 0.60]];
    let white = Matrix3::from_fn(|row, column| camera_from_xyz[row][column]) * D65.xyz();
    CameraColor { camera_from_xyz, as_shot_neutral: [white[0] / white[1], 1.0, white[2] / white[1]] }
}

/// Linear sRGB of the patches, from grey to well colored ones, none beyond the space of the camera.
const PATCHES: [[f64; 3]; 6] =
    [[0.4, 0.4, 0.4], [0.05, 0.05, 0.05], [0.4, 0.2, 0.1], [0.1, 0.3, 0.12], [0.08, 0.12, 0.4], [0.3, 0.3, 0.05]];
const PATCH: usize = 32;

/// What the camera sees of linear sRGB, on a scale where no channel of these patches is blown.
fn seen(rgb: [f64; 3]) -> [f32; 3] {
    let camera = camera();
    let camera_from_xyz = Matrix3::from_fn(|row, column| camera.camera_from_xyz[row][column]);
    let seen = camera_from_xyz * xyz_from_rgb(Primaries::Srgb) * Vector3::from(rgb);
    [seen[0] as f32, seen[1] as f32, seen[2] as f32]
}

fn stack() -> LinearImage {
    let size = Size { width: PATCH * PATCHES.len(), height: 2 * PATCH };
    let plane = |channel: usize| Plane::from_fn(size, |x, _| seen(PATCHES[x / PATCH])[channel]);
    LinearImage { planes: [plane(0), plane(1), plane(2)] }
}

/// The picture that LibRaw develops: linear 16-bit sRGB by the camera's balance, without any brightening.
fn developed(path: &Path) -> Option<image::ImageBuffer<image::Rgb<u16>, Vec<u16>>> {
    let arguments = ["-4", "-w", "-W", "-o", "1", "-T", path.to_str().expect("a plain name")];
    let output = run_tool("dcraw_emu", &arguments, "")?;
    let said = printed(&output);
    assert!(output.stderr.is_empty(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    let written = format!("{}.tiff", path.display());
    let DynamicImage::ImageRgb16(found) = image::open(&written).expect("LibRaw wrote a picture") else {
        panic!("LibRaw wrote no 16-bit RGB")
    };
    Some(found)
}

#[test]
fn libraw_develops_our_dng_to_the_colors_that_were_seen() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("night.dng");
    let first = Metadata { make: Some("Invented".to_owned()), model: Some("Tarn 1".to_owned()), ..Metadata::default() };
    let metadata = FileMetadata { first, n_frames: 16, ..FileMetadata::default() };
    write_dng(&Monitor::silent(), &path, &stack(), &camera(), Orientation::Normal, &metadata).expect("a folder");
    let Some(found) = developed(&path) else { return };
    assert_eq!((found.width(), found.height()), (192, 64), "the size");
    let patch = |index: usize| -> [f64; 3] {
        let pixels = (8..24).flat_map(|y| (8..24).map(move |x| ((index * PATCH) as u32 + x, 16 + y)));
        let sum = pixels.fold([0.0; 3], |sum, (x, y)| {
            let pixel = found.get_pixel(x, y).0;
            std::array::from_fn(|channel| sum[channel] + f64::from(pixel[channel]))
        });
        sum.map(|sum| sum / 256.0)
    };
    let white = patch(0)[1] / PATCHES[0][1];
    for (index, expected) in PATCHES.into_iter().enumerate() {
        let found = patch(index).map(|code| code / white);
        for channel in 0..3 {
            let error = (found[channel] - expected[channel]).abs();
            // LibRaw's own white of D65 and its sRGB matrix are rounded to three digits.
            assert!(error < 0.004, "patch {index} is {found:?}, not {expected:?}");
        }
    }
}

#[test]
fn libraw_turns_our_dng_upright() {
    let folder = tempfile::tempdir().expect("a folder");
    for (orientation, name) in [(Orientation::Rotate90, "right.dng"), (Orientation::Rotate270, "left.dng")] {
        let path = folder.path().join(name);
        let metadata = FileMetadata { n_frames: 16, ..FileMetadata::default() };
        write_dng(&Monitor::silent(), &path, &stack(), &camera(), orientation, &metadata).expect("a folder");
        let Some(found) = developed(&path) else { return };
        assert_eq!((found.width(), found.height()), (64, 192), "{name}: upright");
        // The bright grey patch is the first column: at the top when turned to the right, else at the bottom.
        let [top, bottom] = [16, 176].map(|y: u32| found.get_pixel(32, y).0);
        let is_grey = |pixel: [u16; 3]| f64::from(pixel[0].abs_diff(pixel[2])) < 0.03 * f64::from(pixel[1]);
        assert_eq!(
            (is_grey(top), is_grey(bottom)),
            (name == "right.dng", name == "left.dng"),
            "{name}: {top:?}, {bottom:?}"
        );
    }
}
