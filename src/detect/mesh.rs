//! A coarse grid of values over the frame: interpolation, filling of gaps, smoothing.

use crate::detect::Mesh;
use crate::pixels::statistics::median;
use crate::pixels::{Plane, Point, Size};

impl Mesh {
    /// The value at a point, interpolated between the centres of the cells; level outside the outermost centres.
    #[must_use]
    pub fn at(&self, point: Point) -> f32 {
        let (left, right, across) = self.between(point.x, self.cells.width());
        let (top, bottom, down) = self.between(point.y, self.cells.height());
        let row = |y| lerp(self.cells.at(left, y), self.cells.at(right, y), across);
        lerp(row(top), row(bottom), down)
    }

    /// The values along row `y` at `first_x`, `first_x + step_px` and so on: as [`Self::at`], but fast.
    pub fn fill_row(&self, y: f64, first_x: f64, step_px: f64, row: &mut [f32]) {
        let n_cells = self.cells.width();
        let (top, bottom, down) = self.between(y, self.cells.height());
        let cell = |x: usize| lerp(self.cells.at(x, top), self.cells.at(x, bottom), down);
        let position = |index: usize| self.position(first_x + step_px * index as f64);
        let mut begin = 0;
        while begin < row.len() {
            let here = position(begin);
            let left = (here.max(0.0) as usize).min(n_cells - 1);
            let right = (left + 1).min(n_cells - 1);
            // Up to the next cell centre; the last piece, and the one before the first centre, are level.
            let next = if here < 0.0 { 0.0 } else { left as f64 + 1.0 };
            let cells_per_step = step_px / self.cell_px as f64;
            let steps = ((next - here) / cells_per_step).ceil().max(1.0);
            let end = if left == right { row.len() } else { row.len().min(begin + steps as usize) };
            let from = cell(left);
            let slope = if here < 0.0 { 0.0 } else { cell(right) - from };
            let (start, per_step) = ((here - left as f64) as f32, cells_per_step as f32);
            // A 32-bit counter is what vector units turn into floats.
            for (index, value) in (0i32..).zip(&mut row[begin..end]) {
                *value = from + slope * (start + per_step * index as f32);
            }
            begin = end;
        }
    }

    /// The median of the cells.
    #[must_use]
    pub fn median(&self) -> f32 {
        median(&mut self.cells.samples().to_vec()).expect("a mesh has a cell")
    }

    /// Place along an axis in units of cells, 0.0 at the centre of the first.
    fn position(&self, pixel: f64) -> f64 {
        (pixel + 0.5) / self.cell_px as f64 - 0.5
    }

    /// The cells before and after a place along an axis, and how far it is from the first to the second.
    fn between(&self, pixel: f64, n_cells: usize) -> (usize, usize, f32) {
        let position = self.position(pixel).clamp(0.0, n_cells as f64 - 1.0);
        let first = position as usize;
        (first, (first + 1).min(n_cells - 1), (position - first as f64) as f32)
    }
}

fn lerp(from: f32, to: f32, share: f32) -> f32 {
    from + (to - from) * share
}

/// A mesh computed cell by cell from three others.
pub(super) fn combine(meshes: [&Mesh; 3], value: impl Fn([f32; 3]) -> f32) -> Mesh {
    let size = meshes[0].cells.size();
    let cells = Plane::from_fn(size, |x, y| value(meshes.map(|mesh| mesh.cells.at(x, y))));
    Mesh { cells, cell_px: meshes[0].cell_px }
}

