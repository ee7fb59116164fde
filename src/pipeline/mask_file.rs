//! The foreground mask as a grey picture: white is foreground, upright as the exported picture.

use std::io::{Cursor, Read, Write};
use std::path::Path;

use image::{DynamicImage, ImageBuffer, ImageError, ImageReader, Luma};

use crate::error::{Error, InWords};
use crate::export::{ExportError, replace_file};
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::output::check_ending;
use crate::pixels::{Orientation, Plane, Size, to_code_u16};
use crate::raw::{is_camera_raw, kind_of_content};
use crate::system::open_file;

/// Larger than the mask of any frame.
const MOST_BYTES: u64 = 1 << 30;

/// A mask read from a file, and what to tell the person about it.
#[derive(Clone, Debug)]
pub struct LoadedMask {
    /// The mask in sensor coordinates.
    pub mask: ForegroundMask,
    /// Set where the file had another size and was scaled.
    pub warning: Option<String>,
}

/// Reads a mask for frames of size `frame` (as stored) that are turned upright by `orientation`.
///
/// Any size of the same shape (width over height within 1 %) is scaled and said so; another shape is an error.
pub fn load_mask(path: &Path, frame: Size, orientation: Orientation) -> Result<LoadedMask, Error> {
    let problem = |what: String| Error::Mask { path: path.to_owned(), what };
    let mut bytes = Vec::new();
    let read = open_file(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes));
    read.map_err(|source| problem(format!("cannot be read: {}: check the name", InWords(&source))))?;
    let decoded = decoded(&bytes).map_err(|found| {
        let what = "where a grey picture is needed: give a grey PNG or TIFF of 8 or 16 bits, white where land is";
        problem(format!("cannot be used: found {found} {what}"))
    })?;
    let grey = decoded.into_luma16();
    let found = Size { width: grey.width() as usize, height: grey.height() as usize };
    let upright = orientation.upright_size(frame);
    let samples = grey.into_raw().into_iter().map(|code| f32::from(code) / 65535.0).collect();
    let plane = Plane::from_vec(found, samples).expect("a grey picture has one sample a pixel");
    let (plane, warning) = if found == upright {
        (plane, None)
    } else if same_shape(found, upright) {
        let warning = format!("the mask {} is {found} and was scaled to the frames' {upright}", path.display());
        (scale(&plane, upright), Some(warning))
    } else {
        return Err(problem(format!("is {found}, the upright frames are {upright}: give a mask of the same shape")));
    };
    Ok(LoadedMask { mask: ForegroundMask(orientation.inverse().upright(&plane)), warning })
}

/// The picture that the bytes are, or what they are instead.
fn decoded(bytes: &[u8]) -> Result<DynamicImage, &'static str> {
    // Within most raws lies a small developed picture, which would pass for a mask.
    if is_camera_raw(bytes) {
        return Err("a camera raw");
    }
    if bytes.is_empty() {
        return Err("an empty file");
    }
    if bytes.len() as u64 > MOST_BYTES {
        return Err("a file too large for a mask");
    }
    let reader = ImageReader::new(Cursor::new(bytes)).with_guessed_format().map_err(|_memory| "nothing")?;
    if reader.format().is_none() {
        return Err(kind_of_content(bytes));
    }
    reader.decode().map_err(|error| match error {
        ImageError::Unsupported(_) => "a picture of a kind that is not read here",
        ImageError::Limits(_) => "a picture that is too large",
        _ => "a damaged picture",
    })
}

/// Writes a mask as a 16-bit grey PNG, whole or not at all.
pub fn save_mask(monitor: &Monitor, path: &Path, mask: &ForegroundMask, orientation: Orientation) -> Result<(), Error> {
    save_grey(monitor, path, &mask_codes(mask, orientation))
}

/// The mask as its file holds it.
pub(super) fn mask_codes(mask: &ForegroundMask, orientation: Orientation) -> Plane<u16> {
    let alpha = orientation.upright(&mask.0);
    Plane::from_fn(alpha.size(), |x, y| to_code_u16(alpha.at(x, y) * 65535.0))
}

/// Writes codes as a 16-bit grey PNG, whole or not at all.
pub(super) fn save_grey(monitor: &Monitor, path: &Path, codes: &Plane<u16>) -> Result<(), Error> {
    check_ending(path, &["png"], "it is written as PNG")?;
    let failed = |source| Error::Export { path: path.to_owned(), source };
    let encoded = grey_png(codes).map_err(failed)?;
    monitor.no_way_back()?;
    write_grey(path, codes.size(), &encoded).map_err(failed)
}

