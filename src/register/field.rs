//! The stars of one frame, arranged for questions about neighborhoods.
//!
//! A square grid with one star a cell on average answers "which star is nearest" and "how dense is it here".

use crate::detect::Star;
use crate::pixels::{Point, Size, nearest_index};

/// Stars of one frame, brightest first.
#[derive(Clone, Debug)]
pub(crate) struct Field {
    pub(crate) points: Vec<Point>,
    pub(crate) sigma_px: Vec<f64>,
    pub(crate) size: Size,
    cell_px: f64,
    columns: usize,
    rows: usize,
    /// Where the stars of each cell begin in `members`, with one more entry at the end.
    starts: Vec<usize>,
    members: Vec<usize>,
    /// Stars a square pixel around each cell.
    densities: Vec<f64>,
}

impl Field {
    /// The given stars, which are sorted by flux here; those with a centroid that is no number are left out.
    pub(crate) fn new(stars: &[Star], size: Size) -> (Self, Vec<usize>) {
        let mut order: Vec<usize> = (0..stars.len())
            .filter(|&idx| stars[idx].centroid.x.is_finite() && stars[idx].centroid.y.is_finite())
            .collect();
        order.sort_by(|&a, &b| {
            let (a, b) = (&stars[a], &stars[b]);
            b.flux
                .total_cmp(&a.flux)
                .then(a.centroid.y.total_cmp(&b.centroid.y))
                .then(a.centroid.x.total_cmp(&b.centroid.x))
        });
        let points = order.iter().map(|&idx| stars[idx].centroid).collect();
        let sigma_px = order.iter().map(|&idx| stars[idx].centroid_sigma_px).collect();
        (Self::from_points(points, sigma_px, size), order)
    }

    /// Stars at the given places, brightest first.
    pub(crate) fn from_points(points: Vec<Point>, sigma_px: Vec<f64>, size: Size) -> Self {
        let area = (size.area() as f64).max(1.0);
        let cell_px = (area / points.len().max(1) as f64).sqrt();
        let cells = |length: usize| nearest_index((length as f64 / cell_px).floor(), 1 << 12).unwrap_or(0) + 1;
        let (columns, rows) = (cells(size.width), cells(size.height));
        let mut field = Self {
            points,
            sigma_px,
            size,
            cell_px,
            columns,
            rows,
            starts: vec![0; columns * rows + 1],
            members: vec![],
            densities: vec![],
        };
        field.fill();
        field.densities = (0..columns * rows).map(|cell| field.density_around(cell)).collect();
        field
    }

    /// The `n` brightest stars.
    pub(crate) fn brightest(&self, n: usize) -> Self {
        let n = n.min(self.points.len());
        Self::from_points(self.points[..n].to_vec(), self.sigma_px[..n].to_vec(), self.size)
    }

    /// The stars for which `keep` holds, and their indices here.
    pub(crate) fn filtered(&self, keep: impl Fn(usize) -> bool) -> (Self, Vec<usize>) {
        let kept: Vec<usize> = (0..self.points.len()).filter(|&idx| keep(idx)).collect();
        let points = kept.iter().map(|&idx| self.points[idx]).collect();
        let sigma_px = kept.iter().map(|&idx| self.sigma_px[idx]).collect();
        (Self::from_points(points, sigma_px, self.size), kept)
    }

    /// Number of stars.
    pub(crate) fn len(&self) -> usize {
        self.points.len()
    }

    /// Whether a point lies in the frame.
    pub(crate) fn contains(&self, point: Point) -> bool {
        point.x >= -0.5
            && point.y >= -0.5
            && point.x < self.size.width as f64 - 0.5
            && point.y < self.size.height as f64 - 0.5
    }

