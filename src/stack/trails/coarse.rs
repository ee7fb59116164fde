//! The light of a frame in cells of the reference frame: the mean of 4 × 4 samples of the mosaic around the place
//! that the middle of the cell shows, all colors as they lie (one red, two green and one blue in any 2 × 2).

use crate::detect::Mesh;
use crate::pixels::{Layout, Plane, Point, Rect, Size};
use crate::stack::lanes::LANES;
use crate::stack::trails::CELL_PX;
use crate::stack::visibility::Visibility;
use crate::stack::{MosaicRows, Offset, StackError, StackFrame};

/// Cells between the places that are reckoned through the lens; between them the way is straight within a fraction
/// of a pixel.
const NODE_CELLS: usize = 8;
/// Pixels of the frame that one mean of the pyramid is apart from the next: one period of the filters.
const STEP_PX: usize = 2;
/// Clean sky for the kernels of the stack, of 255.
const CLEAN: u8 = 128;

/// A frame that can be looked at in cells.
pub(super) struct CoarseFrame<'a> {
    rows: &'a dyn MosaicRows,
    frame: &'a StackFrame,
    visibility: Option<&'a Visibility>,
    offset: Mesh,
}

impl<'a> CoarseFrame<'a> {
    pub(super) fn new(rows: &'a dyn MosaicRows, frame: &'a StackFrame, visibility: Option<&'a Visibility>) -> Self {
        let mean = |[red, green, blue]: [f32; 3]| 0.25 * (red + 2.0 * green + blue);
        let offset = match &frame.offset {
            Offset::Constant(offset) => {
                Mesh { cells: Plane::filled(Size { width: 1, height: 1 }, mean(*offset)), cell_px: 1 }
            }
            Offset::Smooth(meshes) => {
                let at = |x, y| mean(meshes.each_ref().map(|mesh| mesh.cells.at(x, y)));
                Mesh { cells: Plane::from_fn(meshes[1].cells.size(), at), cell_px: meshes[1].cell_px }
            }
        };
        Self { rows, frame, visibility, offset }
    }

    /// Its number among the frames that are read.
    pub(super) fn number(&self) -> usize {
        self.frame.frame
    }

    /// Levels of the cells from `origin` on, brought to the reference's light, row by row, padded to a whole number
    /// of groups; infinite where the frame shows no clean sky.
    pub(super) fn levels(&self, origin: (isize, isize), size: Size) -> Result<Vec<f32>, StackError> {
        let mut levels = vec![f32::INFINITY; size.area().next_multiple_of(LANES)];
        let nodes = Nodes::new(self.frame, origin, size);
        let Some(rect) = nodes.rect(self.rows.size()) else { return Ok(levels) };
        let mut planes = vec![Vec::new(); self.rows.layout().n_planes()];
        self.rows.read_rect(self.frame.frame, rect, &mut planes)?;
        let means = Means::new(self.rows.layout(), rect, &planes);
        let (mut offsets, mut scales) = (vec![0.0; size.width], vec![self.frame.scale; size.width]);
        let middle = |cell: isize| (cell * CELL_PX as isize) as f64 + 0.5 * (CELL_PX as f64 - 1.0);
        for (row, levels) in levels[..size.area()].chunks_exact_mut(size.width).enumerate() {
            let (y, x) = (middle(origin.1 + row as isize), middle(origin.0));
            self.offset.fill_row(y, x, CELL_PX as f64, &mut offsets);
            if let Some(local) = &self.frame.local_scale {
                local.fill_row(y, x, CELL_PX as f64, &mut scales);
                scales.iter_mut().for_each(|scale| *scale *= self.frame.scale);
            }
            for (column, (level, (offset, scale))) in levels.iter_mut().zip(offsets.iter().zip(&scales)).enumerate() {
                let Some(place) = nodes.at(column, row) else { continue };
                if !self.is_clean(place) {
                    continue;
                }
                if let Some(mean) = means.at(place) {
                    *level = mean * scale + offset;
                }
            }
        }
        Ok(levels)
    }

    /// Whether the frame shows clean sky at a place of its own.
    fn is_clean(&self, place: Point) -> bool {
        let Some(visibility) = self.visibility else { return true };
        self.frame.mask_from_light.apply(place).is_some_and(|place| visibility.nearest(place) >= CLEAN)
    }
}

/// Places in the frame of every eighth cell along each axis.
struct Nodes {
    columns: usize,
    places: Vec<Option<Point>>,
}

impl Nodes {
    fn new(frame: &StackFrame, origin: (isize, isize), size: Size) -> Self {
        let count = |len: usize| len.div_ceil(NODE_CELLS) + 1;
        let (columns, rows) = (count(size.width), count(size.height));
        let middle = |first: isize, node: usize| {
            ((first + (node * NODE_CELLS) as isize) * CELL_PX as isize) as f64 + 0.5 * (CELL_PX as f64 - 1.0)
        };
        let place = |node: usize| {
            let (x, y) = (middle(origin.0, node % columns), middle(origin.1, node / columns));
            frame.light_from_reference.apply(Point { x, y })
        };
        Self { columns, places: (0..columns * rows).map(place).collect() }
    }

