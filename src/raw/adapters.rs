//! Which decoder reads a file, and the first decoder's fields to [`RawFrame`]; `rawler_adapter` has the second's.
//!
//! A raw that is not a DNG describes the whole sensor, so its patterns move with the crop.

use std::fs::{self, File};
use std::io::BufReader;
use std::path::Path;

use image::ImageFormat;
use nalgebra::{Matrix3, Vector3};
use rawloader::{RawImage, RawImageData};

use crate::pixels::{Layout, Orientation, Plane, Rect, Size};
use crate::raw::content::kind_of_content;
use crate::raw::depths::{LEAST_LOSSLESS_BITS, shallow_lossless_samples};
use crate::raw::dng::{Coding, DngFacts, bayer, check_levels, crop, not_bayer};
use crate::raw::error::Refusal;
use crate::raw::facts::exposure_of;
use crate::raw::frame::{CameraColor, Metadata, RawFrame, TransferFunction};
use crate::raw::margins::{Margins, Sensor};
use crate::raw::metadata::ExifFacts;
use crate::raw::pictures::{check_pixels, decode_picture};
use crate::raw::plausible::check_plausible;
use crate::raw::rawler_adapter::{self, RawRefusal};
use crate::raw::tiff_structure::{TiffStructure, tag};
use crate::system::InWords;

/// CIE XYZ of D65 with Y = 1 (CIE 15, 2° observer): the neutral of a file that names none.
const D65_XYZ: [f64; 3] = [0.950_47, 1.0, 1.088_83];
/// The camera table holds its matrices as whole numbers.
const CAMERA_TABLE_SCALE: f64 = 10_000.0;
/// A matrix that flattens colour more than this is none.
const SMALLEST_DETERMINANT: f64 = 1e-6;

/// Decodes a file in this process, which may end in a panic, an abort, or never: call it in a child only.
pub(super) fn decode_in_this_process(path: &Path, max_pixels: usize) -> Result<RawFrame, Refusal> {
    let bytes = fs::read(path).map_err(|error| Refusal::Read(InWords(&error).to_string()))?;
    let exif = exposure_of(&bytes);
    let mut frame = if let Some(format) = picture_format(path, &bytes)? {
        decode_picture(&bytes, format, max_pixels)?
    } else {
        decode_raw(path, bytes, max_pixels)?
    };
    add_exif(&mut frame, exif);
    check_plausible(&frame)?;
    Ok(frame)
}

/// What EXIF says goes before what a decoder has found out; it is read the same way for all files.
fn add_exif(frame: &mut RawFrame, exif: ExifFacts) {
    let decoder = std::mem::take(&mut frame.metadata);
    let sensor_width_mm = exif.sensor_width_mm(frame.size().width);
    frame.orientation = exif.orientation.unwrap_or(frame.orientation);
    frame.metadata = Metadata {
        make: exif.metadata.make.or(decoder.make),
        model: exif.metadata.model.or(decoder.model),
        sensor_width_mm,
        ..exif.metadata
    };
}

/// The format of a developed picture; `None` for what may be a raw.
///
/// Raws are TIFF too, with a small preview first: only what is called a TIFF and holds no raw is a picture.
fn picture_format(path: &Path, bytes: &[u8]) -> Result<Option<ImageFormat>, Refusal> {
    if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        return Ok(Some(ImageFormat::Png));
    }
    if bytes.starts_with(&[0xFF, 0xD8, 0xFF]) {
        return Ok(Some(ImageFormat::Jpeg));
    }
    let extension = path.extension().and_then(|extension| extension.to_str()).unwrap_or_default();
    if !["tif", "tiff"].iter().any(|tiff| extension.eq_ignore_ascii_case(tiff)) {
        return Ok(None);
    }
    let Some(structure) = TiffStructure::parse(bytes) else {
        return if bytes.starts_with(b"II+\0") || bytes.starts_with(b"MM\0+") {
            Ok(Some(ImageFormat::Tiff))
        } else {
            Err(Refusal::malformed("the file is called a TIFF and is none, or only its beginning is left"))
        };
    };
    if structure.is_dng() || structure.raw_directory().is_some() {
        return Ok(None);
    }
    structure.check_blocks(structure.first_directory())?;
    Ok(Some(ImageFormat::Tiff))
}

