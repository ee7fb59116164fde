//! TIFF 6.0 and BigTIFF: 16-bit and 32-bit float RGB in strips.
//!
//! Deflate with horizontal differences (TIFF 6.0, section 14; technical note 2) is done here, several
//! strips at a time. Classic TIFF up to 4 GiB, because more programs read it.

use std::io::{Seek, Write};
use std::ops::Range;
use std::path::Path;

use flate2::write::ZlibEncoder;
use tiff::encoder::{DirectoryEncoder, TiffEncoder, TiffKind, TiffKindBig, TiffKindStandard};
use tiff::tags::Tag;

use crate::export::exif::{pad_to_even, write_beside, write_main_tags, write_resolution, write_undefined, write_xmp};
use crate::export::replace::replace_file;
use crate::export::strips::{ROWS_PER_STRIP, camera_rows, finished_rows, for_each_strip, light_rows};
use crate::export::{ExportError, FileMetadata, TiffPicture, icc, sides};
use crate::job::Monitor;
use crate::pixels::{ColorEncoding, Orientation, Size, Transfer};

/// How the strips are packed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Compression {
    /// Not at all: quickest, read by all.
    #[default]
    None,
    /// Without loss; smaller.
    Deflate,
}

/// Writes a TIFF.
pub fn write_tiff(
    monitor: &Monitor,
    path: &Path,
    picture: TiffPicture<'_>,
    metadata: &FileMetadata,
    compression: Compression,
) -> Result<(), ExportError> {
    write_with_limit(monitor, path, picture, metadata, compression, MOST_CLASSIC_BYTES)
}

/// Room that the tags, the profile and a deflate that fails to shrink may take.
const OVERHEAD_BYTES: u64 = 64 * 1024 * 1024;

/// From here on offsets may pass 32 bits.
const MOST_CLASSIC_BYTES: u64 = u32::MAX as u64 - OVERHEAD_BYTES;

/// Deflate level: noise cannot be packed, and higher levels only take time.
const DEFLATE_LEVEL: u32 = 1;

fn write_with_limit(
    monitor: &Monitor,
    path: &Path,
    picture: TiffPicture<'_>,
    metadata: &FileMetadata,
    compression: Compression,
    most_classic_bytes: u64,
) -> Result<(), ExportError> {
    let sample_bytes: u64 = if matches!(picture, TiffPicture::Light(..)) { 4 } else { 2 };
    let data_bytes = 3 * sample_bytes * picture.size().area() as u64;
    replace_file(path, data_bytes, |file| {
        let layout = Layout::of(&picture, compression)?;
        let make = |rows: Range<usize>| make_strip(&picture, compression, &layout, rows);
        if data_bytes <= most_classic_bytes {
            let mut encoder = TiffEncoder::<_, TiffKindStandard>::new_generic(file)?;
            write_picture(monitor, &mut encoder, &layout, metadata, |_| Ok(()), make)
        } else {
            let mut encoder = TiffEncoder::<_, TiffKindBig>::new_generic(file)?;
            write_picture(monitor, &mut encoder, &layout, metadata, |_| Ok(()), make)
        }
    })
}

/// The tags that say how the samples lie in the file.
pub(super) struct Layout {
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) bits: u16,
    pub(super) photometric: u16,
    pub(super) orientation: Orientation,
    pub(super) compression: Compression,
    pub(super) encoding: Option<ColorEncoding>,
}

impl Layout {
    /// TIFF 6.0: red, green, blue.
    const RGB: u16 = 2;

    fn of(picture: &TiffPicture<'_>, compression: Compression) -> Result<Self, ExportError> {
        let (upright, bits, encoding) = match picture {
            TiffPicture::Finished(finished, orientation) => {
                (orientation.upright_size(finished.size()), 16, Some(finished.encoding()))
            }
            TiffPicture::Light(image, development, orientation) => {
                let linear = ColorEncoding { transfer: Transfer::Linear, ..development.encoding() };
                (orientation.upright_size(image.size()), 32, Some(linear))
            }
            TiffPicture::Camera(image) => (image.size(), 16, None),
        };
        let (width, height) = sides(upright, "TIFF", u32::MAX)?;
        let orientation = Orientation::Normal;
        Ok(Self { width, height, bits, photometric: Self::RGB, orientation, compression, encoding })
    }

