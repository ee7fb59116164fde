//! Finds and measures the stars of a frame, and judges the frame by them.
//!
//! Sky on a mesh ([`Background`]), a grey half-size picture through a matched filter, local maxima above a
//! threshold in σ; then each star is fitted on the samples of the full-resolution frame, every colour with an
//! amplitude of its own. What stars look like in this frame is learned from its bright ones first: a frame in
//! which all of them are trailed is measured as well as a sharp one, and its trail is reported.

#[cfg(test)]
mod accuracy;
mod background;
#[cfg(test)]
mod drawing;
mod evidence;
mod fit;
mod frame;
mod lines;
mod luminance;
mod measure;
mod mesh;
mod peaks;
mod shape;
mod trail;
mod verdicts;
mod zones;

use serde::{Deserialize, Serialize};

use crate::pixels::{Plane, Point};

pub use frame::{measure_frame, measure_watched};
pub use verdicts::{Judgement, Verdict, judge};
pub use zones::{Ellipse, MIDDLE_ZONE, Stretch, ZONES, ZONES_ALONG, Zone, stretches, typical_ellipse, zones};

/// How stars are looked for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct DetectSettings {
    /// Height over the noise, in standard deviations, from which a peak may be a star.
    pub threshold_sigma: f32,
    /// No more stars than this, the brightest; the faint rest costs time and helps little.
    pub max_stars: usize,
    /// Edge of a cell of the background mesh.
    pub cell_px: usize,
}

impl Default for DetectSettings {
    fn default() -> Self {
        Self { threshold_sigma: 5.0, max_stars: 4000, cell_px: 64 }
    }
}

/// A star in one frame, in full-resolution pixels of the frame's visible area.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Star {
    /// Fitted centre; the centre of pixel (0, 0) is (0.0, 0.0).
    pub centroid: Point,
    /// Standard error of the centroid along each axis, from the noise.
    pub centroid_sigma_px: f64,
    /// Sum of linear luminance (R + 2 G + B) / 4 over the background, a value a pixel.
    pub flux: f64,
    /// Signal over noise of the flux.
    pub snr: f64,
    /// Brightest luminance sample over the background (a 2 × 2 block of a mosaic).
    pub peak: f32,
    /// Full width at half maximum, the geometric mean of both axes.
    pub fwhm_px: f32,
    /// Long over short axis; 1.0 is round.
    pub elongation: f32,
    /// Direction of the long axis, radians from x towards y (down).
    pub angle_rad: f32,
    /// A sample of the star reached the white level.
    pub saturated: bool,
}

/// Coarse level of the sky: one value a square cell of `cell_px`, interpolated between cell centres.
#[derive(Clone, Debug, PartialEq)]
pub struct Mesh {
    /// One value a cell; cell (0, 0) covers the pixels from (0, 0) on.
    pub cells: Plane<f32>,
    /// Edge of a cell in full-resolution pixels.
    pub cell_px: usize,
}

/// The sky behind the stars.
#[derive(Clone, Debug, PartialEq)]
pub struct Background {
    /// Level of each channel (red, green, blue).
    pub level: [Mesh; 3],
    /// Standard deviation of one luminance sample: a 2 × 2 block of a mosaic, a pixel of an RGB frame.
    pub rms: Mesh,
}

/// All that is measured on one frame.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameMeasure {
    /// Brightest first.
    pub stars: Vec<Star>,
    /// The sky behind them.
    pub background: Background,
    /// Median FWHM of unsaturated stars; `None` without stars.
    pub fwhm_px: Option<f32>,
    /// Median elongation of unsaturated stars.
    pub elongation: Option<f32>,
    /// How far all stars are drawn out alike, beyond their width: length of the trail, or distance of the doubles.
    pub trail_px: Option<f32>,
    /// Median sky level of each channel, linear.
    pub sky_level: [f32; 3],
    /// Median standard deviation of one luminance sample of the sky.
    pub sky_noise: f32,
    /// Share of samples at the white level.
    pub clipped_fraction: f64,
    /// Red and blue of bright stars beside their green; empty for a frame that has no mosaic.
    pub color_shifts: Vec<ColorShift>,
}

/// How far one colour of a star lies from its green.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ColorShift {
    /// 0 for red, 2 for blue.
    pub channel: usize,
    /// Where the green star is.
    pub green: Point,
    /// From green to the colour.
    pub shift: Point,
    /// Standard error of the shift along each axis, from the noise.
    pub sigma_px: f64,
}
