//! How clear the edge of the proposed landscape is, and where it is least clear.

use crate::foreground::components::minus;
use crate::foreground::evidence::Evidence;
use crate::foreground::filters::{complement, dilate, erode};
use crate::foreground::growth::Sky;
use crate::foreground::moving::MovingLights;
use crate::pixels::{Plane, Point, Rect, Size};

/// Stars at which their number leaves little doubt.
const ENOUGH_STARS: f64 = 12.0;
/// Land that departs so much from the sky three pixels from the edge has a clear edge.
const CLEAR_DEPARTURE: f32 = 6.0;
/// An edge is looked at in squares of so many pixels of the evidence.
const SQUARE: usize = 32;
/// Fewer unclear pixels of the edge in a square are not worth a stroke.
const LEAST_UNCLEAR: usize = 24;
/// Places told at most.
const MOST_PLACES: usize = 12;

/// A place where the proposed edge may be wrong: a stroke there helps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Doubt {
    /// In light-frame pixels, inside the frame.
    pub rect: Rect,
    /// How sure the edge is inside it, from 0, a guess, to 1.
    pub confidence: f64,
}

impl Doubt {
    /// The middle of the place.
    #[must_use]
    pub fn middle(&self) -> Point {
        let middle = |first: usize, n: usize| first as f64 + 0.5 * (n as f64 - 1.0);
        Point { x: middle(self.rect.x, self.rect.size.width), y: middle(self.rect.y, self.rect.size.height) }
    }
}

pub(super) struct Judgement {
    /// Share of the edge that is clear.
    pub(super) clear_share: f64,
    pub(super) confidence: f64,
    /// The most doubtful first.
    pub(super) doubts: Vec<Doubt>,
}

/// Pixels of the edge in a square.
#[derive(Clone, Copy, Debug, Default)]
struct Count {
    all: usize,
    unclear: usize,
}

pub(super) fn judge(evidence: &Evidence, sky: &Sky, lights: &MovingLights) -> Judgement {
    let counts = count_edge(evidence.size(), sky);
    let sum = |part: fn(&Count) -> usize| counts.samples().iter().map(part).sum::<usize>();
    let (all, unclear) = (sum(|count| count.all), sum(|count| count.unclear));
    let clear_share = if all == 0 { 1.0 } else { 1.0 - unclear as f64 / all as f64 };
    let starry = 1.0 - (-(lights.stars.len() as f64) / ENOUGH_STARS).exp();
    let size = evidence.size();
    let frame = Size { width: size.width * evidence.bin, height: size.height * evidence.bin };
    let doubts = places(&counts, evidence.bin * SQUARE, frame, starry);
    Judgement { clear_share, confidence: starry * (0.5 + 0.5 * clear_share) * 0.98, doubts }
}

fn count_edge(size: Size, sky: &Sky) -> Plane<Count> {
    let land = complement(&sky.mask);
    // The land's own rim: between two and four pixels inside.
    let rim = minus(&erode(&land, 2.0), &erode(&land, 4.0));
    let near_sky = dilate(&sky.mask, 6.0);
    let squares = Size { width: size.width.div_ceil(SQUARE), height: size.height.div_ceil(SQUARE) };
    let mut counts = Plane::filled(squares, Count::default());
    for y in 0..size.height {
        for x in (0..size.width).filter(|&x| rim.contains(x, y) && near_sky.contains(x, y)) {
            let mut count = counts.at(x / SQUARE, y / SQUARE);
            count.all += 1;
            count.unclear += usize::from(sky.departure.at(x, y) <= CLEAR_DEPARTURE);
            counts.set(x / SQUARE, y / SQUARE, count);
        }
    }
    counts
}

/// Doubtful squares, those side by side as one; `edge_px` is the edge of a square in the frame.
///
/// Where stars are few, every clear part of the edge is as doubtful as its unclear parts.
fn places(counts: &Plane<Count>, edge_px: usize, frame: Size, starry: f64) -> Vec<Doubt> {
    let mut found = Vec::new();
    for row in 0..counts.height() {
        let mut column = 0;
        while column < counts.width() {
            let run = counts.row(row)[column..].iter().take_while(|count| count.unclear >= LEAST_UNCLEAR);
            let (n, all, unclear) =
                run.fold((0, 0, 0), |(n, all, unclear), count| (n + 1, all + count.all, unclear + count.unclear));
            if n > 0 {
                let (x, y) = (column * edge_px, row * edge_px);
                let size = Size { width: (n * edge_px).min(frame.width - x), height: edge_px.min(frame.height - y) };
                let rect = Rect { x, y, size };
                found.push((unclear, Doubt { rect, confidence: starry * (1.0 - unclear as f64 / all as f64) }));
            }
            column += n.max(1);
        }
    }
    // The longest unclear edge first; those of one length from the top.
    found.sort_by_key(|&(unclear, _)| std::cmp::Reverse(unclear));
    found.into_iter().take(MOST_PLACES).map(|(_, doubt)| doubt).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubtful_squares_side_by_side_are_one_place_and_the_longest_comes_first() {
        let counts = Plane::from_fn(Size { width: 6, height: 2 }, |x, y| match (x, y) {
            (1, 0) => Count { all: 60, unclear: 30 },
            (3..=4, 1) => Count { all: 50, unclear: 40 },
            _ => Count { all: 60, unclear: 5 },
        });
        let found = places(&counts, 128, Size { width: 768, height: 250 }, 1.0);
        let rects: Vec<_> = found.iter().map(|doubt| (doubt.rect.x, doubt.rect.y, doubt.rect.size.width)).collect();
        assert_eq!(rects, [(384, 128, 256), (128, 0, 128)], "two squares of the second row, one of the first");
        assert!((found[0].confidence - 0.2).abs() < 1e-12, "a fifth of its edge is clear");
        assert_eq!(found[1].middle(), Point { x: 191.5, y: 63.5 }, "the middle of its pixels");
    }
}