    fn size(&self) -> Size {
        Size { width: self.width as usize, height: self.height as usize }
    }
}

/// One strip, ready to be written.
pub(super) enum Strip {
    Codes(Vec<u16>),
    Light(Vec<f32>),
    Packed(Vec<u8>),
}

fn make_strip(picture: &TiffPicture<'_>, compression: Compression, layout: &Layout, rows: Range<usize>) -> Strip {
    let strip = match *picture {
        TiffPicture::Finished(finished, orientation) => {
            Strip::Codes(finished_rows(finished, orientation, rows).into_flattened())
        }
        TiffPicture::Light(image, development, orientation) => {
            Strip::Light(light_rows(image, development, orientation, rows).into_flattened())
        }
        TiffPicture::Camera(image) => Strip::Codes(camera_rows(image, rows).into_flattened()),
    };
    match compression {
        Compression::None => strip,
        Compression::Deflate => pack(strip, layout.size().width),
    }
}

/// Deflates a strip; integers as differences to their left neighbor, which shrink better.
fn pack(strip: Strip, width: usize) -> Strip {
    let bytes: Vec<u8> = match strip {
        Strip::Codes(mut codes) => {
            for row in codes.chunks_exact_mut(3 * width) {
                for idx in (3..row.len()).rev() {
                    row[idx] = row[idx].wrapping_sub(row[idx - 3]);
                }
            }
            codes.iter().flat_map(|code| code.to_ne_bytes()).collect()
        }
        Strip::Light(light) => light.iter().flat_map(|light| light.to_ne_bytes()).collect(),
        Strip::Packed(bytes) => return Strip::Packed(bytes),
    };
    let mut encoder = ZlibEncoder::new(Vec::with_capacity(bytes.len()), flate2::Compression::new(DEFLATE_LEVEL));
    encoder.write_all(&bytes).expect("memory takes any number of bytes");
    Strip::Packed(encoder.finish().expect("memory takes any number of bytes"))
}

/// Writes the directories and the strips; `add_tags` may add to the picture's own directory.
pub(super) fn write_picture<W: Write + Seek, K: TiffKind>(
    monitor: &Monitor,
    encoder: &mut TiffEncoder<W, K>,
    layout: &Layout,
    metadata: &FileMetadata,
    add_tags: impl FnOnce(&mut DirectoryEncoder<'_, W, K>) -> tiff::TiffResult<()>,
    make: impl Fn(Range<usize>) -> Strip + Sync,
) -> Result<(), ExportError> {
    let beside = write_beside(encoder, metadata, layout.encoding, None)?;
    let mut directory = encoder.image_directory()?;
    write_layout_tags(&mut directory, layout)?;
    write_main_tags(&mut directory, metadata, beside)?;
    write_xmp(&mut directory, metadata)?;
    if let Some(encoding) = layout.encoding {
        write_undefined(&mut directory, Tag::IccProfile, &icc::profile(encoding))?;
    }
    add_tags(&mut directory)?;
    let mut offsets = Vec::new();
    let mut byte_counts = Vec::new();
    for_each_strip(monitor, layout.size().height, make, |strip| {
        let (offset, n_bytes) = match &strip {
            Strip::Codes(codes) => (directory.write_data(&codes[..])?, 2 * codes.len()),
            Strip::Light(light) => (directory.write_data(&light[..])?, 4 * light.len()),
            Strip::Packed(bytes) => (directory.write_data(&bytes[..])?, bytes.len()),
        };
        offsets.push(K::convert_offset(offset)?);
        byte_counts.push(K::convert_offset(n_bytes as u64)?);
        Ok(pad_to_even(&mut directory, n_bytes)?)
    })?;
    directory.write_tag(Tag::StripOffsets, K::convert_slice(&offsets))?;
    directory.write_tag(Tag::StripByteCounts, K::convert_slice(&byte_counts))?;
    directory.finish()?;
    Ok(())
}

fn write_layout_tags<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    layout: &Layout,
) -> tiff::TiffResult<()> {
    let is_float = layout.bits == 32;
    directory.write_tag(Tag::NewSubfileType, 0_u32)?;
    directory.write_tag(Tag::ImageWidth, layout.width)?;
    directory.write_tag(Tag::ImageLength, layout.height)?;
    directory.write_tag(Tag::BitsPerSample, &[layout.bits; 3][..])?;
    directory.write_tag(Tag::PhotometricInterpretation, layout.photometric)?;
    directory.write_tag(Tag::Orientation, layout.orientation.tag())?;
    directory.write_tag(Tag::SamplesPerPixel, 3_u16)?;
    directory.write_tag(Tag::RowsPerStrip, ROWS_PER_STRIP as u32)?;
    write_resolution(directory)?;
    directory.write_tag(Tag::PlanarConfiguration, 1_u16)?;
    directory.write_tag(Tag::SampleFormat, &[if is_float { 3_u16 } else { 1 }; 3][..])?;
    match layout.compression {
        Compression::None => directory.write_tag(Tag::Compression, 1_u16),
        Compression::Deflate => {
            directory.write_tag(Tag::Compression, 8_u16)?;
            if is_float { Ok(()) } else { directory.write_tag(Tag::Predictor, 2_u16) }
        }
    }
}

