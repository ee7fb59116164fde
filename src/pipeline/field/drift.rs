//! Whether the focus drifts over the burst, as a lens does while it cools.

use crate::pipeline::measuring::FrameFinding;
use crate::pixels::statistics::median;

/// Frames whose median stands for one moment: one odd frame is no drift.
const TOGETHER: usize = 3;

/// Growth over the sharpest moment from which the focus drifts; a tenth is what is seen at 100 % (common
/// practice, no source).
const DRIFT_FROM: f32 = 1.08;

/// A focus that has become softer since its best moment.
#[derive(Clone, Debug, PartialEq)]
pub struct FocusDrift {
    /// Width of the stars at the best moment, across any trail.
    pub best_px: f32,
    /// The frame in the middle of that moment.
    pub best_frame: String,
    /// Width at the end.
    pub now_px: f32,
    /// Width of each frame by index, medians of three.
    pub smooth_px: Vec<(usize, f32)>,
}

impl FocusDrift {
    /// What to do, in one sentence.
    #[must_use]
    pub fn warning(&self) -> String {
        let Self { best_px, now_px, best_frame, .. } = self;
        format!("Focus drifts: stars are {now_px:.2} px wide, {best_px:.2} px at {best_frame}; focus again")
    }
}

/// The drift up to the last frame by time of capture; `None` while the focus holds.
#[must_use]
pub fn focus_drift(findings: &[&FrameFinding]) -> Option<FocusDrift> {
    let mut frames: Vec<(f64, usize, f32)> = findings
        .iter()
        .enumerate()
        .filter_map(|(idx, finding)| {
            let width_px = finding.field.as_ref()?.typical?.across_px;
            // Frames without time stay in their order behind the others.
            let clock = finding.metadata.capture_time.map_or(f64::MAX, |time| time.clock_secs);
            Some((clock, idx, width_px))
        })
        .collect();
    frames.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    if frames.len() <= TOGETHER {
        return None;
    }
    let moments = frames.windows(TOGETHER).map(|moment| {
        let mut widths: Vec<f32> = moment.iter().map(|frame| frame.2).collect();
        (moment[TOGETHER / 2].1, median(&mut widths).unwrap_or_default())
    });
    let smooth_px: Vec<(usize, f32)> = moments.collect();
    let (best, now) = (smooth_px.iter().min_by(|a, b| a.1.total_cmp(&b.1))?, smooth_px.last()?);
    if now.1 < DRIFT_FROM * best.1 {
        return None;
    }
    let path = &findings[best.0].path;
    let best_frame = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    Some(FocusDrift { best_px: best.1, best_frame, now_px: now.1, smooth_px })
}
