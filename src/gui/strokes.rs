//! Painting the foreground mask, and taking a stroke back.
//!
//! A stroke is painted on copies of the squares it touches, which lie over the mask until it ends: the mask of a
//! large frame is never copied for a movement of the pointer. Swapping the squares with those of the mask lays the
//! stroke down, swapping once more takes it back.

use std::collections::BTreeMap;

use eframe::egui::Pos2;
use rayon::prelude::*;

use crate::job::{Cancelled, Monitor};
use crate::pipeline::ForegroundMask;
use crate::pixels::{Plane, Rect, Size};

/// Edge of a square that is kept for undo.
const SQUARE: usize = 256;

/// Squares that are swapped in a few milliseconds: ten megabytes.
const FEW_SQUARES: usize = 40;

/// Edge that the brush leaves between land and sky, in pixels of the picture.
const SOFT_EDGE_PX: f32 = 1.5;

/// What the brush does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BrushKind {
    /// Makes landscape.
    Add,
    /// Makes sky.
    Remove,
}

/// The brush.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Brush {
    /// What it does.
    pub kind: BrushKind,
    /// Its radius in pixels of the picture.
    pub radius_px: f32,
}

/// Squares of a mask as they are on the other side of undo.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MaskPatch {
    squares: BTreeMap<(usize, usize), Plane<f32>>,
}

impl MaskPatch {
    /// Exchanges the squares kept with those of the mask.
    pub fn swap(&mut self, mask: &mut ForegroundMask) {
        for (&square, kept) in &mut self.squares {
            let rect = square_rect(square, mask.size());
            let now = mask.0.crop(rect);
            for y in 0..rect.size.height {
                mask.0.row_mut(rect.y + y)[rect.x..rect.x + rect.size.width].copy_from_slice(kept.row(y));
            }
            *kept = now;
        }
    }

    /// Squares in which two masks of one size differ, as `before` has them.
    pub fn between(monitor: &Monitor, before: &ForegroundMask, after: &ForegroundMask) -> Result<Self, Cancelled> {
        let size = before.size();
        let columns = size.width.div_ceil(SQUARE);
        let all: Vec<(usize, usize)> =
            (0..size.height.div_ceil(SQUARE)).flat_map(|row| (0..columns).map(move |column| (column, row))).collect();
        let differing = |&square: &(usize, usize)| {
            if let Err(cancelled) = monitor.check() {
                return Some(Err(cancelled));
            }
            let rect = square_rect(square, size);
            let columns = rect.x..rect.x + rect.size.width;
            let mut rows = rect.y..rect.y + rect.size.height;
            let differs = rows.any(|y| before.0.row(y)[columns.clone()] != after.0.row(y)[columns.clone()]);
            differs.then(|| Ok((square, before.0.crop(rect))))
        };
        let squares = all.par_iter().filter_map(differing).collect::<Result<_, _>>()?;
        Ok(Self { squares })
    }

    /// The weight that lies over a pixel of the mask; `None` where the stroke touched nothing.
    #[must_use]
    pub fn over(&self, x: usize, y: usize) -> Option<f32> {
        let square = self.squares.get(&(x / SQUARE, y / SQUARE))?;
        Some(square.at(x % SQUARE, y % SQUARE))
    }

    /// Whether so few squares are kept that swapping them takes no time.
    #[must_use]
    pub fn is_small(&self) -> bool {
        self.squares.len() <= FEW_SQUARES
    }

    /// How much room the squares take.
    #[must_use]
    pub fn bytes(&self) -> usize {
        self.squares.values().map(|square| size_of_val(square.samples())).sum()
    }

    /// Whether the stroke touched nothing.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.squares.is_empty()
    }

    /// Paints along the line from `from` to `to` (corner-based picture coordinates, as stored) over a mask, which
    /// stays as it is.
    pub fn paint(&mut self, mask: &ForegroundMask, brush: Brush, from: Pos2, to: Pos2) {
        let Some(reached) = bounds(mask.size(), brush.radius_px + SOFT_EDGE_PX, from, to) else { return };
        let along = to - from;
        let length_sq = along.length_sq();
        let last = (reached.x + reached.size.width - 1, reached.y + reached.size.height - 1);
        for square in (reached.y / SQUARE..=last.1 / SQUARE)
            .flat_map(|row| (reached.x / SQUARE..=last.0 / SQUARE).map(move |column| (column, row)))
        {
            let rect = square_rect(square, mask.size());
            let painted = self.squares.entry(square).or_insert_with(|| mask.0.crop(rect));
            let columns = reached.x.max(rect.x)..(last.0 + 1).min(rect.x + rect.size.width);
            for y in reached.y.max(rect.y)..(last.1 + 1).min(rect.y + rect.size.height) {
                let row = &mut painted.row_mut(y - rect.y)[columns.start - rect.x..columns.end - rect.x];
                for (x, weight) in columns.clone().zip(row) {
                    let point = Pos2 { x: x as f32 + 0.5, y: y as f32 + 0.5 };
                    let share =
                        if length_sq > 0.0 { ((point - from).dot(along) / length_sq).clamp(0.0, 1.0) } else { 0.0 };
                    let distance = point.distance(from + along * share);
                    let inside = ((brush.radius_px - distance) / SOFT_EDGE_PX + 0.5).clamp(0.0, 1.0);
                    *weight = match brush.kind {
                        BrushKind::Add => weight.max(inside),
                        BrushKind::Remove => weight.min(1.0 - inside),
                    };
                }
            }
        }
    }
}

