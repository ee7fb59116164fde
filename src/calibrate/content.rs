//! What a frame shows, told from its samples alone: nothing (dark or bias), an even surface (flat), or a scene.
//!
//! Looked at are means of 2 × 2 samples, in which a hot pixel is diluted and the colours of a mosaic are mixed, in
//! strips over the whole height. The limits are common practice, no source: a dark lies at black without
//! structure, a flat is bright and changes only gently from block to block, and neither has stars. What tells
//! a star from a hot pixel is that its light reaches the blocks beside it.

use crate::calibrate::linear_from_srgb;
use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{Layout, Plane, Size};
use crate::raw::{RawFrame, TransferFunction};

/// Rows of 2 × 2 means in a strip, and the edge of a block.
const BLOCK: usize = 16;
/// Strips of a large frame that are looked at.
const MAX_STRIPS: usize = 24;
/// A star is this many standard deviations above the ground, and two pixels beside it are `BESIDE_SIGMA` above.
const STAR_SIGMA: f32 = 12.0;
const BESIDE_SIGMA: f32 = 4.0;
/// The ground of a point is the mean of the two means this far to its left and right, between which a glow is even.
const GROUND_REACH: usize = 4;
/// Particles leave a few short tracks in a dark: fewer points than this are no stars, and one more for each
/// `MEANS_PER_TRACK` means looked at.
const MIN_POINTS: usize = 5;
const MEANS_PER_TRACK: usize = 100_000;
/// A dark lies within this of black; all levels are shares of the white level.
const DARK_LEVEL: f32 = 0.004;
/// Where the level of the light frames is known, a dark has less than this share of it.
const DARK_SHARE: f32 = 0.3;
/// Even then no dark is lighter than this, and none is told from a light darker than `LEAST_DARK_LEVEL`.
const MOST_DARK_LEVEL: f32 = 0.01;
const LEAST_DARK_LEVEL: f32 = 0.002;
/// From the tenth to the ninetieth percentile of the blocks of a dark; the glow of an amplifier is in a corner.
const DARK_SPREAD: f32 = 0.005;
/// No dark signal is as bright as this.
const LIT_LEVEL: f32 = 0.03;
/// A flat is brighter than this and not blown.
const FLAT_LEVEL: std::ops::Range<f32> = 0.04..0.97;
/// Second difference of neighbouring blocks of a flat, as a share of their level: dust and filters, no clouds.
const FLAT_ROUGHNESS: f32 = 0.02;

/// What a frame shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Content {
    /// No light.
    Dark,
    /// One evenly lit surface.
    Even,
    /// Anything else.
    Scene,
}

/// Figures of what a frame shows; levels are linear, 1.0 at the white level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ContentMeasure {
    /// Median of the blocks.
    pub level: f32,
    /// From the tenth to the ninetieth percentile of the blocks.
    pub spread: f32,
    /// Typical large step between neighbouring blocks beyond a slope, and beyond noise, over the level.
    pub roughness: f32,
    /// Points of light that reach beyond one pixel.
    pub n_points: usize,
    /// More of them are stars.
    pub most_tracks: usize,
}

impl ContentMeasure {
    /// Measures a frame.
    #[must_use]
    pub fn of(raw: &RawFrame) -> Self {
        let strips = strips(raw);
        let sigma = noise(&strips);
        let mut levels = Vec::new();
        let mut steps = Vec::new();
        let mut n_points = 0;
        for strip in &strips {
            let row = block_levels(strip);
            n_points += points(strip, &row, sigma);
            steps.extend(row.windows(3).map(|three| (three[0] - 2.0 * three[1] + three[2]).abs()));
            levels.extend(row);
        }
        let level = median(&mut levels).unwrap_or(0.0);
        levels.sort_unstable_by(f32::total_cmp);
        steps.sort_unstable_by(f32::total_cmp);
        let at =
            |sorted: &[f32], share: f32| sorted.get((share * sorted.len() as f32) as usize).copied().unwrap_or(0.0);
        // The median of a block has 1.25 σ / 16, a second difference √6 of that: thrice is noise.
        let from_noise = 3.0 * 1.253 * 6.0_f32.sqrt() * sigma / BLOCK as f32;
        let roughness = (at(&steps, 0.95) - from_noise).max(0.0) / level.abs().max(f32::MIN_POSITIVE);
        let n_means: usize = strips.iter().map(|strip| strip.size().area()).sum();
        let most_tracks = MIN_POINTS - 1 + n_means / MEANS_PER_TRACK;
        Self { level, spread: at(&levels, 0.9) - at(&levels, 0.1), roughness, n_points, most_tracks }
    }

