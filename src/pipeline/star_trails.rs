//! Star trails: the sky as the still camera sees it, and the gaps between exposures joined.
//!
//! While the shutter is closed the stars go on. Where a star was at any time in between is known: the frames' own
//! transforms say how the sky turned from one to the next. So for a few times between two openings the frame before,
//! turned on, and the frame after, turned back, are laid on each other; a star is where both show light, and the
//! lesser of the two is what the maximum gets. The lesser of two noises is below either: the sky between the trails
//! does not get brighter, and what only one frame shows (a satellite) is not drawn again.
//!
//! The steps are so short that the pieces of a trail overlap by more than their soft ends.

use crate::job::{Cancelled, Monitor};
use crate::pipeline::burst::Aligned;
use crate::pipeline::lights::Reading;
use crate::pipeline::photometry::{FluxScale, sky_offset};
use crate::pixels::{CameraTransform, Homography, Point, Size, Transform};
use crate::stack::{Between, Offset, StackFrame, StackRequest};

/// Widths of a star that two pieces of its trail overlap by: each end has fallen to half where the shutter closed,
/// and is whole 0.7 widths before (a normal distribution's 5 %).
const OVERLAP_FWHM: f64 = 1.4;
/// Steps where a star hardly moves while the shutter is open, in widths of a star: midway between two of them
/// the light is exp(−4 ln 2 · 0.175²) = 0.92 of the peak.
const STEP_FWHM: f64 = 0.35;
/// Steps between two frames.
const MAX_STEPS: usize = 48;
/// An interruption this many times as long as the usual time from frame to frame is no gap: it stays open.
const MAX_PERIODS: f64 = 4.0;
/// Width of a star where no frame tells.
const USUAL_FWHM_PX: f64 = 2.5;
/// Frames of the land under star trails.
const MAX_LAND_FRAMES: usize = 64;
/// Places along each axis where the way of the stars is looked at.
const N_PLACES: usize = 5;

/// Turns a request for the moving sky into one for the trails of its stars.
pub(super) fn prepare(
    monitor: &Monitor,
    aligned: &Aligned,
    readings: &[Reading],
    request: &mut StackRequest<'_>,
    size: Size,
    notes: &mut Vec<String>,
) -> Result<(), Cancelled> {
    let measure = |idx: usize| &readings[idx].as_ref().expect("an aligned frame was read").measure;
    let reference = measure(aligned.reference);
    for frame in &mut request.sky {
        let (from, to) = (&measure(frame.frame).background.level, &reference.background.level);
        // A map of the scale lies over the moving sky: it would lie over other pixels here.
        let scale = FluxScale { typical: frame.scale, local: None };
        frame.local_scale = None;
        frame.offset = Offset::Smooth(Box::new(sky_offset(from, to, &Transform::Identity, &scale)));
    }
    let moving: Vec<Transform> = request.sky.iter().map(|frame| frame.light_from_reference.clone()).collect();
    for frame in &mut request.sky {
        frame.light_from_reference = still(&frame.light_from_reference);
    }
    let fwhm_px = reference.fwhm_px.map_or(USUAL_FWHM_PX, f64::from);
    let shutters: Vec<Shutter> = request.sky.iter().map(|frame| Shutter::of(&readings[frame.frame])).collect();
    let order = in_order(&shutters);
    let usual = usual_period(&order, &shutters);
    let mut n_open = 0;
    for pair in order.windows(2) {
        monitor.check()?;
        let [earlier, later] = [pair[0], pair[1]];
        let period = shutters[earlier].opened.zip(shutters[later].opened).map(|(from, to)| to - from);
        if period.zip(usual).is_some_and(|(period, usual)| period > MAX_PERIODS * usual) {
            n_open += 1;
            continue;
        }
        let (before, after) = (&moving[earlier], &moving[later]);
        let open_share = period.zip(shutters[earlier].secs).map_or(0.0, |(period, secs)| (secs / period).min(1.0));
        let n_steps = steps(longest_way_px(before, after, size), open_share, fwhm_px);
        for step in 1..n_steps {
            let Some([to_earlier, to_later]) = at_time(before, after, step as f64 / n_steps as f64) else { continue };
            request.between.push(Between {
                earlier: StackFrame { light_from_reference: to_earlier, ..request.sky[earlier].clone() },
                later: StackFrame { light_from_reference: to_later, ..request.sky[later].clone() },
            });
        }
    }
    if n_open > 0 {
        notes.push(format!(
            "{n_open} interruptions more than {MAX_PERIODS} times as long as the time from frame to frame stay open in \
             the trails"
        ));
    }
    // The land needs no more, and all its samples are held at once.
    let every = request.land.len().div_ceil(MAX_LAND_FRAMES).max(1);
    request.land = request.land.iter().step_by(every).cloned().collect();
    Ok(())
}