#[cfg(test)]
#[path = "../../tests/support/tools.rs"]
mod tools;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::export::Finished;
    use crate::pixels::{EncodedImage, Plane, Primaries};
    use crate::raw::Metadata;

    /// libtiff reads the file without a word, and what it writes anew has the same samples.
    fn libtiff_unpacks(path: &Path, expected: &[u16]) {
        let copy = path.with_file_name("copy.tiff");
        let paths = [path, &copy].map(|path| path.to_str().expect("text"));
        let Some(output) = tools::run_tool("tiffcp", &["-c", "none", paths[0], paths[1]], "") else { return };
        tools::printed(&output);
        assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
        let bytes = std::fs::read(&copy).expect("written");
        let mut decoder = tiff::decoder::Decoder::new(std::io::Cursor::new(bytes)).expect("a TIFF");
        let tiff::decoder::DecodingResult::U16(found) = decoder.read_image().expect("whole") else {
            panic!("16-bit samples")
        };
        assert_eq!(found, expected, "samples that libtiff unpacked");
    }

    #[test]
    fn beyond_the_limit_of_classic_tiff_the_file_is_a_bigtiff_with_the_same_samples() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("big.tiff");
        let size = Size { width: 50, height: 70 };
        let planes = [1, 2, 3].map(|factor: usize| Plane::from_fn(size, |x, y| (factor * (300 * x + y)) as u16));
        let encoding = ColorEncoding { primaries: Primaries::Srgb, transfer: Transfer::Srgb };
        let image = EncodedImage { planes, encoding };
        let picture = TiffPicture::Finished(Finished::Encoded(&image), Orientation::Normal);
        for (limit, version) in [(1, 43), (u64::MAX, 42)] {
            let metadata = FileMetadata::default();
            write_with_limit(&Monitor::silent(), &path, picture, &metadata, Compression::Deflate, limit)
                .expect("a folder");
            let bytes = std::fs::read(&path).expect("written");
            assert_eq!(u16::from_ne_bytes([bytes[2], bytes[3]]), version, "the version of the file");
            let mut decoder = tiff::decoder::Decoder::new(std::io::Cursor::new(bytes)).expect("a TIFF");
            let tiff::decoder::DecodingResult::U16(found) = decoder.read_image().expect("whole") else {
                panic!("16-bit samples")
            };
            let expected: Vec<u16> = (0..size.area())
                .flat_map(|idx| [0, 1, 2].map(|channel: usize| image.planes[channel].samples()[idx]))
                .collect();
            assert_eq!(found, expected, "samples of version {version}");
            libtiff_unpacks(&path, &expected);
            let metadata =
                FileMetadata { first: Metadata { iso: Some(6400), ..Metadata::default() }, ..FileMetadata::default() };
            write_with_limit(&Monitor::silent(), &path, picture, &metadata, Compression::None, limit)
                .expect("a folder");
            // By its own ending: exiftool has one for BigTIFF.
            let named = folder.path().join(if version == 43 { "big.btf" } else { "classic.tiff" });
            std::fs::rename(&path, &named).expect("our own file");
            let path = named.to_str().expect("text");
            let questions = ["-s3", "-Validate", "-ISO", "-ColorSpaceData", path];
            let Some(output) = tools::run_tool("exiftool", &questions, "") else { return };
            assert_eq!(tools::printed(&output), "OK\n6400\nRGB\n", "version {version}: sound, its EXIF, its profile");
        }
    }
}
