//! Each outside decoder's fields to [`RawFrame`]: the only place that knows them.
//!
//! Conventions of DNG 1.4: the patterns of the colour filter array and of the black level begin at the top
//! left of the active area; other raws describe the whole sensor, so their patterns move with the crop.

use std::fs::{self, File};
use std::io::BufReader;
use std::path::Path;

use image::ImageFormat;
use rawloader::{RawImage, RawImageData};

use crate::pixels::{Cfa, CfaColor, Layout, Orientation, Plane, Rect, Size};
use crate::raw::error::Refusal;
use crate::raw::frame::{CameraColor, Metadata, RawFrame, TransferFunction};
use crate::raw::metadata::{ExifFacts, read_exif};
use crate::raw::pictures::{check_pixels, decode_picture, every};
use crate::raw::plausible::check_plausible;
use crate::raw::tiff_structure::{Directory, TiffStructure, tag};

/// CIE XYZ of D65 with Y = 1 (CIE 15, 2° observer): the neutral of a file that names none.
const D65_XYZ: [f64; 3] = [0.950_47, 1.0, 1.088_83];
/// Matrices of DNG are near 1; those of the camera table are whole numbers, ten thousand times as large.
const CAMERA_TABLE_SCALE: f64 = 10_000.0;
const SMALLEST_TABLE_ENTRY: f64 = 30.0;

