//! One frame in, all that is measured on it out.

use rayon::prelude::*;

use crate::detect::background::measure_sky;
use crate::detect::fit::Fit;
use crate::detect::lines::drop_lines;
use crate::detect::luminance::{Luminance, luminance, matched_filter};
use crate::detect::measure::{Scene, Workspace, measure_pilot, measure_star};
use crate::detect::peaks::{Peaks, find_peaks};
use crate::detect::shape::{FWHM_PER_SIGMA, Shape, trail_length_px};
use crate::detect::{Background, DetectSettings, FrameMeasure, Mesh, Star};
use crate::pixels::statistics::median;
use crate::pixels::{CalibratedFrame, Mask};

/// Width of stars before any is measured: FWHM 2.4 px, a good lens on pixels of its size.
const FIRST_SIGMA_PX: f64 = 1.0;

/// Stars this much larger in area than the filter are looked for again with a filter of their own.
const REFILTER_RATIO: f64 = 1.8;

/// Peaks that tell what stars look like: at most so many, from each part of the frame alike.
const MAX_PILOTS: usize = 320;
const PILOT_PARTS: usize = 4;
const PILOT_SIGNIFICANCE: f32 = 20.0;

/// Stars this clear count in the medians of the frame, if there are enough of them.
const CLEAR_SNR: f64 = 15.0;
const ENOUGH_CLEAR: usize = 10;

/// Measures the stars and the sky of one frame; `foreground` is left out of both.
#[must_use]
pub fn measure_frame(frame: &CalibratedFrame, foreground: Option<&Mask>, settings: &DetectSettings) -> FrameMeasure {
    let sky = measure_sky(frame, foreground, settings);
    let grey = luminance(frame, &sky);
    let first = Shape::round(FIRST_SIGMA_PX);
    let mut peaks = peaks_of_shape(&grey, foreground, settings, first);
    let mut scene = Scene { frame, sky: &sky, owners: &peaks.owners, shape: first, neutral: [0.6, 1.0, 0.7] };
    let pilots = measure_pilots(&scene, &peaks);
    let (shape, neutral) = typical(&pilots).unwrap_or((first, scene.neutral));
    if shape.determinant().sqrt() > REFILTER_RATIO * first.determinant().sqrt() {
        peaks = peaks_of_shape(&grey, foreground, settings, shape);
    }
    drop(grey);
    scene = Scene { frame, sky: &sky, owners: &peaks.owners, shape, neutral };
    let stars = measure_stars(&scene, &peaks, settings);
    let clipped = frame.saturated.0.samples().par_chunks(1 << 16).map(count).sum::<usize>();
    let clear = clear_stars(&stars);
    let background = Background { level: sky.level, rms: sky.luminance_sigma };
    FrameMeasure {
        fwhm_px: median_of(&clear, |star| star.fwhm_px),
        elongation: median_of(&clear, |star| star.elongation),
        trail_px: common_trail_px(&clear),
        sky_level: background.level.each_ref().map(Mesh::median),
        sky_noise: background.rms.median(),
        clipped_fraction: clipped as f64 / frame.size().area().max(1) as f64,
        stars,
        background,
    }
}

fn peaks_of_shape(grey: &Luminance, foreground: Option<&Mask>, settings: &DetectSettings, shape: Shape) -> Peaks {
    let filtered = matched_filter(grey, shape);
    find_peaks(&filtered, &grey.sigma, foreground, settings.threshold_sigma, shape)
}

/// Fits bright peaks from all parts of the frame with shapes of their own.
fn measure_pilots(scene: &Scene, peaks: &Peaks) -> Vec<Fit> {
    let size = scene.frame.size();
    let mut taken = [[0; PILOT_PARTS]; PILOT_PARTS];
    let part = |value: f64, len: usize| ((value * PILOT_PARTS as f64 / len as f64) as usize).min(PILOT_PARTS - 1);
    let chosen: Vec<usize> = peaks
        .peaks
        .iter()
        .enumerate()
        .filter(|(_, peak)| peak.region.is_some() && peak.significance > PILOT_SIGNIFICANCE)
        .filter(|(_, peak)| {
            let count = &mut taken[part(peak.place.y, size.height)][part(peak.place.x, size.width)];
            *count += 1;
            *count <= MAX_PILOTS / (PILOT_PARTS * PILOT_PARTS)
        })
        .map(|(index, _)| index)
        .collect();
    chosen
        .par_iter()
        .map_init(Workspace::default, |workspace, &index| {
            let owner = u32::try_from(index + 1).expect("owners are numbered in 32 bits");
            measure_pilot(scene, &peaks.peaks[index], owner, workspace)
        })
        .flatten()
        .collect()
}