    /// Whether light fell on the sensor, by signs that no warm sensor gives.
    #[must_use]
    pub fn is_lit(&self) -> bool {
        self.level > LIT_LEVEL || self.n_points > self.most_tracks
    }

    /// What the frame shows; the level of light frames of the same setting helps where it is known.
    #[must_use]
    pub fn content(&self, light_level: Option<f32>) -> Content {
        if self.n_points > self.most_tracks {
            return Content::Scene;
        }
        let dark_level =
            light_level.map_or(DARK_LEVEL, |level| (DARK_SHARE * level).clamp(LEAST_DARK_LEVEL, MOST_DARK_LEVEL));
        if self.level < dark_level && self.spread < DARK_SPREAD {
            return Content::Dark;
        }
        if FLAT_LEVEL.contains(&self.level) && self.roughness < FLAT_ROUGHNESS {
            return Content::Even;
        }
        Content::Scene
    }
}

/// Means of 2 × 2 samples, in strips from top to bottom.
fn strips(raw: &RawFrame) -> Vec<Plane<f32>> {
    let size = Size { width: raw.size().width / 2, height: raw.size().height / 2 };
    let n_fitting = size.height / BLOCK;
    let n = n_fitting.min(MAX_STRIPS);
    let white = f32::from(raw.white_level);
    let linear = |share: f32| match raw.transfer {
        TransferFunction::Linear => share,
        TransferFunction::Srgb => linear_from_srgb(f64::from(share)) as f32,
    };
    // Green alone tells as much of a picture that has its colours apart.
    let (plane, black) = match raw.layout {
        Layout::Mosaic(_) => (&raw.planes[0], raw.black_level.iter().sum::<f32>() / 4.0),
        Layout::Rgb => (&raw.planes[1], raw.black_level[1]),
    };
    let scale = 0.25 / (white - black).max(1.0);
    (0..n)
        .map(|strip| {
            let first = strip * n_fitting / n * BLOCK;
            Plane::from_fn(Size { width: size.width, height: BLOCK }, |x, y| {
                let (top, bottom) = (plane.row(2 * (first + y)), plane.row(2 * (first + y) + 1));
                let sum: f32 =
                    [top[2 * x], top[2 * x + 1], bottom[2 * x], bottom[2 * x + 1]].map(f32::from).iter().sum();
                linear((sum - 4.0 * black) * scale)
            })
        })
        .collect()
}

/// Standard deviation of a mean of 2 × 2, from neighbours along the rows.
fn noise(strips: &[Plane<f32>]) -> f32 {
    let mut steps: Vec<f32> =
        strips.iter().flat_map(|strip| strip.row(BLOCK / 2).windows(2).map(|pair| (pair[0] - pair[1]).abs())).collect();
    SIGMA_PER_MAD * median(&mut steps).unwrap_or(0.0) * std::f32::consts::FRAC_1_SQRT_2
}

/// Medians of the blocks of a strip from left to right.
fn block_levels(strip: &Plane<f32>) -> Vec<f32> {
    let mut samples = Vec::with_capacity(BLOCK * BLOCK);
    (0..strip.width() / BLOCK)
        .map(|block| {
            samples.clear();
            samples.extend((0..BLOCK).flat_map(|y| &strip.row(y)[block * BLOCK..(block + 1) * BLOCK]));
            median(&mut samples).unwrap_or(0.0)
        })
        .collect()
}

