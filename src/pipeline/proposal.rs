//! The foreground proposed from the frames in the scratch store, and what follows from it.

use std::path::PathBuf;

use crate::detect::{FrameMeasure, Mesh};
use crate::error::Error;
use crate::foreground::{BurstView, Doubt, ForegroundMask, LOW_CONFIDENCE, Proposal, propose};
use crate::job::Monitor;
use crate::pipeline::MIN_FRAMES;
use crate::pipeline::burst::{self, Aligned, AlignedFrame};
use crate::pipeline::clock::StageClock;
use crate::pipeline::land;
use crate::pipeline::lights::Reading;
use crate::pipeline::reading::read_burst;
use crate::pipeline::report::Report;
use crate::pipeline::request::{MaskChoice, Request};
use crate::pipeline::rows::RepairedRows;
use crate::pixels::{Orientation, Plane, Point, Rect, Size, nearest_index};
use crate::stack::MosaicRows;

/// Stars dropped from a frame that make it worth registering again.
const MATERIAL_STARS: usize = 3;
/// A cell of the sky's mesh with more land than this tells of land.
const LAND_SHARE: f64 = 0.3;

/// What was proposed.
#[derive(Clone, Debug)]
pub struct MaskProposal {
    /// The mask, how sure it is, and what it was solved from.
    pub proposal: Proposal,
    /// How the frames are turned to be upright.
    pub orientation: Orientation,
    /// Frames that could not be read, and why.
    pub set_aside: Vec<(PathBuf, String)>,
    /// What the landscape told of the tripod; each a sentence.
    pub tripod_notes: Vec<String>,
}

/// Reads a burst as far as needed to propose its foreground: the mask that a run with the same request finds.
///
/// Where the stars cannot be matched from frame to frame the proposal says what follows from that.
pub fn propose_mask(monitor: &Monitor, request: &Request) -> Result<MaskProposal, Error> {
    let mut report = Report::default();
    let mut clock = StageClock::start();
    let request = Request { mask: MaskChoice::Auto, ..request.clone() };
    let mut burst = read_burst(monitor, &request, &mut clock, &mut report)?;
    let orientation = burst.basis.orientation;
    let (proposal, tripod_notes) = match burst::align(monitor, &request, &burst) {
        Ok(mut aligned) => {
            let mut proposal = propose_aligned(monitor, &burst.rows(), &aligned, orientation, &|_| true)?;
            match land::settle(monitor, &request, &mut burst, &mut aligned, &mut proposal, &mut clock, &mut report) {
                Ok(tripod) => (proposal, tripod.notes),
                // Without its lamps the burst has too few stars: the first look is all there is.
                Err(Error::TooFewFrames { .. }) => (proposal, Vec::new()),
                Err(error) => return Err(error),
            }
        }
        // Without stars in common there may be no sky at all: the burst itself is still looked at.
        Err(Error::TooFewFrames { .. }) if burst.readings.iter().flatten().count() >= MIN_FRAMES => {
            (propose_unaligned(monitor, &burst.rows(), &burst.readings, orientation)?, Vec::new())
        }
        Err(error) => return Err(error),
    };
    let unread = burst.paths.iter().zip(&burst.readings);
    let set_aside =
        unread.filter_map(|(path, reading)| Some((path.clone(), reading.as_ref().err()?.clone()))).collect();
    Ok(MaskProposal { proposal, orientation, set_aside, tripod_notes })
}

/// Proposes the mask from those of the registered frames that `counts` names.
pub(super) fn propose_aligned(
    monitor: &Monitor,
    rows: &RepairedRows<'_>,
    aligned: &Aligned,
    orientation: Orientation,
    counts: &dyn Fn(usize) -> bool,
) -> Result<Proposal, Error> {
    let chosen: Vec<&AlignedFrame> = aligned.frames.iter().filter(|frame| counts(frame.idx)).collect();
    let frames: Vec<usize> = chosen.iter().map(|frame| frame.idx).collect();
    let read = |frame: usize, rect: Rect, planes: &mut [Vec<f32>]| -> Result<(), Error> {
        Ok(rows.read_rect(frames[frame], rect, planes)?)
    };
    let carry = |frame: usize, point: Point| chosen[frame].light_from_reference.apply(point);
    let view = BurstView {
        size: rows.size(),
        layout: rows.layout(),
        orientation,
        n_frames: frames.len(),
        reference: frames.iter().position(|&idx| idx == aligned.reference).unwrap_or(0),
        read: &read,
        light_from_reference: Some(&carry),
    };
    propose(monitor, &view)
}

fn propose_unaligned(
    monitor: &Monitor,
    rows: &RepairedRows<'_>,
    readings: &[Reading],
    orientation: Orientation,
) -> Result<Proposal, Error> {
    let frames: Vec<usize> = (0..readings.len()).filter(|&idx| readings[idx].is_ok()).collect();
    let read = |frame: usize, rect: Rect, planes: &mut [Vec<f32>]| -> Result<(), Error> {
        Ok(rows.read_rect(frames[frame], rect, planes)?)
    };
    let view = BurstView {
        size: rows.size(),
        layout: rows.layout(),
        orientation,
        n_frames: frames.len(),
        reference: 0,
        read: &read,
        light_from_reference: None,
    };
    propose(monitor, &view)
}

