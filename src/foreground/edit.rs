//! Corrections of a mask: grow, shrink, feather, invert, polygons, the line of a horizon, brush strokes.

use crate::foreground::ForegroundMask;
use crate::foreground::filters::{blur, by_rows, distance_px};
use crate::pixels::{Mask, Orientation, Point, Size};

/// Lines of a pixel that a shape's cover is measured on; across, it is exact.
const SUBROWS: usize = 4;

/// What a shape or a stroke makes of the pixels under it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StrokeSide {
    /// Landscape.
    Land,
    /// Sky.
    Sky,
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

impl Stroke {
    /// Distance of a place from the middle line of the stroke.
    #[must_use]
    pub fn distance_px(&self, place: Point) -> f64 {
        let single = self.points.first().map_or(f64::INFINITY, |first| first.distance(place));
        self.points.windows(2).map(|ends| distance_to_line(place, ends[0], ends[1])).fold(single, f64::min)
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
}

fn distance_to_line(place: Point, from: Point, to: Point) -> f64 {
    let (along_x, along_y) = (to.x - from.x, to.y - from.y);
    let square = along_x * along_x + along_y * along_y;
    let share = ((place.x - from.x) * along_x + (place.y - from.y) * along_y) / square.max(1e-12);
    let share = share.clamp(0.0, 1.0);
    place.distance(Point { x: from.x + share * along_x, y: from.y + share * along_y })
}

impl ForegroundMask {
    /// Share of the frame that is landscape.
    #[must_use]
    pub fn fraction(&self) -> f64 {
        let sum: f64 = self.0.samples().iter().map(|&alpha| f64::from(alpha)).sum();
        sum / self.0.samples().len().max(1) as f64
    }

    /// Sky for land and land for sky.
    #[must_use]
    pub fn invert(&self) -> Self {
        Self(self.0.map(|alpha| 1.0 - alpha))
    }

    /// Moves the edge of the landscape outwards; its softness is kept within a pixel.
    #[must_use]
    pub fn grow(&self, radius_px: f32) -> Self {
        let land = Mask(self.0.map(|alpha| alpha >= 0.5));
        let distance = distance_px(&land, radius_px.max(0.0) + 1.0);
        Self(by_rows(self.size(), 0.0, |y, row| {
            for ((alpha, &own), &away) in row.iter_mut().zip(self.0.row(y)).zip(distance.row(y)) {
                *alpha = own.max((radius_px + 1.0 - away).clamp(0.0, 1.0));
            }
        }))
    }

    /// Moves the edge of the landscape inwards.
    #[must_use]
    pub fn shrink(&self, radius_px: f32) -> Self {
        self.invert().grow(radius_px).invert()
    }

    /// Softens the edge over about `width_px`.
    #[must_use]
    pub fn feather(&self, width_px: f32) -> Self {
        // From 5 % to 95 % a smoothed step takes 3.3 standard deviations.
        if width_px <= 0.0 { self.clone() } else { Self(blur(&self.0, width_px / 3.3)) }
    }

    /// Paints a stroke with a hard, smooth rim.
    pub fn paint(&mut self, stroke: &Stroke) {
        let Some(([left, right], [top, bottom])) = stroke.reach(self.size()) else { return };
        for y in top..=bottom {
            for x in left..=right {
                let distance = stroke.distance_px(Point { x: x as f64, y: y as f64 });
                let cover = (stroke.radius_px + 0.5 - distance).clamp(0.0, 1.0) as f32;
                self.cover(x, y, cover, stroke.side);
            }
        }
    }

    /// Fills a polygon given by its corners; a place enclosed twice is outside again.
    pub fn fill_polygon(&mut self, corners: &[Point], side: StrokeSide) {
        let Size { width, height } = self.size();
        let mut cover = vec![0.0_f32; width];
        for y in 0..height {
            cover.fill(0.0);
            let mut touched = false;
            for line in 0..SUBROWS {
                let at = y as f64 - 0.5 + (line as f64 + 0.5) / SUBROWS as f64;
                for ends in crossings(corners, at).chunks_exact(2) {
                    touched |= add_span(&mut cover, ends[0], ends[1]);
                }
            }
            if touched {
                for (x, cover) in cover.iter().enumerate() {
                    self.cover(x, y, cover / SUBROWS as f32, side);
                }
            }
        }
    }

    /// Everything below a line drawn along the horizon becomes land, everything above it sky; "below" as the
    /// picture is held upright by `orientation`. The line is carried on level from its ends.
    pub fn fill_below(&mut self, line: &[Point], orientation: Orientation) {
        let size = self.size();
        let Some(corners) = corners_below(line, size, orientation) else { return };
        *self = Self::all_sky(size);
        self.fill_polygon(&corners, StrokeSide::Land);
    }

