//! Whether the tripod stood still: each frame's land against that of the reference frame.
//!
//! Frames that did not move more than the eye could tell are left as they are: their land is copied, not
//! interpolated. Neighbours that stand alike share one place, which averages the noise of the measure away.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};

use nalgebra::Vector3;
use rayon::prelude::*;

use crate::error::Error;
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::burst::Aligned;
use crate::pipeline::report::TripodFinding;
use crate::pipeline::rows::RepairedRows;
use crate::pixels::{Layout, Lens, Plane, Projection, Rect, Size, Transform};
use crate::register::{LandMotion, LandPicture, LandReference, light_from_reference};
use crate::stack::MosaicRows;

/// The land of a frame that moved by less stays where it is: the blur is below that of one interpolation.
const STILL_PX: f64 = 0.15;
/// A motion counts from so many of its standard deviations on.
const SURE_SIGMAS: f64 = 4.0;
/// Rows of 2 × 2 pixels read at once.
const BAND_ROWS: usize = 64;
/// Focal length in widths of the frame where nothing tells of the lens: a small turn moves the picture much the
/// same through any.
const UNKNOWN_FOCAL: f64 = 0.7;

/// What follows where nothing can be told.
const TAKEN_AS_STILL: &str = "it is taken to have stood still";

/// Where the camera of each frame stood, from the reference frame's place.
#[derive(Clone, Debug, Default)]
pub(super) struct Tripod {
    lens: Option<Lens>,
    /// By frame; frames that stood still are not listed.
    moved: BTreeMap<usize, Vector3<f64>>,
    /// What the land told of it; `None` where it was not asked.
    pub(super) finding: Option<TripodFinding>,
    /// Frames whose land was not found again.
    pub(super) lost: Vec<usize>,
    /// What a person should know; each a sentence.
    pub(super) notes: Vec<String>,
}

impl Tripod {
    /// Where the land at a pixel of the reference frame lies in a frame; `still` where the tripod stood still.
    pub(super) fn light_from_reference(&self, frame: usize, still: &Transform) -> Transform {
        match (&self.lens, self.moved.get(&frame)) {
            (Some(lens), Some(turn)) => light_from_reference(lens, *turn),
            _ => still.clone(),
        }
    }

    /// Where a pixel of a frame lies in the foreground mask, which is that of the reference frame.
    pub(super) fn mask_from_light(&self, frame: usize) -> Transform {
        match (&self.lens, self.moved.get(&frame)) {
            (Some(lens), Some(turn)) => light_from_reference(lens, -turn),
            _ => Transform::Identity,
        }
    }

    /// Whether a frame stands where the reference frame stands.
    pub(super) fn stands_still(&self, frame: usize) -> bool {
        !self.moved.contains_key(&frame) && !self.lost.contains(&frame)
    }

    /// Whether any frame was measured to have moved.
    pub(super) fn was_knocked(&self) -> bool {
        !self.moved.is_empty()
    }
}

/// The lens of the burst, or one like it.
pub(super) fn lens(aligned: &Aligned, size: Size) -> Lens {
    match &aligned.lens {
        Some(fit) => fit.lens,
        None => {
            let focal_px = aligned.optics.focal_px.unwrap_or(UNKNOWN_FOCAL * size.width as f64);
            Lens::ideal(Projection::Rectilinear, focal_px, size.center())
        }
    }
}

/// The land that the frames are held against.
pub(super) struct Ground<'a> {
    pub(super) rows: &'a RepairedRows<'a>,
    /// Frame that shows it, and where it lies there.
    pub(super) reference: usize,
    pub(super) mask: &'a ForegroundMask,
    pub(super) lens: Lens,
    /// Frames to look at side by side.
    pub(super) n_at_once: usize,
}

