//! How clear the edge of the proposed landscape is, and where it is least clear.
//!
//! Two things speak for an edge: land that departs from the sky beside it, and stars that were seen to move on the
//! other side. Where little is known of the whole and no place stands out, the places farthest from any such star
//! are asked for.

use crate::foreground::components::minus;
use crate::foreground::evidence::Evidence;
use crate::foreground::filters::{complement, dilate, erode};
use crate::foreground::growth::Sky;
use crate::foreground::moving::MovingLights;
use crate::foreground::propose::SURE;
use crate::pixels::{Orientation, Plane, Point, Rect, Size};

/// Below this the person is asked to look.
pub const LOW_CONFIDENCE: f64 = 0.7;
/// Stars at which their number leaves little doubt.
const ENOUGH_STARS: f64 = 12.0;
/// Land that departs so much from the sky three pixels from the edge has a clear edge. The place of an edge is known
/// to the noise over the contrast.
const CLEAR_DEPARTURE: f32 = 6.0;
/// An edge is looked at in squares of so many pixels of the evidence.
const SQUARE: usize = 32;
/// Fewer unclear pixels of the edge in a square are not worth a stroke.
const LEAST_UNCLEAR: usize = 24;
/// A square with so many pixels of the edge itself shows it well enough for a stroke.
const LEAST_LINE: usize = 8;
/// Places told at most.
const MOST_PLACES: usize = 12;
/// Places asked for where none stands out.
const PLACES_TO_ASK: usize = 3;

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

    /// The same place in the upright picture of a frame of size `stored`: what a person sees.
    #[must_use]
    pub fn upright(&self, orientation: Orientation, stored: Size) -> Self {
        let Rect { x, y, size } = self.rect;
        let corner = |x: usize, y: usize| orientation.upright_point(Point { x: x as f64, y: y as f64 }, stored);
        let (first, last) = (corner(x, y), corner(x + size.width - 1, y + size.height - 1));
        // Corners of whole pixels: the casts are exact.
        let rect = Rect {
            x: first.x.min(last.x) as usize,
            y: first.y.min(last.y) as usize,
            size: orientation.upright_size(size),
        };
        Self { rect, ..*self }
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
    /// Sums of their departures from the sky, of the squares of these, and of the noise that is left in an edge of that
    /// departure; 1 at [`CLEAR_DEPARTURE`].
    departures: f64,
    squares: f64,
    noise: f64,
    /// Land beside sky: the edge itself.
    line: usize,
}

impl Count {
    /// How well the edge is placed, from 0 to 1: by the noise in its contrast, and by how much the land beside it varies
    /// in light, which moves the place where it is half of the way from the sky to the land.
    fn strength(&self) -> f64 {
        if self.all == 0 {
            return 1.0;
        }
        let n = self.all as f64;
        let mean = self.departures / n;
        let variation = (self.squares / n / (mean * mean).max(1e-12) - 1.0).max(0.0);
        1.0 / (1.0 + self.noise / n + variation)
    }
}

pub(super) fn judge(evidence: &Evidence, sky: &Sky, lights: &MovingLights) -> Judgement {
    let counts = count_edge(evidence.size(), sky);
    let sum = |part: fn(&Count) -> usize| counts.samples().iter().map(part).sum::<usize>();
    let (all, unclear) = (sum(|count| count.all), sum(|count| count.unclear));
    let clear_share = if all == 0 { 1.0 } else { 1.0 - unclear as f64 / all as f64 };
    let starry = 1.0 - (-(lights.stars.len() as f64) / ENOUGH_STARS).exp();
    let size = evidence.size();
    let frame = Size { width: size.width * evidence.bin, height: size.height * evidence.bin };
    let strengths = counts.samples().iter().map(|count| count.all as f64 * count.strength());
    let strength = if all == 0 { 1.0 } else { strengths.sum::<f64>() / all as f64 };
    let confidence = SURE * starry * (0.5 + 0.5 * strength);
    let edge_px = evidence.bin * SQUARE;
    let mut doubts = places(&counts, edge_px, frame, starry);
    if confidence < LOW_CONFIDENCE && doubts.is_empty() {
        doubts = least_supported(&counts, &lights.seen, edge_px, frame, starry);
    }
    // A doubtful place is no surer than the whole.
    doubts.iter_mut().for_each(|doubt| doubt.confidence = doubt.confidence.min(confidence));
    Judgement { clear_share, confidence, doubts }
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
            let departure = sky.departure.at(x, y);
            count.unclear += usize::from(departure <= CLEAR_DEPARTURE);
            let departure = f64::from(departure);
            count.departures += departure;
            count.squares += departure * departure;
            count.noise += (f64::from(CLEAR_DEPARTURE) / departure.max(1e-3)).powi(2);
            counts.set(x / SQUARE, y / SQUARE, count);
        }
        for x in (0..size.width).filter(|&x| land.contains(x, y)) {
            let right = x + 1 < size.width && sky.mask.contains(x + 1, y);
            let beside = right || (x > 0 && sky.mask.contains(x - 1, y));
            let below = y + 1 < size.height && sky.mask.contains(x, y + 1);
            if beside || below || (y > 0 && sky.mask.contains(x, y - 1)) {
                let mut count = counts.at(x / SQUARE, y / SQUARE);
                count.line += 1;
                counts.set(x / SQUARE, y / SQUARE, count);
            }
        }
    }
    counts
}

