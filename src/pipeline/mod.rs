//! The only place where the stages meet: a [`Request`] in, an [`Outcome`] out.

mod burst;
mod clock;
mod field;
mod frame_reports;
mod gather;
mod land;
mod land_frames;
mod landscape;
mod layers;
mod left_out_picture;
mod lens_profile;
mod lettering;
mod lights;
mod mask_file;
mod master_cache;
mod masters;
mod measuring;
mod noise;
mod output;
mod page;
mod photometry;
mod picture;
mod preview;
mod proposal;
mod reading;
mod report;
mod report_charts;
mod report_page;
mod report_pictures;
mod report_settings;
mod request;
mod residual_picture;
mod residuals;
mod room;
mod rows;
mod run;
mod sample;
mod sheaf;
mod sky_colors;
mod sorting;
mod star_trails;
mod survey;
mod taken;
mod tripod;
mod vignetting;
mod watching;

pub use crate::calibrate::LineNoise;
pub use crate::detect::{Ellipse, MIDDLE_ZONE, Verdict, ZONES, ZONES_ALONG, Zone};
pub use crate::develop::{
    DEFAULT_SKY_LEVEL, DevelopSettings, Development, Falloff, GradientRemoval, OutputSpace, RowPlace, Stretch,
    Vignetting, WhiteBalance,
};
pub use crate::export::{Compression, DEFAULT_JPEG_QUALITY};
pub use crate::foreground::{Doubt, ForegroundMask, Guide, LOW_CONFIDENCE, Proposal, Stroke, StrokeSide};
pub use crate::raw::{CameraColor, CaptureTime, FrameScale, Metadata};
pub use crate::settings::{Colors, Combine, FileFormat, Writing};
pub use field::{
    CameraHint, Estimate, FieldCheck, FieldFacts, Focus, FocusDrift, FrameLight, LensPattern, PredictedTrail, Shape,
    TrailBasis, TrailVerdict, check_one_frame, field_check, focus_drift,
};
pub use gather::{FrameKind, Gathered, collect_frames, gather_each, gather_frames};
pub use land::Found;
pub use layers::Layers;
pub use left_out_picture::{nothing_clipped, save_left_out_picture};
pub use lens_profile::save_lens_profile;
pub use mask_file::{LoadedMask, load_mask, save_mask};
pub use measuring::{FrameFinding, MeasureRequest, MeasureSummary, expected_reference, measure};
pub use output::{
    check_ending, check_layers, check_output, development, development_to_write, export, export_developed, format_at,
    save_layers, save_outcome_mask,
};
pub use page::{check_page_target, save_plan_page};
pub use picture::{Picture, open_picture};
pub use preview::{PREVIEW_FRAMES, Preview, preview};
pub use proposal::{MaskProposal, propose_mask};
pub use report::{
    BandingReport, FalloffSource, FrameReport, LandFrameReport, LensReport, LensStart, MasterReport, NoiseModelReport,
    NoiseReport, Program, RadiusResidual, Report, TripodFinding, VignettingReport, sentence,
};
pub use report_page::save_report_page;
pub use report_settings::RunSettings;
pub use request::{DEFAULT_MEMORY_BYTES, ExportSettings, MaskChoice, MasterCache, ReferenceChoice, Request};
pub use residual_picture::save_residual_picture;
pub use residuals::{Arrow, FrameResiduals, round_below, typical_error_px};
pub use run::{Outcome, decode_by, run};
pub use sample::write_sample_frames;
pub use watching::{FolderWatch, SETTLE, watch, watch_between};

/// Frames that a stack needs at least.
pub const MIN_FRAMES: usize = 2;
