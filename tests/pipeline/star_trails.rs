//! Star trails: the brightest of all frames, with the gaps between exposures joined.

use nightsheaf::pipeline::{Combine, Request};
use nightsheaf::pixels::{Plane, Point};
use nightsheaf::synthetic::{Burst, LandKind, Lens, Scene};

use crate::sample::{Sample, mean, noiseless};

/// Stars move 3 px while the shutter is open and 3 px more until it opens again.
fn scene() -> Scene {
    let small = Scene::small();
    Scene {
        lens: Lens { focal_mm: 35.0, distortion: [-0.01, 0.0], ..small.lens },
        exposure_secs: 32.0,
        interval_secs: 64.0,
        n_lights: 6,
        n_stars: 500,
        land: LandKind::None,
        zero_point_electrons_per_sec: 20_000.0,
        ..small
    }
}

fn between(plane: &Plane<f32>, point: Point) -> Option<f64> {
    let (x, y) = (point.x.floor(), point.y.floor());
    let inside = x >= 0.0 && y >= 0.0 && x + 1.0 < plane.width() as f64 && y + 1.0 < plane.height() as f64;
    inside.then(|| {
        let (column, row) = (x as usize, y as usize);
        let at = |dx: usize, dy: usize| f64::from(plane.at(column + dx, row + dy));
        let (across, down) = (point.x - x, point.y - y);
        let upper = at(0, 0) + (at(1, 0) - at(0, 0)) * across;
        let lower = at(0, 1) + (at(1, 1) - at(0, 1)) * across;
        upper + (lower - upper) * down
    })
}

/// The path of a star from the middle of the first exposure to that of the last, half a pixel a step.
fn path(burst: &Burst, star: Point) -> Vec<Point> {
    let nodes: Option<Vec<Point>> = (0..burst.scene().n_lights).map(|idx| burst.carry(0, idx, star)).collect();
    let nodes = nodes.unwrap_or_default();
    let pieces = nodes.windows(2).flat_map(|pair| {
        let [from, to] = [pair[0], pair[1]];
        let n_steps = (2.0 * from.distance(to)).ceil() as usize;
        (0..n_steps).map(move |step| {
            let share = step as f64 / n_steps as f64;
            Point { x: from.x + share * (to.x - from.x), y: from.y + share * (to.y - from.y) }
        })
    });
    pieces.collect()
}

/// Deepest dip along the trails of bright stars: the mean, over stars, of darkest over median light along the path.
fn darkest_shares(burst: &Burst, green: &Plane<f32>, sky: f64) -> Vec<f64> {
    let size = burst.scene().size;
    let stars = burst.stars_in(0);
    let paths: Vec<Vec<Point>> = stars.iter().map(|star| path(burst, star.position)).collect();
    let bright = (0..stars.len()).filter(|&idx| (5_000.0..150_000.0).contains(&stars[idx].flux_electrons[1]));
    let lonely = |own: usize| {
        let is_near = |place: &Point| paths[own].iter().step_by(4).any(|own| own.distance(*place) < 5.0);
        (0..stars.len())
            .filter(|&other| other != own && stars[other].flux_electrons[1] > 0.1 * stars[own].flux_electrons[1])
            .all(|other| !paths[other].iter().step_by(3).any(is_near))
    };
    let shares = bright.filter(|&idx| lonely(idx)).filter_map(|idx| {
        let path = &paths[idx];
        let is_inside = |place: &Point| {
            (8.0..size.width as f64 - 8.0).contains(&place.x) && (8.0..size.height as f64 - 8.0).contains(&place.y)
        };
        if path.is_empty() || !path.iter().all(is_inside) {
            return None;
        }
        let light: Option<Vec<f64>> = path.iter().map(|&place| Some(between(green, place)? - sky)).collect();
        let mut light = light?;
        light.sort_by(f64::total_cmp);
        Some(light[0] / light[light.len() / 2])
    });
    shares.collect()
}

fn sky_level(plane: &Plane<f32>) -> f64 {
    let mut samples: Vec<f32> = (20..120).flat_map(|y| plane.row(y)[20..460].iter().copied()).collect();
    let half = samples.len() / 2;
    f64::from(*samples.select_nth_unstable_by(half, f32::total_cmp).1)
}

#[test]
fn the_trails_have_no_gaps() {
    let sample = Sample::made(scene(), |request| Request { combine: Combine::Maximum, ..request });
    assert_eq!(sample.used.len(), 6, "all frames are used");
    let green = &sample.stack().planes[1];
    let joined = darkest_shares(&sample.burst, green, sky_level(green));
    assert!(joined.len() >= 5, "{} trails to look at", joined.len());
    // Without joining: the brightest of the frames without noise.
    let frames: Vec<_> = (0..6).map(|idx| noiseless(&sample.perfect, idx)).collect();
    let brightest = Plane::from_fn(green.size(), |x, y| {
        frames.iter().map(|frame| frame.planes[1].at(x, y)).fold(f32::MIN, f32::max)
    });
    let apart = darkest_shares(&sample.burst, &brightest, sky_level(&brightest));
    let (joined, apart) = (mean(&joined), mean(&apart));
    assert!(apart < 0.65, "trails that are not joined fall to {apart} of their light");
    // The sky's own level and noise are in both: 5 % of the dip is noise.
    assert!(joined > 0.8, "joined trails fall to {joined} of their light, others to {apart}");
}