/// A 16-bit grey PNG.
pub(super) fn grey_png(codes: &Plane<u16>) -> Result<Vec<u8>, ExportError> {
    let size = codes.size();
    let too_large = "a picture has the size of a decoded frame";
    let (width, height) = (u32::try_from(size.width).expect(too_large), u32::try_from(size.height).expect(too_large));
    let picture = ImageBuffer::<Luma<u16>, _>::from_raw(width, height, codes.samples().to_vec());
    let picture = picture.expect("one code a pixel");
    // The encoder goes back and forth; a grey picture is small enough to be held.
    let mut encoded = Cursor::new(Vec::new());
    let coded = picture.write_to(&mut encoded, image::ImageFormat::Png);
    coded.map_err(|error| ExportError::Encode(error.to_string()))?;
    Ok(encoded.into_inner())
}

/// Writes what [`grey_png`] made of codes of this size.
pub(super) fn write_grey(path: &Path, size: Size, encoded: &[u8]) -> Result<(), ExportError> {
    replace_file(path, 2 * size.area() as u64, |out| Ok(out.write_all(encoded)?))
}

fn same_shape(a: Size, b: Size) -> bool {
    let shape = |size: Size| size.width as f64 / size.height as f64;
    (shape(a) / shape(b) - 1.0).abs() < 0.01
}

