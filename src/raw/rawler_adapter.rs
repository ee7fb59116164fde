//! The second decoder, `rawler`, for what the first refuses: its fields to [`RawFrame`], its messages to ours.
//!
//! Its patterns (colours, black levels) begin at the top left of the whole sensor, as the first decoder's do.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use nalgebra::Matrix3;
use rawler::decoders::RawDecodeParams;
use rawler::imgop::xyz::Illuminant;
use rawler::rawimage::RawPhotometricInterpretation;
use rawler::rawsource::RawSource;
use rawler::{RawImage, RawImageData, RawlerError};

use crate::pixels::{Layout, Orientation, Rect, Size};
use crate::raw::adapters::{camera_color, every};
use crate::raw::dng::{bayer, check_levels, crop, not_bayer};
use crate::raw::error::Refusal;
use crate::raw::frame::{CameraColor, Metadata, Place, RawFrame, TransferFunction};
use crate::raw::margins::{Margins, Sensor};
use crate::raw::metadata::{ExifFacts, clock};
use crate::raw::pictures::check_pixels;

/// Calibration lights by preference: daylight first, as the white balance of a night is nearer to it.
const LIGHTS: [Illuminant; 7] = [
    Illuminant::D65,
    Illuminant::Daylight,
    Illuminant::D55,
    Illuminant::D50,
    Illuminant::D75,
    Illuminant::Unknown,
    Illuminant::A,
];

/// What the second decoder makes of a whole camera raw.
pub(super) fn decode(bytes: Vec<u8>, max_pixels: usize) -> Result<RawFrame, RawRefusal> {
    let source = RawSource::new_from_shared_vec(Arc::new(bytes));
    // The description alone first: its size is checked before samples are made room for.
    let described = run(&source, true)?;
    check_pixels(Size { width: described.width, height: described.height }, max_pixels)?;
    drop(described);
    Ok(frame_of(run(&source, false)?)?)
}

/// The samples of the whole sensor of a DNG, in a compression that only this decoder knows.
///
/// `bytes` must not name a linearization table: the decoder would apply it with a random dither.
pub(super) fn dng_samples(bytes: Vec<u8>) -> Result<Vec<u16>, RawRefusal> {
    let raw = run(&RawSource::new_from_shared_vec(Arc::new(bytes)), false)?;
    Ok(whole_numbers(raw.data)?)
}

/// What the second decoder knows of the exposure where the file has no EXIF that could be read directly.
pub(super) fn exposure(bytes: Vec<u8>) -> ExifFacts {
    let read = || {
        let source = RawSource::new_from_shared_vec(Arc::new(bytes));
        let decoder = rawler::get_decoder(&source).ok()?;
        decoder.raw_metadata(&source, &RawDecodeParams::default()).ok()
    };
    // A panic is one more way to say nothing.
    catch_unwind(AssertUnwindSafe(read)).ok().flatten().map(facts_of).unwrap_or_default()
}

/// Why the second decoder gave no frame.
#[derive(Debug)]
pub(super) enum RawRefusal {
    /// No camera raw at all.
    NoRaw,
    /// A camera or a mode that it does not know.
    Unknown(String),
    /// Known, and damaged.
    Damaged(String),
    /// Read, but of no use here.
    Refused(Refusal),
}

impl From<Refusal> for RawRefusal {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(refusal)
    }
}

fn run(source: &RawSource, only_describe: bool) -> Result<RawImage, RawRefusal> {
    let loader = rawler::global_loader();
    loader.decode(source, &RawDecodeParams::default(), only_describe).map_err(|error| match error {
        RawlerError::Unsupported { what, .. } if what.contains("No decoder found") => RawRefusal::NoRaw,
        RawlerError::Unsupported { what, model, make, mode } => {
            let camera = [make, model, mode].map(|word| word.trim().to_owned());
            let named = camera.iter().filter(|word| !word.is_empty()).cloned().collect::<Vec<_>>().join(" ");
            RawRefusal::Unknown(format!("{}, camera {named}", first_words(&what).to_lowercase()))
        }
        RawlerError::DecoderFailed(reason) => RawRefusal::Damaged(first_words(&reason)),
    })
}

/// What is said of a file whose decoder gave up in the middle.
pub(super) const CONTRADICTION: &str = "its parts contradict each other";

/// The decoder's own words end with an invitation to its authors: say what the person can do instead.
fn first_words(text: &str) -> String {
    let line = text.lines().next().unwrap_or_default();
    let ours = line.split("Please").next().unwrap_or_default();
    if ours.contains("panic") {
        return CONTRADICTION.to_owned();
    }
    ours.trim().trim_end_matches(['.', ',']).chars().take(120).collect()
}

