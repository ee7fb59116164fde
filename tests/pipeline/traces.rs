//! What must not be seen in the stack: satellites, aircraft, hot pixels.

use nightsheaf::pixels::statistics::{SIGMA_PER_MAD, median};
use nightsheaf::pixels::{Plane, Point, nearest_index};
use nightsheaf::synthetic::TrailSegment;

use crate::sample::{Sample, mean, noiseless};

/// Pixels of a trail that are averaged: 24 along and 3 across leave a quarter of a pixel's noise at most.
const PIECE_PX: usize = 24;
/// Half the edge of the neighborhood that noise is measured in.
const AROUND_PX: usize = 16;

/// Median and standard deviation of the samples around a pixel.
pub(crate) fn neighborhood(plane: &Plane<f32>, x: usize, y: usize) -> (f32, f32) {
    let columns = x.saturating_sub(AROUND_PX)..(x + AROUND_PX).min(plane.width());
    let rows = y.saturating_sub(AROUND_PX)..(y + AROUND_PX).min(plane.height());
    let mut values: Vec<f32> = rows.flat_map(|y| plane.row(y)[columns.clone()].iter().copied()).collect();
    let middle = median(&mut values).expect("not empty");
    let mut distances: Vec<f32> = values.iter().map(|value| (value - middle).abs()).collect();
    (middle, SIGMA_PER_MAD * median(&mut distances).expect("not empty"))
}

pub(crate) fn pixel(plane: &Plane<f32>, point: Point) -> Option<(usize, usize)> {
    Some((nearest_index(point.x, plane.width())?, nearest_index(point.y, plane.height())?))
}

/// Difference of the highest and the lowest of the 5 × 5 samples around a pixel.
fn range(plane: &Plane<f32>, x: usize, y: usize) -> f32 {
    let columns = x.saturating_sub(2)..(x + 3).min(plane.width());
    let rows = y.saturating_sub(2)..(y + 3).min(plane.height());
    let values = rows.flat_map(|y| plane.row(y)[columns.clone()].iter().copied());
    let (low, high) = values.fold((f32::MAX, f32::MIN), |(low, high), value| (low.min(value), high.max(value)));
    high - low
}

/// Heights of the pieces of a trail over the sky beside it, in standard deviations of a pixel of the stack.
pub(crate) fn pieces(sample: &Sample, residual: &Plane<f32>, trail: &TrailSegment) -> Vec<f64> {
    let length_px = trail.from.distance(trail.to);
    let across = Point { x: -(trail.to.y - trail.from.y) / length_px, y: (trail.to.x - trail.from.x) / length_px };
    let beside = |point: Point, px: f64| Point { x: point.x + px * across.x, y: point.y + px * across.y };
    let truth = &sample.truth.planes[1];
    let heights: Vec<Option<f64>> = (0..length_px as usize)
        .map(|step| {
            let t = step as f64 / length_px;
            let there = Point {
                x: trail.from.x + t * (trail.to.x - trail.from.x),
                y: trail.from.y + t * (trail.to.y - trail.from.y),
            };
            let here = sample.burst.carry(trail.frame, sample.reference, there)?;
            let (x, y) = pixel(residual, here)?;
            let (_, sigma) = neighborhood(residual, x, y);
            if !sample.is_pure_sky(x, y) || range(truth, x, y) > 6.0 * sigma {
                return None;
            }
            let level = |px: f64| pixel(residual, beside(here, px)).map(|(x, y)| f64::from(residual.at(x, y)));
            let on: Option<Vec<f64>> = [-1.0, 0.0, 1.0].into_iter().map(level).collect();
            let off: Option<Vec<f64>> = [-12.0, -11.0, -10.0, 10.0, 11.0, 12.0].into_iter().map(level).collect();
            Some((mean(&on?) - mean(&off?)) / f64::from(sigma))
        })
        .collect();
    let heights: Vec<f64> = heights.into_iter().flatten().collect();
    heights.chunks_exact(PIECE_PX).map(mean).collect()
}

