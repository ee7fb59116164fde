//! Parts of sky and of land that stand alone: gaps between branches, ponds, bright stars.
//!
//! Stars are spread at random, so a part of the sky in which n are to be expected shows none with
//! probability exp(−n) (Poisson): a large smooth part without stars is water or mist, not sky.

use crate::foreground::filters::{Parts, Touching, as_weights, box_mean, dilate, erode};
use crate::foreground::growth::{Ground, Sky, UNKNOWN};
use crate::foreground::leaks::{CALM_SHARE, FLOATING, Roughness, SKY_BELOW};
use crate::foreground::moving::MovingLights;
use crate::pixels::{Mask, Plane, Size};

/// Mean departure of a gap of sky; the land that happens to look like sky varies more.
const GAP_DEPARTURE: f32 = 1.4;
/// Smaller gaps are left to the refinement at full resolution.
const LEAST_GAP: f32 = 6.0;
/// A gap with more stars to be expected must show some. Near the horizon, between branches, a third of them is seen.
const EXPECTED_STARS: f32 = 13.0;
/// Share of the expected stars that a large part must show.
const LEAST_STARS: f32 = 0.3;
/// The roughness of a gap is judged by so many pixels off its edge.
const CORE_TO_JUDGE: f32 = 30.0;
/// A gap is separated from the sky by no more than a branch.
const BRANCH: f32 = 16.0;
/// Share of its edge that lies so near to the sky.
const NEAR_SHARE: f32 = 0.05;
/// Brighter than the sky and smaller: what is left of a bright star.
const STAR_REST: f32 = 400.0;
/// A part of land that nowhere departs more from the sky is a cloud or a piece of the galaxy, unless it is as
/// thin as a twig.
const FAINT_LAND: (f32, f32) = (5.0, 12.0);
const TWIG: f32 = 3.0;
/// Where sky encloses such a part, a star in it may depart more, on less than this share of it.
const STAR_SHARE: f32 = 0.05;
/// So much sky below a part encloses it.
const ENCLOSED: f32 = 0.97;

/// Land of less pixels, with no larger land within the distance, is none.
const LEAST_LAND: f32 = 100.0;
const LONE_DISTANCE: f32 = 24.0;

/// Where gaps are looked for.
pub(super) struct Gaps<'a> {
    pub(super) ground: &'a Ground<'a>,
    pub(super) like_sky: &'a Mask,
    pub(super) departure: &'a Plane<f32>,
    pub(super) sky: &'a Mask,
}

/// Parts that look like sky, lie just behind a branch, and are too small to miss their stars.
pub(super) fn gaps_of_sky(gaps: &Gaps<'_>) -> Mask {
    let size = gaps.sky.size();
    let alone = minus(gaps.like_sky, gaps.sky);
    let parts = Parts::of(&alone, Touching::Edges);
    let areas = parts.sums(|_| 1.0);
    let departures = parts.sums(|idx| gaps.departure.samples()[idx]);
    let cover = box_mean(&as_weights(gaps.sky), 24);
    let covers = parts.sums(|idx| cover.samples()[idx]);
    let near = nearness(&parts, &alone, gaps.sky);
    let roughness = Roughness::of(&gaps.ground.smooth_grey, &alone, |x, y| gaps.ground.noise(x, y));
    let sky_below = gaps.ground.down.shares_above_sky(&parts, gaps.like_sky);
    let calms = parts.sums(|idx| roughness.calm.samples()[idx]);
    let cores = parts.sums(|idx| roughness.core.samples()[idx]);
    let density = gaps.ground.lights.stars.len() as f32 / size.area() as f32;
    let wanted: Vec<bool> = (0..parts.n)
        .map(|part| {
            let area = areas[part];
            let mean = |sums: &[f32]| sums[part] / area.max(1.0);
            let rough =
                cores[part] >= CORE_TO_JUDGE && calms[part] < CALM_SHARE * cores[part] && sky_below[part] < SKY_BELOW;
            let among_sky = mean(&covers) > 0.3 && area < 2000.0;
            area >= LEAST_GAP
                && !rough
                && mean(&departures) < GAP_DEPARTURE
                && density * area < EXPECTED_STARS
                && (among_sky || near[part] > NEAR_SHARE)
        })
        .collect();
    parts.select(&wanted)
}

