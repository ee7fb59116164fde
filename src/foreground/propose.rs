//! The proposal: evidence, sky, edge, and how sure it is.

use crate::foreground::ForegroundMask;
use crate::foreground::components::{minus, settle};
use crate::foreground::down::Down;
use crate::foreground::evidence::{BurstView, Evidence, gather};
use crate::foreground::filters::{complement, dilate, erode};
use crate::foreground::growth::{Ground, Sky};
use crate::foreground::hints::Guide;
use crate::foreground::leaks::{CALM_SHARE, Roughness, grow_without_leaks};
use crate::foreground::moving::{self, MovingLights};
use crate::foreground::refine::refine;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{Mask, Plane, Point, Size};

/// With fewer moving stars nothing is known to be sky.
const LEAST_STARS: usize = 4;
/// Stars at which their number leaves little doubt.
const ENOUGH_STARS: f64 = 12.0;
/// Land that departs so much from the sky three pixels from the edge has a clear edge.
const CLEAR_DEPARTURE: f32 = 6.0;
/// An edge is looked at in squares of so many pixels of the evidence.
const DOUBT_SQUARE: usize = 32;
/// So many unclear pixels of the edge in a square are worth a stroke.
const DOUBT_EDGE: usize = 24;

/// What the program thinks is landscape.
#[derive(Clone, Debug)]
pub struct Proposal {
    /// The mask.
    pub mask: ForegroundMask,
    /// From 0, a guess, to 1, sure.
    pub confidence: f64,
    /// Where a stroke would help most.
    pub doubt: Option<Point>,
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
}

/// Proposes the mask.
pub fn propose<E: From<Cancelled> + Send>(monitor: &Monitor, burst: &BurstView<'_, E>) -> Result<Proposal, E> {
    monitor.step("Finding the landscape", 0, 4)?;
    let evidence = gather(monitor, burst)?;
    let lights = moving::find(burst, &evidence);
    monitor.step("Finding the landscape", 1, 4)?;
    let ground = Ground::new(&evidence, &lights, Down::of(burst.orientation));
    if lights.stars.len() < LEAST_STARS {
        return Ok(without_stars(burst.size, &ground));
    }
    let grown = grow_without_leaks(monitor, &ground)?;
    monitor.step("Finding the landscape", 2, 4)?;
    let sky = ground.refit(settle(&ground, &grown));
    monitor.step("Finding the landscape", 3, 4)?;
    let mask = refine(monitor, burst, &ground, &sky)?;
    let judgement = judge(&evidence, &sky, &lights);
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
    Ok(Proposal { mask, confidence: judgement.confidence, doubt: judgement.doubt, notes, guide })
}

/// Nothing moves with the stars. A picture that is rough all over and stands still is land; a smooth one may be
/// sky behind cloud, and only a person can tell.
fn without_stars(size: Size, ground: &Ground<'_>) -> Proposal {
    let all = Mask(Plane::filled(ground.evidence.size(), true));
    let Roughness { calm, core } = Roughness::of(&ground.smooth_grey, &all, |x, y| ground.noise(x, y));
    let sum = |plane: &Plane<f32>| plane.samples().iter().map(|&sample| f64::from(sample)).sum::<f64>();
    let rough = sum(&calm) < f64::from(CALM_SHARE) * sum(&core);
    let (note, confidence) = if rough {
        ("only landscape was found: nothing in the burst moves with the stars", 0.9)
    } else {
        ("no star was seen to move: everything is taken for landscape, paint the sky", 0.1)
    };
    let mask = ForegroundMask(Plane::filled(size, 1.0));
    let guide = Guide::new(ground.evidence, &mask);
    Proposal { mask, confidence, doubt: None, notes: vec![note.to_owned()], guide }
}

struct Judgement {
    clear_share: f64,
    confidence: f64,
    doubt: Option<Point>,
}

/// How clear the edge is, and where it is least clear.
fn judge(evidence: &Evidence, sky: &Sky, lights: &MovingLights) -> Judgement {
    let size = evidence.size();
    let land = complement(&sky.mask);
    // The land's own rim: between two and four pixels inside.
    let rim = minus(&erode(&land, 2.0), &erode(&land, 4.0));
    let squares = Size { width: size.width.div_ceil(DOUBT_SQUARE), height: size.height.div_ceil(DOUBT_SQUARE) };
    let mut unclear = Plane::filled(squares, 0_usize);
    let (mut n, mut n_clear) = (0_usize, 0_usize);
    let near_sky = dilate(&sky.mask, 6.0);
    for y in 0..size.height {
        for x in 0..size.width {
            if rim.contains(x, y) && near_sky.contains(x, y) {
                n += 1;
                if sky.departure.at(x, y) > CLEAR_DEPARTURE {
                    n_clear += 1;
                } else {
                    let (column, row) = (x / DOUBT_SQUARE, y / DOUBT_SQUARE);
                    unclear.set(column, row, unclear.at(column, row) + 1);
                }
            }
        }
    }
    let clear_share = if n == 0 { 1.0 } else { n_clear as f64 / n as f64 };
    let starry = 1.0 - (-(lights.stars.len() as f64) / ENOUGH_STARS).exp();
    let worst = unclear.samples().iter().enumerate().max_by_key(|&(idx, &count)| (count, std::cmp::Reverse(idx)));
    let doubt = worst.filter(|&(_, &count)| count >= DOUBT_EDGE).map(|(idx, _)| {
        let middle = |cell: usize| ((cell * DOUBT_SQUARE + DOUBT_SQUARE / 2) * evidence.bin) as f64;
        Point { x: middle(idx % squares.width), y: middle(idx / squares.width) }
    });
    Judgement { clear_share, confidence: starry * (0.5 + 0.5 * clear_share) * 0.98, doubt }
}