/// Checks sizes and offsets against the file's length, before any decoder believes them.
fn decode_raw(path: &Path, bytes: Vec<u8>, max_pixels: usize) -> Result<RawFrame, Refusal> {
    let Some(structure) = TiffStructure::parse(&bytes) else {
        let found = kind_of_content(&bytes);
        // The decoder reads the file itself: two copies need not stand side by side.
        drop(bytes);
        return decode_camera_raw(path, max_pixels).map_err(|refusal| with_content(refusal, found));
    };
    structure.check_entries()?;
    structure.check_blocks(structure.raw_directory().unwrap_or_else(|| structure.largest_directory()))?;
    if !structure.is_dng() {
        drop(bytes);
        return decode_camera_raw(path, max_pixels);
    }
    let facts = DngFacts::read(&structure, max_pixels)?;
    let upright = |samples| (samples, Orientation::Normal);
    let (samples, orientation) = match facts.coding {
        Coding::Plain { bits } => upright(facts.plain_samples(&structure, bits)?),
        Coding::LosslessJpeg if facts.bits < LEAST_LOSSLESS_BITS => {
            upright(shallow_lossless_samples(&structure).map_err(refusal_of)?)
        }
        Coding::LosslessJpeg => {
            let whole = || {
                let raw = run_decoder(path)?;
                Ok((whole_numbers(raw.data)?, orientation_of(raw.orientation)))
            };
            match whole() {
                Ok(found) => found,
                Err(first) => upright(second_samples(&structure).map_err(|_second| first)?),
            }
        }
        Coding::LossyJpeg => upright(second_samples(&structure)?),
        Coding::JpegXl => match second_samples(&structure) {
            Ok(samples) => upright(samples),
            Err(second) => upright(facts.jpeg_xl_samples(&structure).map_err(|_ours| second)?),
        },
    };
    let (planes, margins) = facts.planes(samples)?;
    Ok(RawFrame {
        layout: facts.layout,
        planes,
        black_level: facts.black_level,
        white_level: facts.white_level,
        transfer: TransferFunction::Linear,
        color: facts.color,
        orientation,
        metadata: Metadata::default(),
        margins,
    })
}

/// Samples of a DNG by the second decoder. The table of levels is ours to apply.
fn second_samples(structure: &TiffStructure<'_>) -> Result<Vec<u16>, Refusal> {
    rawler_adapter::dng_samples(structure.without(tag::LINEARIZATION_TABLE)).map_err(refusal_of)
}

fn refusal_of(refusal: RawRefusal) -> Refusal {
    match refusal {
        RawRefusal::Refused(refusal) => refusal,
        RawRefusal::Damaged(reason) => damaged(&reason),
        RawRefusal::Unknown(reason) => unreadable(&reason),
        RawRefusal::NoRaw => damaged("it holds no raw picture"),
    }
}

/// The first decoder, and where it refuses, the second.
fn decode_camera_raw(path: &Path, max_pixels: usize) -> Result<RawFrame, Refusal> {
    let first = match decode_by_first(path, max_pixels) {
        Ok(frame) => return Ok(frame),
        Err(first) => first,
    };
    let bytes = fs::read(path).map_err(|error| Refusal::Read(InWords(&error).to_string()))?;
    match (first, rawler_adapter::decode(bytes, max_pixels)) {
        (_, Ok(frame)) => Ok(frame),
        (Refusal::Malformed(reason), Err(_)) => Err(Refusal::Malformed(reason)),
        (_, Err(RawRefusal::Refused(refusal))) => Err(refusal),
        (_, Err(RawRefusal::Unknown(reason))) => Err(unreadable(&reason)),
        // The second decoder knew the file, but not the first: what it says of it counts.
        (Refusal::Unsupported(_), Err(RawRefusal::Damaged(reason))) => Err(damaged(&reason)),
        (first, Err(RawRefusal::Damaged(_) | RawRefusal::NoRaw)) => Err(first),
    }
}