/// When the shutter was open.
#[derive(Clone, Copy, Debug)]
struct Shutter {
    opened: Option<f64>,
    secs: Option<f64>,
}

impl Shutter {
    fn of(reading: &Reading) -> Self {
        let metadata = reading.as_ref().ok().map(|light| &light.metadata);
        Self {
            opened: metadata.and_then(|metadata| Some(metadata.capture_time?.clock_secs)),
            secs: metadata.and_then(|metadata| metadata.exposure_secs),
        }
    }
}

/// In the order of time where all files tell, else as they were given.
fn in_order(shutters: &[Shutter]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..shutters.len()).collect();
    let times: Option<Vec<f64>> = shutters.iter().map(|shutter| shutter.opened).collect();
    if let Some(times) = times {
        order.sort_by(|&a, &b| times[a].total_cmp(&times[b]).then(a.cmp(&b)));
    }
    order
}

/// The median time from one opening to the next.
fn usual_period(order: &[usize], shutters: &[Shutter]) -> Option<f64> {
    let period = |pair: &[usize]| Some(shutters[pair[1]].opened? - shutters[pair[0]].opened?);
    let mut periods: Vec<f64> = order.windows(2).filter_map(period).collect();
    periods.sort_by(f64::total_cmp);
    periods.get(periods.len() / 2).copied()
}

/// Pieces of the way from one opening to the next, so that the maximum shows no gap.
fn steps(way_px: f64, open_share: f64, fwhm_px: f64) -> usize {
    let longest_px = (way_px * open_share - OVERLAP_FWHM * fwhm_px).max(STEP_FWHM * fwhm_px);
    // Positive and finite; the cast rounds a small whole number.
    ((way_px / longest_px).ceil() as usize).clamp(1, MAX_STEPS)
}

/// The longest way of a star from one frame to the next.
fn longest_way_px(before: &Transform, after: &Transform, size: Size) -> f64 {
    let place = |step: usize, len: usize| (len - 1) as f64 * step as f64 / (N_PLACES - 1) as f64;
    let way = |idx: usize| {
        let point = Point { x: place(idx % N_PLACES, size.width), y: place(idx / N_PLACES, size.height) };
        Some(before.apply(point)?.distance(after.apply(point)?))
    };
    (0..N_PLACES * N_PLACES).filter_map(way).fold(0.0, f64::max)
}

/// The frame as it stands; through its lens, so that lateral color is taken away.
fn still(light_from_reference: &Transform) -> Transform {
    match light_from_reference {
        Transform::Camera(camera) if camera.lens().channel_scale != [1.0; 3] => {
            let rotation = nalgebra::Rotation3::identity();
            Transform::Camera(Box::new(CameraTransform::new(*camera.lens(), rotation, camera.refraction().copied())))
        }
        _ => Transform::Identity,
    }
}