/// Points of light in a strip that reach beyond one pixel. A bright block has the noise of its own light: the glow of
/// an amplifier is full of peaks that would stand out of the dark.
fn points(strip: &Plane<f32>, levels: &[f32], sigma: f32) -> usize {
    let mut n = 0;
    let mut sigmas = vec![None; levels.len()];
    for y in 1..BLOCK - 1 {
        for x in GROUND_REACH..(levels.len() * BLOCK).saturating_sub(GROUND_REACH) {
            let center = strip.at(x, y);
            if center - levels[x / BLOCK] <= STAR_SIGMA * sigma {
                continue;
            }
            let beside = [strip.at(x - 1, y), strip.at(x + 1, y), strip.at(x, y - 1), strip.at(x, y + 1)];
            if beside.iter().any(|&value| value > center) {
                continue;
            }
            let ground = 0.5 * (strip.at(x - GROUND_REACH, y) + strip.at(x + GROUND_REACH, y));
            let sigma = sigmas[x / BLOCK].get_or_insert_with(|| block_noise(strip, x / BLOCK).max(sigma));
            let n_lit = beside.iter().filter(|&&value| value - ground > BESIDE_SIGMA * *sigma).count();
            n += usize::from(center - ground > STAR_SIGMA * *sigma && n_lit >= 2);
        }
    }
    n
}

/// Standard deviation of a mean of 2 × 2 in one block.
fn block_noise(strip: &Plane<f32>, block: usize) -> f32 {
    let pairs = |y: usize| strip.row(y)[block * BLOCK..(block + 1) * BLOCK].windows(2);
    let mut steps: Vec<f32> = (0..BLOCK).flat_map(pairs).map(|pair| (pair[0] - pair[1]).abs()).collect();
    SIGMA_PER_MAD * median(&mut steps).unwrap_or(0.0) * std::f32::consts::FRAC_1_SQRT_2
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synthetic::{Burst, LandKind, Scene};

    fn content(raw: &RawFrame, light_level: Option<f32>) -> Content {
        ContentMeasure::of(raw).content(light_level)
    }

    #[test]
    fn the_frames_of_a_night_are_told_apart_by_what_they_show() {
        let burst = Burst::new(Scene::small());
        let level = ContentMeasure::of(&burst.light(0)).level;
        assert_eq!(content(&burst.light(1), Some(level)), Content::Scene, "a light frame");
        assert_eq!(content(&burst.light(1), None), Content::Scene, "before any level is known");
        assert_eq!(content(&burst.dark(0), Some(level)), Content::Dark, "a dark with hot pixels and amplifier glow");
        assert_eq!(content(&burst.dark(0), None), Content::Dark, "without a level to compare with");
        assert_eq!(content(&burst.bias(0), None), Content::Dark, "a bias frame");
        assert_eq!(content(&burst.flat(0), None), Content::Even, "a flat with vignetting");
    }

    #[test]
    fn a_strong_amplifier_glow_and_one_hot_pixel_in_five_hundred_are_still_a_dark() {
        let scene = Scene { amplifier_glow_electrons_per_sec: 40.0, n_hot_pixels: 300, ..Scene::small() };
        let measure = ContentMeasure::of(&Burst::new(scene).dark(0));
        assert_eq!(measure.content(None), Content::Dark, "no light: {measure:?}");
    }

    #[test]
    fn a_dark_sky_with_few_stars_is_no_dark_frame() {
        let scene = Scene { sky_electrons_per_sec: 2.0, n_stars: 150, land: LandKind::None, ..Scene::small() };
        let measure = ContentMeasure::of(&Burst::new(scene).light(0));
        assert_eq!(measure.content(None), Content::Scene, "{measure:?}");
    }

    #[test]
    fn a_cloudy_night_is_no_flat() {
        let scene = Scene { sky_electrons_per_sec: 80.0, n_stars: 1, ..Scene::small() };
        let measure = ContentMeasure::of(&Burst::new(scene).light(0));
        assert_eq!(measure.content(None), Content::Scene, "land and glow: {measure:?}");
    }
}
