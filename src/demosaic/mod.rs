//! A calibrated mosaic in, three colours at every pixel out.
//!
//! Works on windows of a frame, which may reach beyond its border: there the samples are mirrored about
//! the border sample, which keeps the colour of each place. A pixel has four lanes, red, green, blue and
//! one that the caller may use (1.0 here), so that one vector operation treats all of them.

mod adaptive;
mod bilinear;
mod directional;
mod least_squares;
mod linear;
mod malvar;
mod patch;

use patch::Patch;
use rayon::prelude::*;

use crate::calibrate::NoiseModel;
use crate::pixels::{CalibratedFrame, Cfa, CfaColor, Layout, LinearImage, Size};

/// Red, green, blue and a lane for the caller.
pub type Pixel = [f32; 4];

/// Red and blue of white light over its green, as sensors see it before white balance: a half to three quarters.
/// Common practice, no source.
pub const OF_GREEN: f32 = 0.6;

/// Noise of a sample where none is known: a read noise of 3 and a white level of 25,000 electrons, in memory of what
/// cameras have at ISO 1600 and thereabouts. It bounds rings around stars, no more.
pub const TYPICAL_NOISE: NoiseModel = NoiseModel { read_variance: 1.4e-8, photon_variance_per_unit: 4e-5 };

/// Standard deviations of noise that a color may lie below the darkest of its nearest samples: what noise alone does
/// less than once in ten thousand pixels.
const DIP_SIGMA: f32 = 3.0;

/// How dark a color may come out between samples of which this is the darkest: darker is a ring, not noise.
#[must_use]
#[inline(always)]
pub fn floor(noise: NoiseModel, darkest: f32) -> f32 {
    darkest - DIP_SIGMA * noise.variance(darkest).sqrt()
}

/// A way to give a mosaic its colors; docs/stacking.md has what was measured of each.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Method {
    /// The mean of the nearest samples.
    Bilinear,
    /// Malvar, He, Cutler 2004, as published.
    GradientCorrected,
    /// Weights that bring stars closest to what they are, and no dark rings around those that stand out of this noise:
    /// the one in use.
    LeastSquares(NoiseModel),
    /// Hamilton, Adams 1997.
    Adaptive,
    /// Menon, Andriani, Calvagno 2007.
    Directional,
}

impl Default for Method {
    fn default() -> Self {
        Self::LeastSquares(TYPICAL_NOISE)
    }
}

impl Method {
    /// Samples on each side that a pixel is made from.
    #[must_use]
    pub fn reach_px(self) -> usize {
        match self {
            Self::Bilinear => bilinear::REACH_PX,
            Self::GradientCorrected | Self::LeastSquares(_) => linear::REACH_PX,
            Self::Adaptive => adaptive::REACH_PX,
            Self::Directional => directional::REACH_PX,
        }
    }
}

/// A block of pixels of a frame; it may begin before the frame and end after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// First column.
    pub x: isize,
    /// First row.
    pub y: isize,
    /// Columns by rows.
    pub size: Size,
}

impl Window {
    /// The window with `margin` more pixels on each side.
    #[must_use]
    pub fn grown(self, margin: usize) -> Self {
        let size = Size { width: self.size.width + 2 * margin, height: self.size.height + 2 * margin };
        Self { x: self.x - margin as isize, y: self.y - margin as isize, size }
    }

    /// The place in row-by-row samples of the window of a pixel of the frame, which lies in the window.
    #[must_use]
    pub fn place(self, x: isize, y: isize) -> usize {
        (y - self.y) as usize * self.size.width + (x - self.x) as usize
    }

    /// The smallest window around both.
    #[must_use]
    pub fn around(self, other: Self) -> Self {
        let (x, y) = (self.x.min(other.x), self.y.min(other.y));
        let end = |start: isize, len: usize| start + len as isize;
        let right = end(self.x, self.size.width).max(end(other.x, other.size.width));
        let bottom = end(self.y, self.size.height).max(end(other.y, other.size.height));
        Self { x, y, size: Size { width: (right - x) as usize, height: (bottom - y) as usize } }
    }
}

/// Samples around a window that its demosaic needs.
#[must_use]
pub fn margin_px(layout: Layout) -> usize {
    match layout {
        Layout::Mosaic(_) => Method::default().reach_px(),
        Layout::Rgb => 0,
    }
}

/// The place in a row of `len` samples that shows `place` when the row is mirrored about its end samples.
#[must_use]
#[inline]
pub fn mirrored(place: isize, len: usize) -> usize {
    let last = len as isize - 1;
    if last == 0 {
        return 0;
    }
    let turned = place.rem_euclid(2 * last);
    (if turned > last { 2 * last - turned } else { turned }) as usize
}

