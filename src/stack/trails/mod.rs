//! Where satellites and aircraft crossed single frames: seen along the trail, not in the single pixel.
//!
//! A sample must stand out by three standard deviations before it is clipped, so the faint part of a trail, and its
//! flanks, stay in a short burst: up to 1.4 / √n standard deviations of the stack are left by clipping single
//! samples, whatever the threshold's fineness. Along a trail there are many such samples. So:
//! - The sky is looked at in cells of [`CELL_PX`] × [`CELL_PX`] pixels, all colors together (`coarse`): about as
//!   wide as a trail, and a sixteenth of the work.
//! - A cell of a frame is compared with the median of the other frames, in standard deviations (`evidence`), held
//!   back to a few so that no star makes a trail; broad differences (cloud, glow) are taken off.
//! - Sums along straight lines in many directions find what is too faint in any one cell; so does a single cell
//!   that stands far out.
//! - What was found grows along the line, and sidewards as long as cells still stand out a little (hysteresis).
//!
//! The samples of these cells of that frame are left out of the clipped mean as long as another frame saw them.
//! The cells do not depend on memory or threads. Sources: matched filtering along lines, R. O. Duda and P. E. Hart,
//! "Use of the Hough transformation to detect lines and curves in pictures", Comm. ACM 15, 1972 (sums along lines);
//! J. Canny, "A computational approach to edge detection", IEEE PAMI 8, 1986 (hysteresis).

mod coarse;
mod evidence;

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use crate::job::Monitor;
use crate::pixels::Size;
use crate::stack::visibility::Visibility;
use crate::stack::{MosaicRows, StackError, StackRequest};
use coarse::CoarseFrame;
use evidence::{Crossed, HALO_CELLS, find_cells, prepare};

/// Edge of a cell in pixels of the reference frame.
pub(super) const CELL_PX: usize = 4;
/// Cells along each axis that are looked at together.
const BLOCK_CELLS: Size = Size { width: 192, height: 128 };
/// In longer bursts clipping single samples leaves less than half a standard deviation of any trail.
const MAX_FRAMES: usize = 12;

/// Middles of sure lines that make a trail.
const MIN_SURE: usize = 5;

/// Cells of single frames that something crossed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trails {
    columns: usize,
    /// Only frames that have some.
    frames: Vec<FrameTrails>,
}

#[derive(Clone, Debug, PartialEq)]
struct FrameTrails {
    /// Its number.
    frame: usize,
    /// In the order of rows.
    cells: Vec<u32>,
    n_sure: usize,
}

impl Trails {
    /// Numbers of the frames that something crossed for certain.
    pub fn frames(&self) -> impl Iterator<Item = usize> {
        self.frames.iter().filter(|found| found.n_sure >= MIN_SURE).map(|found| found.frame)
    }

    /// Cells of 4 × 4 pixels of a frame that are left out.
    #[must_use]
    pub fn n_cells(&self, frame: usize) -> usize {
        self.cells(frame).len()
    }

    fn cells(&self, frame: usize) -> &[u32] {
        self.frames.iter().find(|found| found.frame == frame).map_or(&[], |found| &found.cells)
    }

    /// The cells of a frame in a range of columns and one row of cells: their columns.
    pub(super) fn columns_of(
        &self,
        frame: usize,
        columns: std::ops::Range<usize>,
        row: usize,
    ) -> impl Iterator<Item = usize> {
        let cells = self.cells(frame);
        let place = |column: usize| (row * self.columns + column.min(self.columns)) as u32;
        let from = cells.partition_point(|&cell| cell < place(columns.start));
        let to = cells.partition_point(|&cell| cell < place(columns.end));
        let first = row * self.columns;
        cells[from..to].iter().map(move |&cell| cell as usize - first)
    }
}

