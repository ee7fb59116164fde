//! What the report says of each light frame.

use std::path::PathBuf;

use crate::pipeline::burst::Aligned;
use crate::pipeline::lights::Reading;
use crate::pipeline::report::FrameReport;
use crate::pipeline::residuals::by_radius;
use crate::pixels::Size;
use crate::stack::{StackFrame, StackRequest};

/// One for each frame, in the order given.
pub(super) fn frame_reports(
    paths: &[PathBuf],
    readings: &[Reading],
    aligned: &Aligned,
    request: &StackRequest<'_>,
    size: Size,
) -> Vec<FrameReport> {
    let stacked = |idx| request.sky.iter().find(|frame| frame.frame == idx);
    let weight_of = |idx| stacked(idx).map_or(0.0, |frame| frame.weight);
    let reference_weight = f64::from(weight_of(aligned.reference));
    paths
        .iter()
        .enumerate()
        .map(|(idx, path)| {
            let frame = aligned.frames.iter().find(|frame| frame.idx == idx);
            let light = readings[idx].as_ref().ok();
            FrameReport {
                file: path.clone(),
                used: frame.is_some(),
                reason: readings[idx].as_ref().err().cloned().unwrap_or_else(|| aligned.reasons[idx].clone()),
                weight: f64::from(weight_of(idx)) / reference_weight,
                scale_range: stacked(idx).map(StackFrame::scale_range),
                registration: frame.map_or("none".to_owned(), |frame| frame.registration.model.to_string()),
                matched: frame.map_or(0, |frame| frame.registration.n_matched),
                rms_px: frame.map(|frame| frame.registration.rms_px),
                registration_reason: frame.and_then(|frame| frame.registration.reason.clone()),
                capture_time: light.and_then(|light| light.metadata.capture_time?.text()),
                exposure_secs: light.and_then(|light| light.metadata.exposure_secs),
                stars: light.map_or(0, |light| light.measure.stars.len()),
                fwhm_px: light.and_then(|light| light.measure.fwhm_px),
                elongation: light.and_then(|light| light.measure.elongation),
                sky_level: light.map(|light| light.measure.sky_level[1]),
                residuals_by_radius: frame.map_or(Vec::new(), |frame| by_radius(&frame.residuals, size)),
            }
        })
        .collect()
}