/// Leaves parts of the sky out that have no claim to it, and takes specks in it back: rests of stars, clouds,
/// and bright smooth parts with sky below them, which the galaxy has and the land has not.
pub(super) fn settle(ground: &Ground<'_>, sky: &Sky) -> Mask {
    let (grey, lights) = (&ground.evidence.grey, ground.lights);
    let parts = Parts::of(&sky.mask, Touching::Edges);
    if parts.n == 1 {
        return sky.mask.clone();
    }
    let kept = parts.select(&rightful(&parts, &sky.mask, lights));
    let land = Mask(kept.0.map(|inside| !inside));
    let specks = Parts::of(&land, Touching::Corners);
    let areas = specks.sums(|_| 1.0);
    let width = grey.width();
    let excess = specks.sums(|idx| {
        let (x, y) = (idx % width, idx / width);
        if sky.model.knows(x, y) {
            grey.at(x, y) - sky.model.at(x as f32, y as f32).iter().sum::<f32>() / 3.0
        } else {
            0.0
        }
    });
    let departures = specks.sums(|idx| sky.departure.samples()[idx]);
    let sky_below = ground.down.shares_above_sky(&specks, &kept);
    let roughness = Roughness::of(&ground.smooth_grey, &land, |x, y| ground.noise(x, y));
    let calms = specks.sums(|idx| roughness.calm.samples()[idx]);
    let cores = specks.sums(|idx| roughness.core.samples()[idx]);
    let core = erode(&land, TWIG);
    let thick = specks.sums(|idx| if core.0.samples()[idx] { 1.0 } else { 0.0 });
    let strong = specks.sums(|idx| if sky.departure.samples()[idx] >= FAINT_LAND.1 { 1.0 } else { 0.0 });
    let mut highest = vec![0.0_f32; specks.n];
    for (&label, &departure) in specks.label.samples().iter().zip(sky.departure.samples()) {
        highest[label as usize] = highest[label as usize].max(departure);
    }
    let wanted: Vec<bool> = (0..specks.n)
        .map(|part| {
            let mean = departures[part] / areas[part].max(1.0);
            let star = excess[part] > 0.0 && areas[part] < STAR_REST && highest[part] < UNKNOWN;
            // A bright star may stand in a piece of the galaxy.
            let starred = sky_below[part] > ENCLOSED && strong[part] < STAR_SHARE * areas[part];
            let faint = mean < FAINT_LAND.0 && (strong[part] == 0.0 || starred) && thick[part] > 0.0;
            let calm = calms[part] > CALM_SHARE * cores[part];
            let glow = excess[part] > 0.0 && (sky_below[part] > ENCLOSED || (calm && sky_below[part] > FLOATING));
            star || faint || glow || areas[part] < 3.0
        })
        .collect();
    without_lone_specks(&kept.union(&specks.select(&wanted)))
}

/// Takes specks of land back that have no land of any size near them: twigs have.
fn without_lone_specks(sky: &Mask) -> Mask {
    let land = Mask(sky.0.map(|inside| !inside));
    let parts = Parts::of(&land, Touching::Corners);
    let areas = parts.sums(|_| 1.0);
    let large: Vec<bool> = areas.iter().map(|&area| area >= LEAST_LAND).collect();
    let near = dilate(&parts.select(&large), LONE_DISTANCE);
    let mut lone = vec![true; parts.n];
    for (&label, &near) in parts.label.samples().iter().zip(near.0.samples()) {
        lone[label as usize] &= !near;
    }
    sky.union(&parts.select(&lone))
}

/// The part with most stars, parts with their share of stars, and parts just behind a branch from these.
fn rightful(parts: &Parts, sky: &Mask, lights: &MovingLights) -> Vec<bool> {
    let areas = parts.sums(|_| 1.0);
    let stars = stars_in(parts, lights);
    let main = (1..parts.n).max_by(|&a, &b| stars[a].total_cmp(&stars[b]).then(areas[a].total_cmp(&areas[b])));
    let mut good = vec![false; parts.n];
    let Some(main) = main else { return good };
    good[main] = true;
    let density = stars[main] / areas[main];
    let expected = |part: usize| density * areas[part];
    loop {
        let near = nearness(parts, sky, &parts.select(&good));
        let mut gained = false;
        for part in 1..parts.n {
            let behind_branch = near[part] > NEAR_SHARE
                && (expected(part) < EXPECTED_STARS || stars[part] > LEAST_STARS * expected(part));
            let starry = stars[part] >= 4.0 && stars[part] > 0.5 * expected(part);
            if !good[part] && (behind_branch || starry) {
                good[part] = true;
                gained = true;
            }
        }
        if !gained {
            return good;
        }
    }
}

/// Stars in each part or on its edge.
fn stars_in(parts: &Parts, lights: &MovingLights) -> Vec<f32> {
    let Size { width, height } = parts.label.size();
    let mut stars = vec![0.0; parts.n];
    for &(star_x, star_y) in &lights.stars {
        let rows = star_y.saturating_sub(1)..(star_y + 2).min(height);
        let around = rows.flat_map(|y| parts.label.row(y)[star_x.saturating_sub(1)..(star_x + 2).min(width)].iter());
        stars[around.copied().max().unwrap_or(0) as usize] += 1.0;
    }
    stars
}

