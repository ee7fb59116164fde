//! The landscape of a run: found or given, the tripod checked on it, and the frames that it is made from.

use std::sync::Arc;

use crate::calibrate::NoiseModel;
use crate::error::Error;
use crate::foreground::{Doubt, ForegroundMask, Guide, Proposal};
use crate::job::Monitor;
use crate::pipeline::burst::{self, Aligned, AlignedFrame};
use crate::pipeline::clock::StageClock;
use crate::pipeline::landscape::{LandFrame, LandSource};
use crate::pipeline::lights::frames_at_once;
use crate::pipeline::reading::ReadBurst;
use crate::pipeline::report::Report;
use crate::pipeline::request::{MaskChoice, Request};
use crate::pipeline::rows::RepairedRows;
use crate::pipeline::run::file_name;
use crate::pipeline::tripod::{self, Ground, Tripod};
use crate::pipeline::{land_frames, proposal};
use crate::pixels::Transform;
use crate::stack::StackFrame;

/// Fewer frames that stand alike tell less of the landscape than all of them.
const FRAMES_FOR_A_PROPOSAL: usize = 4;

/// A landscape that was proposed, and all that correcting it needs.
#[derive(Clone, Debug)]
pub struct Found {
    /// From 0, a guess, to 1, sure.
    pub confidence: f64,
    /// Where a stroke would help, the most doubtful place first.
    pub doubts: Vec<Doubt>,
    /// What a person should know; each a sentence.
    pub notes: Vec<String>,
    /// What the burst shows, to solve again around a stroke.
    pub guide: Arc<Guide>,
}

/// Which part of the frames is landscape, and where the camera stood.
pub(super) struct Standing {
    pub(super) foreground: Option<Arc<ForegroundMask>>,
    pub(super) found: Option<Found>,
    pub(super) tripod: Tripod,
}

/// Finds the landscape unless it was given, registers again where its lamps had been taken for stars, and checks
/// the tripod on it.
pub(super) fn find(
    monitor: &Monitor,
    request: &Request,
    read: &mut ReadBurst,
    aligned: &mut Aligned,
    clock: &mut StageClock,
    report: &mut Report,
) -> Result<Standing, Error> {
    let given = read.given_mask.take();
    if !matches!(request.mask, MaskChoice::Auto) {
        let tripod = match &given {
            Some(mask) => check_tripod(monitor, request, read, aligned, mask)?,
            None => Tripod::default(),
        };
        report.tripod = tripod.finding;
        report.notes.extend(tripod.notes.iter().cloned());
        clock.lap(report, "checking the tripod");
        return Ok(Standing { foreground: given, found: None, tripod });
    }
    let orientation = read.basis.orientation;
    let mut proposed = proposal::propose_aligned(monitor, &read.rows(), aligned, orientation, &|_| true)?;
    clock.lap(report, "foreground");
    let tripod = settle(monitor, request, read, aligned, &mut proposed, clock, report)?;
    report.notes.extend(proposal::notes(&proposed, orientation));
    report.tripod = tripod.finding;
    report.notes.extend(tripod.notes.iter().cloned());
    let is_there = proposed.foreground_fraction() > 0.0;
    let Proposal { mask, confidence, doubts, notes, guide } = proposed;
    let found = Some(Found { confidence, doubts, notes, guide: Arc::new(guide) });
    Ok(Standing { foreground: is_there.then(|| Arc::new(mask)), found, tripod })
}