    fn cover(&mut self, x: usize, y: usize, cover: f32, side: StrokeSide) {
        let own = self.0.at(x, y);
        let target = if side == StrokeSide::Land { 1.0 } else { 0.0 };
        self.0.set(x, y, own + cover.min(1.0) * (target - own));
    }
}

/// Where the edges of a polygon cross a level line, from left to right.
fn crossings(corners: &[Point], y: f64) -> Vec<f64> {
    let mut found: Vec<f64> = corners
        .iter()
        .zip(corners.iter().cycle().skip(1))
        .filter(|(from, to)| (from.y <= y) != (to.y <= y))
        .map(|(from, to)| from.x + (y - from.y) / (to.y - from.y) * (to.x - from.x))
        .collect();
    found.sort_by(f64::total_cmp);
    found
}

/// Adds the share of each pixel between two places of a row; pixel x reaches from x − ½ to x + ½.
fn add_span(cover: &mut [f32], from: f64, to: f64) -> bool {
    let (from, to) = ((from + 0.5).max(0.0), (to + 0.5).min(cover.len() as f64));
    if from >= to {
        return false;
    }
    // Clamped to the row, so the casts round down.
    let (first, last) = (from as usize, (to.ceil() as usize).min(cover.len()));
    for (x, cover) in cover.iter_mut().enumerate().take(last).skip(first) {
        *cover += (to.min(x as f64 + 1.0) - from.max(x as f64)) as f32;
    }
    true
}

/// The polygon between a horizon and the lower edge of the upright picture; `None` for fewer than one point.
fn corners_below(line: &[Point], stored: Size, orientation: Orientation) -> Option<Vec<Point>> {
    let upright = orientation.upright_size(stored);
    let mut points: Vec<Point> = line.iter().map(|&point| upright_from_stored(point, stored, orientation)).collect();
    points.sort_by(|a, b| a.x.total_cmp(&b.x));
    let (first, last) = (*points.first()?, *points.last()?);
    let (right, below) = (upright.width as f64, upright.height as f64);
    let mut corners = vec![Point { x: -1.0, y: below }, Point { x: -1.0, y: first.y }];
    corners.extend(points);
    corners.extend([Point { x: right, y: last.y }, Point { x: right, y: below }]);
    let inverse = orientation.inverse();
    Some(corners.into_iter().map(|corner| upright_from_stored(corner, upright, inverse)).collect())
}

/// Where a point of a stored picture stands once it is held upright.
fn upright_from_stored(point: Point, stored: Size, orientation: Orientation) -> Point {
    let (right, bottom) = (stored.width as f64 - 1.0, stored.height as f64 - 1.0);
    let Point { x, y } = point;
    let (x, y) = match orientation {
        Orientation::Normal => (x, y),
        Orientation::FlipHorizontal => (right - x, y),
        Orientation::Rotate180 => (right - x, bottom - y),
        Orientation::FlipVertical => (x, bottom - y),
        Orientation::Transpose => (y, x),
        Orientation::Rotate90 => (bottom - y, x),
        Orientation::Transverse => (bottom - y, right - x),
        Orientation::Rotate270 => (y, right - x),
    };
    Point { x, y }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::Plane;

    const SIZE: Size = Size { width: 40, height: 30 };

    fn lower_half() -> ForegroundMask {
        ForegroundMask(Plane::from_fn(SIZE, |_, y| if y >= 15 { 1.0 } else { 0.0 }))
    }

    #[test]
    fn growing_and_shrinking_move_a_straight_edge_by_the_radius() {
        assert_eq!(lower_half().grow(4.0).fraction(), 19.0 / 30.0, "four rows more");
        assert_eq!(lower_half().shrink(4.0).fraction(), 11.0 / 30.0, "four rows less");
        assert_eq!(lower_half().grow(0.0), lower_half(), "by nothing");
    }

    #[test]
    fn half_a_pixel_of_growth_is_half_a_pixel_of_land() {
        let grown = lower_half().grow(0.5);
        assert!((grown.0.at(20, 14) - 0.5).abs() < 1e-6, "half of the next row");
    }

    #[test]
    fn feathering_keeps_the_edge_in_its_place() {
        let soft = lower_half().feather(6.0);
        assert!((soft.0.at(20, 14) + soft.0.at(20, 15) - 1.0).abs() < 1e-3, "even about the edge");
        assert!(soft.0.at(20, 12) > 0.02 && soft.0.at(20, 12) < 0.2, "soft three pixels away");
    }

    #[test]
    fn a_triangle_covers_half_of_its_box() {
        let mut mask = ForegroundMask::all_sky(SIZE);
        let corner = |x: f64, y: f64| Point { x, y };
        mask.fill_polygon(&[corner(4.5, 4.5), corner(24.5, 4.5), corner(4.5, 24.5)], StrokeSide::Land);
        let area = mask.fraction() * SIZE.area() as f64;
        assert!((area - 200.0).abs() < 0.5, "area {area}");
        mask.fill_polygon(
            &[corner(-9.0, -9.0), corner(60.0, -9.0), corner(60.0, 60.0), corner(-9.0, 60.0)],
            StrokeSide::Sky,
        );
        assert_eq!(mask, ForegroundMask::all_sky(SIZE), "all taken away again");
    }

    #[test]
    fn a_horizon_fills_downwards_in_every_orientation() {
        for tag in 1..=8 {
            let orientation = Orientation::from_tag(tag).expect("a valid tag");
            let upright = orientation.upright_size(SIZE);
            let horizon = upright.height as f64 - 10.5;
            let line = [Point { x: 5.0, y: horizon }, Point { x: 20.0, y: horizon }]
                .map(|point| upright_from_stored(point, upright, orientation.inverse()));
            let mut mask = ForegroundMask::all_sky(SIZE);
            mask.fill_below(&line, orientation);
            let seen = orientation.upright(&mask.0);
            for y in 0..upright.height {
                let expected = if y >= upright.height - 10 { 1.0 } else { 0.0 };
                assert!(seen.row(y).iter().all(|&alpha| alpha == expected), "orientation {tag}, row {y}");
            }
        }
    }

    #[test]
    fn a_stroke_paints_a_disc_at_its_end() {
        let mut mask = ForegroundMask::all_sky(SIZE);
        let points = vec![Point { x: 20.0, y: 15.0 }];
        mask.paint(&Stroke { points, radius_px: 5.0, side: StrokeSide::Land });
        let area = mask.fraction() * SIZE.area() as f64;
        assert!((area - std::f64::consts::PI * 25.0).abs() < 2.0, "area {area}");
    }
}
