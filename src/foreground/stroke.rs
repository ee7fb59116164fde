//! A brush drawn along points, and how far places are from its middle line.
//!
//! Distances are taken leg by leg, each in the part of a row that it reaches: what a stroke costs grows with
//! the pixels it covers, not with its points times the box around it.

use std::ops::Range;

use crate::pixels::{Point, Size};

/// What a shape or a stroke makes of the pixels under it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StrokeSide {
    /// Landscape.
    Land,
    /// Sky.
    Sky,
}

impl StrokeSide {
    /// Weight of the landscape: 0.0 or 1.0.
    pub(super) fn weight(self) -> f32 {
        match self {
            Self::Land => 1.0,
            Self::Sky => 0.0,
        }
    }
}

/// A brush drawn along points.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Stroke {
    /// In light-frame pixels.
    pub points: Vec<Point>,
    /// Half the width of the brush.
    pub radius_px: f64,
    /// What it makes of the pixels.
    pub side: StrokeSide,
}

/// Places of a row, evenly spaced.
#[derive(Clone, Copy, Debug)]
pub(super) struct RowPlaces {
    /// Of the whole row.
    pub(super) y: f64,
    /// Of the first place.
    pub(super) first_x: f64,
    /// From one place to the next.
    pub(super) step_px: f64,
}

impl Stroke {
    /// Whether it may touch what another touches in a frame.
    pub(super) fn may_meet(&self, other: &Self, size: Size) -> bool {
        let meets = |[a, b]: [usize; 2], [c, d]: [usize; 2]| a <= d && c <= b;
        match (self.reach(size), other.reach(size)) {
            (Some((columns, rows)), Some((others, other_rows))) => meets(columns, others) && meets(rows, other_rows),
            _ => false,
        }
    }

    /// First and last column and row that it may touch in a frame; `None` outside.
    pub(super) fn reach(&self, size: Size) -> Option<([usize; 2], [usize; 2])> {
        let margin = self.radius_px + 1.0;
        let span = |values: &dyn Fn(&Point) -> f64, n: usize| {
            let low = self.points.iter().map(values).fold(f64::INFINITY, f64::min) - margin;
            let high = self.points.iter().map(values).fold(f64::NEG_INFINITY, f64::max) + margin;
            // Clamped to the axis, so the casts round towards its inside.
            (high >= 0.0 && low < n as f64).then(|| [low.max(0.0) as usize, (high as usize).min(n - 1)])
        };
        Some((span(&|point| point.x, size.width)?, span(&|point| point.y, size.height)?))
    }

    /// Lowers each of `squares` to the squared distance of its place from the middle line, where that is at most
    /// `limit_px`; the places outside the range that is given back were not looked at.
    pub(super) fn lower_squares(&self, places: RowPlaces, limit_px: f64, squares: &mut [f64]) -> Range<usize> {
        let mut seen = squares.len()..0;
        for (from, to) in self.legs() {
            let Some(range) = near(from, to, places, limit_px, squares.len()) else { continue };
            seen = seen.start.min(range.start)..seen.end.max(range.end);
            let (along_x, along_y) = (to.x - from.x, to.y - from.y);
            let per_square = 1.0 / (along_x * along_x + along_y * along_y).max(1e-12);
            let across = places.y - from.y;
            let first = places.first_x + places.step_px * range.start as f64 - from.x;
            for (idx, best) in squares[range].iter_mut().enumerate() {
                // Fewer columns than an i32 counts, whose conversion is done several at a time.
                let away = first + places.step_px * f64::from(idx as i32);
                let share = ((away * along_x + across * along_y) * per_square).clamp(0.0, 1.0);
                let (x, y) = (away - share * along_x, across - share * along_y);
                *best = best.min(x * x + y * y);
            }
        }
        if seen.start < seen.end { seen } else { 0..0 }
    }

    /// From point to point; a single point is a leg of no length.
    fn legs(&self) -> impl Iterator<Item = (Point, Point)> {
        let single = self.points.first().filter(|_| self.points.len() == 1).map(|&only| (only, only));
        single.into_iter().chain(self.points.windows(2).map(|ends| (ends[0], ends[1])))
    }
}

/// The places of a row that may be within `limit_px` of a leg.
fn near(from: Point, to: Point, places: RowPlaces, limit_px: f64, n: usize) -> Option<Range<usize>> {
    let (low, high) = (places.y - limit_px, places.y + limit_px);
    if from.y.max(to.y) < low || from.y.min(to.y) > high {
        return None;
    }
    // Where along the leg it is within the limit of the row.
    let along_y = to.y - from.y;
    let (begin, end) = if along_y.abs() > 1e-9 {
        let (a, b) = ((low - from.y) / along_y, (high - from.y) / along_y);
        (a.min(b).clamp(0.0, 1.0), a.max(b).clamp(0.0, 1.0))
    } else {
        (0.0, 1.0)
    };
    let [a, b] = [begin, end].map(|share| from.x + share * (to.x - from.x));
    let place = |x: f64| (x - places.first_x) / places.step_px;
    let (first, last) = (place(a.min(b) - limit_px).floor(), place(a.max(b) + limit_px).ceil());
    if last < 0.0 || first >= n as f64 {
        return None;
    }
    // Clamped to the row, so the casts are exact.
    Some(first.max(0.0) as usize..(last as usize + 1).min(n))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// As plainly as it can be said: the nearest of all legs.
    pub(in crate::foreground) fn plain_distance_px(stroke: &Stroke, place: Point) -> f64 {
        let to_leg = |ends: &[Point]| {
            let (from, to) = (ends[0], ends[1]);
            let (along_x, along_y) = (to.x - from.x, to.y - from.y);
            let square = along_x * along_x + along_y * along_y;
            let share = ((place.x - from.x) * along_x + (place.y - from.y) * along_y) / square.max(1e-12);
            let share = share.clamp(0.0, 1.0);
            place.distance(Point { x: from.x + share * along_x, y: from.y + share * along_y })
        };
        let single = stroke.points.first().map_or(f64::INFINITY, |first| first.distance(place));
        stroke.points.windows(2).map(to_leg).fold(single, f64::min)
    }

    #[test]
    fn squares_leg_by_leg_are_those_of_the_nearest_leg() {
        let zigzag = (0..40).map(|idx| Point { x: 7.3 * f64::from(idx) - 20.0, y: f64::from(idx * 37 % 50) - 5.0 });
        let stroke = Stroke { points: zigzag.collect(), radius_px: 6.0, side: StrokeSide::Land };
        let places = |row: usize| RowPlaces { y: row as f64 + 1.5, first_x: 1.5, step_px: 4.0 };
        for row in 0..60 {
            let mut squares = vec![f64::INFINITY; 60];
            let seen = stroke.lower_squares(places(row), 9.0, &mut squares);
            for (idx, square) in squares.into_iter().enumerate() {
                let place = Point { x: 1.5 + 4.0 * idx as f64, y: places(row).y };
                let plain = plain_distance_px(&stroke, place);
                let found = square.sqrt();
                assert!(found >= plain - 1e-9, "never too near: {found} for {plain} at {place:?}");
                assert!(plain > 9.0 || (found - plain).abs() < 1e-9, "{found} for {plain} at {place:?}");
                assert!(plain > 9.0 || seen.contains(&idx), "what is near is looked at: {place:?}");
            }
        }
    }
}
