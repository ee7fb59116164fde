//! The only place where the stages meet: a [`Request`] in, an [`Outcome`] out.

pub mod gather;
pub mod mask_file;
pub mod report;
pub mod request;

pub use crate::develop::{DevelopSettings, Development, GradientRemoval, OutputSpace, RowPlace, Stretch, WhiteBalance};
pub use gather::collect_frames;
pub use mask_file::{LoadedMask, load_mask, save_mask};
pub use report::{FrameReport, NoiseReport, Report, Verdict};
pub use request::{Combine, ExportSettings, FileFormat, MaskChoice, ReferenceChoice, Request};
