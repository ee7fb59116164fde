//! What a file says of how its picture was taken: EXIF 2.32 (CIPA DC-008-2019) and baseline TIFF 6.0.

use std::io::{Cursor, Seek, Write};

use tiff::TiffResult;
use tiff::encoder::{DirectoryEncoder, Rational, TiffEncoder, TiffKind};
use tiff::tags::{Tag, Type};

use crate::export::gps::write_place;
use crate::export::xmp::packet;
use crate::pixels::{ColorEncoding, Primaries, Transfer};
use crate::raw::{CaptureTime, Metadata};

/// What is known of the burst.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FileMetadata {
    /// The first frame in use: camera, lens, exposure of one frame, capture time.
    pub first: Metadata,
    /// Frames in the picture.
    pub n_frames: usize,
    /// Light of all frames together.
    pub total_exposure_secs: Option<f64>,
    /// Shutter time of each frame in the picture; empty where a file does not tell.
    pub exposures_secs: Vec<f64>,
}

const EXPOSURE_TIME: Tag = Tag::Unknown(33434);
const F_NUMBER: Tag = Tag::Unknown(33437);
const SENSITIVITY: Tag = Tag::Unknown(34855);
const SENSITIVITY_TYPE: Tag = Tag::Unknown(34864);
const RECOMMENDED_EXPOSURE_INDEX: Tag = Tag::Unknown(34866);
const EXIF_VERSION: Tag = Tag::Unknown(36864);
const TIME_ORIGINAL: Tag = Tag::Unknown(36867);
const OFFSET_TIME_ORIGINAL: Tag = Tag::Unknown(36881);
const FOCAL_LENGTH: Tag = Tag::Unknown(37386);
const USER_COMMENT: Tag = Tag::Unknown(37510);
const SUBSEC_TIME_ORIGINAL: Tag = Tag::Unknown(37521);
const FLASHPIX_VERSION: Tag = Tag::Unknown(40960);
const COLOR_SPACE: Tag = Tag::Unknown(40961);
const COMPONENTS: Tag = Tag::Unknown(37121);
const PIXEL_X_DIMENSION: Tag = Tag::Unknown(40962);
const PIXEL_Y_DIMENSION: Tag = Tag::Unknown(40963);
const POSITIONING: Tag = Tag::Unknown(531);
const LENS_MODEL: Tag = Tag::Unknown(42036);
const COMPOSITE_IMAGE: Tag = Tag::Unknown(42080);
const COMPOSITE_SOURCES: Tag = Tag::Unknown(42081);
const COMPOSITE_EXPOSURES: Tag = Tag::Unknown(42082);
const GPS_DIRECTORY: Tag = Tag::Unknown(34853);
const XMP: Tag = Tag::Unknown(700);

/// What EXIF 2.32 wants in a JPEG and a TIFF has elsewhere.
#[derive(Clone, Copy)]
pub(super) struct JpegFacts {
    /// Columns.
    pub(super) width: u32,
    /// Rows.
    pub(super) height: u32,
}

/// Name and version that files carry.
pub(super) const SOFTWARE: &str = concat!("Nightsheaf ", env!("CARGO_PKG_VERSION"));

/// Where the directories beside the picture's own stand.
pub(super) struct Beside<O> {
    exif: O,
    place: Option<O>,
}

/// Writes the EXIF directory, and that of the place where there is one. `encoding` is `None` for a camera's own colors.
pub(super) fn write_beside<W: Write + Seek, K: TiffKind>(
    encoder: &mut TiffEncoder<W, K>,
    metadata: &FileMetadata,
    encoding: Option<ColorEncoding>,
    jpeg: Option<JpegFacts>,
) -> TiffResult<Beside<K::OffsetType>> {
    let exif = write_exif(encoder, metadata, encoding, jpeg)?;
    let place = metadata.first.place.map(|place| write_place(encoder, place)).transpose()?;
    Ok(Beside { exif, place })
}

