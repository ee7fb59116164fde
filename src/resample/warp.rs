//! Where the pixels of a target window lie in the source frame.
//!
//! The transform is evaluated on a coarse grid, anchored at the target's origin, and is bilinear between
//! grid points; the grid is as fine as [`MAX_ERROR_PX`] asks for, checked where the error is largest: in
//! the middle of cells. Positions do not depend on how the target is cut into windows.

use std::ops::Range;

use crate::demosaic::Window;
use crate::pixels::{Point, Size, Transform};
use crate::resample::kernel::{CENTER_TAP, PHASES, TAPS};

/// Largest distance between the interpolated and the exact position.
pub const MAX_ERROR_PX: f64 = 0.005;
/// Grid steps, the coarsest first; the last one is taken whatever its error.
const STEPS_PX: [usize; 4] = [MAX_STEP_PX, 16, 8, 4];
/// Most pixels of a run.
pub(super) const MAX_STEP_PX: usize = 32;
/// Cells along each axis whose error is checked.
const CHECKED_CELLS: usize = 24;
/// Fractional bits of a position: whole numbers add up without rounding, the same on every machine.
const FRACTION_BITS: u32 = 32;
/// A position of 1 px.
const ONE_PX: i64 = 1 << FRACTION_BITS;
/// Half a phase: added once, it makes the phase the nearest one.
const HALF_PHASE: i64 = ONE_PX / (2 * PHASES as i64);
/// Positions further apart than this from one pixel to the next are no registration of a tripod's frames.
const MAX_SLOPE: f64 = 1.9;

/// A transform with the grid step that keeps it exact.
#[derive(Clone, Debug)]
pub struct Warp {
    source_from_target: Transform,
    step_px: usize,
}

impl Warp {
    /// Chooses the grid step for a target of `size`.
    #[must_use]
    pub fn new(source_from_target: &Transform, size: Size) -> Self {
        let fits = |step_px: &usize| largest_error_px(source_from_target, size, *step_px) <= MAX_ERROR_PX;
        let step_px = STEPS_PX.into_iter().find(fits).unwrap_or(STEPS_PX[STEPS_PX.len() - 1]);
        Self { source_from_target: source_from_target.clone(), step_px }
    }

    /// The grid over a target window.
    #[must_use]
    pub fn grid(&self, target: Window) -> Grid {
        let step = self.step_px as isize;
        let first = (target.x.div_euclid(step), target.y.div_euclid(step));
        let last_x = target.x + target.size.width as isize - 1;
        let last_y = target.y + target.size.height as isize - 1;
        let columns = (last_x.div_euclid(step) - first.0 + 2) as usize;
        let rows = (last_y.div_euclid(step) - first.1 + 2) as usize;
        let node = |place: usize| {
            let x = (first.0 + (place % columns) as isize) * step;
            let y = (first.1 + (place / columns) as isize) * step;
            self.source_from_target.apply(Point { x: x as f64, y: y as f64 })
        };
        Grid { target, step_px: self.step_px, first, columns, nodes: (0..columns * rows).map(node).collect() }
    }
}

/// Positions in the source frame at the corners of the cells that a target window touches.
#[derive(Clone, Debug)]
pub struct Grid {
    target: Window,
    step_px: usize,
    first: (isize, isize),
    columns: usize,
    nodes: Vec<Option<Point>>,
}

/// Part of a target row whose positions in the source lie on a straight line.
#[derive(Clone, Debug)]
pub(super) struct Run {
    /// Columns of the target window.
    pub(super) columns: Range<usize>,
    /// Positions along x, then along y.
    pub(super) axes: [Line; 2],
}

/// Equally spaced positions along one axis of the source frame, in fixed point.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    /// Position of the first column of the run, plus half a phase.
    pub(super) start: i64,
    /// From one pixel to the next.
    pub(super) slope: i64,
}

impl Line {
    /// `first_step` steps of `slope` from `start` on.
    fn new(start: f64, slope: f64, first_step: usize) -> Self {
        // Positions are a few times the size of a frame at most, far from the ends of 64 bits.
        let fixed = |position: f64| (position * ONE_PX as f64).round() as i64;
        let slope = fixed(slope);
        Self { start: fixed(start) + slope * first_step as i64 + HALF_PHASE, slope }
    }

