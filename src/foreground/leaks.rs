//! Where the sky has leaked into land that looks like it: a ridge in haze, a slope as bright as the sky.
//!
//! Such land betrays itself twice: it is rougher than the noise, and it shows no star over an area where
//! several are to be expected. Both together end the leak; then the walk draws the line between the sky that
//! is sure and the land that is sure along the faint edge that is left.

use crate::foreground::components::minus;
use crate::foreground::filters::{Parts, Touching, as_weights, blur, box_mean, by_rows, dilate, erode, open};
use crate::foreground::growth::{Ground, Sky, UNKNOWN};
use crate::foreground::walk::Walk;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{Mask, Plane, Rect, Size};

/// Leaks are looked for again this often, in case the sky finds another way.
const MOST_PASSES: usize = 3;
/// Pixels nearer to their surroundings than the noise: 68 % of pure noise, and a little more after the
/// surroundings were fitted. Fewer than this share is rough.
pub(super) const CALM_SHARE: f32 = 0.5;
/// Roughness is measured over twice this many pixels.
const ROUGH_REACH: usize = 12;
/// No star where this many are to be expected has the probability e⁻⁴, 2 %.
const MISSED_STARS: f32 = 4.0;
/// Share of the expected stars that may be there by chance (reflections, noise).
const STRAY_STARS: f32 = 0.3;
/// A rough part over sky is a crown of twigs; over land it is land. Share of its columns with sky below them.
pub(super) const SKY_BELOW: f32 = 0.3;
/// With more sky below it than this a part floats in the sky: the galaxy is rough, too.
pub(super) const FLOATING: f32 = 0.7;
/// The sky is kept off a leak by this margin, and the walk settles the rest.
const MARGIN: f32 = 6.0;
/// Half the width of the belt that the walk settles.
const BELT: f32 = 30.0;
/// Departure that is land for sure.
const SURE_LAND: f32 = 8.0;
/// How hard edges are for the walk.
const EDGE_GAIN: f32 = 0.3;

/// Grows the sky, ends its leaks and draws the line again where there were any.
pub(super) fn grow_without_leaks(monitor: &Monitor, ground: &Ground<'_>) -> Result<Sky, Cancelled> {
    let size = ground.evidence.size();
    let mut forbidden = Mask::empty(size);
    let mut sure_land = Mask::empty(size);
    let mut sky = ground.grow(monitor, &forbidden)?;
    for _ in 0..MOST_PASSES {
        let leak = minus(&leaks(ground, &sky), &forbidden);
        if leak.count() == 0 {
            break;
        }
        sure_land = sure_land.union(&erode(&leak, 4.0));
        forbidden = forbidden.union(&dilate(&leak, MARGIN));
        sky = ground.grow(monitor, &forbidden)?;
    }
    if forbidden.count() > 0 {
        settle_belt(monitor, ground, &mut sky, &forbidden, &sure_land)?;
    }
    Ok(sky)
}

/// Rough parts of the sky without stars: where stars are missed, or where no sky lies below.
fn leaks(ground: &Ground<'_>, sky: &Sky) -> Mask {
    let size = sky.mask.size();
    let Roughness { calm, core } = Roughness::of(&ground.smooth_grey, &sky.mask, |x, y| ground.noise(x, y));
    let inside = as_weights(&sky.mask);
    let (calm, core, cover) =
        (box_mean(&calm, ROUGH_REACH), box_mean(&core, ROUGH_REACH), box_mean(&inside, ROUGH_REACH));
    let rough = Mask(Plane::from_fn(size, |x, y| {
        cover.at(x, y) > 0.85 && core.at(x, y) > 0.3 && calm.at(x, y) < CALM_SHARE * core.at(x, y)
    }));
    let rough = open(&rough, 8.0);
    let parts = Parts::of(&rough, Touching::Edges);
    let areas = parts.sums(|_| 1.0);
    let mut stars = vec![0.0_f32; parts.n];
    for &(x, y) in &ground.lights.stars {
        stars[parts.label.at(x, y) as usize] += 1.0;
    }
    let sky_below = ground.down.shares_above_sky(&parts, &minus(&sky.mask, &rough));
    let density = ground.lights.stars.len() as f32 / size.area() as f32;
    let wanted: Vec<bool> = (0..parts.n)
        .map(|part| {
            let expected = density * areas[part];
            let missed = expected > MISSED_STARS && stars[part] <= STRAY_STARS * expected;
            (missed && sky_below[part] < FLOATING) || (stars[part] == 0.0 && sky_below[part] < SKY_BELOW)
        })
        .collect();
    parts.select(&wanted)
}

/// How much of a part of the picture is as smooth as its noise allows.
pub(super) struct Roughness {
    /// 1 where a pixel of the core is as near to its surroundings as noise is in about 7 of 10.
    pub(super) calm: Plane<f32>,
    /// 1 inside, off the edge.
    pub(super) core: Plane<f32>,
}