/// What is said of a sensor whose rows run along its diagonal.
pub(super) fn pixels_on_corners() -> Refusal {
    Refusal::unsupported(
        "the sensor's pixels stand on their corners (turned by 45°): develop the frames to 16-bit TIFF first",
    )
}

/// Whether the camera of this clean name has such a sensor: the first decoder turns the picture without a word.
pub(super) fn has_pixels_on_corners(make: &str, model: &str) -> bool {
    // Only one maker built them; the list takes some time to read.
    make.eq_ignore_ascii_case("fujifilm")
        && rawler::global_loader().get_cameras().values().any(|camera| {
            camera.clean_model.eq_ignore_ascii_case(model) && CORNER_HINTS.iter().any(|hint| camera.find_hint(hint))
        })
}

/// How the decoders' lists mark such cameras.
const CORNER_HINTS: [&str; 2] = ["fuji_rotation", "fuji_rotation_alt"];

fn frame_of(raw: RawImage) -> Result<RawFrame, Refusal> {
    if raw.fuji_rotation_width.is_some() {
        return Err(pixels_on_corners());
    }
    let stored = Size { width: raw.width, height: raw.height };
    let visible = visible_area(&raw, stored)?;
    let layout = layout(&raw, visible)?;
    let black_level = black_level(&raw, layout, visible);
    let white_level = white_level(&raw)?;
    check_levels(black_level, white_level)?;
    let color = color(&raw);
    let orientation = Orientation::from_tag(raw.orientation.to_u16()).unwrap_or_default();
    let some_text = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    let metadata =
        Metadata { make: some_text(&raw.clean_make), model: some_text(&raw.clean_model), ..Metadata::default() };
    let cpp = raw.cpp;
    let samples = whole_numbers(raw.data)?;
    if samples.len() != stored.area() * cpp {
        return Err(Refusal::malformed(format!(
            "found {} samples for {stored} pixels: the file is damaged",
            samples.len()
        )));
    }
    let margins = match layout {
        Layout::Mosaic(_) => {
            let area = |area: &rawler::imgop::Rect| Rect {
                x: area.p.x,
                y: area.p.y,
                size: Size { width: area.d.w, height: area.d.h },
            };
            let masked: Vec<Rect> = raw.blackareas.iter().map(area).collect();
            Sensor { samples: &samples, stored, visible, black_level }.margins(&masked)
        }
        Layout::Rgb => Margins::default(),
    };
    let planes = match (layout, cpp) {
        (Layout::Mosaic(_), _) => vec![crop(samples, stored, visible)],
        (Layout::Rgb, 1) => vec![crop(samples, stored, visible); 3],
        (Layout::Rgb, n) => (0..3).map(|channel| every(stored, &samples, channel, n).crop(visible)).collect(),
    };
    let transfer = TransferFunction::Linear;
    Ok(RawFrame { layout, planes, black_level, white_level, transfer, color, orientation, metadata, margins })
}

/// The area that the maker recommends, or else the one that light falls on.
fn visible_area(raw: &RawImage, stored: Size) -> Result<Rect, Refusal> {
    let Some(area) = raw.crop_area.or(raw.active_area) else {
        return Ok(Rect { x: 0, y: 0, size: stored });
    };
    let size = Size { width: area.d.w, height: area.d.h };
    let fits = |start: usize, length: usize, side: usize| start.checked_add(length).is_some_and(|end| end <= side);
    if size.width < 2
        || size.height < 2
        || !fits(area.p.x, size.width, stored.width)
        || !fits(area.p.y, size.height, stored.height)
    {
        return Err(Refusal::malformed(format!("a visible area of {size} does not lie within {stored} pixels")));
    }
    Ok(Rect { x: area.p.x, y: area.p.y, size })
}

fn layout(raw: &RawImage, visible: Rect) -> Result<Layout, Refusal> {
    match (&raw.photometric, raw.cpp) {
        (RawPhotometricInterpretation::Cfa(config), 1) => {
            let cfa = &config.cfa;
            if (cfa.width, cfa.height) != (2, 2) {
                let colors: Vec<usize> = cfa.flat_pattern().iter().map(|&color| usize::from(color)).collect();
                return Err(not_bayer(cfa.width, cfa.height, &colors));
            }
            let color = |y: usize, x: usize| cfa.color_at(y + visible.y % 2, x + visible.x % 2);
            bayer([[color(0, 0), color(0, 1)], [color(1, 0), color(1, 1)]]).map(Layout::Mosaic)
        }
        (_, 1 | 3) => Ok(Layout::Rgb),
        (_, n) => Err(Refusal::unsupported(format!("the raw picture has {n} samples a pixel: 1 or 3 are read"))),
    }
}

