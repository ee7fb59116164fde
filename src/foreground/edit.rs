//! Corrections of a mask: grow, shrink, feather, invert, polygons, the line of a horizon, brush strokes.

use rayon::prelude::*;

use crate::foreground::ForegroundMask;
use crate::foreground::filters::{try_blur, try_by_rows, try_distance_px};
use crate::foreground::stroke::{RowPlaces, Stroke, StrokeSide};
use crate::job::{Cancelled, Monitor};
use crate::pixels::{Mask, Orientation, Point, Size};

/// Lines of a pixel that a shape's cover is measured on; across, it is exact.
const SUBROWS: usize = 4;

impl ForegroundMask {
    /// Share of the frame that is landscape.
    #[must_use]
    pub fn fraction(&self) -> f64 {
        let sum: f64 = self.0.samples().iter().map(|&alpha| f64::from(alpha)).sum();
        sum / self.0.samples().len().max(1) as f64
    }

    /// Sky for land and land for sky.
    pub fn invert(&self, monitor: &Monitor) -> Result<Self, Cancelled> {
        let inverted = try_by_rows(monitor, self.size(), 0.0, |y, row| {
            row.iter_mut().zip(self.0.row(y)).for_each(|(alpha, own)| *alpha = 1.0 - own);
        })?;
        Ok(Self(inverted))
    }

    /// Moves the edge of the landscape outwards; its softness is kept within a pixel.
    pub fn grow(&self, monitor: &Monitor, radius_px: f32) -> Result<Self, Cancelled> {
        let land = Mask(try_by_rows(monitor, self.size(), false, |y, row| {
            row.iter_mut().zip(self.0.row(y)).for_each(|(land, &alpha)| *land = alpha >= 0.5);
        })?);
        let distance = try_distance_px(monitor, &land, radius_px.max(0.0) + 1.0)?;
        let grown = try_by_rows(monitor, self.size(), 0.0, |y, row| {
            for ((alpha, &own), &away) in row.iter_mut().zip(self.0.row(y)).zip(distance.row(y)) {
                *alpha = own.max((radius_px + 1.0 - away).clamp(0.0, 1.0));
            }
        })?;
        Ok(Self(grown))
    }

    /// Moves the edge of the landscape inwards.
    pub fn shrink(&self, monitor: &Monitor, radius_px: f32) -> Result<Self, Cancelled> {
        self.invert(monitor)?.grow(monitor, radius_px)?.invert(monitor)
    }

    /// Softens the edge over about `width_px`.
    pub fn feather(&self, monitor: &Monitor, width_px: f32) -> Result<Self, Cancelled> {
        // From 5 % to 95 % a smoothed step takes 3.3 standard deviations.
        if width_px <= 0.0 { Ok(self.clone()) } else { Ok(Self(try_blur(monitor, &self.0, width_px / 3.3)?)) }
    }

    /// Paints a stroke with a hard, smooth rim.
    pub fn paint(&mut self, monitor: &Monitor, stroke: &Stroke) -> Result<(), Cancelled> {
        let Some(([left, right], [top, bottom])) = stroke.reach(self.size()) else { return Ok(()) };
        let width = self.size().width;
        // Beyond this nothing is covered.
        let limit_px = stroke.radius_px + 0.5;
        let target = stroke.side.weight();
        let rows = &mut self.0.samples_mut()[top * width..(bottom + 1) * width];
        let fresh = || vec![f64::INFINITY; right - left + 1];
        rows.par_chunks_mut(width).enumerate().try_for_each_init(fresh, |squares, (idx, row)| {
            monitor.check()?;
            let places = RowPlaces { y: (top + idx) as f64, first_x: left as f64, step_px: 1.0 };
            let seen = stroke.lower_squares(places, limit_px, squares);
            let row = &mut row[left..=right][seen.clone()];
            for (own, square) in row.iter_mut().zip(&mut squares[seen]) {
                let cover = (limit_px - square.sqrt()).clamp(0.0, 1.0) as f32;
                *own += cover * (target - *own);
                *square = f64::INFINITY;
            }
            Ok(())
        })
    }

    /// Fills a polygon given by its corners; a place enclosed twice is outside again.
    pub fn fill_polygon(&mut self, monitor: &Monitor, corners: &[Point], side: StrokeSide) -> Result<(), Cancelled> {
        let Size { width, height } = self.size();
        let target = side.weight();
        let low = corners.iter().map(|corner| corner.y).fold(f64::INFINITY, f64::min);
        let high = corners.iter().map(|corner| corner.y).fold(f64::NEG_INFINITY, f64::max);
        // Clamped to the frame, so the casts are exact.
        let first = (low - 1.0).clamp(0.0, height as f64) as usize;
        let end = (high + 2.0).clamp(first as f64, height as f64) as usize;
        let rows = &mut self.0.samples_mut()[first * width..end * width];
        rows.par_chunks_mut(width.max(1)).enumerate().try_for_each_init(
            || vec![0.0_f32; width],
            |cover, (idx, row)| {
                monitor.check()?;
                cover.fill(0.0);
                let mut touched = false;
                for line in 0..SUBROWS {
                    let at = (first + idx) as f64 - 0.5 + (line as f64 + 0.5) / SUBROWS as f64;
                    for ends in crossings(corners, at).chunks_exact(2) {
                        touched |= add_span(cover, ends[0], ends[1]);
                    }
                }
                if touched {
                    for (own, cover) in row.iter_mut().zip(&*cover) {
                        *own += (cover / SUBROWS as f32).min(1.0) * (target - *own);
                    }
                }
                Ok(())
            },
        )
    }

