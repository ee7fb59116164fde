//! Which part of the frame is landscape.

use crate::pixels::{Mask, Plane, Size};

/// Weight of the landscape, 0.0 sky to 1.0 foreground, in light-frame pixels (unrotated, visible area).
///
/// The tripod stands still, so it is the same for every light frame.
#[derive(Clone, Debug, PartialEq)]
pub struct ForegroundMask(pub Plane<f32>);

impl ForegroundMask {
    /// Nothing stands still.
    #[must_use]
    pub fn all_sky(size: Size) -> Self {
        Self(Plane::filled(size, 0.0))
    }

    /// Pixels with any landscape in them.
    #[must_use]
    pub fn pixels(&self) -> Mask {
        Mask(self.0.map(|alpha| alpha > 0.0))
    }

    /// Width by height.
    #[must_use]
    pub fn size(&self) -> Size {
        self.0.size()
    }
}
