//! Which part of the frame is landscape: proposed from the burst, corrected by hand.
//!
//! The proposal rests on three facts. What moves with the stars is sky (`moving`). Between the stars the
//! sky is smooth, so it can be followed from star to star and out to the horizon (`sky_model`,
//! `growth`); the land is what departs from it, or is rough where the sky would be smooth, or shows no
//! star where the sky would show several (`leaks`). The edge then gets its share of sky and land pixel by
//! pixel (`refine`): a pixel's light lies between that of the sky behind it and the land beside it.
//! The edge is found on planes at about a quarter of the scale and refined at full resolution only near it.

mod components;
mod contrast;
mod doubt;
mod down;
mod edit;
mod evidence;
mod filters;
mod growth;
mod hints;
mod leaks;
mod moving;
mod propose;
mod refine;
mod scale;
mod sky_model;
mod snap;
mod stroke;
mod walk;

pub use doubt::{Doubt, LOW_CONFIDENCE};
pub use evidence::{BurstView, LightFromReference, ReadRect};
pub use hints::Guide;
pub use propose::{Proposal, propose};
pub use stroke::{Stroke, StrokeSide};

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