fn decode_by_first(path: &Path, max_pixels: usize) -> Result<RawFrame, Refusal> {
    let mut raw = run_decoder(path)?;
    if rawler_adapter::has_pixels_on_corners(&raw.clean_make, &raw.clean_model) {
        return Err(rawler_adapter::pixels_on_corners());
    }
    let samples = whole_numbers(std::mem::replace(&mut raw.data, RawImageData::Integer(Vec::new())))?;
    let stored = Size { width: raw.width, height: raw.height };
    check_pixels(stored, max_pixels)?;
    let visible = visible_area(stored, raw.crops)?;
    if samples.len() != stored.area() * raw.cpp {
        return Err(Refusal::malformed(format!(
            "found {} samples for {stored} pixels: the file is damaged",
            samples.len()
        )));
    }
    let mut margins = Margins::default();
    let (layout, planes) = match raw.cpp {
        1 if raw.cfa.is_valid() => {
            let layout = mosaic(&raw)?;
            let black_level = black_level(&raw, layout);
            margins = Sensor { samples: &samples, stored, visible, black_level }.margins(&masked_areas(&raw));
            (layout, vec![crop(samples, stored, visible)])
        }
        1 => (Layout::Rgb, vec![crop(samples, stored, visible); 3]),
        3 => (Layout::Rgb, (0..3).map(|channel| every(stored, &samples, channel, 3).crop(visible)).collect()),
        n => return Err(Refusal::unsupported(format!("the raw picture has {n} samples a pixel: 1 or 3 are read"))),
    };
    let black_level = black_level(&raw, layout);
    let white_level = raw.whitelevels[..3].iter().copied().min().unwrap_or(0);
    check_levels(black_level, white_level)?;
    let matrix = Matrix3::from_fn(|row, column| f64::from(raw.xyz_to_cam[row][column]) / CAMERA_TABLE_SCALE);
    Ok(RawFrame {
        layout,
        planes,
        black_level,
        white_level,
        transfer: TransferFunction::Linear,
        color: camera_color(Some(matrix), neutral_of(raw.wb_coeffs)),
        orientation: orientation_of(raw.orientation),
        metadata: Metadata {
            make: some_text(&raw.clean_make),
            model: some_text(&raw.clean_model),
            ..Metadata::default()
        },
        margins,
    })
}

fn run_decoder(path: &Path) -> Result<RawImage, Refusal> {
    let file = File::open(path).map_err(|error| Refusal::Read(InWords(&error).to_string()))?;
    rawloader::decode(&mut BufReader::new(file)).map_err(|error| refusal(&error.to_string()))
}

fn whole_numbers(data: RawImageData) -> Result<Vec<u16>, Refusal> {
    match data {
        RawImageData::Integer(samples) => Ok(samples),
        RawImageData::Float(_) => {
            Err(Refusal::unsupported("the raw picture has floating-point samples: whole numbers are needed"))
        }
    }
}

fn orientation_of(orientation: rawloader::Orientation) -> Orientation {
    Orientation::from_tag(orientation.to_u16()).unwrap_or_default()
}

