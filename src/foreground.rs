//! Which part of the frame is landscape.

use crate::pixels::{Plane, Size};

/// Weight of the landscape, 0.0 sky to 1.0 foreground, in light-frame pixels (unrotated, visible area).
///
/// The tripod stands still, so it is the same for every light frame.
#[derive(Clone, Debug, PartialEq)]
pub struct ForegroundMask(pub Plane<f32>);

impl ForegroundMask {
    /// Width by height.
    #[must_use]
    pub fn size(&self) -> Size {
        self.0.size()
    }
}
