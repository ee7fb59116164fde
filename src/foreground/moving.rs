//! Lights that move with the sky.
//!
//! What each frame has beyond the still picture is carried to the reference frame by the registration and
//! averaged without its highest value, which drops satellites, aircraft and headlights: they stand at a
//! place of the sky once. A star stands at its place in every frame. The land has nothing beyond the still
//! picture but noise, and its own lights are in the still picture itself.

use rayon::prelude::*;

use crate::foreground::evidence::{BurstView, Evidence, LightFromReference};
use crate::pixels::statistics::median_and_sigma;
use crate::pixels::{Plane, Point, Size};

/// Pixels of the evidence between the points that are carried exactly.
const STEP: usize = 16;
/// A light this many standard deviations over the noise counts as a star; one false in millions.
const STAR_SIGMA: f32 = 5.0;
/// A star must be seen in a frame at this many standard deviations to say that the place in it is sky.
const SEEN_SIGMA: f32 = 4.0;
/// In the reference frame itself less is enough: the star is already known.
const SEEN_IN_REFERENCE_SIGMA: f32 = 2.5;

/// Stars of the sky as the still tripod saw them.
#[derive(Clone, Debug, Default)]
pub(super) struct MovingLights {
    /// Where a star stood in the reference frame and was seen there; pixels of the evidence.
    pub(super) stars: Vec<(usize, usize)>,
    /// Everywhere that a star was seen in any frame.
    pub(super) seen: Vec<(usize, usize)>,
}

/// Finds them; empty without a registration.
pub(super) fn find<E>(burst: &BurstView<'_, E>, evidence: &Evidence) -> MovingLights {
    let Some(carry) = burst.light_from_reference else { return MovingLights::default() };
    let size = evidence.size();
    let maps: Vec<Carried> =
        evidence.frames.iter().map(|&frame| Carried::new(carry, frame, size, evidence.bin)).collect();
    let light = aligned_light(evidence, &maps);
    let own = evidence.frames.iter().position(|&frame| frame == burst.reference);
    let mut found = MovingLights::default();
    for (x, y) in peaks(&light) {
        for (idx, (map, beyond)) in maps.iter().zip(&evidence.beyond).enumerate() {
            let Some((column, row)) = map.nearest(x, y, size) else { continue };
            let needed = if Some(idx) == own { SEEN_IN_REFERENCE_SIGMA } else { SEEN_SIGMA };
            if brightest_near(beyond, column, row) < needed {
                continue;
            }
            found.seen.push((column, row));
            if Some(idx) == own {
                found.stars.push((column, row));
            }
        }
    }
    found
}

/// Light that stays at its place of the sky, in standard deviations.
fn aligned_light(evidence: &Evidence, maps: &[Carried]) -> Plane<f32> {
    let size = evidence.size();
    let mut light = Plane::filled(size, 0.0_f32);
    light.samples_mut().par_chunks_mut(size.width).enumerate().for_each(|(y, row)| {
        let mut highest = vec![f32::NEG_INFINITY; size.width];
        let mut counts = vec![0_u16; size.width];
        for (map, beyond) in maps.iter().zip(&evidence.beyond) {
            for (x, sum) in row.iter_mut().enumerate() {
                if let Some(sample) = map.at(x, y).and_then(|(column, row)| between(beyond, column, row)) {
                    *sum += sample;
                    highest[x] = highest[x].max(sample);
                    counts[x] += 1;
                }
            }
        }
        for ((sum, highest), count) in row.iter_mut().zip(highest).zip(counts) {
            *sum = if count >= 2 { (*sum - highest) / f32::from(count - 1).sqrt() } else { 0.0 };
        }
    });
    let mut sample: Vec<f32> = light.samples().iter().copied().step_by(7).collect();
    let (middle, sigma) = median_and_sigma(&mut sample).unwrap_or((0.0, 1.0));
    let sigma = sigma.max(f32::MIN_POSITIVE);
    light.map(|sample| (sample - middle) / sigma)
}

/// Pixels brighter than all others within two pixels.
fn peaks(light: &Plane<f32>) -> Vec<(usize, usize)> {
    let Size { width, height } = light.size();
    let mut found = Vec::new();
    for y in 2..height.saturating_sub(2) {
        for x in 2..width.saturating_sub(2) {
            let own = light.at(x, y);
            if own > STAR_SIGMA
                && (y - 2..=y + 2).all(|row| light.row(row)[x - 2..=x + 2].iter().all(|&other| other <= own))
            {
                found.push((x, y));
            }
        }
    }
    found
}

fn brightest_near(plane: &Plane<f32>, x: usize, y: usize) -> f32 {
    let Size { width, height } = plane.size();
    let rows = y.saturating_sub(1)..(y + 2).min(height);
    let columns = x.saturating_sub(1)..(x + 2).min(width);
    rows.flat_map(|row| plane.row(row)[columns.clone()].iter().copied()).fold(f32::NEG_INFINITY, f32::max)
}

/// Value between four pixels; `None` outside.
fn between(plane: &Plane<f32>, x: f32, y: f32) -> Option<f32> {
    let Size { width, height } = plane.size();
    if !(x >= 0.0 && y >= 0.0 && x < (width - 1) as f32 && y < (height - 1) as f32) {
        return None;
    }
    // Checked to lie inside, so the casts round down.
    let (column, row) = (x as usize, y as usize);
    let (fx, fy) = (x - column as f32, y - row as f32);
    let (upper, lower) = (plane.row(row), plane.row(row + 1));
    let top = upper[column] + fx * (upper[column + 1] - upper[column]);
    let bottom = lower[column] + fx * (lower[column + 1] - lower[column]);
    Some(top + fy * (bottom - top))
}

/// Where the pixels of the reference's evidence lie in a frame's evidence, exact on a grid and bilinear between.
struct Carried {
    grid: Plane<(f32, f32)>,
}

impl Carried {
    fn new(carry: LightFromReference<'_>, frame: usize, size: Size, bin: usize) -> Self {
        let grid = Size { width: size.width.div_ceil(STEP) + 1, height: size.height.div_ceil(STEP) + 1 };
        let middle = 0.5 * (bin as f64 - 1.0);
        let there = |cell: usize| (cell * STEP * bin) as f64 + middle;
        let back = |position: f64| ((position - middle) / bin as f64) as f32;
        let place = |x: usize, y: usize| {
            let point = carry(frame, Point { x: there(x), y: there(y) });
            point.map_or((f32::NAN, f32::NAN), |point| (back(point.x), back(point.y)))
        };
        Self { grid: Plane::from_fn(grid, place) }
    }

    /// `None` where the registration has no image.
    fn at(&self, x: usize, y: usize) -> Option<(f32, f32)> {
        let (column, row) = (x / STEP, y / STEP);
        let (fx, fy) = ((x % STEP) as f32 / STEP as f32, (y % STEP) as f32 / STEP as f32);
        let mix = |a: (f32, f32), b: (f32, f32), t: f32| (a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1));
        let (upper, lower) = (self.grid.row(row), self.grid.row(row + 1));
        let place = mix(mix(upper[column], upper[column + 1], fx), mix(lower[column], lower[column + 1], fx), fy);
        (place.0.is_finite() && place.1.is_finite()).then_some(place)
    }

    fn nearest(&self, x: usize, y: usize, size: Size) -> Option<(usize, usize)> {
        let (column, row) = self.at(x, y)?;
        let column = crate::pixels::nearest_index(f64::from(column), size.width)?;
        Some((column, crate::pixels::nearest_index(f64::from(row), size.height)?))
    }
}
