//! Edge snap: a line drawn roughly along the edge of the landscape is pulled to the real one.
//!
//! Land and sky are held on both sides of a band around the line, and the walk between them finds where in
//! the band they part (Grady 2006): at the hardest edge that runs along it.

use crate::foreground::ForegroundMask;
use crate::foreground::edit::{Stroke, StrokeSide};
use crate::foreground::hints::{BORDER_TRUST, Guide};
use crate::pixels::{Plane, Point};

/// Trust in the mask inside the band: next to none.
const BAND_TRUST: f32 = 1e-5;
/// The band is at least so many pixels of the guide wide on both sides.
const LEAST_BAND: f64 = 3.0;

impl Guide {
    /// The mask with its edge pulled to the real one within `reach_px` (pixels of the frame) of a line, such as
    /// the one that a polygon or a horizon was drawn by. Only what lies in this band changes; a line of fewer
    /// than two points changes nothing.
    #[must_use]
    pub fn snap(&self, mask: &ForegroundMask, line: &[Point], reach_px: f64) -> ForegroundMask {
        let mut snapped = mask.clone();
        let reach_px = reach_px.max(LEAST_BAND * self.bin as f64);
        let stroke = Stroke { points: line.to_vec(), radius_px: reach_px, side: StrokeSide::Land };
        // Held pixels around the band must be in the block.
        let Some(rect) = self.within(&stroke, reach_px + 2.0 * self.bin as f64).filter(|_| line.len() > 1) else {
            return snapped;
        };
        let held = self.held(rect, mask);
        let trust = Plane::from_fn(rect.size, |x, y| {
            if stroke.distance_px(self.middle(x + rect.x, y + rect.y)) < reach_px { BAND_TRUST } else { BORDER_TRUST }
        });
        self.solve_rect(rect, &held, held.clone(), trust, &mut snapped);
        snapped
    }
}