/// Looks for trails in the sky frames of `request`; none in bursts of one frame or of many.
pub fn find_trails(monitor: &Monitor, rows: &dyn MosaicRows, request: &StackRequest<'_>) -> Result<Trails, StackError> {
    let cells = cells_of(rows.size());
    let nothing = Trails { columns: cells.width, frames: Vec::new() };
    if !(2..=MAX_FRAMES).contains(&request.sky.len()) || cells.area() == 0 {
        return Ok(nothing);
    }
    let visibility = request.foreground.map(Visibility::new);
    let frames: Vec<CoarseFrame<'_>> =
        request.sky.iter().map(|frame| CoarseFrame::new(rows, frame, visibility.as_ref())).collect();
    let blocks: Vec<(usize, usize)> = (0..cells.height)
        .step_by(BLOCK_CELLS.height)
        .flat_map(|y| (0..cells.width).step_by(BLOCK_CELLS.width).map(move |x| (x, y)))
        .collect();
    let n_done = AtomicUsize::new(0);
    let of_block = |&(x, y): &(usize, usize)| -> Result<Vec<FrameTrails>, StackError> {
        monitor.step("Looking for trails", n_done.fetch_add(1, Ordering::Relaxed), blocks.len())?;
        let width = BLOCK_CELLS.width.min(cells.width - x);
        let block = Block { x, y, size: Size { width, height: BLOCK_CELLS.height.min(cells.height - y) } };
        cells_of_block(&frames, block, cells)
    };
    let by_block: Vec<Vec<FrameTrails>> = blocks.par_iter().map(of_block).collect::<Result<_, _>>()?;
    let found = frames.iter().enumerate().map(|(idx, frame)| {
        let of_frame = || by_block.iter().map(|block| &block[idx]);
        let mut cells: Vec<u32> = of_frame().flat_map(|block| block.cells.iter().copied()).collect();
        cells.sort_unstable();
        cells.dedup();
        FrameTrails { frame: frame.number(), cells, n_sure: of_frame().map(|block| block.n_sure).sum() }
    });
    Ok(Trails { frames: found.filter(|found| !found.cells.is_empty()).collect(), ..nothing })
}

/// Whole cells of a frame.
fn cells_of(size: Size) -> Size {
    Size { width: size.width / CELL_PX, height: size.height / CELL_PX }
}

/// A part of the cells.
#[derive(Clone, Copy, Debug)]
struct Block {
    x: usize,
    y: usize,
    size: Size,
}

impl Block {
    /// Columns by rows with the halo.
    fn grown(self) -> Size {
        Size { width: self.size.width + 2 * HALO_CELLS, height: self.size.height + 2 * HALO_CELLS }
    }

    /// First column and row with the halo, which may lie before the frame.
    fn origin(self) -> (isize, isize) {
        (self.x as isize - HALO_CELLS as isize, self.y as isize - HALO_CELLS as isize)
    }
}

/// For each frame the cells of a block, and around it, that something crossed.
fn cells_of_block(frames: &[CoarseFrame<'_>], block: Block, cells: Size) -> Result<Vec<FrameTrails>, StackError> {
    let mut levels = Vec::with_capacity(frames.len());
    for frame in frames {
        levels.push(frame.levels(block.origin(), block.grown())?);
    }
    let center = prepare(&levels, block.grown());
    let inside = |(column, row): (usize, usize)| {
        let (x, y) = (block.origin().0 + column as isize, block.origin().1 + row as isize);
        let is_inside = (0..cells.width as isize).contains(&x) && (0..cells.height as isize).contains(&y);
        // Cells of a frame are numbered in 32 bits: 69 gigapixels.
        is_inside.then(|| (y as usize * cells.width + x as usize) as u32)
    };
    let of_frame = |(frame, levels): (&CoarseFrame<'_>, &Vec<f32>)| {
        let Crossed { cells, n_sure } = find_cells(levels, &center, block.size);
        FrameTrails { frame: frame.number(), cells: cells.into_iter().filter_map(inside).collect(), n_sure }
    };
    Ok(frames.iter().zip(&levels).map(of_frame).collect())
}

#[cfg(test)]
mod tests;