/// Measures `frames`, in the order of the night; `name` tells a frame to a person.
pub(super) fn measure(
    monitor: &Monitor,
    ground: &Ground<'_>,
    frames: &[usize],
    name: &dyn Fn(usize) -> String,
) -> Result<Tripod, Error> {
    let &Ground { rows, reference, mask, lens, n_at_once } = ground;
    let mut tripod = Tripod { lens: Some(lens), ..Tripod::default() };
    let land = land_of(mask);
    let picture = LandPicture::new(grey_halves(rows, reference, &land)?);
    let Some(known) = LandReference::new(&picture, &land, &lens) else {
        tripod.finding = Some(TripodFinding::TooLittle);
        tripod.notes.push(format!("there is too little landscape to tell whether the tripod moved: {TAKEN_AS_STILL}"));
        return Ok(tripod);
    };
    drop(picture);
    monitor.check()?;
    let others: Vec<usize> = frames.iter().copied().filter(|&frame| frame != reference).collect();
    let n_done = AtomicUsize::new(0);
    let motion = |&frame: &usize| -> Result<(usize, Option<LandMotion>), Error> {
        monitor.step("Checking the tripod", n_done.load(Ordering::Relaxed), others.len())?;
        let halves = grey_halves(rows, frame, &land)?;
        monitor.check()?;
        let picture = LandPicture::new(halves);
        monitor.check()?;
        let motion = known.motion(&picture);
        n_done.fetch_add(1, Ordering::Relaxed);
        Ok((frame, motion))
    };
    let mut motions = Vec::with_capacity(others.len());
    for some in others.chunks(n_at_once) {
        motions.extend(some.par_iter().map(motion).collect::<Result<Vec<_>, _>>()?);
    }
    let found: Vec<(usize, LandMotion)> =
        motions.iter().filter_map(|&(frame, motion)| Some((frame, motion?))).collect();
    tripod.finding = Some(TripodFinding::Still);
    if 2 * found.len() >= motions.len() {
        tripod.lost = motions.iter().filter(|(_, motion)| motion.is_none()).map(|&(frame, _)| frame).collect();
    } else {
        // Where hardly any frame shows its land again, the land is at fault and not the frames.
        tripod.finding = Some(TripodFinding::TooDark);
        let which = match found.len() {
            0 => String::new(),
            n => format!(" in {} of {} frames", motions.len() - n, motions.len()),
        };
        tripod
            .notes
            .push(format!("the landscape is too dark to tell whether the tripod moved{which}: {TAKEN_AS_STILL}"));
    }
    for place in places(&found) {
        if place.shift_px <= STILL_PX.max(SURE_SIGMAS * place.sigma_px) {
            continue;
        }
        let first_and_last = (name(place.frames[0]), name(place.frames[place.frames.len() - 1]));
        let (which, verb) = match (place.frames.len(), first_and_last) {
            (1, (only, _)) => (only, "stands"),
            (n, (first, last)) => (format!("{n} frames from {first} to {last}"), "stand"),
        };
        tripod.notes.push(format!(
            "the tripod was knocked: {which} {verb} {:.1} px beside the reference frame, turned by {:.3}°; \
             the landscape was brought back",
            place.shift_px,
            place.turn.z.to_degrees(),
        ));
        tripod.finding = Some(TripodFinding::Knocked);
        tripod.moved.extend(place.frames.iter().map(|&frame| (frame, place.turn)));
    }
    for &frame in &tripod.lost {
        tripod.notes.push(format!(
            "the landscape of {} was not found again: it takes no part in the landscape of the picture",
            name(frame)
        ));
    }
    Ok(tripod)
}

/// Neighbours that stand alike.
#[derive(Clone, Debug, PartialEq)]
struct Place {
    frames: Vec<usize>,
    turn: Vector3<f64>,
    shift_px: f64,
    sigma_px: f64,
}

