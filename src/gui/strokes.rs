//! Painting the foreground mask, and taking a stroke back.
//!
//! A stroke keeps the squares it touched as they were before. Swapping them back is undo, swapping
//! once more is redo.

use std::collections::BTreeMap;

use eframe::egui::Pos2;

use crate::pipeline::ForegroundMask;
use crate::pixels::{Plane, Rect, Size};

/// Edge of a square that is kept for undo.
const SQUARE: usize = 256;

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
    #[must_use]
    pub fn between(before: &ForegroundMask, after: &ForegroundMask) -> Self {
        let size = before.size();
        let mut patch = Self::default();
        for row in 0..size.height.div_ceil(SQUARE) {
            for column in 0..size.width.div_ceil(SQUARE) {
                let rect = square_rect((column, row), size);
                let columns = rect.x..rect.x + rect.size.width;
                let mut rows = rect.y..rect.y + rect.size.height;
                if rows.any(|y| before.0.row(y)[columns.clone()] != after.0.row(y)[columns.clone()]) {
                    patch.squares.insert((column, row), before.0.crop(rect));
                }
            }
        }
        patch
    }

    /// Takes squares over that this patch does not have: two changes of one mask, this one first, become one.
    pub fn absorb(&mut self, later: Self) {
        for (square, kept) in later.squares {
            self.squares.entry(square).or_insert(kept);
        }
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

    /// Paints along the line from `from` to `to` (corner-based picture coordinates, as stored).
    pub fn paint(&mut self, mask: &mut ForegroundMask, brush: Brush, from: Pos2, to: Pos2) {
        let Some(rect) = bounds(mask.size(), brush.radius_px + SOFT_EDGE_PX, from, to) else { return };
        self.keep(mask, rect);
        let along = to - from;
        let length_sq = along.length_sq();
        for y in rect.y..rect.y + rect.size.height {
            let row = &mut mask.0.row_mut(y)[rect.x..rect.x + rect.size.width];
            for (x, weight) in row.iter_mut().enumerate() {
                let point = Pos2 { x: (rect.x + x) as f32 + 0.5, y: y as f32 + 0.5 };
                let share = if length_sq > 0.0 { ((point - from).dot(along) / length_sq).clamp(0.0, 1.0) } else { 0.0 };
                let distance = point.distance(from + along * share);
                let inside = ((brush.radius_px - distance) / SOFT_EDGE_PX + 0.5).clamp(0.0, 1.0);
                *weight = match brush.kind {
                    BrushKind::Add => weight.max(inside),
                    BrushKind::Remove => weight.min(1.0 - inside),
                };
            }
        }
    }

    /// Keeps the squares under `rect` unless this stroke has touched them before.
    fn keep(&mut self, mask: &ForegroundMask, rect: Rect) {
        for row in rect.y / SQUARE..=(rect.y + rect.size.height - 1) / SQUARE {
            for column in rect.x / SQUARE..=(rect.x + rect.size.width - 1) / SQUARE {
                let square = (column, row);
                self.squares.entry(square).or_insert_with(|| mask.0.crop(square_rect(square, mask.size())));
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
        patch.paint(&mut mask, brush, Pos2::new(100.0, 100.0), Pos2::new(400.0, 100.0));
        assert_eq!((mask.0.at(250, 95), mask.0.at(250, 120)), (1.0, 0.0), "on the line, and 20 px beside it");
        let painted = mask.clone();
        patch.swap(&mut mask);
        assert_eq!(mask, before, "undone");
        patch.swap(&mut mask);
        assert_eq!(mask, painted, "redone");
    }

    #[test]
    fn two_changes_become_one_that_is_taken_back_at_once() {
        let before = sky(600, 300);
        let mut mask = before.clone();
        let mut patch = MaskPatch::default();
        let brush = Brush { kind: BrushKind::Add, radius_px: 10.0 };
        patch.paint(&mut mask, brush, Pos2::new(100.0, 100.0), Pos2::new(100.0, 100.0));
        let painted = mask.clone();
        MaskPatch::default().paint(&mut mask, brush, Pos2::new(110.0, 100.0), Pos2::new(550.0, 200.0));
        let later = MaskPatch::between(&painted, &mask);
        assert!(MaskPatch::between(&mask, &mask).is_empty(), "nothing differs from itself");
        patch.absorb(later);
        patch.swap(&mut mask);
        assert_eq!(mask, before, "both are gone");
    }

    #[test]
    fn removing_leaves_sky_and_a_stroke_outside_touches_nothing() {
        let mut mask = ForegroundMask(Plane::filled(Size { width: 50, height: 50 }, 1.0));
        let mut patch = MaskPatch::default();
        let brush = Brush { kind: BrushKind::Remove, radius_px: 5.0 };
        patch.paint(&mut mask, brush, Pos2::new(-90.0, -90.0), Pos2::new(-60.0, -80.0));
        assert!(patch.is_empty(), "far outside the frame");
        patch.paint(&mut mask, brush, Pos2::new(0.0, 0.0), Pos2::new(0.0, 0.0));
        assert_eq!((mask.0.at(0, 0), mask.0.at(20, 20)), (0.0, 1.0), "the corner is sky, the middle is land");
    }
}