fn square_rect((column, row): (usize, usize), size: Size) -> Rect {
    let (x, y) = (column * SQUARE, row * SQUARE);
    Rect { x, y, size: Size { width: SQUARE.min(size.width - x), height: SQUARE.min(size.height - y) } }
}

/// Pixels within `reach` of the line; `None` where it passes the frame by.
fn bounds(size: Size, reach: f32, from: Pos2, to: Pos2) -> Option<Rect> {
    let low = from.min(to);
    let high = from.max(to);
    // Float casts saturate at zero; the upper ends are clamped to the frame.
    let (left, top) = ((low.x - reach).floor() as usize, (low.y - reach).floor() as usize);
    let right = ((high.x + reach).ceil() as usize).min(size.width);
    let bottom = ((high.y + reach).ceil() as usize).min(size.height);
    let inside = left < right && top < bottom;
    inside.then(|| Rect { x: left, y: top, size: Size { width: right - left, height: bottom - top } })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sky(width: usize, height: usize) -> ForegroundMask {
        ForegroundMask(Plane::filled(Size { width, height }, 0.0))
    }

    #[test]
    fn a_stroke_covers_its_line_and_can_be_taken_back_and_made_again() {
        let mut mask = sky(600, 300);
        let before = mask.clone();
        let mut patch = MaskPatch::default();
        let brush = Brush { kind: BrushKind::Add, radius_px: 10.0 };
        patch.paint(&mask, brush, Pos2::new(100.0, 100.0), Pos2::new(400.0, 100.0));
        assert_eq!(mask, before, "the stroke lies over the mask");
        assert_eq!((patch.over(250, 95), patch.over(250, 120)), (Some(1.0), Some(0.0)), "on the line, and 20 px off");
        assert_eq!(patch.over(550, 290), None, "far from it");
        patch.swap(&mut mask);
        assert_eq!((mask.0.at(250, 95), mask.0.at(250, 120)), (1.0, 0.0), "laid down");
        let painted = mask.clone();
        patch.swap(&mut mask);
        assert_eq!(mask, before, "undone");
        patch.swap(&mut mask);
        assert_eq!(mask, painted, "redone");
    }

    #[test]
    fn squares_that_differ_are_those_that_take_a_change_back() {
        let before = sky(600, 300);
        let mut after = before.clone();
        after.0.set(599, 299, 1.0);
        after.0.set(10, 255, 0.5);
        let between = |a: &_, b: &_| MaskPatch::between(&Monitor::silent(), a, b).expect("nobody cancels");
        assert!(between(&after, &after).is_empty(), "nothing differs from itself");
        let mut patch = between(&before, &after);
        assert_eq!(patch.squares.len(), 2, "the corner, and one of the first column");
        patch.swap(&mut after);
        assert_eq!(after, before, "taken back");
    }

    #[test]
    fn removing_leaves_sky_and_a_stroke_outside_touches_nothing() {
        let mut mask = ForegroundMask(Plane::filled(Size { width: 50, height: 50 }, 1.0));
        let mut patch = MaskPatch::default();
        let brush = Brush { kind: BrushKind::Remove, radius_px: 5.0 };
        patch.paint(&mask, brush, Pos2::new(-90.0, -90.0), Pos2::new(-60.0, -80.0));
        assert!(patch.is_empty(), "far outside the frame");
        patch.paint(&mask, brush, Pos2::new(0.0, 0.0), Pos2::new(0.0, 0.0));
        patch.swap(&mut mask);
        assert_eq!((mask.0.at(0, 0), mask.0.at(20, 20)), (0.0, 1.0), "the corner is sky, the middle is land");
    }
}