/// Maps from the camera at a time between two frames, as a share of the way, to the frame before and the one after.
fn at_time(before: &Transform, after: &Transform, share: f64) -> Option<[Transform; 2]> {
    match (before, after) {
        (Transform::Homography(_) | Transform::Identity, Transform::Homography(_) | Transform::Identity) => {
            let [before, after] = [before, after].map(|transform| match transform {
                Transform::Homography(map) => *map,
                _ => Homography::IDENTITY,
            });
            let onward = product(&after, &before.inverse()?);
            let back = product(&before, &after.inverse()?);
            Some([(back, share), (onward, 1.0 - share)].map(|(map, share)| Transform::Homography(part(&map, share))))
        }
        _ => {
            let camera = match (before, after) {
                (Transform::Camera(camera), _) | (_, Transform::Camera(camera)) => camera,
                _ => return None,
            };
            let rotation = |transform: &Transform| match transform {
                Transform::Camera(camera) => *camera.rotation(),
                _ => nalgebra::Rotation3::identity(),
            };
            let onward = (rotation(after) * rotation(before).inverse()).scaled_axis();
            Some([-share, 1.0 - share].map(|share| {
                let rotation = nalgebra::Rotation3::new(onward * share);
                Transform::Camera(Box::new(CameraTransform::new(
                    *camera.lens(),
                    rotation,
                    camera.refraction().copied(),
                )))
            }))
        }
    }
}

fn product(a: &Homography, b: &Homography) -> Homography {
    let element = |row: usize, column: usize| (0..3).map(|k| a.0[row][k] * b.0[k][column]).sum::<f64>();
    let last = element(2, 2);
    Homography(std::array::from_fn(|row| std::array::from_fn(|column| element(row, column) / last)))
}

/// A part of a small motion.
fn part(map: &Homography, share: f64) -> Homography {
    let rest = Homography::IDENTITY.0;
    Homography(std::array::from_fn(|row| {
        std::array::from_fn(|column| (1.0 - share) * rest[row][column] + share * map.0[row][column])
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Lens, Projection};
    use nalgebra::{Rotation3, Vector3};

    fn camera(angle: f64) -> Transform {
        let lens = Lens {
            radial: [-0.04, 0.01, 0.0],
            ..Lens::ideal(Projection::Rectilinear, 736.0, Point { x: 540.0, y: 360.0 })
        };
        let rotation = Rotation3::new(Vector3::new(0.1, -0.8, 0.59) * angle);
        Transform::Camera(Box::new(CameraTransform::new(lens, rotation, None)))
    }

    /// A star that is at p between the frames is in both where their own transforms bring it.
    #[test]
    fn a_star_between_two_frames_is_found_in_both() {
        let [before, after, middle] = [camera(0.01), camera(0.03), camera(0.016)];
        let star = Point { x: 300.0, y: 500.0 };
        let seen = middle.apply(star).expect("in front");
        let [earlier, later] = at_time(&before, &after, 0.3).expect("cameras");
        for (map, frame) in [(earlier, before), (later, after)] {
            let (found, expected) = (map.apply(seen).expect("in front"), frame.apply(star).expect("in front"));
            assert!(found.distance(expected) < 1e-6, "{found:?}, not {expected:?}");
        }
    }

    #[test]
    fn a_homography_is_taken_in_parts_too() {
        let moved = |x: f64| Transform::Homography(Homography([[1.0, 0.0, x], [0.0, 1.0, -x], [0.0, 0.0, 1.0]]));
        let [earlier, later] = at_time(&Transform::Identity, &moved(8.0), 0.25).expect("maps");
        let from = Point { x: 10.0, y: 10.0 };
        assert_eq!(earlier.apply(from), Some(Point { x: 8.0, y: 12.0 }), "two pixels ago");
        assert_eq!(later.apply(from), Some(Point { x: 16.0, y: 4.0 }), "six pixels on");
    }

    #[test]
    fn short_pieces_overlap_and_long_ones_need_one_step_more() {
        assert_eq!(steps(30.0, 0.9, 2.5), 2, "27 px of trail and 3 px of gap: one piece between");
        assert_eq!(steps(1.0, 0.6, 2.5), 2, "stars that hardly move: 0.87 px apart at most");
        assert_eq!(steps(0.0, 1.0, 2.5), 1, "a still sky needs none");
        assert!(steps(30.0, 0.2, 2.5) > 8, "a gap of 24 px between trails of 6 px");
        assert_eq!(steps(1e5, 0.0, 2.5), MAX_STEPS, "no end");
    }
}