    /// Where the middle of a cell is in the frame.
    fn at(&self, column: usize, row: usize) -> Option<Point> {
        let (x, y) = (column / NODE_CELLS, row / NODE_CELLS);
        let share = |place: usize| (place % NODE_CELLS) as f64 / NODE_CELLS as f64;
        let (across, down) = (share(column), share(row));
        let node = |dx: usize, dy: usize| self.places[(y + dy) * self.columns + x + dx];
        let mix = |a: Point, b: Point, t: f64| Point { x: a.x + (b.x - a.x) * t, y: a.y + (b.y - a.y) * t };
        let upper = mix(node(0, 0)?, node(1, 0)?, across);
        let lower = mix(node(0, 1)?, node(1, 1)?, across);
        Some(mix(upper, lower, down))
    }

    /// The part of the frame around all places, at even rows and columns; `None` where it lies outside.
    fn rect(&self, frame: Size) -> Option<Rect> {
        let mut bounds: Option<[f64; 4]> = None;
        for place in self.places.iter().flatten() {
            let [left, right, top, bottom] = bounds.unwrap_or([place.x, place.x, place.y, place.y]);
            bounds = Some([left.min(place.x), right.max(place.x), top.min(place.y), bottom.max(place.y)]);
        }
        let [left, right, top, bottom] = bounds?;
        // Casts saturate at the ends of the frame.
        let range = |low: f64, high: f64, len: usize| {
            let start = ((low - 4.0).max(0.0) as usize).min(len) & !1;
            let end = ((high + 6.0).max(0.0) as usize).min(len);
            (end >= start + 3 * STEP_PX).then_some((start, (end - start) & !1))
        };
        let (x, width) = range(left, right, frame.width)?;
        let (y, height) = range(top, bottom, frame.height)?;
        Some(Rect { x, y, size: Size { width, height } })
    }
}

/// Means of 4 × 4 samples, two pixels apart.
struct Means {
    rect: Rect,
    columns: usize,
    rows: usize,
    values: Vec<f32>,
}

impl Means {
    fn new(layout: Layout, rect: Rect, planes: &[Vec<f32>]) -> Self {
        let (columns, rows) = (rect.size.width / STEP_PX, rect.size.height / STEP_PX);
        let weights: &[f32] = match layout {
            Layout::Mosaic(_) => &[1.0],
            Layout::Rgb => &[0.25, 0.5, 0.25],
        };
        // Sums of 2 × 2, then of 2 × 2 of those beside and below.
        let mut pairs = vec![0.0f32; columns * rows];
        for (plane, weight) in planes.iter().zip(weights) {
            for (row, pairs) in pairs.chunks_exact_mut(columns).enumerate() {
                let width = rect.size.width;
                let (upper, lower) = plane[2 * row * width..2 * (row + 1) * width].split_at(width);
                let (upper, _) = upper.as_chunks::<2>();
                let (lower, _) = lower.as_chunks::<2>();
                for ((sum, upper), lower) in pairs.iter_mut().zip(upper).zip(lower) {
                    *sum += weight * ((upper[0] + upper[1]) + (lower[0] + lower[1]));
                }
            }
        }
        let (columns, rows, stride) = (columns - 1, rows - 1, columns);
        let mut values = Vec::with_capacity(columns * rows);
        for row in 0..rows {
            let (upper, lower) = (&pairs[row * stride..], &pairs[(row + 1) * stride..]);
            values.extend((0..columns).map(|x| ((upper[x] + upper[x + 1]) + (lower[x] + lower[x + 1])) * 0.0625));
        }
        Self { rect, columns, rows, values }
    }

    /// Between the four means around a place.
    fn at(&self, place: Point) -> Option<f32> {
        // The middle of the first 4 × 4 samples is 1.5 pixels inside.
        let along = |position: f64, first: usize, count: usize| {
            let exact = (position - first as f64 - 1.5) / STEP_PX as f64;
            // Not negative, as checked.
            (exact >= 0.0 && exact < count as f64 - 1.0).then(|| (exact as usize, exact.fract() as f32))
        };
        let (x, across) = along(place.x, self.rect.x, self.columns)?;
        let (y, down) = along(place.y, self.rect.y, self.rows)?;
        let row = |y: usize| {
            let pair = &self.values[y * self.columns + x..][..2];
            pair[0] + (pair[1] - pair[0]) * across
        };
        let upper = row(y);
        Some(upper + (row(y + 1) - upper) * down)
    }
}