/// Doubtful squares, those side by side as one; `edge_px` is the edge of a square in the frame.
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

/// The squares of the edge, or of a frame without one, that lie farthest from every place where a star was `seen`
/// to move; no two of them touch.
fn least_supported(
    counts: &Plane<Count>,
    seen: &[(usize, usize)],
    edge_px: usize,
    frame: Size,
    starry: f64,
) -> Vec<Doubt> {
    let size = counts.size();
    let squares = || (0..size.height).flat_map(|row| (0..size.width).map(move |column| (column, row)));
    let of_the_edge: Vec<(usize, usize)> =
        squares().filter(|&(column, row)| counts.at(column, row).line >= LEAST_LINE).collect();
    let candidates = if of_the_edge.is_empty() { squares().collect() } else { of_the_edge };
    let middle = |place: usize| (place * SQUARE + SQUARE / 2) as f64;
    let star_distance = |&(column, row): &(usize, usize)| {
        let (x, y) = (middle(column), middle(row));
        seen.iter().map(|&(star_x, star_y)| (x - star_x as f64).hypot(y - star_y as f64)).fold(f64::INFINITY, f64::min)
    };
    let mut ranked: Vec<((usize, usize), f64)> =
        candidates.into_iter().map(|square| (square, star_distance(&square))).collect();
    // Those as far as each other from the top.
    ranked.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut chosen: Vec<(usize, usize)> = Vec::new();
    for (square, _) in ranked {
        let touches = chosen.iter().any(|other| other.0.abs_diff(square.0) <= 1 && other.1.abs_diff(square.1) <= 1);
        if !touches {
            chosen.push(square);
        }
        if chosen.len() == PLACES_TO_ASK {
            break;
        }
    }
    let doubt = |(column, row): (usize, usize)| {
        let (x, y) = (column * edge_px, row * edge_px);
        let size = Size { width: edge_px.min(frame.width - x), height: edge_px.min(frame.height - y) };
        let count = counts.at(column, row);
        let clear = if count.all == 0 { 1.0 } else { 1.0 - count.unclear as f64 / count.all as f64 };
        Doubt { rect: Rect { x, y, size }, confidence: starry * clear }
    };
    chosen.into_iter().map(doubt).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn where_no_place_stands_out_those_far_from_any_star_are_asked_for() {
        let size = Size { width: 8, height: 3 };
        let edge = Plane::from_fn(size, |_, y| Count { line: if y == 1 { 32 } else { 0 }, ..Count::default() });
        // Stars above the second and the last square.
        let seen = [(48, 10), (240, 10)];
        let frame = Size { width: 1024, height: 380 };
        let places = |counts: &Plane<Count>| -> Vec<(usize, usize)> {
            let found = least_supported(counts, &seen, 128, frame, 0.5);
            assert!(found.iter().all(|doubt| doubt.confidence == 0.5), "few stars: {found:?}");
            found.iter().map(|doubt| (doubt.rect.x / 128, doubt.rect.y / 128)).collect()
        };
        assert_eq!(
            places(&edge),
            [(4, 1), (0, 1), (2, 1)],
            "between the stars first, none beside another, from the left"
        );
        let none = Plane::filled(size, Count::default());
        assert_eq!(places(&none)[0], (4, 2), "without an edge in the whole frame");
    }

    #[test]
    fn a_place_is_told_as_the_upright_picture_shows_it() {
        let stored = Size { width: 90, height: 60 };
        let doubt = Doubt { rect: Rect { x: 10, y: 40, size: Size { width: 30, height: 20 } }, confidence: 0.5 };
        let upright = doubt.upright(Orientation::Rotate90, stored);
        // The lowest rows of a frame that is turned clockwise are on the left.
        let rect = Rect { x: 0, y: 10, size: Size { width: 20, height: 30 } };
        assert_eq!(upright, Doubt { rect, confidence: 0.5 }, "a quarter turn");
        for tag in 1..=8 {
            let orientation = Orientation::from_tag(tag).expect("a valid tag");
            let there = doubt.upright(orientation, stored);
            let back = there.upright(orientation.inverse(), orientation.upright_size(stored));
            assert_eq!(back, doubt, "orientation {tag} and back");
            let middle = orientation.upright_point(doubt.middle(), stored);
            assert_eq!(there.middle(), middle, "orientation {tag}: its middle");
        }
    }

    #[test]
    fn doubtful_squares_side_by_side_are_one_place_and_the_longest_comes_first() {
        let counts = Plane::from_fn(Size { width: 6, height: 2 }, |x, y| match (x, y) {
            (1, 0) => Count { all: 60, unclear: 30, ..Count::default() },
            (3..=4, 1) => Count { all: 50, unclear: 40, ..Count::default() },
            _ => Count { all: 60, unclear: 5, ..Count::default() },
        });
        let found = places(&counts, 128, Size { width: 768, height: 250 }, 1.0);
        let rects: Vec<_> = found.iter().map(|doubt| (doubt.rect.x, doubt.rect.y, doubt.rect.size.width)).collect();
        assert_eq!(rects, [(384, 128, 256), (128, 0, 128)], "two squares of the second row, one of the first");
        assert!((found[0].confidence - 0.2).abs() < 1e-12, "a fifth of its edge is clear");
        assert_eq!(found[1].middle(), Point { x: 191.5, y: 63.5 }, "the middle of its pixels");
    }
}
