//! The measures of each frame, for a list or a chart, before anything is stacked.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::calibrate::{Masters, NoiseModel};
use crate::detect::{FrameMeasure, Judgement, Verdict};
use crate::error::Error;
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::burst::judge_readings;
use crate::pipeline::field::{CameraHint, FieldFacts};
use crate::pipeline::lights::{self, FirstPass, Light, Reading};
use crate::pipeline::request::DEFAULT_MEMORY_BYTES;
use crate::pipeline::run::decoder;
use crate::pixels::{CalibratedFrame, Layout, Orientation, Size};
use crate::raw::Metadata;

/// Which frames to measure.
#[derive(Clone, Debug)]
pub struct MeasureRequest {
    /// The frames.
    pub lights: Vec<PathBuf>,
    /// Which part is landscape, where it is known: stars are sought in the sky only.
    pub foreground: Option<Arc<ForegroundMask>>,
    /// What is known of camera and pointing beyond the files' own words.
    pub hint: CameraHint,
    /// Most memory to take, child processes counted.
    pub memory_bytes: u64,
    /// Program that decodes a frame when started with the private argument; the running one where `None`.
    pub decoder_program: Option<PathBuf>,
}

impl Default for MeasureRequest {
    fn default() -> Self {
        Self {
            lights: Vec::new(),
            foreground: None,
            hint: CameraHint::default(),
            memory_bytes: DEFAULT_MEMORY_BYTES,
            decoder_program: None,
        }
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
    /// What the field check rests on.
    pub field: Option<Box<FieldFacts>>,
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
    Ok(measure_with_readings(monitor, request, on_frame)?.0)
}

/// As [`measure`], with all that was measured of the frames, by which others can be judged beside them.
pub(super) fn measure_with_readings(
    monitor: &Monitor,
    request: &MeasureRequest,
    on_frame: impl FnMut(usize, FrameFinding) + Send,
) -> Result<(Vec<FrameFinding>, Vec<Reading>), Error> {
    let decoder = decoder(request.decoder_program.as_deref())?;
    let first = lights::first_frame(monitor, &decoder, &request.lights)?;
    let (size, orientation) = (first.basis.size, first.basis.orientation);
    let land = request.foreground.as_deref().filter(|mask| mask.size() == size).map(ForegroundMask::pixels);
    let pass = FirstPass {
        decoder: &decoder,
        paths: &request.lights,
        masters: &Masters::default(),
        foreground: land.as_ref(),
        noise: None,
        n_at_once: lights::frames_at_once(size, request.memory_bytes, rayon::current_num_threads()),
    };
    let on_frame = Mutex::new(on_frame);
    let noises: Mutex<Vec<Option<NoiseModel>>> = Mutex::new(vec![None; request.lights.len()]);
    let fields: Mutex<Vec<Option<Box<FieldFacts>>>> = Mutex::new(vec![None; request.lights.len()]);
    let keep = |idx: usize, frame: &CalibratedFrame| {
        // Electrons are counted on the sensor's own samples only.
        if matches!(frame.layout, Layout::Mosaic(_)) {
            let noise = NoiseModel::from_single(frame);
            lock(&noises)[idx] = noise;
        }
        Ok(())
    };
    let found = |idx: usize, reading: &Reading, judgement: Judgement| {
        let path = &request.lights[idx];
        let field = lock(&fields)[idx].clone();
        finding(path, (size, orientation), reading.as_ref().ok().zip(field), judgement)
    };
    let heard = |idx: usize, reading: &Reading| {
        let (verdict, reason) = match reading {
            Ok(light) => {
                let noise = lock(&noises)[idx];
                let field = FieldFacts::new(&light.measure, size, &light.metadata, noise, &request.hint);
                lock(&fields)[idx] = Some(Box::new(field));
                (Verdict::Use, String::new())
            }
            Err(reason) => (Verdict::SetAside, reason.clone()),
        };
        let finding = found(idx, reading, Judgement { verdict, reason });
        lock(&on_frame)(idx, finding);
    };
    let readings = lights::read_all(monitor, &pass, first, &keep, &heard)?;
    let judgements = judge_readings(&readings);
    let all = readings.iter().zip(judgements).enumerate();
    let findings = all.map(|(idx, (reading, judgement))| found(idx, reading, judgement)).collect();
    Ok((findings, readings))
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn finding(
    path: &Path,
    (size, orientation): (Size, Orientation),
    measured: Option<(&Light, Box<FieldFacts>)>,
    judgement: Judgement,
) -> FrameFinding {
    let light = measured.as_ref().map(|(light, _)| *light);
    FrameFinding {
        path: path.to_owned(),
        size: light.map(|_| size),
        orientation,
        metadata: light.map(|light| light.metadata.clone()).unwrap_or_default(),
        measures: light.map(|light| MeasureSummary::new(&light.measure)),
        field: measured.map(|(_, field)| field),
        verdict: judgement.verdict,
        reason: judgement.reason,
    }
}