    /// Whole pixels and phase after `step` steps.
    #[inline(always)]
    pub(super) fn split(&self, step: usize) -> (isize, usize) {
        let position = self.start + self.slope * step as i64;
        let phase = (position >> (FRACTION_BITS - PHASES.ilog2())) & (PHASES as i64 - 1);
        ((position >> FRACTION_BITS) as isize, phase as usize)
    }

    /// Position after `step` steps.
    pub(super) fn at(&self, step: usize) -> f64 {
        (self.start - HALF_PHASE + self.slope * step as i64) as f64 / ONE_PX as f64
    }

    /// From one position to the next.
    pub(super) fn slope_px(&self) -> f32 {
        (self.slope as f64 / ONE_PX as f64) as f32
    }

    /// Whether every position is a whole pixel, `slope_px` apart.
    pub(super) fn is_whole(&self, slope_px: i64) -> bool {
        self.slope == slope_px * ONE_PX && (self.start - HALF_PHASE) % ONE_PX == 0
    }
}

impl Grid {
    /// The part of the source frame that the target window is made from; `None` where it sees nothing of it.
    #[must_use]
    pub fn source_window(&self, frame: Size) -> Option<Window> {
        let mut bounds: Option<[f64; 4]> = None;
        let rows = self.target.size.height;
        let cell_rows = (0..rows).filter(|&row| {
            let y = self.target.y + row as isize;
            row == 0 || row + 1 == rows || [0, self.step_px as isize - 1].contains(&y.rem_euclid(self.step_px as isize))
        });
        for run in cell_rows.flat_map(|row| self.runs(row)) {
            for step in [0, run.columns.len() - 1] {
                let (x, y) = (run.axes[0].at(step), run.axes[1].at(step));
                let [left, right, top, bottom] = bounds.unwrap_or([x, x, y, y]);
                bounds = Some([left.min(x), right.max(x), top.min(y), bottom.max(y)]);
            }
        }
        let [left, right, top, bottom] = bounds?;
        let columns = source_range(left, right, frame.width)?;
        let rows = source_range(top, bottom, frame.height)?;
        let size = Size { width: (columns.end - columns.start) as usize, height: (rows.end - rows.start) as usize };
        Some(Window { x: columns.start, y: rows.start, size })
    }

    /// Hands out the column and the position of every pixel of a row of the target window that has one.
    pub fn each_position(&self, row: usize, mut take: impl FnMut(usize, f64, f64)) {
        for run in self.runs(row) {
            for (step, column) in run.columns.clone().enumerate() {
                take(column, run.axes[0].at(step), run.axes[1].at(step));
            }
        }
    }

    /// The straight pieces of a row of the target window; pixels without a position are left out.
    pub(super) fn runs(&self, row: usize) -> impl Iterator<Item = Run> + '_ {
        let step = self.step_px as isize;
        let y = self.target.y + row as isize;
        let cell_row = (y.div_euclid(step) - self.first.1) as usize;
        let down = y.rem_euclid(step) as f64 / step as f64;
        let end = self.target.x + self.target.size.width as isize;
        (0..self.columns - 1).filter_map(move |cell| {
            let cell_x = (self.first.0 + cell as isize) * step;
            let place = cell_row * self.columns + cell;
            let mix = |column: usize| {
                let (upper, lower) = (self.nodes[place + column]?, self.nodes[place + self.columns + column]?);
                Some((upper.x + (lower.x - upper.x) * down, upper.y + (lower.y - upper.y) * down))
            };
            let (start, stop) = (mix(0)?, mix(1)?);
            let slope = ((stop.0 - start.0) / step as f64, (stop.1 - start.1) / step as f64);
            let from = cell_x.max(self.target.x);
            let to = (cell_x + step).min(end);
            let first_step = (from - cell_x) as usize;
            (slope.0.abs().max(slope.1.abs()) < MAX_SLOPE).then(|| Run {
                columns: (from - self.target.x) as usize..(to - self.target.x) as usize,
                axes: [Line::new(start.0, slope.0, first_step), Line::new(start.1, slope.1, first_step)],
            })
        })
    }
}