/// Joins neighbours whose lands lie within [`STILL_PX`] of each other's mean.
fn places(motions: &[(usize, LandMotion)]) -> Vec<Place> {
    let mut places: Vec<Place> = Vec::new();
    for &(frame, motion) in motions {
        let joins =
            places.last_mut().filter(|place| apart_px(place, &motion) < STILL_PX.max(SURE_SIGMAS * motion.sigma_px));
        match joins {
            Some(place) => {
                let n = place.frames.len() as f64;
                let mean = |old: f64, new: f64| (n * old + new) / (n + 1.0);
                place.turn = (n * place.turn + motion.turn) / (n + 1.0);
                place.shift_px = mean(place.shift_px, motion.shift_px);
                place.sigma_px = place.sigma_px.max(motion.sigma_px);
                place.frames.push(frame);
            }
            None => places.push(Place {
                frames: vec![frame],
                turn: motion.turn,
                shift_px: motion.shift_px,
                sigma_px: motion.sigma_px,
            }),
        }
    }
    places
}

/// How far the lands of a place and of a frame lie apart, by the shift that the larger turn makes of its angle.
fn apart_px(place: &Place, motion: &LandMotion) -> f64 {
    let (angle, shift_px) = if place.turn.norm() > motion.turn.norm() {
        (place.turn.norm(), place.shift_px)
    } else {
        (motion.turn.norm(), motion.shift_px)
    };
    if angle > 0.0 { (place.turn - motion.turn).norm() / angle * shift_px } else { 0.0 }
}

/// Weight of the land in means of 2 × 2 pixels.
fn land_of(mask: &ForegroundMask) -> Plane<f32> {
    let size = Size { width: mask.size().width / 2, height: mask.size().height / 2 };
    Plane::from_fn(size, |x, y| {
        let (upper, lower) = (mask.0.row(2 * y), mask.0.row(2 * y + 1));
        0.25 * (upper[2 * x] + upper[2 * x + 1] + lower[2 * x] + lower[2 * x + 1])
    })
}

/// Means of 2 × 2 pixels of a frame, which hold all colours; rows far from any land are left at 0.
fn grey_halves(rows: &RepairedRows<'_>, frame: usize, land: &Plane<f32>) -> Result<Plane<f32>, Error> {
    let size = land.size();
    let mut grey = Plane::filled(size, 0.0);
    let mut planes = vec![Vec::new(); rows.layout().n_planes()];
    let has_land = |first: usize| {
        let around = first.saturating_sub(BAND_ROWS)..(first + 2 * BAND_ROWS).min(size.height);
        around.into_iter().any(|y| land.row(y).iter().any(|&weight| weight > 0.0))
    };
    for first in (0..size.height).step_by(BAND_ROWS).filter(|&first| has_land(first)) {
        let height = BAND_ROWS.min(size.height - first);
        let rect = Rect { x: 0, y: 2 * first, size: Size { width: 2 * size.width, height: 2 * height } };
        rows.read_rect(frame, rect, &mut planes)?;
        let share = match rows.layout() {
            Layout::Mosaic(_) => 0.25,
            Layout::Rgb => 1.0 / 12.0,
        };
        for plane in &planes {
            for (y, pair) in plane.chunks_exact(2 * rect.size.width).enumerate() {
                let (upper, lower) = pair.split_at(rect.size.width);
                let sums = upper.chunks_exact(2).zip(lower.chunks_exact(2));
                for (grey, (upper, lower)) in grey.row_mut(first + y).iter_mut().zip(sums) {
                    *grey += share * (upper[0] + upper[1] + lower[0] + lower[1]);
                }
            }
        }
    }
    Ok(grey)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbors_that_stand_alike_share_their_mean_place() {
        let motion = |pixels: f64| LandMotion {
            turn: Vector3::new(0.0, pixels / 1000.0, 0.0),
            shift_px: pixels.abs(),
            sigma_px: 0.01,
        };
        let found =
            places(&[(0, motion(0.02)), (1, motion(-0.01)), (4, motion(3.0)), (5, motion(3.1)), (6, motion(0.01))]);
        let frames: Vec<&[usize]> = found.iter().map(|place| place.frames.as_slice()).collect();
        assert_eq!(frames, [&[0, 1][..], &[4, 5], &[6]], "still, knocked, and back again");
        assert!((found[1].turn.y - 3.05e-3).abs() < 1e-12, "the mean of both");
    }
}
