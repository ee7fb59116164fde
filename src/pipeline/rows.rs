//! Calibrated frames read back from the scratch store, row and column noise removed, defects repaired.

use crate::calibrate::{Banding, Defects};
use crate::error::Error;
use crate::pixels::{CalibratedFrame, Layout, Mask, Plane, Rect, Size};
use crate::scratch::ScratchStore;
use crate::stack::{MosaicRows, StackError};

/// The frames of a burst, repaired on the way.
pub(super) struct RepairedRows<'a> {
    pub(super) store: &'a ScratchStore,
    pub(super) defects: &'a Defects,
    pub(super) banding: &'a Banding,
}

impl MosaicRows for RepairedRows<'_> {
    fn layout(&self) -> Layout {
        self.store.layout()
    }

    fn size(&self) -> Size {
        self.store.size()
    }

    fn read_rect(&self, frame: usize, rect: Rect, planes: &mut [Vec<f32>]) -> Result<(), StackError> {
        self.read_unrepaired(frame, rect, planes)?;
        let mut around = vec![Vec::new(); planes.len()];
        for (plane, samples) in planes.iter_mut().enumerate() {
            self.defects.repair_part(plane, rect, self.size(), samples, |patch| {
                self.read_unrepaired(frame, patch, &mut around)?;
                Ok::<_, StackError>(around[plane].clone())
            })?;
        }
        Ok(())
    }
}

impl RepairedRows<'_> {
    fn read_unrepaired(&self, frame: usize, rect: Rect, planes: &mut [Vec<f32>]) -> Result<(), StackError> {
        self.store.read_rect(frame, rect, planes)?;
        if !self.banding.is_none_for(frame) {
            planes.iter_mut().for_each(|plane| self.banding.remove(frame, (rect.x, rect.y), rect.size, plane));
        }
        Ok(())
    }

    /// One frame as a whole; saturation is no longer known.
    pub(super) fn whole_frame(&self, frame: usize) -> Result<CalibratedFrame, Error> {
        self.strips(frame, &[0], self.size().height)
    }

    /// First rows of `n` strips of `height` rows, spread evenly from top to bottom; both are even, which keeps
    /// the phase of the mosaic.
    pub(super) fn strip_rows(&self, n: usize, height: usize) -> Vec<usize> {
        let room = self.size().height.saturating_sub(height);
        let last = n.max(2) - 1;
        (0..n).map(|idx| (room * idx / last) & !1).collect()
    }

    /// Strips of `height` rows from each of `first_rows`, one below the other.
    pub(super) fn strips(&self, frame: usize, first_rows: &[usize], height: usize) -> Result<CalibratedFrame, Error> {
        let layout = self.layout();
        let width = self.size().width;
        let height = height.min(self.size().height);
        let mut all = vec![Vec::new(); layout.n_planes()];
        let mut planes = all.clone();
        for &y in first_rows {
            self.read_rect(frame, Rect { x: 0, y, size: Size { width, height } }, &mut planes)?;
            for (all, plane) in all.iter_mut().zip(&planes) {
                all.extend_from_slice(plane);
            }
        }
        Ok(frame_of(layout, Size { width, height: height * first_rows.len() }, all))
    }
}

fn frame_of(layout: Layout, size: Size, planes: Vec<Vec<f32>>) -> CalibratedFrame {
    let whole = "a part has one sample a pixel";
    let planes = planes.into_iter().map(|plane| Plane::from_vec(size, plane).expect(whole)).collect();
    CalibratedFrame { layout, planes, saturated: Mask::empty(size) }
}