/// Samples along an axis for positions between `low` and `high`, at most the taps' reach outside the frame.
fn source_range(low: f64, high: f64, len: usize) -> Option<Range<isize>> {
    let before = CENTER_TAP as isize;
    let after = (TAPS - CENTER_TAP) as isize;
    let len = len as isize;
    if high < -1.0 || low > len as f64 {
        return None;
    }
    // One more on each side: positions on a whole pixel may round either way.
    let start = (low.floor() as isize - before - 1).max(-before - 1);
    let end = (high.floor() as isize + after + 1).min(len - 1 + after);
    Some(start..end)
}

fn largest_error_px(transform: &Transform, size: Size, step_px: usize) -> f64 {
    let mut largest: f64 = 0.0;
    for place in 0..CHECKED_CELLS * CHECKED_CELLS {
        let corner = |index: usize, len: usize| {
            let cells = len.div_ceil(step_px);
            (index * (cells - 1) / (CHECKED_CELLS - 1) * step_px) as f64
        };
        let x = corner(place % CHECKED_CELLS, size.width);
        let y = corner(place / CHECKED_CELLS, size.height);
        largest = largest.max(cell_error_px(transform, x, y, step_px as f64).unwrap_or(0.0));
    }
    largest
}

/// Error in the middle of a cell; `None` where the transform has no image.
fn cell_error_px(transform: &Transform, x: f64, y: f64, step: f64) -> Option<f64> {
    let at = |dx: f64, dy: f64| transform.apply(Point { x: x + dx * step, y: y + dy * step });
    let corners = [at(0.0, 0.0)?, at(1.0, 0.0)?, at(0.0, 1.0)?, at(1.0, 1.0)?];
    let mean = Point {
        x: corners.iter().map(|corner| corner.x).sum::<f64>() / 4.0,
        y: corners.iter().map(|corner| corner.y).sum::<f64>() / 4.0,
    };
    Some(at(0.5, 0.5)?.distance(mean))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::Homography;

    fn tilted() -> Transform {
        Transform::Homography(Homography([[0.999, -0.03, 40.0], [0.03, 0.999, -25.0], [1.2e-5, -0.8e-5, 1.0]]))
    }

    #[test]
    fn interpolated_positions_stay_within_the_stated_error() {
        let size = Size { width: 6000, height: 4000 };
        let warp = Warp::new(&tilted(), size);
        let target = Window { x: 5300, y: 3500, size: Size { width: 150, height: 90 } };
        let grid = warp.grid(target);
        for row in 0..target.size.height {
            for run in grid.runs(row) {
                for column in run.columns.clone() {
                    let step = column - run.columns.start;
                    let found = Point { x: run.axes[0].at(step), y: run.axes[1].at(step) };
                    let here = Point { x: (5300 + column) as f64, y: (3500 + row) as f64 };
                    let exact = tilted().apply(here).expect("in front of the horizon");
                    assert!(found.distance(exact) < MAX_ERROR_PX, "({column}, {row}): {found:?} for {exact:?}");
                }
            }
        }
    }

    #[test]
    fn positions_do_not_depend_on_the_window_that_asks() {
        let warp = Warp::new(&tilted(), Size { width: 600, height: 400 });
        let position = |x: isize, y: isize, seen: (isize, isize)| {
            let target = Window { x, y, size: Size { width: 101, height: 67 } };
            let grid = warp.grid(target);
            let column = (seen.0 - x) as usize;
            let run = grid.runs((seen.1 - y) as usize).find(|run| run.columns.contains(&column)).expect("a run");
            (run.axes[0].at(column - run.columns.start), run.axes[1].at(column - run.columns.start))
        };
        assert_eq!(position(100, 50, (150, 77)), position(137, 71, (150, 77)), "one pixel, two windows");
    }

    #[test]
    fn a_bend_that_is_too_strong_for_the_coarse_grid_gets_a_finer_one() {
        let bent = Transform::Homography(Homography([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1e-4, 0.0, 1.0]]));
        assert_eq!(Warp::new(&tilted(), Size { width: 600, height: 400 }).step_px, 32, "nearly flat");
        assert!(Warp::new(&bent, Size { width: 600, height: 400 }).step_px < 32, "strong perspective");
    }
}
