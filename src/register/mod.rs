//! Two star lists in, [`Registration`] out; and the same for a whole burst with one lens.
//!
//! Triangles of stars find pairs with no start given (`matching`), the test against chance decides what is
//! believed (`chance`), and a camera that does not move below a turning sky is fitted to all frames together
//! (`adjust`). A knock against the tripod is measured on the land (`tripod`). Rotations are named by what they carry: `reference_from_light`.

mod adjust;
mod burst;
mod chance;
mod channel;
mod choice;
mod field;
mod finish;
mod lens_prior;
mod matching;
mod pair_fit;
mod plane;
mod profile;
mod reference;
mod sky;
mod slopes;
mod start;
mod starts;
mod still;
mod tracks;
mod triangles;
mod tripod;

pub use burst::register_burst;
pub use channel::{ChannelScale, LateralColor, measure_lateral_color};
pub use plane::{fit_homography, fit_similarity};
pub use profile::{LensProfile, ProfileError, ProfileFalloff};
pub use reference::{ReferenceMeasure, choose_reference};
pub use tripod::{LandMotion, LandPicture, LandReference, light_from_reference};

use nalgebra::Rotation3;

use crate::detect::Star;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{CameraTransform, Lens, Point, Refraction, Size, Transform};

/// The stars of one frame and when they were seen.
#[derive(Clone, Copy, Debug)]
pub struct FrameStars<'a> {
    /// Any order.
    pub stars: &'a [Star],
    /// Middle of the exposure by the camera's clock; only differences count.
    pub capture_time_secs: Option<f64>,
}

/// What is known of the camera before the stars are asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Optics {
    /// Width by height of the frames.
    pub size: Size,
    /// Focal length in pixels, where the camera tells.
    pub focal_px: Option<f64>,
    /// The lens as an earlier burst measured it.
    pub profile: Option<LensProfile>,
}

/// How stars are matched and how many are used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RegisterSettings {
    /// Stars further apart than this are not the same once all is fitted.
    pub tolerance_px: f64,
    /// Brightest stars of a frame that are matched.
    pub stars_per_frame: usize,
    /// Stars that lens and rotations are fitted to, spread over the picture.
    pub stars_in_fit: usize,
}

impl Default for RegisterSettings {
    fn default() -> Self {
        Self { tolerance_px: 2.0, stars_per_frame: 2000, stars_in_fit: 500 }
    }
}

/// A burst on its reference frame.
#[derive(Clone, Debug)]
pub struct BurstRegistration {
    /// Each frame, in the order given.
    pub frames: Vec<Result<Registration, AlignError>>,
    /// Star pairs of each frame with the reference: indices into the lists as given.
    pub matches: Vec<Vec<StarMatch>>,
    /// What is left between the two stars of each pair.
    pub residuals: Vec<Vec<Residual>>,
    /// The lens, where a camera was fitted.
    pub lens: Option<LensFit>,
    /// What a person should know; each a sentence.
    pub notes: Vec<String>,
}

impl BurstRegistration {
    /// Takes lateral color into the lens and into every frame's transform, the reference frame's too: it is
    /// then its own channels that move. Without a fitted camera nothing changes.
    pub fn set_channel_scale(&mut self, channel_scale: [f64; 3]) {
        let Some(fit) = &mut self.lens else { return };
        if channel_scale == [1.0; 3] && fit.lens.channel_scale == [1.0; 3] {
            return;
        }
        fit.lens.channel_scale = channel_scale;
        let air = fit.zenith.map(|zenith| Refraction::new(zenith.into()));
        for registration in self.frames.iter_mut().flatten() {
            let transform = &mut registration.reference_from_light;
            let rotation = match transform {
                Transform::Camera(camera) => *camera.rotation(),
                Transform::Identity => Rotation3::identity(),
                Transform::Homography(_) => continue,
            };
            *transform = Transform::Camera(Box::new(CameraTransform::new(fit.lens, rotation, air)));
        }
    }
}