fn write_exif<W: Write + Seek, K: TiffKind>(
    encoder: &mut TiffEncoder<W, K>,
    metadata: &FileMetadata,
    encoding: Option<ColorEncoding>,
    jpeg: Option<JpegFacts>,
) -> TiffResult<K::OffsetType> {
    let mut directory = encoder.extra_directory()?;
    if let Some(JpegFacts { width, height }) = jpeg {
        // Luma and two color differences.
        write_undefined(&mut directory, COMPONENTS, &[1, 2, 3, 0])?;
        directory.write_tag(PIXEL_X_DIMENSION, width)?;
        directory.write_tag(PIXEL_Y_DIMENSION, height)?;
    }
    write_undefined(&mut directory, EXIF_VERSION, b"0232")?;
    // Required by EXIF 2.32 with this one value.
    write_undefined(&mut directory, FLASHPIX_VERSION, b"0100")?;
    let first = &metadata.first;
    write_positive(&mut directory, EXPOSURE_TIME, first.exposure_secs)?;
    write_positive(&mut directory, F_NUMBER, first.aperture)?;
    write_positive(&mut directory, FOCAL_LENGTH, first.focal_mm)?;
    if let Some(iso) = first.iso {
        // A number beyond 16 bits is written as 65535 here, and in full beside it.
        directory.write_tag(SENSITIVITY, u16::try_from(iso).unwrap_or(u16::MAX))?;
        directory.write_tag(SENSITIVITY_TYPE, 2_u16)?;
        directory.write_tag(RECOMMENDED_EXPOSURE_INDEX, iso)?;
    }
    if let Some(time) = first.capture_time {
        write_time(&mut directory, time)?;
    }
    if let Some(lens) = &first.lens {
        write_text(&mut directory, LENS_MODEL, lens)?;
    }
    directory.write_tag(COLOR_SPACE, color_space(encoding))?;
    let comment = [b"ASCII\0\0\0", description(metadata).as_bytes()].concat();
    write_undefined(&mut directory, USER_COMMENT, &comment)?;
    if metadata.n_frames > 1 {
        // 2: put together from several, by a program. All that were given are counted as used.
        directory.write_tag(COMPOSITE_IMAGE, 2_u16)?;
        let count = u16::try_from(metadata.n_frames).unwrap_or(u16::MAX);
        directory.write_tag(COMPOSITE_SOURCES, &[count, count][..])?;
        if metadata.exposures_secs.len() == metadata.n_frames {
            write_undefined(&mut directory, COMPOSITE_EXPOSURES, &composite_exposures(&metadata.exposures_secs))?;
        }
    }
    Ok(directory.finish_with_offsets()?.offset)
}

/// EXIF 2.32, tag 42082, in the file's byte order: total, total of all sources, of those used; longest and shortest of
/// both; one sequence of so many; then each. The time from first to last is not told.
fn composite_exposures(secs: &[f64]) -> Vec<u8> {
    let fraction = |value: f64| {
        let Rational { n, d } = rational(value);
        [n.to_ne_bytes(), d.to_ne_bytes()].concat()
    };
    let total: f64 = secs.iter().sum();
    let longest = secs.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let shortest = secs.iter().copied().fold(longest, f64::min);
    let mut bytes: Vec<u8> =
        [total, total, total, longest, longest, shortest, shortest].into_iter().flat_map(fraction).collect();
    bytes.extend(1_u16.to_ne_bytes());
    bytes.extend(u16::try_from(secs.len()).unwrap_or(u16::MAX).to_ne_bytes());
    bytes.extend(secs.iter().flat_map(|&value| fraction(value)));
    bytes
}

/// Writes the tags of the picture's own directory, and the way to the directories beside it.
pub(super) fn write_main_tags<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    metadata: &FileMetadata,
    beside: Beside<K::OffsetType>,
) -> TiffResult<()> {
    write_text(directory, Tag::ImageDescription, &description(metadata))?;
    if let Some(make) = &metadata.first.make {
        write_text(directory, Tag::Make, make)?;
    }
    if let Some(model) = &metadata.first.model {
        write_text(directory, Tag::Model, model)?;
    }
    write_text(directory, Tag::Software, SOFTWARE)?;
    if let Some(place) = beside.place {
        directory.write_tag(GPS_DIRECTORY, place)?;
    }
    directory.write_tag(Tag::ExifDirectory, beside.exif)
}

/// Writes the XMP packet, for files that have no other place for it.
pub(super) fn write_xmp<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    metadata: &FileMetadata,
) -> TiffResult<()> {
    write_bytes(directory, XMP, Type::BYTE, &packet(metadata))
}

/// The same as a block of its own, for PNG and JPEG; the picture is upright.
pub(super) fn exif_block(
    metadata: &FileMetadata,
    encoding: ColorEncoding,
    jpeg: Option<JpegFacts>,
) -> TiffResult<Vec<u8>> {
    let mut block = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut block)?;
    let beside = write_beside(&mut encoder, metadata, Some(encoding), jpeg)?;
    let mut directory = encoder.image_directory()?;
    directory.write_tag(Tag::Orientation, 1_u16)?;
    write_resolution(&mut directory)?;
    if jpeg.is_some() {
        // Color samples lie in the middle of theirs.
        directory.write_tag(POSITIONING, 1_u16)?;
    }
    write_main_tags(&mut directory, metadata, beside)?;
    directory.finish()?;
    Ok(block.into_inner())
}

/// 300 pixels per inch: the tags are required, and the number means nothing to a screen.
pub(super) fn write_resolution<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
) -> TiffResult<()> {
    directory.write_tag(Tag::XResolution, Rational { n: 300, d: 1 })?;
    directory.write_tag(Tag::YResolution, Rational { n: 300, d: 1 })?;
    directory.write_tag(Tag::ResolutionUnit, 2_u16)
}

/// Bytes of type UNDEFINED.
pub(super) fn write_undefined<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    tag: Tag,
    bytes: &[u8],
) -> TiffResult<()> {
    write_bytes(directory, tag, Type::UNDEFINED, bytes)
}

