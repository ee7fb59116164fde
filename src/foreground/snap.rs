//! Edge snap: a line drawn roughly along the edge of the landscape is pulled to the real one.
//!
//! Land and sky are held on both sides of a band around the line, and the walk between them finds where in
//! the band they part (Grady 2006): at the hardest edge that runs along it.

use crate::foreground::ForegroundMask;
use crate::foreground::hints::{BORDER_TRUST, Guide};
use crate::foreground::stroke::{Stroke, StrokeSide};
use crate::job::{Cancelled, Monitor};
use crate::pixels::Point;

/// Trust in the mask inside the band: next to none.
const BAND_TRUST: f32 = 1e-5;
/// The band is at least so many pixels of the guide wide on both sides.
const LEAST_BAND: f64 = 3.0;

impl Guide {
    /// The mask with its edge pulled to the real one within `reach_px` (pixels of the frame) of a line, such as
    /// the one that a polygon or a horizon was drawn by. Only what lies in this band changes; a line of fewer
    /// than two points changes nothing.
    pub fn snap(
        &self,
        monitor: &Monitor,
        mut mask: ForegroundMask,
        line: &[Point],
        reach_px: f64,
    ) -> Result<ForegroundMask, Cancelled> {
        let reach_px = reach_px.max(LEAST_BAND * self.bin as f64);
        let stroke = Stroke { points: line.to_vec(), radius_px: reach_px, side: StrokeSide::Land };
        // Held pixels around the band must be in the block.
        let Some(rect) = self.within(&stroke, reach_px + 2.0 * self.bin as f64).filter(|_| line.len() > 1) else {
            return Ok(mask);
        };
        let held = self.held(monitor, rect, &mask)?;
        let trust = self
            .distances_px(monitor, rect, &stroke, reach_px)?
            .map(|distance| if distance < reach_px { BAND_TRUST } else { BORDER_TRUST });
        self.solve_rect(monitor, rect, &held, held.clone(), trust, &mut mask)?;
        Ok(mask)
    }
}
