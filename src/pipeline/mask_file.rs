//! The foreground mask as a grey picture: white is foreground, upright as the exported picture.

use std::io::{BufReader, Cursor, Write};
use std::path::Path;

use image::{ImageBuffer, ImageReader, Luma};

use crate::error::{Error, InWords};
use crate::export::{ExportError, replace_file};
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::output::check_ending;
use crate::pixels::{Orientation, Plane, Size, to_code_u16};
use crate::system::open_file;

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
    let reader = open_file(path).and_then(|file| ImageReader::new(BufReader::new(file)).with_guessed_format());
    let reader = reader.map_err(|source| problem(format!("cannot be read: {}: check the name", InWords(&source))))?;
    let decoded = reader
        .decode()
        .map_err(|source| problem(format!("is not a picture that can be read ({source}): give a grey PNG or TIFF")))?;
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

    /// Painted in an editor: eight bits, grey or color.
    #[test]
    fn a_mask_of_eight_bits_is_read() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let grey = image::GrayImage::from_fn(6, 4, |_, y| Luma([if y >= 2 { 255 } else { 0 }]));
        let color = image::DynamicImage::ImageLuma8(grey.clone()).into_rgb8();
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