/// Median shape and colour of the pilots; `None` with hardly any.
fn typical(pilots: &[Fit]) -> Option<(Shape, [f64; 3])> {
    let middle = |of: &dyn Fn(&Fit) -> f64| {
        median(&mut pilots.iter().map(|fit| of(fit) as f32).collect::<Vec<_>>()).map(f64::from)
    };
    let shape =
        Shape { xx: middle(&|fit| fit.shape.xx)?, xy: middle(&|fit| fit.shape.xy)?, yy: middle(&|fit| fit.shape.yy)? };
    let share = |channel: usize| middle(&|fit| fit.amplitudes[channel].max(0.0) / fit.amplitudes.iter().sum::<f64>());
    let neutral = [share(0)?, share(1)?, share(2)?];
    // Medians of the elements need not be a width.
    (pilots.len() >= 3 && shape.axes().1 > 0.1).then_some((shape, neutral))
}

fn measure_stars(scene: &Scene, peaks: &Peaks, settings: &DetectSettings) -> Vec<Star> {
    // Some of the peaks turn out to be no stars.
    let considered = settings.max_stars.saturating_add(settings.max_stars / 4).min(peaks.peaks.len());
    let found: Vec<Star> = peaks.peaks[..considered]
        .par_iter()
        .enumerate()
        .map_init(Workspace::default, |workspace, (index, peak)| {
            let owner = u32::try_from(index + 1).expect("owners are numbered in 32 bits");
            measure_star(scene, peak, owner, workspace)
        })
        .flatten()
        .collect();
    let mut stars = drop_lines(found, FWHM_PER_SIGMA * scene.shape.axes().0.sqrt());
    stars.sort_by(|a, b| {
        b.flux
            .total_cmp(&a.flux)
            .then(a.centroid.y.total_cmp(&b.centroid.y))
            .then(a.centroid.x.total_cmp(&b.centroid.x))
    });
    stars.truncate(settings.max_stars);
    stars
}

fn count(flags: &[bool]) -> usize {
    flags.iter().map(|&flag| usize::from(flag)).sum()
}

/// Unsaturated stars well above the noise, or all unsaturated ones where those are few.
fn clear_stars(stars: &[Star]) -> Vec<&Star> {
    let unsaturated: Vec<&Star> = stars.iter().filter(|star| !star.saturated).collect();
    let clear: Vec<&Star> = unsaturated.iter().copied().filter(|star| star.snr >= CLEAR_SNR).collect();
    if clear.len() >= ENOUGH_CLEAR { clear } else { unsaturated }
}

fn median_of(stars: &[&Star], value: impl Fn(&Star) -> f32) -> Option<f32> {
    median(&mut stars.iter().map(|star| value(star)).collect::<Vec<_>>())
}

/// What all stars are stretched by in one direction: the lens stretches them too, but outwards all around.
fn common_trail_px(stars: &[&Star]) -> Option<f32> {
    let shapes: Vec<Shape> = stars.iter().map(|star| shape_of(star)).collect();
    let middle = |of: fn(&Shape) -> f64| {
        let mut values: Vec<f32> = shapes.iter().map(|shape| of(shape) as f32).collect();
        median(&mut values).map(f64::from)
    };
    let round = 0.5 * middle(|shape| shape.xx + shape.yy)?;
    let (along, diagonal) = (middle(|shape| shape.xx - shape.yy)?, middle(|shape| 2.0 * shape.xy)?);
    // The length of a vector of noise is not zero: its expected square is taken off.
    let scatter: f64 = {
        let mut off: Vec<f32> = shapes
            .iter()
            .map(|shape| ((shape.xx - shape.yy - along).powi(2) + (2.0 * shape.xy - diagonal).powi(2)) as f32)
            .collect();
        f64::from(median(&mut off)?)
    };
    // For a two-dimensional normal the median square is 2 ln 2 variances; a median has π / 2 times the variance of a mean.
    let noise = scatter / std::f64::consts::LN_2 * 1.57 / shapes.len() as f64;
    let stretch = (along * along + diagonal * diagonal - noise).max(0.0).sqrt();
    Some(trail_length_px(round + 0.5 * stretch, round - 0.5 * stretch) as f32)
}

fn shape_of(star: &Star) -> Shape {
    let sigma = f64::from(star.fwhm_px) / FWHM_PER_SIGMA;
    let (long, short) = (sigma * sigma * f64::from(star.elongation), sigma * sigma / f64::from(star.elongation));
    let (sin, cos) = f64::from(star.angle_rad).sin_cos();
    Shape {
        xx: long * cos * cos + short * sin * sin,
        xy: (long - short) * sin * cos,
        yy: long * sin * sin + short * cos * cos,
    }
}
