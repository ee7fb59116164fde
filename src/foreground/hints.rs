//! Strokes as hints: the mask is solved again around them, and the edge snaps to the real one.

use crate::foreground::ForegroundMask;
use crate::foreground::evidence::Evidence;
use crate::foreground::filters::{bilinear, blur, try_by_rows};
use crate::foreground::stroke::{RowPlaces, Stroke};
use crate::foreground::walk::Walk;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{Mask, Plane, Point, Rect, Size};

/// The picture around the strokes is solved again as far as this many brush widths, at least
/// [`LEAST_REACH`] pixels of the guide.
const REACH_RADII: f64 = 6.0;
const LEAST_REACH: f64 = 48.0;
/// Trust in a stroke, in the mask as it was at the reach of the stroke, and in the mask beyond.
const STROKE_TRUST: f32 = 50.0;
const MASK_TRUST: f32 = 0.02;
pub(super) const BORDER_TRUST: f32 = 50.0;
/// How hard edges are for the walk.
const EDGE_GAIN: f32 = 0.3;
/// Pixels of the frame over which an edge rises that the guide alone tells.
const EDGE_PX: f32 = 2.0;
/// A pixel of the guide changes when the chance moves by so much.
const CHANGE: f32 = 0.25;

/// What the burst shows at a fraction of the scale: enough to solve again around a stroke.
#[derive(Clone, Debug, PartialEq)]
pub struct Guide {
    pub(super) bin: usize,
    cell: usize,
    grey: Plane<f32>,
    /// By cells of the guide.
    sigma: Plane<f32>,
    /// The proposal, 255 for land: its fine edge is taken back where a stroke agrees with it.
    proposed: Plane<u8>,
}

impl Guide {
    pub(super) fn new(evidence: &Evidence, proposed: &ForegroundMask) -> Self {
        Self {
            bin: evidence.bin,
            cell: evidence.cell,
            grey: blur(&evidence.grey, 0.8),
            sigma: evidence.grey_sigma.map(|sigma| 0.3 * sigma),
            // A weight lies between 0 and 1: the cast rounds.
            proposed: proposed.0.map(|alpha| (255.0 * alpha + 0.5) as u8),
        }
    }

    /// The mask with strokes taken as hints. Only what lies around them changes.
    pub fn solve(
        &self,
        monitor: &Monitor,
        mut mask: ForegroundMask,
        strokes: &[Stroke],
    ) -> Result<ForegroundMask, Cancelled> {
        // The paint itself: the walk then finds how far it reaches.
        strokes.iter().try_for_each(|stroke| mask.paint(monitor, stroke))?;
        for stroke in strokes {
            if let Some(rect) = self.around(stroke) {
                self.solve_in(monitor, rect, stroke, strokes, &mut mask)?;
            }
        }
        Ok(mask)
    }

    /// Whether solving around a stroke may change what another one covers.
    #[must_use]
    pub fn may_change(&self, around: &Stroke, covered: &Stroke) -> bool {
        // The block that is solved ends at a pixel of the guide.
        let radius_px = around.radius_px + self.reach_px(around) + self.bin as f64;
        Stroke { radius_px, ..around.clone() }.may_meet(covered, self.size())
    }

    /// How far a stroke has a say, in pixels of the frame.
    fn reach_px(&self, stroke: &Stroke) -> f64 {
        (REACH_RADII * stroke.radius_px).max(LEAST_REACH * self.bin as f64)
    }

    /// The block of the guide to solve again.
    fn around(&self, stroke: &Stroke) -> Option<Rect> {
        self.within(stroke, stroke.radius_px + self.reach_px(stroke))
    }

    /// The block of the guide within a distance of the middle line of a stroke.
    pub(super) fn within(&self, stroke: &Stroke, distance_px: f64) -> Option<Rect> {
        let size = self.grey.size();
        let wide = Stroke { radius_px: distance_px, ..stroke.clone() };
        let frame = Size { width: size.width * self.bin, height: size.height * self.bin };
        let ([left, right], [top, bottom]) = wide.reach(frame)?;
        let (x, y) = (left / self.bin, top / self.bin);
        Some(Rect { x, y, size: Size { width: right / self.bin - x + 1, height: bottom / self.bin - y + 1 } })
    }

    fn solve_in(
        &self,
        monitor: &Monitor,
        rect: Rect,
        center: &Stroke,
        strokes: &[Stroke],
        solved: &mut ForegroundMask,
    ) -> Result<(), Cancelled> {
        let held = self.held(monitor, rect, solved)?;
        let mut prior = held.clone();
        let reach = self.reach_px(center);
        // Near the stroke the mask may be wrong; far from it, it is to stay.
        let mut trust = self.distances_px(monitor, rect, center, reach)?.map(|distance| {
            let far = distance / reach;
            if far >= 1.0 { BORDER_TRUST } else { MASK_TRUST * far.powi(4) as f32 }
        });
        for stroke in strokes {
            let radius = stroke.radius_px.max(0.75 * self.bin as f64);
            let distances = self.distances_px(monitor, rect, stroke, radius)?;
            let both = prior.samples_mut().iter_mut().zip(trust.samples_mut());
            for ((prior, trust), _) in both.zip(distances.samples()).filter(|(_, distance)| **distance <= radius) {
                *prior = stroke.side.weight();
                *trust = STROKE_TRUST;
            }
        }
        self.solve_rect(monitor, rect, &held, prior, trust, solved)
    }

