//! One grey value for each 2 × 2 block of samples, and the matched filter that makes stars stand out.
//!
//! A block holds every colour of a mosaic whatever its phase, so a star shows at once in all its light. The
//! colours are weighted by expected signal over variance, the weighting of the highest signal to noise; what
//! stars look like is taken from the sky, which the same light fills. The filter is the profile of the stars
//! themselves, the best for a known shape in even noise (Turin 1960).

use pulp::Arch;
use rayon::prelude::*;

use crate::detect::Mesh;
use crate::detect::background::{Sky, combine};
use crate::detect::shape::Shape;
use crate::pixels::{CalibratedFrame, Cfa, Layout, Mask, Plane, Size};

/// Taps of the filter below this share of its peak add nothing but time.
const SMALLEST_TAP: f64 = 0.02;

/// Least share of the brightest colour that a colour is believed to have.
const MIN_COLOR_SHARE: f32 = 0.3;

/// The grey half-size picture: sky subtracted, weighted for detection.
pub(super) struct Luminance {
    pub(super) plane: Plane<f32>,
    /// Standard deviation of one value, were the samples independent.
    pub(super) sigma: Mesh,
}

/// The luminance after the matched filter.
pub(super) struct Filtered {
    pub(super) plane: Plane<f32>,
    /// Standard deviation by place is `sigma` times this.
    pub(super) sigma_gain: f32,
    /// Values this near to the border do not see the whole filter.
    pub(super) border: usize,
}

pub(super) fn luminance(frame: &CalibratedFrame, sky: &Sky) -> Luminance {
    let weights = color_weights(sky);
    let [red, green, blue] = weights;
    let blocks: [f32; 3] = match frame.layout {
        Layout::Mosaic(_) => [1.0, 2.0, 1.0],
        Layout::Rgb => [4.0; 3],
    };
    let [level_r, level_g, level_b] = &sky.level;
    let level = combine([level_r, level_g, level_b], |[r, g, b]| {
        blocks[0] * red * r + blocks[1] * green * g + blocks[2] * blue * b
    });
    let [sigma_r, sigma_g, sigma_b] = &sky.sigma;
    let sigma = combine([sigma_r, sigma_g, sigma_b], |[r, g, b]| {
        let squares = [(red * r).powi(2), (green * g).powi(2), (blue * b).powi(2)];
        (0..3).map(|channel| blocks[channel] * squares[channel]).sum::<f32>().sqrt()
    });
    let size = Size { width: frame.size().width / 2, height: frame.size().height / 2 };
    let mut plane = Plane::filled(size, 0.0f32);
    let arch = Arch::new();
    plane.samples_mut().par_chunks_mut(size.width.max(1)).enumerate().for_each_init(
        || vec![0.0f32; size.width],
        |background, (y, row)| {
            level.fill_row(2.0 * y as f64 + 0.5, 0.5, 2.0, background);
            match frame.layout {
                Layout::Mosaic(cfa) => {
                    let upper = frame.planes[0].row(2 * y);
                    let lower = frame.planes[0].row(2 * y + 1);
                    let taps = block_weights(cfa, weights);
                    arch.dispatch(
                        #[inline(always)]
                        || weigh_blocks(upper, lower, taps, background, row),
                    );
                }
                Layout::Rgb => {
                    row.iter_mut().zip(background.iter()).for_each(|(value, background)| *value = -background);
                    for (channel, &weight) in frame.planes.iter().zip(&weights) {
                        let (upper, lower) = (channel.row(2 * y), channel.row(2 * y + 1));
                        arch.dispatch(
                            #[inline(always)]
                            || add_blocks(upper, lower, weight, row),
                        );
                    }
                }
            }
        },
    );
    Luminance { plane, sigma }
}

pub(super) fn matched_filter(luminance: &Luminance, foreground: Option<&Mask>, shape: Shape) -> Filtered {
    // Half-size pixels; a block is the mean of two samples an axis, which are a quarter square pixel wide.
    let taps = filter_taps(shape.scaled(0.25, 0.25 / 4.0));
    let border = taps.iter().map(|tap| tap.dx.unsigned_abs().max(tap.dy.unsigned_abs())).max().unwrap_or(0);
    let size = luminance.plane.size();
    let mut plane = Plane::filled(size, 0.0f32);
    if size.width > 2 * border && size.height > 2 * border {
        let arch = Arch::new();
        let rows = plane.samples_mut().par_chunks_mut(size.width).enumerate();
        rows.filter(|(y, _)| (border..size.height - border).contains(y)).for_each(|(y, row)| {
            let inner = &mut row[border..size.width - border];
            for tap in &taps {
                let source = luminance.plane.row(y.strict_add_signed(tap.dy));
                let first = border.strict_add_signed(tap.dx);
                let source = &source[first..first + inner.len()];
                arch.dispatch(
                    #[inline(always)]
                    || add_scaled(source, tap.weight, inner),
                );
            }
        });
    }
    let white = taps.iter().map(|tap| tap.weight * tap.weight).sum::<f32>().sqrt();
    let sigma_gain = white * measured_gain(&plane, &luminance.sigma, foreground, border, white);
    Filtered { plane, sigma_gain, border }
}

