//! The measures of each frame, for a list or a chart, before anything is stacked.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use crate::calibrate::Masters;
use crate::detect::{FrameMeasure, Verdict};
use crate::error::Error;
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::burst::judge_readings;
use crate::pipeline::lights::{self, FirstPass, Light, Reading};
use crate::pipeline::request::DEFAULT_MEMORY_BYTES;
use crate::pipeline::run::decoder;
use crate::pixels::{Orientation, Size};
use crate::raw::{FrameScale, Metadata};

/// Which frames to measure.
#[derive(Clone, Debug)]
pub struct MeasureRequest {
    /// The frames.
    pub lights: Vec<PathBuf>,
    /// Which part is landscape, where it is known: stars are sought in the sky only.
    pub foreground: Option<Arc<ForegroundMask>>,
    /// Most memory to take, child processes counted.
    pub memory_bytes: u64,
    /// Program that decodes a frame when started with the private argument; the running one where `None`.
    pub decoder_program: Option<PathBuf>,
}

impl Default for MeasureRequest {
    fn default() -> Self {
        Self { lights: Vec::new(), foreground: None, memory_bytes: DEFAULT_MEMORY_BYTES, decoder_program: None }
    }
}

/// What was found out about one frame.
#[derive(Clone, Debug)]
pub struct FrameFinding {
    /// The file.
    pub path: PathBuf,
    /// Width by height as stored; `None` for a frame that could not be read.
    pub size: Option<Size>,
    /// How the frame is turned to be upright.
    pub orientation: Orientation,
    /// What the camera says of the exposure.
    pub metadata: Metadata,
    /// `None` for a frame that could not be read.
    pub measures: Option<MeasureSummary>,
    /// What the frame deserves beside the others.
    pub verdict: Verdict,
    /// Why; empty where there is nothing to say.
    pub reason: String,
}

/// The figures of one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeasureSummary {
    /// Stars found.
    pub stars: usize,
    /// Median star width.
    pub fwhm_px: Option<f32>,
    /// Median ratio of the stars' long to short axis.
    pub elongation: Option<f32>,
    /// Common trail of the stars beyond their width.
    pub trail_px: Option<f32>,
    /// Median of the green sky, 1.0 at the white level.
    pub sky_level: f32,
    /// Share of samples at the white level.
    pub clipped_fraction: f64,
}

impl MeasureSummary {
    fn new(measure: &FrameMeasure) -> Self {
        Self {
            stars: measure.stars.len(),
            fwhm_px: measure.fwhm_px,
            elongation: measure.elongation,
            trail_px: measure.trail_px,
            sky_level: measure.sky_level[1],
            clipped_fraction: measure.clipped_fraction,
        }
    }
}

/// Measures frames; `on_frame` hears of each as it is done (in any order, its verdict still open), the
/// result has the verdicts by comparison with all.
///
/// A burst of one frame is measured too; a burst of which nothing can be read is an error.
pub fn measure(
    monitor: &Monitor,
    request: &MeasureRequest,
    on_frame: impl FnMut(usize, FrameFinding) + Send,
) -> Result<Vec<FrameFinding>, Error> {
    let decoder = decoder(request.decoder_program.as_deref())?;
    let first = lights::first_frame(monitor, &decoder, &request.lights, FrameScale::Full)?;
    let (size, orientation) = (first.basis.size, first.basis.orientation);
    let land = request.foreground.as_deref().filter(|mask| mask.size() == size).map(ForegroundMask::pixels);
    let pass = FirstPass {
        decoder: &decoder,
        paths: &request.lights,
        masters: &Masters::default(),
        foreground: land.as_ref(),
        noise: None,
        n_at_once: lights::frames_at_once(size, request.memory_bytes, rayon::current_num_threads()),
        scale: FrameScale::Full,
    };
    let on_frame = Mutex::new(on_frame);
    let heard = |idx: usize, reading: &Reading| {
        let (verdict, reason) = match reading {
            Ok(_) => (Verdict::Use, String::new()),
            Err(reason) => (Verdict::SetAside, reason.clone()),
        };
        let finding = finding(&request.lights[idx], size, orientation, reading.as_ref().ok(), verdict, reason);
        (on_frame.lock().unwrap_or_else(PoisonError::into_inner))(idx, finding);
    };
    let readings = lights::read_all(monitor, &pass, first, &|_, _| Ok(()), &heard)?;
    let judgements = judge_readings(&readings);
    let all = request.lights.iter().zip(&readings).zip(judgements);
    Ok(all
        .map(|((path, reading), judgement)| {
            finding(path, size, orientation, reading.as_ref().ok(), judgement.verdict, judgement.reason)
        })
        .collect())
}

fn finding(
    path: &std::path::Path,
    size: Size,
    orientation: Orientation,
    light: Option<&Light>,
    verdict: Verdict,
    reason: String,
) -> FrameFinding {
    FrameFinding {
        path: path.to_owned(),
        size: light.map(|_| size),
        orientation,
        metadata: light.map(|light| light.metadata.clone()).unwrap_or_default(),
        measures: light.map(|light| MeasureSummary::new(&light.measure)),
        verdict,
        reason,
    }
}