/// The colours of a window from the samples of the window grown by [`margin_px`], one slice a plane; `noise` is
/// that of a sample.
pub fn demosaic_window(
    noise: NoiseModel,
    layout: Layout,
    window: Window,
    planes: &[Vec<f32>],
    pixels: &mut Vec<Pixel>,
) {
    demosaic_window_by(Method::LeastSquares(noise), layout, window, planes, pixels);
}

fn demosaic_window_by(method: Method, layout: Layout, window: Window, planes: &[Vec<f32>], pixels: &mut Vec<Pixel>) {
    pixels.resize(window.size.area(), [0.0; 4]);
    match layout {
        Layout::Mosaic(cfa) => {
            let linear = |weights: &linear::Weights, noise: Option<NoiseModel>, pixels: &mut [Pixel]| {
                linear::demosaic(weights, noise, cfa_at(cfa, window.x, window.y), window.size, &planes[0], pixels);
            };
            let around = window.grown(method.reach_px());
            let patch = Patch { cfa: cfa_at(cfa, around.x, around.y), size: around.size, mosaic: &planes[0] };
            match method {
                Method::Bilinear => bilinear::demosaic(&patch, pixels),
                Method::GradientCorrected => linear(&malvar::WEIGHTS, None, pixels),
                Method::LeastSquares(noise) => linear(&least_squares::WEIGHTS, Some(noise), pixels),
                Method::Adaptive => adaptive::demosaic(&patch, pixels),
                Method::Directional => directional::demosaic(&patch, pixels),
            }
        }
        Layout::Rgb => {
            let samples = planes[0].iter().zip(&planes[1]).zip(&planes[2]);
            for (pixel, ((&red, &green), &blue)) in pixels.iter_mut().zip(samples) {
                *pixel = [red, green, blue, 1.0];
            }
        }
    }
}

/// The colours of a whole frame.
#[must_use]
pub fn demosaic(frame: &CalibratedFrame) -> LinearImage {
    demosaic_by(Method::default(), frame)
}

/// The colours of a whole frame by one method of several.
#[must_use]
pub fn demosaic_by(method: Method, frame: &CalibratedFrame) -> LinearImage {
    let size = frame.size();
    let margin = match frame.layout {
        Layout::Mosaic(_) => method.reach_px(),
        Layout::Rgb => 0,
    };
    let mut image = LinearImage::black(size);
    let [red, green, blue] = &mut image.planes;
    let samples_per_band = BAND_ROWS * size.width;
    let bands = red.samples_mut().par_chunks_mut(samples_per_band);
    let bands = bands.zip(green.samples_mut().par_chunks_mut(samples_per_band));
    let bands = bands.zip(blue.samples_mut().par_chunks_mut(samples_per_band));
    bands.enumerate().for_each(|(band_idx, ((red, green), blue))| {
        let band_size = Size { width: size.width, height: red.len() / size.width };
        let window = Window { x: 0, y: (band_idx * BAND_ROWS) as isize, size: band_size };
        let planes = mirrored_samples(frame, window.grown(margin));
        let mut pixels = Vec::new();
        demosaic_window_by(method, frame.layout, window, &planes, &mut pixels);
        for (place, pixel) in pixels.iter().enumerate() {
            [red[place], green[place], blue[place]] = [pixel[0], pixel[1], pixel[2]];
        }
    });
    image
}

/// Rows that one thread takes at a time: few enough to stay in its cache.
const BAND_ROWS: usize = 32;

fn mirrored_samples(frame: &CalibratedFrame, window: Window) -> Vec<Vec<f32>> {
    let size = frame.size();
    let columns: Vec<usize> =
        (0..window.size.width).map(|column| mirrored(window.x + column as isize, size.width)).collect();
    let samples = |plane: &crate::pixels::Plane<f32>| {
        let mut samples = Vec::with_capacity(window.size.area());
        for row in 0..window.size.height {
            let source = plane.row(mirrored(window.y + row as isize, size.height));
            samples.extend(columns.iter().map(|&column| source[column]));
        }
        samples
    };
    frame.planes.iter().map(samples).collect()
}

/// The filter array as seen from (x, y).
fn cfa_at(cfa: Cfa, x: isize, y: isize) -> Cfa {
    let color = |column: isize, row: isize| -> CfaColor {
        cfa.color_at((x + column).rem_euclid(2) as usize, (y + row).rem_euclid(2) as usize)
    };
    Cfa([[color(0, 0), color(1, 0)], [color(0, 1), color(1, 1)]])
}

#[cfg(test)]
mod tests;
