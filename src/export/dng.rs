//! Linear DNG (DNG specification 1.4): demosaiced camera RGB with the camera's matrix and neutral,
//! so that the white balance of a raw editor still works.

use std::path::Path;

use tiff::encoder::{Rational, SRational, TiffEncoder, TiffKindStandard};
use tiff::tags::Tag;

use crate::export::exif::{rational, write_text};
use crate::export::replace::replace_file;
use crate::export::strips::camera_rows;
use crate::export::tiff::{Compression, Layout, Strip, write_picture};
use crate::export::{CAMERA_BLACK, ExportError, FileMetadata, sides};
use crate::job::Monitor;
use crate::pixels::{LinearImage, Orientation};
use crate::raw::CameraColor;

/// DNG 1.4: samples of all colors at each pixel, linear.
const LINEAR_RAW: u16 = 34892;

/// DNG 1.4: calibrated under D65.
const D65: u16 = 21;

/// Most pixels along a side, so that all data stay within the 4 GiB of classic TIFF.
const MOST_ALONG_A_SIDE: u32 = 25_000;

/// Writes a linear DNG, unrotated, with the orientation as a tag, as cameras do.
pub fn write_dng(
    monitor: &Monitor,
    path: &Path,
    image: &LinearImage,
    color: &CameraColor,
    orientation: Orientation,
    metadata: &FileMetadata,
) -> Result<(), ExportError> {
    let (width, height) = sides(image.size(), "DNG", MOST_ALONG_A_SIDE)?;
    let layout = Layout {
        width,
        height,
        bits: 16,
        photometric: LINEAR_RAW,
        orientation,
        compression: Compression::None,
        encoding: None,
    };
    replace_file(path, 6 * image.size().area() as u64, |file| {
        let mut encoder = TiffEncoder::<_, TiffKindStandard>::new_generic(file)?;
        let make = |rows| Strip::Codes(camera_rows(image, rows).into_flattened());
        let model = [&metadata.first.make, &metadata.first.model].into_iter().flatten().map(String::as_str);
        let unique_model = model.collect::<Vec<_>>().join(" ");
        write_picture(
            monitor,
            &mut encoder,
            &layout,
            metadata,
            |directory| {
                directory.write_tag(Tag::Unknown(50706), &[1_u8, 4, 0, 0][..])?;
                directory.write_tag(Tag::Unknown(50707), &[1_u8, 1, 0, 0][..])?;
                write_text(
                    directory,
                    Tag::Unknown(50708),
                    if unique_model.is_empty() { "Unknown" } else { &unique_model },
                )?;
                directory.write_tag(Tag::Unknown(50714), &[u32::from(CAMERA_BLACK); 3][..])?;
                directory.write_tag(Tag::Unknown(50717), &[65535_u32; 3][..])?;
                directory.write_tag(Tag::Unknown(50721), &signed_rationals(&color.camera_from_xyz)[..])?;
                directory.write_tag(Tag::Unknown(50728), &neutral(color)[..])?;
                directory.write_tag(Tag::Unknown(50778), D65)
            },
            make,
        )
    })
}

fn signed_rationals(matrix: &[[f64; 3]; 3]) -> Vec<SRational> {
    // Float casts saturate; matrix elements are of order 1.
    matrix.iter().flatten().map(|element| SRational { n: (element * 1e6).round() as i32, d: 1_000_000 }).collect()
}

fn neutral(color: &CameraColor) -> Vec<Rational> {
    let most = color.as_shot_neutral.into_iter().fold(f64::MIN, f64::max);
    color.as_shot_neutral.iter().map(|channel| rational((channel / most * 1e6).round() / 1e6)).collect()
}