/// Weight of one sample of each colour: what a star has of it over its variance, greatest 1.
fn color_weights(sky: &Sky) -> [f32; 3] {
    let sigma = sky.sigma.each_ref().map(Mesh::median);
    let level = sky.level.each_ref().map(Mesh::median);
    let brightest = level.iter().copied().fold(0.0, f32::max);
    let share = |channel: usize| {
        if brightest > 0.0 { (level[channel] / brightest).clamp(MIN_COLOR_SHARE, 1.0) } else { 1.0 }
    };
    let weights = [0, 1, 2].map(|channel| share(channel) / (sigma[channel] * sigma[channel]));
    let largest = weights.iter().copied().fold(0.0, f32::max);
    weights.map(|weight| weight / largest)
}

fn block_weights(cfa: Cfa, weights: [f32; 3]) -> [[f32; 2]; 2] {
    cfa.0.map(|row| row.map(|color| weights[color as usize]))
}

#[inline(always)]
fn weigh_blocks(upper: &[f32], lower: &[f32], weights: [[f32; 2]; 2], background: &[f32], row: &mut [f32]) {
    let [[a, b], [c, d]] = weights;
    let pairs = upper.chunks_exact(2).zip(lower.chunks_exact(2));
    for ((value, background), (upper, lower)) in row.iter_mut().zip(background).zip(pairs) {
        *value = a * upper[0] + b * upper[1] + c * lower[0] + d * lower[1] - background;
    }
}

#[inline(always)]
fn add_blocks(upper: &[f32], lower: &[f32], weight: f32, row: &mut [f32]) {
    let pairs = upper.chunks_exact(2).zip(lower.chunks_exact(2));
    for (value, (upper, lower)) in row.iter_mut().zip(pairs) {
        *value += weight * (upper[0] + upper[1] + lower[0] + lower[1]);
    }
}

#[inline(always)]
fn add_scaled(source: &[f32], weight: f32, target: &mut [f32]) {
    for (target, source) in target.iter_mut().zip(source) {
        *target += weight * source;
    }
}

struct Tap {
    dx: isize,
    dy: isize,
    weight: f32,
}

/// A Gaussian of this covariance, sum 1, without its faint skirt.
fn filter_taps(shape: Shape) -> Vec<Tap> {
    let inverse = shape.inverse();
    let reach = shape.reach((-2.0 * SMALLEST_TAP.ln()).sqrt());
    let (reach_x, reach_y) = (reach.x as isize, reach.y as isize);
    let mut taps = Vec::new();
    for dy in -reach_y..=reach_y {
        for dx in -reach_x..=reach_x {
            let weight = (-0.5 * inverse.form(dx as f64, dy as f64)).exp();
            if weight >= SMALLEST_TAP {
                taps.push(Tap { dx, dy, weight: weight as f32 });
            }
        }
    }
    let sum: f32 = taps.iter().map(|tap| tap.weight).sum();
    taps.iter_mut().for_each(|tap| tap.weight /= sum);
    taps
}

/// How much noisier the filtered picture is than independent samples would make it: 1 for a mosaic, more where
/// neighbours share their noise (a demosaiced or compressed picture).
fn measured_gain(filtered: &Plane<f32>, sigma: &Mesh, foreground: Option<&Mask>, border: usize, white: f32) -> f32 {
    let size = filtered.size();
    let step = (size.area() / 40_000).isqrt().max(1);
    let mut ratios: Vec<f32> = Vec::new();
    let mut expected = vec![0.0; size.width];
    for y in (border..size.height.saturating_sub(border)).step_by(step) {
        sigma.fill_row(2.0 * y as f64 + 0.5, 0.5, 2.0, &mut expected);
        let row = filtered.row(y);
        let columns = (border..size.width.saturating_sub(border)).step_by(step);
        let sky = columns.filter(|&x| !foreground.is_some_and(|mask| mask.contains(2 * x, 2 * y)));
        ratios.extend(sky.map(|x| row[x] / expected[x]));
    }
    // Stars lift values but hardly lower any, and the edges of the land lower some by much: half a standard
    // deviation below the middle there is noise alone.
    ratios.sort_unstable_by(f32::total_cmp);
    let quantile = |share: f32| ratios.get((ratios.len() as f32 * share) as usize).copied();
    let spread = quantile(0.5).zip(quantile(0.3085)).map_or(white, |(middle, low)| 2.0 * (middle - low));
    (spread / white).max(0.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_filter_of_a_diagonal_trail_lies_along_the_diagonal() {
        let taps = filter_taps(Shape { xx: 2.0, xy: 1.7, yy: 2.0 });
        let weight = |dx, dy| taps.iter().find(|tap| (tap.dx, tap.dy) == (dx, dy)).map_or(0.0, |tap| tap.weight);
        assert!(weight(1, 1) > 10.0 * weight(1, -1), "{} along, {} across", weight(1, 1), weight(1, -1));
        let sum: f32 = taps.iter().map(|tap| tap.weight).sum();
        assert!((sum - 1.0).abs() < 1e-6, "the filter keeps the level, sum {sum}");
    }
}