/// Text, ended by a zero byte; what is not ASCII becomes a question mark.
pub(super) fn write_text<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    tag: Tag,
    text: &str,
) -> TiffResult<()> {
    write_bytes(directory, tag, Type::ASCII, &[ascii(text).as_bytes(), b"\0"].concat())
}

/// Bytes of a type; whatever follows begins on an even offset, as TIFF 6.0 wants it.
fn write_bytes<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    tag: Tag,
    kind: Type,
    bytes: &[u8],
) -> TiffResult<()> {
    let entry = directory.write_entry_bytes(kind, bytes)?;
    directory.extend_from(&std::iter::once((tag, entry)).collect());
    if bytes.len() > size_of::<K::OffsetType>() { pad_to_even(directory, bytes.len()) } else { Ok(()) }
}

/// Writes a zero after an odd number of bytes.
pub(super) fn pad_to_even<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    n_bytes: usize,
) -> TiffResult<()> {
    if n_bytes.is_multiple_of(2) { Ok(()) } else { directory.write_data(0_u8).map(|_| ()) }
}

/// Text that a TIFF can hold: 7-bit characters, no control characters.
fn ascii(text: &str) -> String {
    let printable = |letter: char| if letter.is_ascii_graphic() || letter == ' ' { letter } else { '?' };
    text.trim().chars().map(printable).collect()
}

/// The nearest fraction with 32-bit parts, in the form that cameras write (1/250, 28/10).
pub(super) fn rational(value: f64) -> Rational {
    let inverse = 1.0 / value;
    if value < 1.0 && (inverse - inverse.round()).abs() < 1e-6 * inverse && inverse < f64::from(u32::MAX) {
        return Rational { n: 1, d: inverse.round() as u32 };
    }
    for d in [1_u32, 10, 100, 1000, 10_000] {
        let n = value * f64::from(d);
        if (n - n.round()).abs() < 1e-7 * n && n < f64::from(u32::MAX) {
            return Rational { n: n.round() as u32, d };
        }
    }
    // Float casts saturate, so a value beyond all fractions becomes the largest one.
    let d = if value < 4000.0 { 1_000_000 } else { 1 };
    Rational { n: (value * f64::from(d)).round() as u32, d }
}

pub(super) fn description(metadata: &FileMetadata) -> String {
    let frames = match metadata.n_frames {
        1 => "1 frame".to_owned(),
        n => format!("{n} frames"),
    };
    let of_each = metadata.first.exposure_secs.map(|secs| format!(" of {secs} s")).unwrap_or_default();
    let total = metadata.total_exposure_secs.map(|secs| format!(", {secs:.1} s in all")).unwrap_or_default();
    format!("{frames}{of_each}{total}")
}

fn write_positive<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    tag: Tag,
    value: Option<f64>,
) -> TiffResult<()> {
    match value.filter(|value| value.is_finite() && *value > 0.0) {
        Some(value) => directory.write_tag(tag, rational(value)),
        None => Ok(()),
    }
}

fn write_time<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    time: CaptureTime,
) -> TiffResult<()> {
    let Some(civil) = time.civil() else { return Ok(()) };
    write_text(directory, TIME_ORIGINAL, &civil.strftime("%Y:%m:%d %H:%M:%S").to_string())?;
    write_text(directory, SUBSEC_TIME_ORIGINAL, &format!("{:03}", civil.millisecond()))?;
    if let Some(minutes) = time.utc_offset_minutes {
        let sign = if minutes < 0 { '-' } else { '+' };
        let (hours, rest) = (minutes.unsigned_abs() / 60, minutes.unsigned_abs() % 60);
        write_text(directory, OFFSET_TIME_ORIGINAL, &format!("{sign}{hours:02}:{rest:02}"))?;
    }
    Ok(())
}

/// EXIF 2.32: 1 for sRGB, 65535 for all else.
fn color_space(encoding: Option<ColorEncoding>) -> u16 {
    let srgb = ColorEncoding { primaries: Primaries::Srgb, transfer: Transfer::Srgb };
    if encoding == Some(srgb) { 1 } else { u16::MAX }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fractions_look_as_cameras_write_them() {
        let fraction = |value: f64| {
            let fraction = rational(value);
            (fraction.n, fraction.d)
        };
        assert_eq!(fraction(0.004), (1, 250), "a 250th");
        assert_eq!(fraction(12.0), (12, 1), "twelve seconds");
        assert_eq!(fraction(2.8), (28, 10), "f/2.8");
        assert_eq!(fraction(1.0 / 3.0), (1, 3), "a third");
        assert_eq!(fraction(3.271_592_7), (3_271_593, 1_000_000), "something odd");
    }

    #[test]
    fn text_outside_ascii_is_replaced() {
        assert_eq!(ascii(" Objektiv 12–24 mm\0 "), "Objektiv 12?24 mm?", "a dash and a zero byte");
    }
}