/// Cells without a value take the mean of their neighbours, ring by ring; `otherwise` where no cell has one.
pub(super) fn fill(mut values: Vec<Option<f32>>, size: Size, otherwise: f32) -> Plane<f32> {
    while values.iter().any(Option::is_none) {
        let known = values.clone();
        let at = |x: usize, y: usize| known[y * size.width + x];
        for (index, value) in values.iter_mut().enumerate().filter(|(_, value)| value.is_none()) {
            let neighbours: Vec<f32> =
                around(index % size.width, index / size.width, size).filter_map(|(x, y)| at(x, y)).collect();
            if !neighbours.is_empty() {
                *value = Some(neighbours.iter().sum::<f32>() / neighbours.len() as f32);
            }
        }
        if values == known {
            break;
        }
    }
    // Only a frame too small for a single cell has nothing to fill from.
    let samples = values.into_iter().map(|value| value.unwrap_or(otherwise)).collect();
    Plane::from_vec(size, samples).expect("one value a cell")
}

/// Median filter over 3 × 3 cells; along the border only over neighbours on both sides, so that a slope stays.
pub(super) fn smooth(cells: &Plane<f32>) -> Plane<f32> {
    let size = cells.size();
    let both_sides = |place: usize, len: usize| {
        let reach = usize::from(place > 0 && place + 1 < len);
        place - reach..place + reach + 1
    };
    Plane::from_fn(size, |x, y| {
        let columns = both_sides(x, size.width);
        let mut near: Vec<f32> =
            both_sides(y, size.height).flat_map(|y| cells.row(y)[columns.clone()].iter().copied()).collect();
        median(&mut near).expect("a cell is its own neighbour")
    })
}

/// A cell and its neighbours, as far as they exist.
fn around(x: usize, y: usize, size: Size) -> impl Iterator<Item = (usize, usize)> {
    let columns = x.saturating_sub(1)..(x + 2).min(size.width);
    (y.saturating_sub(1)..(y + 2).min(size.height)).flat_map(move |y| columns.clone().map(move |x| (x, y)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mesh(width: usize, height: usize, value: impl Fn(usize, usize) -> f32) -> Mesh {
        Mesh { cells: Plane::from_fn(Size { width, height }, value), cell_px: 8 }
    }

    #[test]
    fn a_mesh_is_exact_at_its_centers_and_linear_between() {
        let mesh = mesh(3, 2, |x, y| (10 * x + y) as f32);
        assert_eq!(mesh.at(Point { x: 3.5, y: 3.5 }), 0.0, "centre of the first cell");
        assert_eq!(mesh.at(Point { x: 7.5, y: 7.5 }), 5.5, "half way to the next of both axes");
        assert_eq!(mesh.at(Point { x: -50.0, y: 99.0 }), 1.0, "level outside");
    }

    #[test]
    fn a_row_of_a_mesh_is_what_its_points_are() {
        for (width, first_x, step_px) in [(3, 0.5, 2.0), (1, 0.0, 1.0), (5, -9.25, 1.5), (4, 0.0, 11.0)] {
            let mesh = mesh(width, 3, |x, y| (x * x + 7 * y) as f32);
            let mut row = vec![0.0; 40];
            mesh.fill_row(9.0, first_x, step_px, &mut row);
            for (index, value) in row.into_iter().enumerate() {
                let expected = mesh.at(Point { x: first_x + step_px * index as f64, y: 9.0 });
                assert!((value - expected).abs() < 1e-4, "{width} cells, place {index}: {value} for {expected}");
            }
        }
    }

    #[test]
    fn the_filter_takes_out_a_lone_cell_and_keeps_a_slope() {
        let slope = Plane::from_fn(Size { width: 6, height: 5 }, |x, y| (3 * x + y) as f32);
        assert_eq!(smooth(&slope), slope, "a slope up to the border");
        let mut spiked = slope.clone();
        spiked.set(2, 2, 99.0);
        assert!((smooth(&spiked).at(2, 2) - slope.at(2, 2)).abs() <= 1.0, "the lone cell is gone");
    }

    #[test]
    fn cells_of_foreground_take_the_mean_of_their_neighbours() {
        let filled = fill(vec![Some(1.0), None, Some(3.0), None], Size { width: 4, height: 1 }, 0.0);
        assert_eq!(filled.samples(), &[1.0, 2.0, 3.0, 3.0], "between two, and beyond one");
    }
}
