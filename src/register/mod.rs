//! Two star lists in, [`Registration`] out; and the same for a whole burst with one lens.

mod chance;
mod field;
mod lens_prior;
mod matching;
mod pair_fit;
mod plane;
mod triangles;

use crate::detect::Star;
use crate::pixels::{Size, Transform};

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

/// What is known of the camera before the stars are asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Optics {
    /// Width by height of the frames.
    pub size: Size,
    /// Focal length in pixels, where the camera tells.
    pub focal_px: Option<f64>,
}

/// Registers one star list on another.
pub fn register_pair(light: &[Star], reference: &[Star], optics: &Optics) -> Result<Registration, AlignError> {
    let (light, _) = field::Field::new(light, optics.size);
    let (reference, _) = field::Field::new(reference, optics.size);
    let guesses = lens_prior::guesses(optics.size, optics.focal_px, None);
    let solution =
        matching::match_fields(&light, &reference, &guesses, 2.0).ok_or(AlignError::NoMatch { stars: light.len() })?;
    Ok(Registration {
        reference_from_light: Transform::Camera(Box::new(solution.model.transform())),
        model: Model::LensFitted,
        n_matched: solution.pairs.len(),
        rms_px: solution.ln_false_alarms,
    })
}
