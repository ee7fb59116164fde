//! Two star lists in, [`Registration`] out; and the same for a whole burst with one lens.

use crate::pixels::Transform;

/// Which model carries a frame to the reference frame, from the best to the simplest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Model {
    /// The reference frame itself.
    Reference,
    /// One lens fitted over the burst, one rotation a frame.
    LensFitted,
    /// Lens from a profile or the camera's focal length, one rotation a frame.
    LensHeld,
    /// A projective map of this pair of frames.
    Homography,
    /// Shift, turn and scale of this pair of frames.
    Similarity,
}

/// How one light frame lies on the reference frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Registration {
    /// From light-frame pixels to reference-frame pixels.
    pub reference_from_light: Transform,
    /// Which model it is.
    pub model: Model,
    /// Star pairs that agree.
    pub n_matched: usize,
    /// Root mean square distance of those pairs.
    pub rms_px: f64,
}

/// Why a frame cannot be registered.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AlignError {
    /// Too few stars to match with.
    #[error("found {found} stars, needs {needed}")]
    TooFewStars {
        /// Stars found.
        found: usize,
        /// Stars needed.
        needed: usize,
    },
    /// No transform agrees with more pairs than chance would.
    #[error("its {stars} stars do not match the reference frame")]
    NoMatch {
        /// Stars in the frame.
        stars: usize,
    },
}