/// What the report says of a proposal; places are those of the upright picture.
pub(super) fn notes(proposal: &Proposal, orientation: Orientation) -> Vec<String> {
    let mut notes = proposal.notes.clone();
    if proposal.confidence < LOW_CONFIDENCE {
        let place = match proposal.upright_doubts(orientation).first().map(Doubt::middle) {
            Some(at) => format!(", best near ({:.0}, {:.0})", at.x, at.y),
            None => String::new(),
        };
        notes.push(format!(
            "the proposed landscape is uncertain ({:.0} %): look at it and correct it with a stroke{place}, or give a mask",
            100.0 * proposal.confidence
        ));
    }
    notes
}

/// Leaves stars in the landscape out of the measures, and its light out of the sky's; whether so many stars
/// went that the frames are worth registering again.
pub(super) fn drop_landscape(readings: &mut [Reading], mask: &ForegroundMask) -> bool {
    let size = mask.size();
    let land = |point: Point| match (nearest_index(point.x, size.width), nearest_index(point.y, size.height)) {
        (Some(x), Some(y)) => mask.0.at(x, y) >= 0.5,
        _ => false,
    };
    let is_material = readings
        .iter()
        .flatten()
        .any(|light| light.measure.stars.iter().filter(|star| land(star.centroid)).count() >= MATERIAL_STARS);
    for light in readings.iter_mut().flatten() {
        // Pairs of stars are known by their numbers: none may go unless the frames are registered again.
        if is_material {
            light.measure.stars.retain(|star| !land(star.centroid));
        }
        clear_background(&mut light.measure, mask);
    }
    is_material
}

/// Cells of the sky's level that land has part in take the mean of their neighbours.
fn clear_background(measure: &mut FrameMeasure, mask: &ForegroundMask) {
    for mesh in &mut measure.background.level {
        let sky = sky_cells(mesh, mask);
        if sky.samples().iter().any(|&sky| sky) {
            fill_from_neighbors(&mut mesh.cells, sky);
        }
    }
}

/// Cells that land has no part in; the mesh is filtered over three cells, so their neighbours count too.
fn sky_cells(mesh: &Mesh, mask: &ForegroundMask) -> Plane<bool> {
    let cells = mesh.cells.size();
    let size = mask.size();
    let shares = Plane::from_fn(cells, |x, y| {
        let rows = y * mesh.cell_px..((y + 1) * mesh.cell_px).min(size.height);
        let columns = x * mesh.cell_px..((x + 1) * mesh.cell_px).min(size.width);
        let area = (rows.len() * columns.len()).max(1) as f64;
        rows.map(|row| mask.0.row(row)[columns.clone()].iter().map(|&alpha| f64::from(alpha)).sum::<f64>()).sum::<f64>()
            / area
    });
    Plane::from_fn(cells, |x, y| {
        let rows = y.saturating_sub(1)..(y + 2).min(cells.height);
        let columns = x.saturating_sub(1)..(x + 2).min(cells.width);
        let landed = rows.flat_map(|row| shares.row(row)[columns.clone()].iter()).filter(|&&s| s > LAND_SHARE).count();
        shares.at(x, y) < LAND_SHARE && landed <= 3
    })
}

/// From the known cells outwards, ring by ring.
fn fill_from_neighbors(cells: &mut Plane<f32>, mut known: Plane<bool>) {
    let Size { width, height } = cells.size();
    while known.samples().contains(&false) {
        let mut found = Vec::new();
        for y in 0..height {
            for x in 0..width {
                if known.at(x, y) {
                    continue;
                }
                let (mut sum, mut n) = (0.0, 0);
                for row in y.saturating_sub(1)..(y + 2).min(height) {
                    for column in x.saturating_sub(1)..(x + 2).min(width) {
                        if known.at(column, row) {
                            sum += cells.at(column, row);
                            n += 1;
                        }
                    }
                }
                if n > 0 {
                    found.push((x, y, sum / n as f32));
                }
            }
        }
        for (x, y, value) in found {
            cells.set(x, y, value);
            known.set(x, y, true);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::foreground::Guide;

    #[test]
    fn a_low_confidence_names_its_place_in_the_upright_picture() {
        let size = Size { width: 90, height: 60 };
        let doubt = Doubt { rect: Rect { x: 10, y: 41, size: Size { width: 31, height: 9 } }, confidence: 0.4 };
        let proposal = |confidence| Proposal {
            mask: ForegroundMask::all_sky(size),
            confidence,
            doubts: vec![doubt],
            notes: Vec::new(),
            guide: Guide::plain(size),
        };
        let told = |confidence, orientation| notes(&proposal(confidence), orientation).join("; ");
        assert!(told(0.5, Orientation::Normal).contains("(50 %)"), "{}", told(0.5, Orientation::Normal));
        for (orientation, place) in [
            (Orientation::Normal, "best near (25, 45)"),
            (Orientation::Rotate90, "best near (14, 25)"),
            (Orientation::Rotate180, "best near (64, 14)"),
        ] {
            assert!(told(0.5, orientation).contains(place), "{orientation:?}: {}", told(0.5, orientation));
        }
        assert_eq!(told(0.8, Orientation::Normal), "", "sure enough");
    }

    #[test]
    fn cells_of_land_take_the_sky_beside_them() {
        let size = Size { width: 5, height: 1 };
        let mut cells = Plane::from_fn(size, |x, _| if x < 3 { 2.0 } else { 9.0 });
        fill_from_neighbors(&mut cells, Plane::from_fn(size, |x, _| x < 3));
        assert_eq!(cells.samples(), &[2.0; 5], "the land's level is gone");
    }
}