#[test]
fn satellite_and_aircraft_leave_less_than_a_sigma() {
    let sample = Sample::with_darks();
    let residual = sample.residual(1);
    let trails: Vec<TrailSegment> = sample.used.iter().flat_map(|&idx| sample.burst.trails_in(idx)).collect();
    assert!(trails.len() >= 3, "{} trails in the frames used", trails.len());
    let mut n_pieces = 0;
    for trail in &trails {
        let heights = pieces(sample, &residual, trail);
        n_pieces += heights.len();
        let highest = heights.iter().copied().fold(f64::MIN, f64::max);
        assert!(highest < 1.0, "{:?} of frame {}: {heights:?}", trail.kind, trail.frame);
        if heights.len() >= 4 {
            let all = mean(&heights);
            assert!(all.abs() < 0.5, "{:?} of frame {}: {all} σ on the whole", trail.kind, trail.frame);
        }
    }
    assert!(n_pieces >= 40, "{n_pieces} pieces of trail on plain sky");
}

/// Without clipping each trail would stand out of the stack: what the test above looks for was there.
#[test]
fn a_plain_mean_would_show_the_trails() {
    let sample = Sample::with_darks();
    let (_, sigma) = neighborhood(&sample.residual(1), 540, 200);
    for frame in [3, 7] {
        let with = noiseless(&sample.burst, frame);
        let without = noiseless(&sample.perfect, frame);
        let lit = with.planes[1].samples().iter().zip(without.planes[1].samples());
        let left = |(with, without): (&f32, &f32)| (with - without) / sample.used.len() as f32 > sigma;
        let n_lit = lit.filter(|&(with, without)| left((with, without))).count();
        assert!(n_lit > 300, "{n_lit} pixels of frame {frame} would stand out by a sigma");
    }
}

/// Where the sky of each frame was carried to, and where the land stands still.
fn hot_places(sample: &Sample) -> Vec<(usize, usize)> {
    let size = sample.burst.scene().size;
    let mut places = Vec::new();
    for hot in sample.burst.hot_pixels() {
        if sample.burst.foreground().at(hot.x, hot.y) > 0.0 {
            places.push((hot.x, hot.y));
            continue;
        }
        let there = Point { x: hot.x as f64, y: hot.y as f64 };
        for &frame in &sample.used {
            let here = sample.burst.carry(frame, sample.reference, there);
            let index =
                |point: Point| Some((nearest_index(point.x, size.width)?, nearest_index(point.y, size.height)?));
            places.extend(here.and_then(index));
        }
    }
    places
}

fn check_no_hot_pixel(sample: &Sample) {
    let places = hot_places(sample);
    for channel in 0..3 {
        let residual = sample.residual(channel);
        let truth = &sample.truth.planes[channel];
        let mut n_seen = 0;
        for &(x, y) in &places {
            let (middle, sigma) = neighborhood(&residual, x, y);
            // On a star the picture differs from the truth by the star's own noise and width.
            if range(truth, x, y) > 10.0 * sigma {
                continue;
            }
            n_seen += 1;
            let columns = x.saturating_sub(1)..(x + 2).min(residual.width());
            for near_y in y.saturating_sub(1)..(y + 2).min(residual.height()) {
                for near_x in columns.clone() {
                    let height = (residual.at(near_x, near_y) - middle) / sigma;
                    assert!(height < 6.0, "{height} σ at {near_x}, {near_y} in channel {channel}");
                }
            }
        }
        assert!(n_seen * 2 > places.len(), "{n_seen} of {} places to look at", places.len());
    }
}

#[test]
fn no_hot_pixel_is_left_with_darks() {
    check_no_hot_pixel(Sample::with_darks());
}

#[test]
fn no_hot_pixel_is_left_without_darks() {
    let sample = Sample::without_darks();
    check_no_hot_pixel(sample);
    // They were there: most would stand out of a single frame by 6 σ.
    let scene = sample.burst.scene();
    let (_, sigma) = neighborhood(&sample.residual(1), 540, 200);
    let sigma_electrons = f64::from(sigma)
        * (sample.used.len() as f64).sqrt()
        * f64::from(scene.white_level - scene.black_level[0])
        * scene.electrons_per_dn;
    let hot = sample.burst.hot_pixels();
    let strong = hot.iter().filter(|pixel| pixel.electrons_per_sec * scene.exposure_secs > 6.0 * sigma_electrons);
    assert!(strong.count() * 2 > hot.len(), "noise of {sigma_electrons} electrons");
}
