//! Calibrated frames read back from the scratch store with their defects repaired.

use crate::calibrate::Defects;
use crate::error::Error;
use crate::pixels::{CalibratedFrame, Layout, Mask, Plane, Rect, Size};
use crate::scratch::ScratchStore;
use crate::stack::{MosaicRows, StackError};

/// The frames of a burst, repaired on the way.
pub(super) struct RepairedRows<'a> {
    pub(super) store: &'a ScratchStore,
    pub(super) defects: &'a Defects,
}

impl MosaicRows for RepairedRows<'_> {
    fn layout(&self) -> Layout {
        self.store.layout()
    }

    fn size(&self) -> Size {
        self.store.size()
    }

    fn read_rect(&self, frame: usize, rect: Rect, planes: &mut [Vec<f32>]) -> Result<(), StackError> {
        self.store.read_rect(frame, rect, planes)?;
        self.defects.repair_rect(rect, planes);
        Ok(())
    }
}

impl RepairedRows<'_> {
    /// One frame as a whole; saturation is no longer known.
    pub(super) fn whole_frame(&self, frame: usize) -> Result<CalibratedFrame, Error> {
        let size = self.size();
        self.part(frame, Rect { x: 0, y: 0, size })
    }

    /// `n` strips of `height` rows, spread evenly from top to bottom.
    pub(super) fn strips(&self, frame: usize, n: usize, height: usize) -> Result<Vec<CalibratedFrame>, Error> {
        let size = self.size();
        // Even rows keep the phase of the mosaic.
        let height = height.min(size.height) & !1;
        let room = size.height - height;
        (0..n)
            .map(|idx| {
                let y = (room * idx / n.max(2).saturating_sub(1)) & !1;
                self.part(frame, Rect { x: 0, y, size: Size { width: size.width, height } })
            })
            .collect()
    }

    fn part(&self, frame: usize, rect: Rect) -> Result<CalibratedFrame, Error> {
        let layout = self.layout();
        let mut planes = vec![Vec::new(); layout.n_planes()];
        self.read_rect(frame, rect, &mut planes)?;
        let whole = "a part has one sample a pixel";
        let planes = planes.into_iter().map(|plane| Plane::from_vec(rect.size, plane).expect(whole)).collect();
        Ok(CalibratedFrame { layout, planes, saturated: Mask::empty(rect.size) })
    }
}
