//! The only place where the stages meet: a [`Request`] in, an [`Outcome`] out.

pub mod report;
pub mod request;

pub use report::{FrameReport, NoiseReport, Report, Verdict};
pub use request::{Combine, ExportSettings, FileFormat, MaskChoice, ReferenceChoice, Request};