/// Bilinear, with the outer edges of both pictures laid upon each other.
fn scale(plane: &Plane<f32>, target: Size) -> Plane<f32> {
    let source = plane.size();
    let along = |position: usize, from: usize, to: usize| {
        let exact = (position as f64 + 0.5) * to as f64 / from as f64 - 0.5;
        let clamped = exact.clamp(0.0, to as f64 - 1.0);
        // Clamped to the axis, so the cast is exact.
        let first = clamped.floor() as usize;
        (first, (first + 1).min(to - 1), (clamped - clamped.floor()) as f32)
    };
    Plane::from_fn(target, |x, y| {
        let (x0, x1, fx) = along(x, target.width, source.width);
        let (y0, y1, fy) = along(y, target.height, source.height);
        let top = plane.at(x0, y0) * (1.0 - fx) + plane.at(x1, y0) * fx;
        let bottom = plane.at(x0, y1) * (1.0 - fx) + plane.at(x1, y1) * fx;
        top * (1.0 - fy) + bottom * fy
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn half_and_half() -> ForegroundMask {
        ForegroundMask(Plane::from_fn(Size { width: 6, height: 4 }, |_, y| if y >= 2 { 1.0 } else { 0.0 }))
    }

    #[test]
    fn a_mask_comes_back_as_it_was_saved_in_every_orientation() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for tag in 1..=8 {
            let orientation = Orientation::from_tag(tag).expect("a valid tag");
            let path = folder.path().join(format!("mask-{tag}.png"));
            save_mask(&Monitor::silent(), &path, &half_and_half(), orientation).expect("the folder can be written");
            let loaded = load_mask(&path, half_and_half().size(), orientation).expect("the file was just written");
            assert_eq!(loaded.mask, half_and_half(), "orientation {tag}");
            assert_eq!(loaded.warning, None, "the size agrees");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(256))]

        #[test]
        fn a_damaged_mask_is_a_mask_or_a_message(
            place in any::<prop::sample::Index>(), noise in proptest::collection::vec(any::<u8>(), 0..20),
            cut in proptest::option::of(any::<prop::sample::Index>()),
        ) {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let path = folder.path().join("mask.png");
            save_mask(&Monitor::silent(), &path, &half_and_half(), Orientation::Normal).expect("the folder can be written");
            let mut bytes = std::fs::read(&path).expect("just written");
            let start = place.index(bytes.len());
            bytes.iter_mut().skip(start).zip(&noise).for_each(|(byte, noise)| *byte = *noise);
            bytes.truncate(cut.map_or(bytes.len(), |cut| cut.index(bytes.len())));
            std::fs::write(&path, bytes).expect("our own file");
            match load_mask(&path, half_and_half().size(), Orientation::Normal) {
                Ok(loaded) => prop_assert_eq!(loaded.mask.size(), half_and_half().size()),
                Err(Error::Mask { path: named, what }) => {
                    prop_assert_eq!(named, path);
                    prop_assert!(what.contains("give a"), "what to do: {}", what);
                }
                Err(error) => prop_assert!(false, "{}", error),
            }
        }
    }

    #[test]
    fn what_is_no_mask_is_told_by_what_it_is() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let whole = folder.path().join("whole.png");
        save_mask(&Monitor::silent(), &whole, &half_and_half(), Orientation::Normal)
            .expect("the folder can be written");
        let cut = std::fs::read(&whole).expect("just written");
        let raw = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/night-001.dng");
        let raw = std::fs::read(raw).expect("a sample frame");
        // A raw with a developed picture first, as cameras write it: the picture is no mask.
        let thumbnail = with_picture_first(&raw);
        for (bytes, found) in [
            (&raw[..], "found a camera raw where a grey picture is needed"),
            (&thumbnail, "found a camera raw"),
            (b"Clouds until midnight.", "found text"),
            (b"%PDF-1.7 and so on", "found a PDF"),
            (b"", "found an empty file"),
            (&cut[..cut.len() / 2], "found a damaged picture"),
        ] {
            let path = folder.path().join("mask.file");
            std::fs::write(&path, bytes).expect("our own file");
            let error = load_mask(&path, half_and_half().size(), Orientation::Normal).expect_err("no mask").to_string();
            assert!(
                error.contains("mask.file") && error.contains(found) && error.contains("give a grey PNG"),
                "{error}"
            );
            assert_eq!(error.lines().count(), 1, "one line: {error}");
        }
    }

    /// The raw's directory comes after that of a TIFF of 6 × 4 grey pixels.
    fn with_picture_first(raw: &[u8]) -> Vec<u8> {
        let mut bytes = raw.to_vec();
        let old: [u8; 4] = raw[4..8].try_into().expect("four bytes");
        let samples = bytes.len() as u32;
        bytes.extend([200; 24]);
        let at = bytes.len() as u32;
        bytes[4..8].copy_from_slice(&at.to_le_bytes());
        let entries: [(u16, u16, u32); 9] = [
            (254, 4, 1),
            (256, 4, 6),
            (257, 4, 4),
            (258, 3, 8),
            (259, 3, 1),
            (262, 3, 1),
            (273, 4, samples),
            (278, 4, 4),
            (279, 4, 24),
        ];
        bytes.extend((entries.len() as u16).to_le_bytes());
        for (tag, kind, value) in entries {
            bytes.extend([tag.to_le_bytes(), kind.to_le_bytes()].concat());
            bytes.extend([1_u32.to_le_bytes(), value.to_le_bytes()].concat());
        }
        bytes.extend(old);
        bytes
    }

    /// Painted in an editor: eight bits, grey or color.
    #[test]
    fn a_mask_of_eight_bits_is_read() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let grey = image::GrayImage::from_fn(6, 4, |_, y| Luma([if y >= 2 { 255 } else { 0 }]));
        let color = DynamicImage::ImageLuma8(grey.clone()).into_rgb8();
        for (name, saved) in [
            ("grey.png", grey.save(folder.path().join("grey.png"))),
            ("color.png", color.save(folder.path().join("color.png"))),
        ] {
            saved.expect("the folder can be written");
            let loaded = load_mask(&folder.path().join(name), half_and_half().size(), Orientation::Normal);
            assert_eq!(loaded.expect("a picture").mask, half_and_half(), "{name}");
        }
    }

    #[test]
    fn a_mask_of_half_size_is_scaled_with_a_warning_and_another_shape_is_refused() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("mask.png");
        save_mask(&Monitor::silent(), &path, &half_and_half(), Orientation::Normal).expect("the folder can be written");
        let double = Size { width: 12, height: 8 };
        let loaded = load_mask(&path, double, Orientation::Normal).expect("the same shape");
        assert_eq!(loaded.mask.size(), double, "scaled to the frames");
        assert_eq!((loaded.mask.0.at(0, 0), loaded.mask.0.at(0, 7)), (0.0, 1.0), "sky above, land below");
        assert!(loaded.warning.is_some(), "the person is told");
        let square = load_mask(&path, Size { width: 8, height: 8 }, Orientation::Normal);
        assert!(matches!(square, Err(Error::Mask { .. })), "another shape");
    }
}