fn some_text(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

/// The sensor's visible area: crops are top, right, bottom, left.
fn visible_area(stored: Size, [top, right, bottom, left]: [usize; 4]) -> Result<Rect, Refusal> {
    let width = stored.width.checked_sub(left).and_then(|width| width.checked_sub(right));
    let height = stored.height.checked_sub(top).and_then(|height| height.checked_sub(bottom));
    match (width, height) {
        (Some(width @ 2..), Some(height @ 2..)) => Ok(Rect { x: left, y: top, size: Size { width, height } }),
        _ => Err(Refusal::malformed(format!(
            "margins of {top}, {right}, {bottom}, {left} leave nothing of {stored} pixels"
        ))),
    }
}

/// Areas that no light reaches; the decoder gives their top, right, bottom, left sides.
fn masked_areas(raw: &RawImage) -> Vec<Rect> {
    let area = |&(top, right, bottom, left): &(u64, u64, u64, u64)| {
        let size = Size { width: right.checked_sub(left)? as usize, height: bottom.checked_sub(top)? as usize };
        Some(Rect { x: left as usize, y: top as usize, size })
    };
    raw.blackareas.iter().filter_map(area).collect()
}

/// The plane of one channel of interleaved samples.
pub(super) fn every<T: Copy + Into<u16>>(size: Size, samples: &[T], channel: usize, stride: usize) -> Plane<u16> {
    let samples = samples.chunks_exact(stride).map(|pixel| pixel[channel].into()).collect();
    Plane::from_vec(size, samples).expect("a decoder gives one sample a pixel and channel")
}

/// The 2 × 2 pattern of the visible area.
fn mosaic(raw: &RawImage) -> Result<Layout, Refusal> {
    if (raw.cfa.width, raw.cfa.height) != (2, 2) {
        let places = (0..raw.cfa.height).flat_map(|y| (0..raw.cfa.width).map(move |x| (y, x)));
        let colors: Vec<usize> = places.map(|(y, x)| raw.cfa.color_at(y, x)).collect();
        return Err(not_bayer(raw.cfa.width, raw.cfa.height, &colors));
    }
    let color = |y: usize, x: usize| raw.cfa.color_at(y + raw.crops[0] % 2, x + raw.crops[3] % 2);
    bayer([[color(0, 0), color(0, 1)], [color(1, 0), color(1, 1)]]).map(Layout::Mosaic)
}

/// One level a colour (red, green, blue), or, where a fourth is given, one a position of the whole sensor.
fn black_level(raw: &RawImage, layout: Layout) -> [f32; 4] {
    let levels = raw.blacklevels.map(f32::from);
    let (left, top) = (raw.crops[3], raw.crops[0]);
    std::array::from_fn(|position| match layout {
        Layout::Rgb => levels[position],
        Layout::Mosaic(_) if levels[3] > 0.0 => levels[2 * ((position / 2 + top) % 2) + (position + left) % 2],
        Layout::Mosaic(cfa) => levels[cfa.color_at(position % 2, position / 2) as usize],
    })
}

/// The neutral that the white balance multipliers (red, green, blue) make white.
fn neutral_of(multipliers: [f32; 4]) -> Option<[f64; 3]> {
    let [red, green, blue, _] = multipliers.map(f64::from);
    Some([1.0 / red, 1.0 / green, 1.0 / blue])
}

/// The colour of a camera, with a stand-in for what its file does not say.
///
/// Without a matrix: that of linear sRGB. Without a usable neutral: daylight (D65) through the matrix.
pub(super) fn camera_color(camera_from_xyz: Option<Matrix3<f64>>, neutral: Option<[f64; 3]>) -> CameraColor {
    let is_usable = |matrix: &Matrix3<f64>| matrix.determinant().abs() > SMALLEST_DETERMINANT;
    let camera_from_xyz = camera_from_xyz.filter(is_usable).map_or(CameraColor::SRGB.camera_from_xyz, |matrix| {
        std::array::from_fn(|row| std::array::from_fn(|column| matrix[(row, column)]))
    });
    let are_usable = |levels: &[f64; 3]| levels.iter().all(|&level| level.is_finite() && level > 0.0);
    let daylight = Matrix3::from_fn(|row, column| camera_from_xyz[row][column]) * Vector3::from(D65_XYZ);
    let neutral = neutral.filter(are_usable).or_else(|| Some(daylight.into()).filter(are_usable)).unwrap_or([1.0; 3]);
    CameraColor { as_shot_neutral: neutral.map(|level| level / neutral[1]), camera_from_xyz }
}

/// What is said of a file that no decoder takes.
const NO_PICTURE: &str = "the file is no picture known here: give a camera raw, DNG, TIFF, PNG or JPEG";

/// Says what a file holds instead of a picture.
fn with_content(refusal: Refusal, found: &str) -> Refusal {
    match refusal {
        Refusal::Unsupported(reason) if reason == NO_PICTURE => Refusal::unsupported(format!(
            "found {found} where a picture is needed: give a camera raw, DNG, TIFF, PNG or JPEG"
        )),
        refusal => refusal,
    }
}

/// The decoder's own words name its authors: say what the person can do instead.
fn refusal(message: &str) -> Refusal {
    let is_unknown = message.contains("find a decoder") || message.contains("find camera");
    let is_unread = message.contains("know") || message.contains("supported");
    let reason = message.trim_start_matches("RawLoaderError: ").trim_matches('"').lines().next().unwrap_or_default();
    if is_unknown && !reason.contains("find camera") {
        Refusal::unsupported(NO_PICTURE)
    } else if is_unknown || is_unread {
        unreadable(reason)
    } else {
        damaged(reason)
    }
}

fn unreadable(reason: &str) -> Refusal {
    Refusal::unsupported(format!(
        "this kind of raw cannot be read ({}); convert the frames to DNG",
        reason.trim_end_matches('.')
    ))
}

fn damaged(reason: &str) -> Refusal {
    // What went wrong inside a decoder helps nobody.
    if reason.to_lowercase().contains("panic") || reason == rawler_adapter::CONTRADICTION {
        return Refusal::malformed(
            "the raw picture is damaged, or packed in a way that is not known here; copy it from the card again, or \
             convert it to a DNG of 16 bits",
        );
    }
    Refusal::malformed(format!(
        "the raw picture is damaged ({}); copy it from the card again",
        reason.trim_end_matches('.')
    ))
}
