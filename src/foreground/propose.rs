//! The proposal: evidence, sky, edge, and how sure it is.

use crate::foreground::ForegroundMask;
use crate::foreground::components::settle;
use crate::foreground::doubt::{Doubt, judge};
use crate::foreground::down::Down;
use crate::foreground::evidence::{BurstView, gather};
use crate::foreground::filters::complement;
use crate::foreground::growth::Ground;
use crate::foreground::hints::Guide;
use crate::foreground::leaks::{Roughness, grow_without_leaks};
use crate::foreground::moving;
use crate::foreground::refine::refine;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{Mask, Orientation, Plane, Rect, Size};

/// A smooth part of the frame at least this large may be sky.
const LEAST_CALM_AREA: f64 = 0.05;
/// As sure as a proposal gets.
pub(super) const SURE: f64 = 0.98;
/// With fewer moving stars nothing is known to be sky.
const LEAST_STARS: usize = 4;

/// What the program thinks is landscape.
#[derive(Clone, Debug)]
pub struct Proposal {
    /// The mask.
    pub mask: ForegroundMask,
    /// From 0, a guess, to 1, sure.
    pub confidence: f64,
    /// Where a stroke would help, the most doubtful place first.
    pub doubts: Vec<Doubt>,
    /// What a person should know; each a sentence.
    pub notes: Vec<String>,
    /// What the burst shows, to solve again around a stroke.
    pub guide: Guide,
}

impl Proposal {
    /// Share of the frame that is landscape.
    #[must_use]
    pub fn foreground_fraction(&self) -> f64 {
        self.mask.fraction()
    }

    /// The places where a stroke would help as the upright picture shows them, the most doubtful first.
    #[must_use]
    pub fn upright_doubts(&self, orientation: Orientation) -> Vec<Doubt> {
        self.doubts.iter().map(|doubt| doubt.upright(orientation, self.mask.size())).collect()
    }
}

/// Proposes the mask.
pub fn propose<E: From<Cancelled> + Send>(monitor: &Monitor, burst: &BurstView<'_, E>) -> Result<Proposal, E> {
    monitor.step("Finding the landscape", 0, 4)?;
    let evidence = gather(monitor, burst)?;
    monitor.check()?;
    let lights = moving::find(burst, &evidence);
    monitor.step("Finding the landscape", 1, 4)?;
    let ground = Ground::new(&evidence, &lights, Down::of(burst.orientation));
    monitor.check()?;
    if lights.stars.len() < LEAST_STARS {
        return Ok(without_stars(burst.size, &ground));
    }
    let grown = grow_without_leaks(monitor, &ground)?;
    monitor.step("Finding the landscape", 2, 4)?;
    let settled = settle(&ground, &grown);
    monitor.check()?;
    let sky = ground.refit(settled);
    monitor.step("Finding the landscape", 3, 4)?;
    let mask = refine(monitor, burst, &ground, &sky)?;
    monitor.check()?;
    let judgement = judge(&evidence, &sky, &lights);
    monitor.check()?;
    let mut notes = Vec::new();
    if complement(&sky.mask).count() == 0 {
        notes.push("no landscape was found: the stars move over the whole frame".to_owned());
    } else if judgement.clear_share < 0.8 {
        notes.push(format!(
            "the edge of the landscape is hard to see along {:.0} % of its length: check the mask there",
            100.0 * (1.0 - judgement.clear_share)
        ));
    }
    let guide = Guide::new(&evidence, &mask);
    Ok(Proposal { mask, confidence: judgement.confidence, doubts: judgement.doubts, notes, guide })
}

/// Nothing moves with the stars. A picture that is rough all over and stands still is land; one with a smooth part
/// may show sky there, behind cloud or in frames that could not be matched, and only a person can tell.
fn without_stars(size: Size, ground: &Ground<'_>) -> Proposal {
    let all = Mask(Plane::filled(ground.evidence.size(), true));
    let calm = Roughness::of(&ground.smooth_grey, &all, |x, y| ground.noise(x, y)).calm_area();
    let rough = calm < LEAST_CALM_AREA;
    // What is smooth may be sky: the mask is right in the rest. Whether it is, where there is enough of it, is anybody's
    // guess.
    let (note, confidence) = if rough {
        ("only landscape was found: nothing in the burst moves with the stars", SURE * (1.0 - calm))
    } else {
        ("no star was seen to move: everything is taken for landscape, paint the sky", 0.5 * (1.0 - calm))
    };
    let mask = ForegroundMask(Plane::filled(size, 1.0));
    let guide = Guide::new(ground.evidence, &mask);
    let doubts = if rough { Vec::new() } else { vec![Doubt { rect: Rect { x: 0, y: 0, size }, confidence }] };
    Proposal { mask, confidence, doubts, notes: vec![note.to_owned()], guide }
}
