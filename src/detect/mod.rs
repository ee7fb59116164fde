//! Finds and measures the stars of a frame.

use serde::{Deserialize, Serialize};

use crate::pixels::{Plane, Point};

/// A star in one frame, in full-resolution pixels of the frame's visible area.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Star {
    /// Windowed centroid; the centre of pixel (0, 0) is (0.0, 0.0).
    pub centroid: Point,
    /// Standard error of the centroid along each axis, from the noise.
    pub centroid_sigma_px: f64,
    /// Sum of linear luminance over the background.
    pub flux: f64,
    /// Signal over noise of the flux.
    pub snr: f64,
    /// Brightest luminance sample over the background.
    pub peak: f32,
    /// Full width at half maximum, the geometric mean of both axes.
    pub fwhm_px: f32,
    /// Long over short axis of the second moments; 1.0 is round.
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
    /// Standard deviation of one luminance sample.
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
    /// Length of the common trail of the stars beyond their width.
    pub trail_px: Option<f32>,
    /// Median sky level of each channel, linear.
    pub sky_level: [f32; 3],
    /// Median standard deviation of one luminance sample of the sky.
    pub sky_noise: f32,
    /// Share of samples at the white level.
    pub clipped_fraction: f64,
}
