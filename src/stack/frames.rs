//! Where the stack reads calibrated frames from.

use crate::pixels::{CalibratedFrame, Layout, Rect, Size};
use crate::stack::StackError;

/// Calibrated frames of one size and layout that can be read in parts, from several threads at once.
pub trait MosaicRows: Sync {
    /// What a frame's planes hold.
    fn layout(&self) -> Layout;

    /// Width by height of each frame.
    fn size(&self) -> Size;

    /// Fills each plane with the samples of `rect`, row by row; `rect` lies in the frame.
    fn read_rect(&self, frame: usize, rect: Rect, planes: &mut [Vec<f32>]) -> Result<(), StackError>;
}

/// Frames that are all in memory: short bursts of small frames.
#[derive(Clone, Debug)]
pub struct MemoryFrames(pub Vec<CalibratedFrame>);

impl MosaicRows for MemoryFrames {
    fn layout(&self) -> Layout {
        self.0[0].layout
    }

    fn size(&self) -> Size {
        self.0[0].size()
    }

    fn read_rect(&self, frame: usize, rect: Rect, planes: &mut [Vec<f32>]) -> Result<(), StackError> {
        for (plane, target) in self.0[frame].planes.iter().zip(planes) {
            target.clear();
            for y in rect.y..rect.y + rect.size.height {
                target.extend_from_slice(&plane.row(y)[rect.x..rect.x + rect.size.width]);
            }
        }
        Ok(())
    }
}