    /// How far the pixels of a block of the guide are from the middle line of a stroke, in pixels of the frame;
    /// told up to `limit_px`, infinite or too large beyond it.
    pub(super) fn distances_px(
        &self,
        monitor: &Monitor,
        rect: Rect,
        stroke: &Stroke,
        limit_px: f64,
    ) -> Result<Plane<f64>, Cancelled> {
        try_by_rows(monitor, rect.size, f64::INFINITY, |y, row| {
            let first = self.middle(rect.x, y + rect.y);
            let places = RowPlaces { y: first.y, first_x: first.x, step_px: self.bin as f64 };
            let seen = stroke.lower_squares(places, limit_px, row);
            row[seen].iter_mut().for_each(|square| *square = square.sqrt());
        })
    }

    /// Walks from what is held in a block of the guide and writes what changed into the mask.
    pub(super) fn solve_rect(
        &self,
        monitor: &Monitor,
        rect: Rect,
        held: &Plane<f32>,
        prior: Plane<f32>,
        trust: Plane<f32>,
        solved: &mut ForegroundMask,
    ) -> Result<(), Cancelled> {
        let grey = self.grey.crop(rect);
        let sigma = Plane::from_fn(rect.size, |x, y| self.sigma.at((x + rect.x) / self.cell, (y + rect.y) / self.cell));
        let walk = Walk::new(prior, trust, EDGE_GAIN, |a, b| {
            ((grey.samples()[a] - grey.samples()[b]) / sigma.samples()[a]).powi(2)
        });
        let chances = walk.solve(monitor, held)?;
        self.write_back(monitor, rect, held, &chances, solved)
    }

    /// Takes the new chances where they differ, with the proposal's fine edge where it agrees with them and a
    /// smooth one where it does not; elsewhere the mask keeps its own.
    fn write_back(
        &self,
        monitor: &Monitor,
        rect: Rect,
        held: &Plane<f32>,
        chances: &Plane<f32>,
        solved: &mut ForegroundMask,
    ) -> Result<(), Cancelled> {
        let moved = Mask(Plane::from_fn(rect.size, |x, y| {
            let (new, old) = (chances.at(x, y), held.at(x, y));
            (new - old).abs() > CHANGE && (new > 0.5) != (old > 0.5)
        }));
        let beside = moved.grow(1);
        let bin = self.bin;
        for row in 0..rect.size.height {
            monitor.check()?;
            for column in (0..rect.size.width).filter(|&column| beside.contains(column, row)) {
                let land = chances.at(column, row) > 0.5;
                let (left, top) = ((column + rect.x) * bin, (row + rect.y) * bin);
                let proposed = |x: usize, y: usize| f32::from(self.proposed.at(x, y)) / 255.0;
                let agrees = (self.mean_alpha(proposed, column + rect.x, row + rect.y) > 0.5) == land;
                // Beside what moved, the end of a smooth edge may only lie where the mask had no detail.
                let plain = !(0.05..0.95).contains(&held.at(column, row));
                for y in top..top + bin {
                    for x in left..left + bin {
                        if agrees {
                            solved.0.set(x, y, proposed(x, y));
                        } else if moved.contains(column, row) || plain {
                            let place =
                                |frame: usize, first: usize| (frame as f32 + 0.5) / bin as f32 - 0.5 - first as f32;
                            let chance = bilinear(chances, place(x, rect.x), place(y, rect.y));
                            // Between two pixels of the guide the chance rises over `bin` pixels of the frame.
                            let alpha = (chance - 0.5) * bin as f32 / EDGE_PX + 0.5;
                            solved.0.set(x, y, alpha.clamp(0.0, 1.0));
                        }
                    }
                }
            }
        }
        Ok(())
    }

    /// Mean weight of the mask in each pixel of a block of the guide.
    pub(super) fn held(&self, monitor: &Monitor, rect: Rect, mask: &ForegroundMask) -> Result<Plane<f32>, Cancelled> {
        try_by_rows(monitor, rect.size, 0.0, |y, row| {
            for (x, held) in row.iter_mut().enumerate() {
                *held = self.mean_alpha(|x, y| mask.0.at(x, y), x + rect.x, y + rect.y);
            }
        })
    }

    fn mean_alpha(&self, alpha: impl Fn(usize, usize) -> f32, column: usize, row: usize) -> f32 {
        let bin = self.bin;
        let rows = row * bin..(row + 1) * bin;
        let sum: f32 = rows.map(|y| (column * bin..(column + 1) * bin).map(|x| alpha(x, y)).sum::<f32>()).sum();
        sum / (bin * bin) as f32
    }

    /// Middle of a pixel of the guide in the frame.
    pub(super) fn middle(&self, column: usize, row: usize) -> Point {
        let place = |cell: usize| (cell * self.bin) as f64 + 0.5 * (self.bin as f64 - 1.0);
        Point { x: place(column), y: place(row) }
    }
}

impl Guide {
    /// A guide that knows nothing: an even picture without landscape.
    #[must_use]
    pub fn plain(size: Size) -> Self {
        let one = Size { width: 1, height: 1 };
        let grey = Plane::filled(size, 0.0);
        let cell = size.width.max(size.height).max(1);
        Self { bin: 1, cell, grey, sigma: Plane::filled(one, 1.0), proposed: Plane::filled(size, 0) }
    }

    /// Size of the frames that it is for.
    #[must_use]
    pub fn size(&self) -> Size {
        self.proposed.size()
    }

    /// The guide of a burst reduced by `factor`, for its frames at their full `size`.
    #[must_use]
    pub fn enlarged(&self, factor: usize, size: Size) -> Self {
        let reduced = self.proposed.size();
        let nearest = |position: usize, len: usize| (position / factor).min(len - 1);
        let proposed =
            Plane::from_fn(size, |x, y| self.proposed.at(nearest(x, reduced.width), nearest(y, reduced.height)));
        Self { bin: self.bin * factor, proposed, ..self.clone() }
    }
}