/// Share of the edge of each part that lies within a branch's width of `sky`.
fn nearness(parts: &Parts, mask: &Mask, sky: &Mask) -> Vec<f32> {
    let Size { width, height } = mask.size();
    let near = dilate(sky, BRANCH);
    let (mut edges, mut nears) = (vec![0.0_f32; parts.n], vec![0.0_f32; parts.n]);
    for y in 0..height {
        for x in 0..width {
            let label = parts.label.at(x, y) as usize;
            if label == 0 {
                continue;
            }
            let inside = |x: usize, y: usize| mask.contains(x, y);
            let whole = (x == 0 || inside(x - 1, y))
                && (x + 1 == width || inside(x + 1, y))
                && (y == 0 || inside(x, y - 1))
                && (y + 1 == height || inside(x, y + 1));
            if !whole {
                edges[label] += 1.0;
                nears[label] += if near.contains(x, y) { 1.0 } else { 0.0 };
            }
        }
    }
    nears.iter().zip(&edges).map(|(near, edge)| near / edge.max(1.0)).collect()
}

/// The pixels of `a` outside `b`.
pub(super) fn minus(a: &Mask, b: &Mask) -> Mask {
    let samples = a.0.samples().iter().zip(b.0.samples()).map(|(&a, &b)| a && !b).collect();
    Mask(Plane::from_vec(a.size(), samples).expect("one flag a pixel"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::foreground::down::Down;
    use crate::foreground::evidence::{Evidence, cells_of};

    const SIZE: Size = Size { width: 240, height: 160 };
    const CELL: usize = 8;
    const SKY_LEVEL: f32 = 0.02;
    /// Noise of grey; the sky of this test has none, so that every number can be followed.
    const SIGMA: f32 = 0.0005;
    const HORIZON: usize = 120;

    fn within(x: usize, y: usize, [left, top, right, bottom]: [usize; 4]) -> bool {
        (left..right).contains(&x) && (top..bottom).contains(&y)
    }

    /// What `settle` takes for sky where the growth left `gaps` in the sky above the horizon.
    fn settled(grey: &dyn Fn(usize, usize) -> f32, gaps: &[[usize; 4]]) -> Mask {
        let plane = Plane::from_fn(SIZE, |x, y| if y < HORIZON { grey(x, y) } else { rough(0.008, x, y) });
        let evidence = Evidence {
            bin: 1,
            cell: CELL,
            frames: vec![0],
            colors: [plane.clone(), plane.clone(), plane.clone()],
            grey: plane,
            grey_sigma: Plane::filled(cells_of(SIZE, CELL), SIGMA),
            beyond: Vec::new(),
        };
        let lights = MovingLights::default();
        let ground = Ground::new(&evidence, &lights, Down::Bottom);
        let is_gap = |x, y| gaps.iter().any(|&gap| within(x, y, gap));
        let grown = Mask(Plane::from_fn(SIZE, |x, y| y < HORIZON && !is_gap(x, y)));
        settle(&ground, &ground.refit(grown))
    }

    /// Far rougher than the noise.
    fn rough(level: f32, x: usize, y: usize) -> f32 {
        level * (1.0 + 0.2 * ((7 * x + 13 * y) % 5) as f32)
    }

    fn share_of_sky(sky: &Mask, [left, top, right, bottom]: [usize; 4]) -> f32 {
        let n = (top..bottom).flat_map(|y| (left..right).map(move |x| (x, y))).filter(|&(x, y)| sky.contains(x, y));
        n.count() as f32 / ((right - left) * (bottom - top)) as f32
    }

    /// A piece of the galaxy is brighter and rougher than the sky around it, as a lit hut is; but sky lies below it.
    #[test]
    fn a_bright_rough_piece_with_sky_all_around_is_no_land() {
        let galaxy = [80, 30, 160, 60];
        let (roof, tower) = ([20, 30, 60, 50], [200, 80, 224, HORIZON]);
        let grey = |x: usize, y: usize| match () {
            () if within(x, y, galaxy) => rough(0.04, x, y),
            () if within(x, y, tower) => rough(0.05, x, y),
            () if within(x, y, roof) => 0.004,
            () => SKY_LEVEL,
        };
        let sky = settled(&grey, &[galaxy, roof, tower]);
        assert_eq!(share_of_sky(&sky, galaxy), 1.0, "bright, and enclosed by the sky");
        assert_eq!(share_of_sky(&sky, tower), 0.0, "as bright, and standing on the land");
        assert_eq!(share_of_sky(&sky, roof), 0.0, "enclosed, and darker than any sky");
        assert_eq!(share_of_sky(&sky, [0, HORIZON, SIZE.width, SIZE.height]), 0.0, "the land");
    }

    /// A thin cloud departs from the sky by 2.5 of noise and tolerance together; a star shines through it.
    #[test]
    fn a_star_in_a_faint_piece_of_sky_makes_no_land_of_it() {
        let cloud = [80, 30, 160, 60];
        let star = [118, 44, 121, 47];
        let grey = |x: usize, y: usize| match () {
            () if within(x, y, star) => 0.08,
            () if within(x, y, cloud) => SKY_LEVEL - 0.0015,
            () => SKY_LEVEL,
        };
        let sky = settled(&grey, &[cloud]);
        assert_eq!(share_of_sky(&sky, cloud), 1.0, "cloud and star");
    }
}
