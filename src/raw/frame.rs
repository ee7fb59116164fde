//! What a file holds once it is decoded: samples as read, and the facts needed to interpret them.

use jiff::tz::TimeZone;
use jiff::{Timestamp, civil};
use serde::{Deserialize, Serialize};

use crate::pixels::{Layout, Orientation, Plane, Size};
use crate::raw::margins::Margins;

/// A decoded frame: the sensor's visible area, unrotated, in data numbers as read.
#[derive(Clone, Debug, PartialEq)]
pub struct RawFrame {
    /// What the planes hold; the phase of a mosaic is that of the visible area.
    pub layout: Layout,
    /// One plane (mosaic) or three (red, green, blue), all of one size.
    pub planes: Vec<Plane<u16>>,
    /// Level of no light: by position `2 * (y % 2) + x % 2` in a mosaic, by channel (the last unused) in RGB.
    pub black_level: [f32; 4],
    /// Level at which a sample is saturated.
    pub white_level: u16,
    /// How data numbers grow with light.
    pub transfer: TransferFunction,
    /// From the camera's channels to standard colour.
    pub color: CameraColor,
    /// How the picture is held upright.
    pub orientation: Orientation,
    /// What the camera says of the exposure.
    pub metadata: Metadata,
    /// What the masked margins of the sensor show, where the file has them.
    pub margins: Margins,
}

impl RawFrame {
    /// Width by height of each plane.
    #[must_use]
    pub fn size(&self) -> Size {
        self.planes[0].size()
    }
}

/// How data numbers grow with light.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum TransferFunction {
    /// In proportion.
    Linear,
    /// By the sRGB transfer function (IEC 61966-2-1).
    Srgb,
}

/// From the camera's channels to standard colour.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CameraColor {
    /// Camera RGB of a neutral surface as the camera balanced it, green 1.0.
    pub as_shot_neutral: [f64; 3],
    /// Camera RGB from CIE XYZ (D65), row-major, column vectors.
    pub camera_from_xyz: [[f64; 3]; 3],
}

impl CameraColor {
    /// The colour of files that are already linear sRGB (IEC 61966-2-1 primaries, rounded to 7 digits).
    pub const SRGB: Self = Self {
        as_shot_neutral: [1.0; 3],
        camera_from_xyz: [
            [3.240_970, -1.537_383, -0.498_611],
            [-0.969_244, 1.875_968, 0.041_555],
            [0.055_630, -0.203_977, 1.056_972],
        ],
    };
}

/// What the camera says of the exposure. What a file does not say is `None`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Metadata {
    /// Manufacturer.
    pub make: Option<String>,
    /// Camera model.
    pub model: Option<String>,
    /// Lens model.
    pub lens: Option<String>,
    /// Shutter time of the frame.
    pub exposure_secs: Option<f64>,
    /// Sensitivity setting.
    pub iso: Option<u32>,
    /// f-number.
    pub aperture: Option<f64>,
    /// Focal length.
    pub focal_mm: Option<f64>,
    /// Width of the sensor area that the frame shows, where the file tells (focal-plane resolution).
    pub sensor_width_mm: Option<f64>,
    /// When the exposure began.
    pub capture_time: Option<CaptureTime>,
    /// Of the air or the camera, where the file tells (EXIF Temperature).
    #[serde(default)]
    pub temperature_celsius: Option<f64>,
    /// Where the camera stood, if it noted that; written to no file unless the person asks for it.
    #[serde(default)]
    pub place: Option<Place>,
}

/// A place on the Earth as a camera notes it (WGS 84).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Degrees, north is positive.
    pub latitude_deg: f64,
    /// Degrees, east is positive.
    pub longitude_deg: f64,
    /// Metres above the sea.
    pub altitude_m: Option<f64>,
}

impl Place {
    /// `None` for numbers that are no place, and for 0°, 0°, which receivers without a fix write.
    #[must_use]
    pub fn new(latitude_deg: f64, longitude_deg: f64, altitude_m: Option<f64>) -> Option<Self> {
        let is_place = latitude_deg.abs() <= 90.0 && longitude_deg.abs() <= 180.0;
        let is_fix = latitude_deg != 0.0 || longitude_deg != 0.0;
        (is_place && is_fix).then_some(Self { latitude_deg, longitude_deg, altitude_m })
    }
}

/// When the exposure began, by the camera's clock.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct CaptureTime {
    /// Seconds since 1970-01-01T00:00:00 on the camera's own clock, with fractions; only differences count.
    pub clock_secs: f64,
    /// The clock's offset from universal time, where the file tells.
    pub utc_offset_minutes: Option<i16>,
}

impl CaptureTime {
    /// The clock as it was read, to the thousandth; `None` for a time beyond all calendars.
    #[must_use]
    pub fn civil(self) -> Option<civil::DateTime> {
        // The camera's clock reading is kept as if it were universal time; float casts saturate.
        let stamp = Timestamp::from_millisecond((self.clock_secs * 1000.0).round() as i64).ok()?;
        Some(TimeZone::UTC.to_datetime(stamp))
    }

    /// As in RFC 3339, `2026-03-14T22:05:07.250-03:30`; without an offset where the camera tells none.
    #[must_use]
    pub fn text(self) -> Option<String> {
        let civil = self.civil()?;
        let offset = self.utc_offset_minutes.map(|minutes| {
            let sign = if minutes < 0 { '-' } else { '+' };
            format!("{sign}{:02}:{:02}", minutes.unsigned_abs() / 60, minutes.unsigned_abs() % 60)
        });
        let clock = civil.strftime("%Y-%m-%dT%H:%M:%S");
        Some(format!("{clock}.{:03}{}", civil.millisecond(), offset.unwrap_or_default()))
    }
}