/// One star in two frames: places in the lists as given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StarMatch {
    /// In the light frame's list.
    pub light: usize,
    /// In the reference frame's list.
    pub reference: usize,
}

/// What is left between a star of a light frame, brought to the reference, and the star there.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Residual {
    /// Where the star is in the reference frame.
    pub reference: Point,
    /// Light minus reference, pixels.
    pub error: Point,
}

/// The lens of a burst and how well it is known.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LensFit {
    /// The lens.
    pub lens: Lens,
    /// Straight up in camera axes, where refraction was fitted.
    pub zenith: Option<[f64; 3]>,
    /// Whether it was fitted to the stars, or held as it was known.
    pub fitted: bool,
    /// Whether the fit began with the lens profile given; otherwise none was given, or the stars contradicted it.
    pub from_profile: bool,
    /// Why the profile given was not used, where one was given and was not.
    pub profile_refused: Option<String>,
    /// Focal length, k₁ to k₃, principal point x and y.
    pub parameters: Vec<LensParameter>,
    /// Stars that it was fitted to.
    pub n_stars: usize,
    /// Their sightings in all frames.
    pub n_sightings: usize,
    /// Ordinary error of a sighting over what the noise of its centroid explains; 1 is perfect.
    pub noise_ratio: f64,
}

/// One number of the lens.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LensParameter {
    /// What it is.
    pub name: String,
    /// Its value.
    pub value: f64,
    /// Its standard deviation.
    pub sigma: f64,
    /// Whether the stars determined it; otherwise it rests on what was known before.
    pub measured: bool,
}

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

impl std::fmt::Display for Model {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(match self {
            Self::Reference => "reference",
            Self::LensFitted => "lens fitted",
            Self::LensHeld => "lens held",
            Self::Homography => "homography",
            Self::Similarity => "similarity",
        })
    }
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
    /// Why it is not the lens fitted to the stars, where it is not.
    pub reason: Option<String>,
}

/// Why a frame cannot be registered.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AlignError {
    /// Too few stars to match with.
    #[error("found {found} stars, needs {needed}: check focus and clouds, or expose longer")]
    TooFewStars {
        /// Stars found.
        found: usize,
        /// Stars needed.
        needed: usize,
    },
    /// No transform agrees with more pairs than chance would.
    #[error("its {stars} stars do not match the reference frame: is it of the same sky, and free of hot pixels?")]
    NoMatch {
        /// Stars in the frame.
        stars: usize,
    },
    /// What matches stands still while the sky turns.
    #[error(
        "its {lights} matching lights stand still while the sky turns: they are not stars but lamps or hot pixels; mark \
         the landscape, add dark frames, or take frames that show more stars"
    )]
    StandsStill {
        /// Detections that coincide with the reference frame's.
        lights: usize,
    },
}

/// Why a burst cannot be registered at all.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RegisterError {
    /// The run was asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// Nothing to bring the others to.
    #[error("the reference frame has {found} stars, needs {needed}: check focus and clouds, or expose longer")]
    Reference {
        /// Stars found.
        found: usize,
        /// Stars needed.
        needed: usize,
    },
}

/// Registers one star list on another, with no clock: two frames are a short burst.
pub fn register_pair(light: &[Star], reference: &[Star], optics: &Optics) -> Result<Registration, AlignError> {
    let frame = |stars| FrameStars { stars, capture_time_secs: None };
    let frames = [frame(reference), frame(light)];
    match register_burst(&Monitor::silent(), &frames, 0, optics, &RegisterSettings::default()) {
        Ok(burst) => burst.frames.into_iter().nth(1).expect("two frames in, two out"),
        Err(RegisterError::Reference { found, needed }) => Err(AlignError::TooFewStars { found, needed }),
        Err(RegisterError::Cancelled(_)) => unreachable!("nobody cancels a silent monitor"),
    }
}