/// Decodes a file in this process, which may end in a panic, an abort, or never: call it in a child only.
pub(super) fn decode_in_this_process(path: &Path, max_pixels: usize) -> Result<RawFrame, Refusal> {
    let bytes = fs::read(path).map_err(|error| Refusal::Read(error.to_string()))?;
    let exif = read_exif(&bytes);
    let mut frame = if let Some(format) = picture_format(path, &bytes)? {
        decode_picture(&bytes, format, max_pixels)?
    } else {
        let facts = RawFacts::read(&bytes, max_pixels)?;
        // The decoder reads the file itself: two copies need not stand side by side.
        drop(bytes);
        decode_raw(path, &facts, max_pixels)?
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
    check_blocks(&structure, structure.first_directory(), bytes.len())?;
    Ok(Some(ImageFormat::Tiff))
}

/// What the raw decoder does not look at, or gets wrong.
#[derive(Default)]
struct RawFacts {
    is_dng: bool,
    /// Sixteen-bit samples without compression in a big-endian file: the decoder takes them for little-endian.
    swap_bytes: bool,
    /// Black level by position in the active area, for DNG.
    black_level: Option<[f32; 4]>,
    /// Level of each stored code, where the file has a table that the decoder ignores.
    linearization: Option<Vec<u16>>,
    has_color_matrix: bool,
}

impl RawFacts {
    /// Checks sizes and offsets against the file's length, before any decoder believes them.
    fn read(bytes: &[u8], max_pixels: usize) -> Result<Self, Refusal> {
        let Some(structure) = TiffStructure::parse(bytes) else { return Ok(Self::default()) };
        let directory = structure.raw_directory().unwrap_or_else(|| structure.largest_directory());
        check_blocks(&structure, directory, bytes.len())?;
        let number = |tag| structure.number(directory, tag);
        if let (Some(width), Some(height)) = (number(tag::IMAGE_WIDTH), number(tag::IMAGE_LENGTH)) {
            check_pixels(Size { width: width as usize, height: height as usize }, max_pixels)?;
        }
        if !structure.is_dng() {
            return Ok(Self::default());
        }
        let bits = number(tag::BITS_PER_SAMPLE).unwrap_or(0);
        let is_plain = number(tag::COMPRESSION) == Some(1);
        if is_plain {
            check_plain_strips(&structure, directory, bits)?;
        }
        Ok(Self {
            is_dng: true,
            swap_bytes: is_plain && bits == 16 && structure.is_big_endian(),
            black_level: dng_black_level(&structure, directory),
            linearization: structure
                .numbers(directory, tag::LINEARIZATION_TABLE)
                .filter(|table| bits != 8 && !table.is_empty())
                .map(|table| table.iter().map(|&level| level as u16).collect()),
            has_color_matrix: structure.has(tag::COLOR_MATRIX_1),
        })
    }
}

fn check_blocks(structure: &TiffStructure<'_>, directory: &Directory, length: usize) -> Result<(), Refusal> {
    let end = structure.data_blocks(directory).iter().map(|&(offset, count)| offset.saturating_add(count)).max();
    match end {
        Some(end) if end > length as u64 => Err(Refusal::malformed(format!(
            "the picture data end at byte {end} of a file of {length} bytes: the file is truncated; copy it from the card again"
        ))),
        _ => Ok(()),
    }
}

/// The decoder reads uncompressed samples in one go from the first strip on.
fn check_plain_strips(structure: &TiffStructure<'_>, directory: &Directory, bits: u32) -> Result<(), Refusal> {
    let blocks = structure.data_blocks(directory);
    if blocks.windows(2).any(|pair| pair[0].0.saturating_add(pair[0].1) != pair[1].0) {
        return Err(Refusal::unsupported(
            "the strips of the raw picture do not follow each other; convert the file to DNG with lossless compression",
        ));
    }
    let number = |tag| structure.number(directory, tag).map(u64::from);
    let stored = blocks.iter().fold(0u64, |sum, block| sum.saturating_add(block.1));
    let samples = number(tag::SAMPLES_PER_PIXEL).unwrap_or(1);
    let pixels = number(tag::IMAGE_WIDTH).zip(number(tag::IMAGE_LENGTH)).map_or(0, |(width, height)| width * height);
    let needed = pixels.saturating_mul(samples).saturating_mul(u64::from(bits)) / 8;
    if stored < needed {
        return Err(Refusal::malformed(format!(
            "the file holds {stored} bytes of samples where its size needs {needed}: it is damaged; copy it from the card again"
        )));
    }
    Ok(())
}

/// The mean of the repeating block over each position of 2 × 2; blocks are 1 × 1 or 2 × 2 in practice.
fn dng_black_level(structure: &TiffStructure<'_>, directory: &Directory) -> Option<[f32; 4]> {
    let levels = structure.numbers(directory, tag::BLACK_LEVEL)?;
    let samples = structure.number(directory, tag::SAMPLES_PER_PIXEL).unwrap_or(1).max(1) as usize;
    if samples > 1 {
        return Some(std::array::from_fn(|channel| levels.get(channel).copied().unwrap_or(0.0) as f32));
    }
    let repeat = structure.numbers(directory, tag::BLACK_LEVEL_REPEAT).unwrap_or_else(|| vec![1.0, 1.0]);
    let (rows, columns) = (*repeat.first()? as usize, *repeat.get(1)? as usize);
    if rows == 0 || columns == 0 || rows.checked_mul(columns)? > levels.len() {
        return None;
    }
    Some(std::array::from_fn(|position| {
        let (y, x) = (position / 2, position % 2);
        // Two blocks in a row cover an odd block at both of its phases.
        let over = |start: usize, block: usize| (start..2 * block).step_by(2).map(move |index| index % block);
        let values: Vec<f64> = over(y, rows)
            .flat_map(|row| over(x, columns).map(move |column| (row, column)))
            .map(|(row, column)| levels[row * columns + column])
            .collect();
        (values.iter().sum::<f64>() / values.len() as f64) as f32
    }))
}

fn decode_raw(path: &Path, facts: &RawFacts, max_pixels: usize) -> Result<RawFrame, Refusal> {
    let file = File::open(path).map_err(|error| Refusal::Read(error.to_string()))?;
    let mut raw = rawloader::decode(&mut BufReader::new(file)).map_err(|error| refusal(&error.to_string()))?;
    let RawImageData::Integer(mut samples) = std::mem::replace(&mut raw.data, RawImageData::Integer(Vec::new())) else {
        return Err(Refusal::unsupported("the raw picture has floating-point samples: whole numbers are needed"));
    };
    let stored = Size { width: raw.width, height: raw.height };
    check_pixels(stored, max_pixels)?;
    let visible = visible_area(stored, raw.crops)?;
    if samples.len() != stored.area() * raw.cpp {
        return Err(Refusal::malformed(format!("found {} samples for {stored} pixels", samples.len())));
    }
    if facts.swap_bytes {
        samples.iter_mut().for_each(|sample| *sample = sample.swap_bytes());
    }
    if let Some(table) = &facts.linearization {
        // A code beyond the table has the table's last level (DNG 1.4, LinearizationTable).
        samples.iter_mut().for_each(|sample| *sample = table[usize::from(*sample).min(table.len() - 1)]);
    }
    let (layout, planes) = match raw.cpp {
        1 if raw.cfa.is_valid() => (Layout::Mosaic(bayer(&raw, facts)?), vec![crop(samples, stored, visible)]),
        1 => (Layout::Rgb, vec![crop(samples, stored, visible); 3]),
        3 => (Layout::Rgb, (0..3).map(|channel| every(stored, &samples, channel, 3).crop(visible)).collect()),
        n => return Err(Refusal::unsupported(format!("the raw picture has {n} samples a pixel: 1 or 3 are needed"))),
    };
    let black_level = facts.black_level.unwrap_or_else(|| black_level(&raw, layout, facts));
    let white_level = raw.whitelevels[..3].iter().copied().min().unwrap_or(0);
    if black_level.iter().any(|&black| !(black >= 0.0 && black < f32::from(white_level))) {
        return Err(Refusal::malformed(format!(
            "the white level {white_level} is not above the black level {black_level:?}: the file is damaged"
        )));
    }
    Ok(RawFrame {
        layout,
        planes,
        black_level,
        white_level,
        transfer: TransferFunction::Linear,
        color: color(&raw, facts),
        orientation: Orientation::from_tag(raw.orientation.to_u16()).unwrap_or_default(),
        metadata: Metadata {
            make: some_text(&raw.clean_make),
            model: some_text(&raw.clean_model),
            ..Metadata::default()
        },
    })
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

/// Crops without a second copy.
fn crop(mut samples: Vec<u16>, stored: Size, visible: Rect) -> Plane<u16> {
    if visible.size != stored {
        for y in 0..visible.size.height {
            let source = (visible.y + y) * stored.width + visible.x;
            samples.copy_within(source..source + visible.size.width, y * visible.size.width);
        }
        samples.truncate(visible.size.area());
    }
    Plane::from_vec(visible.size, samples).expect("a crop has one sample a pixel")
}

/// The 2 × 2 pattern of the visible area.
fn bayer(raw: &RawImage, facts: &RawFacts) -> Result<Cfa, Refusal> {
    let (left, top) = pattern_shift(raw, facts);
    let color = |y: usize, x: usize| match raw.cfa.color_at(y + top, x + left) {
        0 => Some(CfaColor::Red),
        1 => Some(CfaColor::Green),
        2 => Some(CfaColor::Blue),
        _ => None,
    };
    let pattern = [[color(0, 0), color(0, 1)], [color(1, 0), color(1, 1)]];
    let n_of = |wanted| pattern.iter().flatten().filter(|&&color| color == Some(wanted)).count();
    let is_bayer = (raw.cfa.width, raw.cfa.height) == (2, 2)
        && (n_of(CfaColor::Red), n_of(CfaColor::Green), n_of(CfaColor::Blue)) == (1, 2, 1)
        && (pattern[0][0] == pattern[1][1] || pattern[0][1] == pattern[1][0]);
    let [[Some(a), Some(b)], [Some(c), Some(d)]] = pattern else { return Err(not_bayer(raw)) };
    if is_bayer { Ok(Cfa([[a, b], [c, d]])) } else { Err(not_bayer(raw)) }
}

fn not_bayer(raw: &RawImage) -> Refusal {
    let (width, height) = (raw.cfa.width, raw.cfa.height);
    let name =
        if (width, height) == (6, 6) { "an X-Trans colour filter array".to_owned() } else { raw.cfa.name.clone() };
    Refusal::unsupported(format!(
        "the sensor has {name} ({width} × {height}): only 2 × 2 Bayer arrays are read; develop the frames to 16-bit TIFF first"
    ))
}

/// How far the visible area has moved the patterns.
fn pattern_shift(raw: &RawImage, facts: &RawFacts) -> (usize, usize) {
    if facts.is_dng { (0, 0) } else { (raw.crops[3] % 2, raw.crops[0] % 2) }
}

/// Four equal levels, or one a colour (red, green, blue), or, where a fourth is given, one a position.
fn black_level(raw: &RawImage, layout: Layout, facts: &RawFacts) -> [f32; 4] {
    let levels = raw.blacklevels.map(f32::from);
    let (left, top) = pattern_shift(raw, facts);
    std::array::from_fn(|position| match layout {
        Layout::Rgb => levels[position],
        Layout::Mosaic(_) if levels[3] > 0.0 => levels[2 * ((position / 2 + top) % 2) + (position + left) % 2],
        Layout::Mosaic(cfa) => levels[cfa.color_at(position % 2, position / 2) as usize],
    })
}

fn color(raw: &RawImage, facts: &RawFacts) -> CameraColor {
    let rows: [[f64; 3]; 3] = std::array::from_fn(|row| raw.xyz_to_cam[row].map(f64::from));
    let largest = rows.iter().flatten().fold(0.0, |largest: f64, entry| largest.max(entry.abs()));
    let scale = if largest > SMALLEST_TABLE_ENTRY { 1.0 / CAMERA_TABLE_SCALE } else { 1.0 };
    let matrix = rows.map(|row| row.map(|entry| entry * scale));
    // Without a matrix the decoder fills in one of its own, or zeros.
    let is_given = (facts.has_color_matrix || !facts.is_dng) && determinant(&matrix).abs() > 1e-6;
    let camera_from_xyz = if is_given { matrix } else { CameraColor::SRGB.camera_from_xyz };
    CameraColor { as_shot_neutral: neutral(raw.wb_coeffs, &camera_from_xyz), camera_from_xyz }
}

/// The camera's own balance, or daylight (D65) through the matrix where it says nothing usable.
fn neutral(multipliers: [f32; 4], camera_from_xyz: &[[f64; 3]; 3]) -> [f64; 3] {
    let is_usable = |value: f64| value.is_finite() && value > 0.0;
    let [red, green, blue] = [0, 1, 2].map(|channel: usize| f64::from(multipliers[channel]));
    if [red, green, blue].into_iter().all(is_usable) {
        return [green / red, 1.0, green / blue];
    }
    let daylight = camera_from_xyz.map(|row| row.iter().zip(D65_XYZ).map(|(entry, xyz)| entry * xyz).sum::<f64>());
    if daylight.into_iter().all(is_usable) { daylight.map(|level| level / daylight[1]) } else { [1.0; 3] }
}

fn determinant(matrix: &[[f64; 3]; 3]) -> f64 {
    nalgebra::Matrix3::from_fn(|row, column| matrix[row][column]).determinant()
}

/// The decoder's own words name its authors: say what the person can do instead.
fn refusal(message: &str) -> Refusal {
    let is_unknown = message.contains("find a decoder") || message.contains("find camera");
    let is_unread = message.contains("know") || message.contains("supported");
    let reason = message.trim_start_matches("RawLoaderError: ").trim_matches('"').lines().next().unwrap_or_default();
    if is_unknown && !reason.contains("find camera") {
        Refusal::unsupported(
            "the file is no picture known here: a camera raw, DNG, TIFF, PNG or JPEG is needed".to_owned(),
        )
    } else if is_unknown || is_unread {
        Refusal::unsupported(format!(
            "this kind of raw cannot be read ({}); convert the frames to DNG",
            reason.trim_end_matches('.')
        ))
    } else {
        Refusal::malformed(format!(
            "the raw picture is damaged ({}); copy it from the card again",
            reason.trim_end_matches('.')
        ))
    }
}
