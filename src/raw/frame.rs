//! What a file holds once it is decoded: samples as read, and the facts needed to interpret them.

use serde::{Deserialize, Serialize};

use crate::pixels::{Layout, Orientation, Plane, Size};

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
}

/// When the exposure began, by the camera's clock.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
pub struct CaptureTime {
    /// Seconds since 1970-01-01T00:00:00 on the camera's own clock, with fractions; only differences count.
    pub clock_secs: f64,
    /// The clock's offset from universal time, where the file tells.
    pub utc_offset_minutes: Option<i16>,
}