    /// Everything below a line drawn along the horizon becomes land, everything above it sky; "below" as the
    /// picture is held upright by `orientation`. The line is carried on level from its ends.
    pub fn fill_below(&mut self, monitor: &Monitor, line: &[Point], orientation: Orientation) -> Result<(), Cancelled> {
        let size = self.size();
        let Some(corners) = corners_below(line, size, orientation) else { return Ok(()) };
        monitor.check()?;
        *self = Self::all_sky(size);
        self.fill_polygon(monitor, &corners, StrokeSide::Land)
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
    use crate::foreground::stroke::tests::plain_distance_px;
    use crate::pixels::Plane;

    const SIZE: Size = Size { width: 40, height: 30 };

    fn lower_half() -> ForegroundMask {
        ForegroundMask(Plane::from_fn(SIZE, |_, y| if y >= 15 { 1.0 } else { 0.0 }))
    }

    fn grown(radius_px: f32) -> ForegroundMask {
        lower_half().grow(&Monitor::silent(), radius_px).expect("nobody cancels")
    }

    #[test]
    fn growing_and_shrinking_move_a_straight_edge_by_the_radius() {
        let shrunk = lower_half().shrink(&Monitor::silent(), 4.0).expect("nobody cancels");
        assert_eq!(grown(4.0).fraction(), 19.0 / 30.0, "four rows more");
        assert_eq!(shrunk.fraction(), 11.0 / 30.0, "four rows less");
        assert_eq!(grown(0.0), lower_half(), "by nothing");
    }

    #[test]
    fn half_a_pixel_of_growth_is_half_a_pixel_of_land() {
        assert!((grown(0.5).0.at(20, 14) - 0.5).abs() < 1e-6, "half of the next row");
    }

    #[test]
    fn feathering_keeps_the_edge_in_its_place() {
        let soft = lower_half().feather(&Monitor::silent(), 6.0).expect("nobody cancels");
        assert!((soft.0.at(20, 14) + soft.0.at(20, 15) - 1.0).abs() < 1e-3, "even about the edge");
        assert!(soft.0.at(20, 12) > 0.02 && soft.0.at(20, 12) < 0.2, "soft three pixels away");
    }

    #[test]
    fn a_triangle_covers_half_of_its_box() {
        let mut mask = ForegroundMask::all_sky(SIZE);
        let corner = |x: f64, y: f64| Point { x, y };
        let fill = |mask: &mut ForegroundMask, corners: &[Point], side| {
            mask.fill_polygon(&Monitor::silent(), corners, side).expect("nobody cancels");
        };
        fill(&mut mask, &[corner(4.5, 4.5), corner(24.5, 4.5), corner(4.5, 24.5)], StrokeSide::Land);
        let area = mask.fraction() * SIZE.area() as f64;
        assert!((area - 200.0).abs() < 0.5, "area {area}");
        fill(
            &mut mask,
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
            mask.fill_below(&Monitor::silent(), &line, orientation).expect("nobody cancels");
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
        let stroke = Stroke { points, radius_px: 5.0, side: StrokeSide::Land };
        mask.paint(&Monitor::silent(), &stroke).expect("nobody cancels");
        let area = mask.fraction() * SIZE.area() as f64;
        assert!((area - std::f64::consts::PI * 25.0).abs() < 2.0, "area {area}");
    }

    /// As it was said first: each pixel of the box against each leg.
    fn plainly_painted(mask: &ForegroundMask, stroke: &Stroke) -> ForegroundMask {
        ForegroundMask(Plane::from_fn(mask.size(), |x, y| {
            let distance = plain_distance_px(stroke, Point { x: x as f64, y: y as f64 });
            let cover = (stroke.radius_px + 0.5 - distance).clamp(0.0, 1.0) as f32;
            let own = mask.0.at(x, y);
            own + cover * (stroke.side.weight() - own)
        }))
    }

    #[test]
    fn a_stroke_painted_leg_by_leg_is_the_one_painted_plainly() {
        let size = Size { width: 300, height: 200 };
        let soft = ForegroundMask(Plane::from_fn(size, |x, y| ((x * 7 + y * 13) % 11) as f32 / 10.0));
        let waves = (0..90).map(|idx| {
            let x = 4.1 * f64::from(idx) - 30.0;
            Point { x, y: 100.0 + 80.0 * (0.05 * x).sin() + f64::from(idx % 3) }
        });
        let waves: Vec<Point> = waves.collect();
        let steep = vec![Point { x: 40.0, y: -20.0 }, Point { x: 41.0, y: 230.0 }, Point { x: 41.0, y: 230.0 }];
        let far = vec![Point { x: 900.0, y: 900.0 }, Point { x: 950.0, y: 900.0 }];
        for (points, radius_px) in [(waves.clone(), 0.0), (waves.clone(), 3.3), (waves, 27.0), (steep, 9.5), (far, 5.0)]
        {
            for side in [StrokeSide::Land, StrokeSide::Sky] {
                let stroke = Stroke { points: points.clone(), radius_px, side };
                let mut painted = soft.clone();
                painted.paint(&Monitor::silent(), &stroke).expect("nobody cancels");
                let plain = plainly_painted(&soft, &stroke);
                let both = painted.0.samples().iter().zip(plain.0.samples());
                let most = both.map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
                assert!(most < 1e-6, "radius {radius_px}, {side:?}: off by {most}");
            }
        }
    }
}