    /// The nearest star within `radius_px`, and its distance.
    pub(crate) fn nearest(&self, point: Point, radius_px: f64) -> Option<(usize, f64)> {
        let (first_column, last_column) = self.span(point.x, radius_px, self.columns)?;
        let (first_row, last_row) = self.span(point.y, radius_px, self.rows)?;
        let mut best: Option<(usize, f64)> = None;
        for row in first_row..=last_row {
            let first = self.starts[row * self.columns + first_column];
            let last = self.starts[row * self.columns + last_column + 1];
            for &idx in &self.members[first..last] {
                let distance = self.points[idx].distance(point);
                if distance <= best.map_or(radius_px, |(_, least)| least) {
                    best = Some((idx, distance));
                }
            }
        }
        best
    }

    /// Stars a square pixel around a point: of the nine cells around it, but never below the frame's mean.
    pub(crate) fn density(&self, point: Point) -> f64 {
        self.cell(point).map_or(0.0, |(column, row)| self.densities[row * self.columns + column])
    }

    fn density_around(&self, cell: usize) -> f64 {
        let mean = self.len() as f64 / (self.size.area() as f64).max(1.0);
        let (column, row) = (cell % self.columns, cell / self.columns);
        let (left, right) = (column.saturating_sub(1), (column + 1).min(self.columns - 1));
        let (top, bottom) = (row.saturating_sub(1), (row + 1).min(self.rows - 1));
        let count: usize = (top..=bottom)
            .map(|row| self.starts[row * self.columns + right + 1] - self.starts[row * self.columns + left])
            .sum();
        let cells = ((right - left + 1) * (bottom - top + 1)) as f64;
        mean.max(count as f64 / (cells * self.cell_px * self.cell_px))
    }

    fn cell(&self, point: Point) -> Option<(usize, usize)> {
        let clamped = |value: f64, cells: usize| nearest_index((value / self.cell_px).floor().max(0.0), cells);
        Some((clamped(point.x, self.columns)?, clamped(point.y, self.rows)?))
    }

    fn span(&self, center: f64, radius: f64, cells: usize) -> Option<(usize, usize)> {
        let last = cells as f64 - 1.0;
        let low = ((center - radius) / self.cell_px).floor().max(0.0);
        let high = ((center + radius) / self.cell_px).floor().min(last);
        (low <= high).then_some(())?;
        Some((nearest_index(low, cells)?, nearest_index(high, cells)?))
    }

    /// Sorts the stars into cells by counting; a star outside the frame goes to the nearest cell.
    fn fill(&mut self) {
        let clamp = |value: f64, cells: usize| (value / self.cell_px).floor().clamp(0.0, cells as f64 - 1.0);
        let cell_of: Vec<usize> = (self.points.iter())
            .map(|point| {
                let column = nearest_index(clamp(point.x, self.columns), self.columns).unwrap_or(0);
                nearest_index(clamp(point.y, self.rows), self.rows).unwrap_or(0) * self.columns + column
            })
            .collect();
        for &cell in &cell_of {
            self.starts[cell + 1] += 1;
        }
        for cell in 1..self.starts.len() {
            self.starts[cell] += self.starts[cell - 1];
        }
        let mut next = self.starts.clone();
        self.members = vec![0; cell_of.len()];
        for (idx, &cell) in cell_of.iter().enumerate() {
            self.members[next[cell]] = idx;
            next[cell] += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_grid_finds_what_a_full_search_finds() {
        let size = Size { width: 600, height: 400 };
        let points: Vec<Point> =
            (0..97_u32).map(|n| Point { x: f64::from(n * 7919 % 600), y: f64::from(n * 104_729 % 400) }).collect();
        let field = Field::from_points(points.clone(), vec![0.1; points.len()], size);
        for n in 0..200_u32 {
            let probe = Point { x: f64::from(n * 31 % 640) - 20.0, y: f64::from(n * 57 % 440) - 20.0 };
            let nearest = points.iter().map(|point| point.distance(probe)).min_by(f64::total_cmp).expect("stars");
            let found = field.nearest(probe, 40.0).map(|(_, distance)| distance);
            assert_eq!(found, (nearest <= 40.0).then_some(nearest), "nearest star to {probe:?}");
        }
    }
}
