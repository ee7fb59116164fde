//! How the reference frame is cut so that the work fits the memory budget.
//!
//! A tile holds, for each of its pixels, four to six lanes (red, green, blue, weights) of every frame that must be
//! looked at together, and a few planes of its own:
//!
//! bytes = threads · pixels · (24 · frames held + [`BYTES_A_PIXEL`]) + [`RESULT_BYTES_A_PIXEL`] · frame
//!
//! Mean and maximum add up frame by frame and hold two. More frames make smaller tiles, not more memory.

use crate::demosaic::Window;
use crate::pixels::Size;
use crate::stack::{CombineRule, StackRequest};

/// Pixels around a tile whose medians tell the contrast of its own.
pub(super) const HALO_PX: usize = 1;
/// The largest tile: the samples of a burst of 16 take 2 MB. Combining larger ones, out of the processor's cache,
/// takes longer than the margins of smaller ones.
const LARGEST: TileSize = TileSize { width: 128, height: 64 };
/// The smallest: below it most of what is read is margin.
const SMALLEST: TileSize = TileSize { width: 32, height: 16 };
/// Samples, colours and window of the frame at hand (40), combined samples (32), medians and spread (40),
/// and as much again for margins and turned frames.
const BYTES_A_PIXEL: usize = 224;
/// Three channels (12), two counts (4), visibility of the sky (1).
const RESULT_BYTES_A_PIXEL: usize = 17;
/// Red, green, blue and one weight, or one weight each.
const LANE_BYTES: usize = 24;

/// Columns by rows of a tile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct TileSize {
    pub(super) width: usize,
    pub(super) height: usize,
}

impl TileSize {
    /// The largest tile that keeps `threads` of them within the budget of the request.
    pub(super) fn for_request(request: &StackRequest<'_>, size: Size, threads: usize) -> Self {
        let result_bytes = (RESULT_BYTES_A_PIXEL * size.area()) as u64;
        let budget = request.memory_bytes.saturating_sub(result_bytes);
        let held = |is_land: bool, n_frames: usize| match request.combine_of(is_land) {
            CombineRule::Mean | CombineRule::Maximum => 2,
            CombineRule::ClippedMean { .. } | CombineRule::Median => n_frames,
        };
        let held = held(false, request.sky.len()).max(held(true, request.land.len().max(request.land_reserve.len())));
        let mut tile = LARGEST;
        while tile != SMALLEST && (threads * tile.bytes(held)) as u64 > budget {
            tile = tile.smaller();
        }
        tile
    }

    /// Memory of one tile with the samples of `n_held` frames.
    pub(super) fn bytes(self, n_held: usize) -> usize {
        let pixels = (self.width + 2 * HALO_PX) * (self.height + 2 * HALO_PX);
        pixels * (LANE_BYTES * n_held + BYTES_A_PIXEL)
    }

    fn smaller(self) -> Self {
        let height = (self.height / 2).max(SMALLEST.height);
        if self.width > 2 * height || height == self.height {
            Self { width: (self.width / 2).max(SMALLEST.width), ..self }
        } else {
            Self { height, ..self }
        }
    }
}

/// A part of the reference frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Tile {
    /// First column.
    pub(super) x: usize,
    /// First row.
    pub(super) y: usize,
    /// Columns by rows.
    pub(super) size: Size,
}

impl Tile {
    /// The tiles of a band of rows from left to right.
    pub(super) fn along_band(first_row: usize, band: Size, tile: TileSize) -> impl Iterator<Item = Self> {
        (0..band.width).step_by(tile.width).map(move |x| {
            let width = tile.width.min(band.width - x);
            Self { x, y: first_row, size: Size { width, height: band.height } }
        })
    }

    /// The tile with its halo.
    pub(super) fn with_halo(self) -> Window {
        Window { x: self.x as isize, y: self.y as isize, size: self.size }.grown(HALO_PX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(n_frames: usize, memory_bytes: u64) -> StackRequest<'static> {
        let frame = crate::stack::StackFrame::plain(0, crate::pixels::Transform::Identity);
        StackRequest {
            sky: vec![frame; n_frames],
            land: Vec::new(),
            foreground: None,
            combine: CombineRule::Median,
            memory_bytes,
            ..StackRequest::default()
        }
    }

    #[test]
    fn the_budget_holds_for_any_number_of_frames() {
        let size = Size { width: 6000, height: 4000 };
        let result = 17 * 24_000_000;
        for n_frames in [1, 2, 16, 60, 200, 600] {
            for threads in [1, 2, 8] {
                let budget = 700 << 20;
                let tile = TileSize::for_request(&request(n_frames, budget), size, threads);
                let bytes = result + (threads * tile.bytes(n_frames)) as u64;
                assert!(bytes <= budget, "{n_frames} frames on {threads} threads: {bytes} bytes in {tile:?}");
            }
        }
    }

    #[test]
    fn a_budget_too_small_for_anything_still_works_in_the_smallest_tiles() {
        let tile = TileSize::for_request(&request(16, 0), Size { width: 600, height: 400 }, 4);
        assert_eq!(tile, SMALLEST, "no memory at all");
    }

    #[test]
    fn tiles_cover_a_band_once() {
        let band = Size { width: 600, height: 10 };
        let tiles: Vec<Tile> = Tile::along_band(40, band, TileSize { width: 256, height: 128 }).collect();
        let ends: Vec<(usize, usize)> = tiles.iter().map(|tile| (tile.x, tile.x + tile.size.width)).collect();
        assert_eq!(ends, [(0, 256), (256, 512), (512, 600)], "from left to right without gaps");
    }
}
