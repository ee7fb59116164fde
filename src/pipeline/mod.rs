//! The only place where the stages meet: a [`Request`] in, an [`Outcome`] out.

mod burst;
mod clock;
mod gather;
mod land_frames;
mod landscape;
mod lens_profile;
mod lettering;
mod lights;
mod mask_file;
mod masters;
mod measuring;
mod noise;
mod output;
mod photometry;
mod picture;
mod proposal;
mod report;
mod request;
mod residual_picture;
mod residuals;
mod rows;
mod run;
mod sample;
mod tripod;

pub use crate::detect::Verdict;
pub use crate::develop::{
    DEFAULT_SKY_LEVEL, DevelopSettings, Development, GradientRemoval, OutputSpace, RowPlace, Stretch, WhiteBalance,
};
pub use crate::foreground::{Doubt, ForegroundMask, Guide, Proposal, Stroke, StrokeSide};
pub use crate::raw::{CameraColor, CaptureTime, Metadata};
pub use gather::collect_frames;
pub use lens_profile::save_lens_profile;
pub use mask_file::{LoadedMask, load_mask, save_mask};
pub use measuring::{FrameFinding, MeasureRequest, MeasureSummary, measure};
pub use output::{check_output, development, export, save_outcome_mask};
pub use picture::{Picture, open_picture};
pub use proposal::{LOW_CONFIDENCE, MaskProposal, propose_mask};
pub use report::{FrameReport, LandFrameReport, LensReport, LensStart, NoiseReport, RadiusResidual, Report};
pub use request::{Combine, DEFAULT_MEMORY_BYTES, ExportSettings, FileFormat, MaskChoice, ReferenceChoice, Request};
pub use residual_picture::save_residual_picture;
pub use residuals::{Arrow, FrameResiduals, round_below, typical_error_px};
pub use run::{Outcome, run};
pub use sample::write_sample_frames;

/// Frames that a stack needs at least.
pub const MIN_FRAMES: usize = 2;