impl Roughness {
    pub(super) fn of(grey: &Plane<f32>, mask: &Mask, noise: impl Fn(usize, usize) -> f32 + Sync) -> Self {
        let core = as_weights(&erode(mask, 1.0));
        let product = by_rows(mask.size(), 0.0, |y, row| {
            let values = core.row(y).iter().zip(grey.row(y));
            row.iter_mut().zip(values).for_each(|(value, (&core, &grey))| *value = core * grey);
        });
        let (weight, around) = (blur(&core, 2.0), blur(&product, 2.0));
        let calm = by_rows(mask.size(), 0.0, |y, row| {
            for (x, calm) in row.iter_mut().enumerate() {
                if core.at(x, y) > 0.0 {
                    let surroundings = around.at(x, y) / weight.at(x, y).max(1e-3);
                    // A little below the full noise: the surroundings take part of it away.
                    *calm = if (grey.at(x, y) - surroundings).abs() < 0.93 * noise(x, y) { 1.0 } else { 0.0 };
                }
            }
        });
        Self { calm, core }
    }

    /// Share of the frame whose surroundings are as smooth as their noise.
    pub(super) fn calm_area(&self) -> f64 {
        let (calm, core) = (box_mean(&self.calm, ROUGH_REACH), box_mean(&self.core, ROUGH_REACH));
        let n_calm = calm.samples().iter().zip(core.samples()).filter(|(calm, core)| **calm > CALM_SHARE * **core);
        n_calm.count() as f64 / calm.size().area() as f64
    }
}

/// Draws the line between sure sky and sure land along the leaks.
fn settle_belt(
    monitor: &Monitor,
    ground: &Ground<'_>,
    sky: &mut Sky,
    forbidden: &Mask,
    sure_land: &Mask,
) -> Result<(), Cancelled> {
    let belt = dilate(forbidden, BELT);
    let Some(rect) = bounds(&belt, 2) else { return Ok(()) };
    let place = |x: usize, y: usize| (x + rect.x, y + rect.y);
    let departures = box_mean(&sky.departure.crop(rect).map(|departure| departure.min(6.0)), 2);
    let mut prior = Plane::filled(rect.size, 0.0);
    let mut trust = Plane::filled(rect.size, 0.0);
    for y in 0..rect.size.height {
        for x in 0..rect.size.width {
            let (column, row) = place(x, y);
            let in_belt = belt.contains(column, row);
            let departure = sky.departure.at(column, row);
            let known = departure < UNKNOWN;
            let land = sure_land.contains(column, row)
                || (known && departure > SURE_LAND)
                || (!in_belt && !sky.mask.contains(column, row));
            let sure_sky = !in_belt && !land;
            let (held, weight) = match (land, sure_sky) {
                (true, _) => (1.0, 5.0),
                (_, true) => (0.0, 5.0),
                _ if known => ((departures.at(x, y) - 1.0).clamp(0.0, 1.0), 0.03),
                _ => (1.0, 0.01),
            };
            prior.set(x, y, held);
            trust.set(x, y, weight);
        }
    }
    let grey = blur(&ground.evidence.grey.crop(rect), 1.0);
    let sigma = Plane::from_fn(rect.size, |x, y| {
        let (column, row) = place(x, y);
        0.28 * ground.evidence.sigma(column, row)
    });
    let start = prior.clone();
    let walk = Walk::new(prior, trust, EDGE_GAIN, |a, b| {
        ((grey.samples()[a] - grey.samples()[b]) / sigma.samples()[a]).powi(2)
    });
    let chances = walk.solve(monitor, &start)?;
    for y in 0..rect.size.height {
        for x in 0..rect.size.width {
            let (column, row) = place(x, y);
            if belt.contains(column, row) {
                sky.mask.0.set(column, row, chances.at(x, y) < 0.5);
            }
        }
    }
    Ok(())
}

/// The smallest block that holds the mask and a margin.
pub(super) fn bounds(mask: &Mask, margin: usize) -> Option<Rect> {
    let Size { width, height } = mask.size();
    let rows: Vec<usize> = (0..height).filter(|&y| mask.0.row(y).contains(&true)).collect();
    let (first, last) = (*rows.first()?, *rows.last()?);
    let (mut left, mut right) = (width, 0);
    for &y in &rows {
        let row = mask.0.row(y);
        left = left.min(row.iter().position(|&inside| inside).unwrap_or(width));
        right = right.max(row.iter().rposition(|&inside| inside).unwrap_or(0));
    }
    let (x, y) = (left.saturating_sub(margin), first.saturating_sub(margin));
    let size = Size { width: (right + margin + 1).min(width) - x, height: (last + margin + 1).min(height) - y };
    Some(Rect { x, y, size })
}