/// From a first look at the landscape to the mask: registers again where lamps had been taken for stars, checks the
/// tripod, and looks anew at the frames that stand alike if it was knocked.
pub(super) fn settle(
    monitor: &Monitor,
    request: &Request,
    read: &mut ReadBurst,
    aligned: &mut Aligned,
    proposed: &mut Proposal,
    clock: &mut StageClock,
    report: &mut Report,
) -> Result<Tripod, Error> {
    if proposal::drop_landscape(&mut read.readings, &proposed.mask) {
        *aligned = burst::align(monitor, request, read)?;
        clock.lap(report, "aligning");
    }
    if proposed.foreground_fraction() == 0.0 {
        return Ok(Tripod::default());
    }
    let tripod = check_tripod(monitor, request, read, aligned, &proposed.mask)?;
    let n_still = aligned.frames.iter().filter(|frame| tripod.stands_still(frame.idx)).count();
    if tripod.was_knocked() && n_still >= FRAMES_FOR_A_PROPOSAL {
        // The first look mixed both places of the tripod.
        let counts = |idx| tripod.stands_still(idx);
        *proposed = proposal::propose_aligned(monitor, &read.rows(), aligned, read.basis.orientation, &counts)?;
    }
    clock.lap(report, "checking the tripod");
    Ok(tripod)
}

fn check_tripod(
    monitor: &Monitor,
    request: &Request,
    read: &ReadBurst,
    aligned: &Aligned,
    mask: &ForegroundMask,
) -> Result<Tripod, Error> {
    let frames: Vec<usize> = aligned.frames.iter().map(|frame| frame.idx).collect();
    let name = |idx: usize| file_name(&read.paths[idx]);
    tripod::measure(monitor, &ground(request, read, &read.rows(), aligned, mask), &frames, &name)
}

fn ground<'a>(
    request: &Request,
    read: &ReadBurst,
    rows: &'a RepairedRows<'a>,
    aligned: &Aligned,
    mask: &'a ForegroundMask,
) -> Ground<'a> {
    let size = read.basis.size;
    Ground {
        rows,
        reference: aligned.reference,
        mask,
        lens: tripod::lens(aligned, size),
        n_at_once: frames_at_once(size, request.memory_bytes, rayon::current_num_threads()),
    }
}

/// The frames of the landscape, and those for places where the first show nothing.
#[derive(Default)]
pub(super) struct LandStacks {
    pub(super) first: Vec<StackFrame>,
    pub(super) reserve: Vec<StackFrame>,
    pub(super) notes: Vec<String>,
}

/// What the landscape is stacked from: the frames given for it, or else the lights.
pub(super) fn stacks(
    monitor: &Monitor,
    request: &Request,
    read: &ReadBurst,
    aligned: &Aligned,
    mask: &ForegroundMask,
    noise: Option<NoiseModel>,
    tripod: &Tripod,
) -> Result<LandStacks, Error> {
    let rows = read.rows();
    let still = aligned.frames.iter().find(|frame| frame.idx == aligned.reference);
    let still = still.map_or(Transform::Identity, |frame| frame.light_from_reference.clone());
    let source = LandSource { rows: &rows, mask, reference: aligned.reference, still, noise: noise.as_ref() };
    let as_it_is = |frame: &AlignedFrame| LandFrame { frame: frame.idx, expected_scale: 1.0, ceiling: f32::INFINITY };
    let lights = source.frames(&aligned.frames.iter().map(as_it_is).collect::<Vec<_>>(), tripod)?;
    let reference = read.readings[aligned.reference].as_ref().expect("the reference frame was read");
    let given = land_frames::frames(&read.land, &reference.metadata, read.highest);
    let mut notes = Vec::new();
    if !given.is_empty() {
        let name = |frame: usize| file_name(&request.land[frame - read.paths.len()]);
        let frames: Vec<usize> = given.iter().map(|frame| frame.frame).collect();
        let own_tripod = tripod::measure(monitor, &ground(request, read, &rows, aligned, mask), &frames, &name)?;
        let own_noise = land_frames::noise(&rows, &read.land)?.or(noise);
        let own = source.other_frames(&given, &own_tripod, own_noise.as_ref())?;
        notes = own_tripod.notes.into_iter().map(|note| format!("frames for the landscape: {note}")).collect();
        if !own.is_empty() {
            return Ok(LandStacks { first: own, reserve: lights, notes });
        }
    }
    if !request.land.is_empty() {
        notes.push("none of the frames for the landscape could be used: it is made from the light frames".to_owned());
    }
    Ok(LandStacks { first: lights, reserve: Vec::new(), notes })
}
