//! Strokes as hints: the mask is solved again around them, and the edge snaps to the real one.

use crate::foreground::ForegroundMask;
use crate::foreground::edit::{Stroke, StrokeSide};
use crate::foreground::evidence::Evidence;
use crate::foreground::filters::blur;
use crate::foreground::walk::Walk;
use crate::pixels::{Plane, Point, Rect, Size};

/// The picture around the strokes is solved again as far as this many brush widths, at least
/// [`LEAST_REACH`] pixels of the guide.
const REACH_RADII: f64 = 6.0;
const LEAST_REACH: f64 = 48.0;
/// Trust in a stroke, in the mask as it was, and in the mask at the border of what is solved again.
const STROKE_TRUST: f32 = 50.0;
const MASK_TRUST: f32 = 0.01;
const BORDER_TRUST: f32 = 50.0;
/// How hard edges are for the walk.
const EDGE_GAIN: f32 = 0.3;
/// A pixel of the guide changes when the chance moves by so much.
const CHANGE: f32 = 0.25;

/// What the burst shows at a fraction of the scale: enough to solve again around a stroke.
#[derive(Clone, Debug, PartialEq)]
pub struct Guide {
    bin: usize,
    cell: usize,
    grey: Plane<f32>,
    /// By cells of the guide.
    sigma: Plane<f32>,
}

impl Guide {
    pub(super) fn new(evidence: &Evidence) -> Self {
        Self {
            bin: evidence.bin,
            cell: evidence.cell,
            grey: blur(&evidence.grey, 0.8),
            sigma: evidence.grey_sigma.map(|sigma| 0.3 * sigma),
        }
    }

    /// The mask with strokes taken as hints. Only what lies around them changes.
    #[must_use]
    pub fn solve(&self, mask: &ForegroundMask, strokes: &[Stroke]) -> ForegroundMask {
        let mut solved = mask.clone();
        for side in [StrokeSide::Sky, StrokeSide::Land] {
            // The paint itself: the walk then finds how far it reaches.
            strokes.iter().filter(|stroke| stroke.side == side).for_each(|stroke| solved.paint(stroke));
        }
        if let Some(rect) = self.around(strokes) {
            self.solve_in(rect, mask, strokes, &mut solved);
        }
        solved
    }

    /// The block of the guide to solve again.
    fn around(&self, strokes: &[Stroke]) -> Option<Rect> {
        let size = self.grey.size();
        let mut block: Option<[usize; 4]> = None;
        for stroke in strokes {
            let reach = (REACH_RADII * stroke.radius_px).max(LEAST_REACH * self.bin as f64);
            let wide = Stroke { radius_px: stroke.radius_px + reach, ..stroke.clone() };
            let frame = Size { width: size.width * self.bin, height: size.height * self.bin };
            let Some(([left, right], [top, bottom])) = wide.reach(frame) else { continue };
            let own = [left / self.bin, top / self.bin, right / self.bin, bottom / self.bin];
            block =
                Some(block.map_or(own, |all| {
                    [all[0].min(own[0]), all[1].min(own[1]), all[2].max(own[2]), all[3].max(own[3])]
                }));
        }
        let [left, top, right, bottom] = block?;
        Some(Rect { x: left, y: top, size: Size { width: right - left + 1, height: bottom - top + 1 } })
    }

    fn solve_in(&self, rect: Rect, before: &ForegroundMask, strokes: &[Stroke], solved: &mut ForegroundMask) {
        let held = Plane::from_fn(rect.size, |x, y| self.mean_alpha(before, x + rect.x, y + rect.y));
        let mut prior = held.clone();
        let frame = self.grey.size();
        let last = (rect.size.width - 1, rect.size.height - 1);
        let mut trust = Plane::from_fn(rect.size, |x, y| {
            // The frame's own border is no border of what is solved.
            let inner = (x == 0 && rect.x > 0)
                || (y == 0 && rect.y > 0)
                || (x == last.0 && rect.x + rect.size.width < frame.width)
                || (y == last.1 && rect.y + rect.size.height < frame.height);
            if inner { BORDER_TRUST } else { MASK_TRUST }
        });
        for stroke in strokes {
            let radius = stroke.radius_px.max(0.75 * self.bin as f64);
            for y in 0..rect.size.height {
                for x in 0..rect.size.width {
                    if stroke.distance_px(self.middle(x + rect.x, y + rect.y)) <= radius {
                        prior.set(x, y, if stroke.side == StrokeSide::Land { 1.0 } else { 0.0 });
                        trust.set(x, y, STROKE_TRUST);
                    }
                }
            }
        }
        let grey = self.grey.crop(rect);
        let sigma = Plane::from_fn(rect.size, |x, y| self.sigma.at((x + rect.x) / self.cell, (y + rect.y) / self.cell));
        let walk = Walk::new(prior, trust, EDGE_GAIN, |a, b| {
            ((grey.samples()[a] - grey.samples()[b]) / sigma.samples()[a]).powi(2)
        });
        let chances = walk.solve(&held);
        self.write_back(rect, &held, &chances, solved);
    }

    /// Takes the new chances where they differ; elsewhere the mask keeps its fine edge.
    fn write_back(&self, rect: Rect, held: &Plane<f32>, chances: &Plane<f32>, solved: &mut ForegroundMask) {
        let size = solved.size();
        for y in rect.y * self.bin..((rect.y + rect.size.height) * self.bin).min(size.height) {
            for x in rect.x * self.bin..((rect.x + rect.size.width) * self.bin).min(size.width) {
                let (column, row) = (x / self.bin - rect.x, y / self.bin - rect.y);
                let sided = |chance: f32| if chance > 0.5 { 1.0 } else { 0.0 };
                let moved = (chances.at(column, row) - held.at(column, row)).abs() > CHANGE;
                if moved && sided(chances.at(column, row)) != sided(held.at(column, row)) {
                    solved.0.set(x, y, sided(chances.at(column, row)));
                }
            }
        }
    }

    fn mean_alpha(&self, mask: &ForegroundMask, column: usize, row: usize) -> f32 {
        let bin = self.bin;
        let sum: f32 = (row * bin..(row + 1) * bin)
            .map(|y| mask.0.row(y)[column * bin..(column + 1) * bin].iter().sum::<f32>())
            .sum();
        sum / (bin * bin) as f32
    }

    fn middle(&self, column: usize, row: usize) -> Point {
        let place = |cell: usize| (cell * self.bin) as f64 + 0.5 * (self.bin as f64 - 1.0);
        Point { x: place(column), y: place(row) }
    }
}