/// By position of the visible area in a mosaic, by channel in RGB.
fn black_level(raw: &RawImage, layout: Layout, visible: Rect) -> [f32; 4] {
    let levels = raw.blacklevel.as_vec();
    let (width, height) = (raw.blacklevel.width.max(1), raw.blacklevel.height.max(1));
    let level = |index: usize| levels.get(index).or(levels.first()).copied().unwrap_or(0.0);
    std::array::from_fn(|position| match layout {
        Layout::Rgb => level(position),
        Layout::Mosaic(_) => {
            let (y, x) = (visible.y + position / 2, visible.x + position % 2);
            level((y % height) * width + x % width)
        }
    })
}

fn white_level(raw: &RawImage) -> Result<u16, Refusal> {
    let white = raw.whitelevel.0.iter().copied().min().unwrap_or(0);
    u16::try_from(white).map_err(|_too_large| {
        Refusal::unsupported(format!("the white level is {white}: samples of more than 16 bits are not read"))
    })
}

fn color(raw: &RawImage) -> CameraColor {
    let matrix = LIGHTS.iter().find_map(|light| raw.color_matrix.get(light)).filter(|matrix| matrix.len() == 9);
    let matrix = matrix.map(|values| Matrix3::from_row_iterator(values.iter().map(|&value| f64::from(value))));
    let [red, green, blue, _] = raw.wb_coeffs.map(f64::from);
    camera_color(matrix, Some([1.0 / red, 1.0 / green, 1.0 / blue]))
}

fn whole_numbers(data: RawImageData) -> Result<Vec<u16>, Refusal> {
    match data {
        RawImageData::Integer(samples) => Ok(samples),
        RawImageData::Float(_) => {
            Err(Refusal::unsupported("the raw picture has floating-point samples: whole numbers are needed"))
        }
    }
}

fn facts_of(found: rawler::decoders::RawMetadata) -> ExifFacts {
    let exif = found.exif;
    let positive = |value: Option<rawler::formats::tiff::Rational>| {
        value.map(|value| f64::from(value.n) / f64::from(value.d)).filter(|value| value.is_finite() && *value > 0.0)
    };
    let text = |text: Option<String>| text.map(|text| text.trim().to_owned()).filter(|text| !text.is_empty());
    let short_iso = exif.iso_speed_ratings.filter(|&iso| iso > 0 && iso < u16::MAX).map(u32::from);
    let place = exif.gps.and_then(|gps| {
        let degrees = |parts: Option<[rawler::formats::tiff::Rational; 3]>| {
            let parts = parts?.map(|part| f64::from(part.n) / f64::from(part.d));
            Some(parts[0] + parts[1] / 60.0 + parts[2] / 3600.0)
        };
        let south = gps.gps_latitude_ref.as_deref().is_some_and(|word| word.starts_with('S'));
        let west = gps.gps_longitude_ref.as_deref().is_some_and(|word| word.starts_with('W'));
        let below = gps.gps_altitude_ref == Some(1);
        Place::new(
            degrees(gps.gps_latitude)? * if south { -1.0 } else { 1.0 },
            degrees(gps.gps_longitude)? * if west { -1.0 } else { 1.0 },
            positive(gps.gps_altitude).map(|meters| if below { -meters } else { meters }),
        )
    });
    let ascii = |text: &Option<String>| text.as_ref().map(|text| text.as_bytes().to_vec());
    let capture_time = clock(
        ascii(&exif.date_time_original).or(ascii(&exif.create_date)).as_deref(),
        ascii(&exif.sub_sec_time_original).as_deref(),
        ascii(&exif.offset_time_original).or(ascii(&exif.offset_time)).as_deref(),
    );
    let metadata = Metadata {
        make: text(Some(found.make)),
        model: text(Some(found.model)),
        lens: text(exif.lens_model).or_else(|| found.lens.map(|lens| lens.lens_name)),
        exposure_secs: positive(exif.exposure_time),
        iso: short_iso.or(exif.recommended_exposure_index).or(exif.iso_speed),
        aperture: positive(exif.fnumber),
        focal_mm: positive(exif.focal_length),
        sensor_width_mm: None,
        capture_time,
        temperature_celsius: None,
        place,
    };
    ExifFacts::of_decoder(metadata, exif.orientation.and_then(Orientation::from_tag))
}
