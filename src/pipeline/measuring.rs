//! The measures of each frame, for a list or a chart, before anything is stacked.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::calibrate::{Masters, NoiseModel};
use crate::detect::{FrameMeasure, Judgement, Verdict};
use crate::error::{Error, FramesFor};
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::burst::{judge_readings, mid_exposure};
use crate::pipeline::field::{CameraHint, FieldFacts};
use crate::pipeline::gather::FrameKind;
use crate::pipeline::lights::{self, FirstPass, Light, Reading, Unlit};
use crate::pipeline::request::DEFAULT_MEMORY_BYTES;
use crate::pipeline::run::decoder;
use crate::pipeline::sorting::{self, Sorted};
use crate::pixels::{CalibratedFrame, Layout, Orientation, Size};
use crate::raw::{FrameScale, Metadata};
use crate::register::{ReferenceMeasure, choose_reference};

/// Which frames to measure.
#[derive(Clone, Debug)]
pub struct MeasureRequest {
    /// The frames.
    pub lights: Vec<PathBuf>,
    /// What some of them are, where the names of their folders say so.
    pub known: BTreeMap<PathBuf, FrameKind>,
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
            known: BTreeMap::new(),
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
    /// What the frame is by its metadata and by what it shows.
    pub kind: FrameKind,
    /// Width by height as stored; `None` for a frame that could not be read or is no light.
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

impl FrameFinding {
    /// A frame that cannot be read, with the reason.
    #[must_use]
    pub fn unread(path: PathBuf, reason: String) -> Self {
        Self {
            path,
            kind: FrameKind::Light,
            size: None,
            orientation: Orientation::Normal,
            metadata: Metadata::default(),
            measures: None,
            field: None,
            verdict: Verdict::SetAside,
            reason,
        }
    }
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

/// As [`measure`], with all that was measured of the light frames, by which others can be judged beside them.
pub(super) fn measure_with_readings(
    monitor: &Monitor,
    request: &MeasureRequest,
    on_frame: impl FnMut(usize, FrameFinding) + Send,
) -> Result<(Vec<FrameFinding>, Vec<Reading>), Error> {
    let decoder = decoder(request.decoder_program.as_deref())?;
    let n_threads = rayon::current_num_threads();
    let Sorted { paths, given, first, calibration, .. } =
        sorting::sort(monitor, &decoder, &request.lights, &request.known, FrameScale::Full, n_threads)
            .map_err(|error| error.wanted_for(FramesFor::Measure))?;
    let (size, orientation) = (first.basis.size, first.basis.orientation);
    let land = request.foreground.as_deref().filter(|mask| mask.size() == size).map(ForegroundMask::pixels);
    let pass = FirstPass {
        decoder: &decoder,
        paths: &paths,
        masters: &Masters::default(),
        foreground: land.as_ref(),
        noise: None,
        n_at_once: lights::frames_at_once(size, request.memory_bytes, n_threads),
        unlit: Unlit::Tell,
        scale: FrameScale::Full,
    };
    let on_frame = Mutex::new(on_frame);
    let noises: Mutex<Vec<Option<NoiseModel>>> = Mutex::new(vec![None; paths.len()]);
    let fields: Mutex<Vec<Option<Box<FieldFacts>>>> = Mutex::new(vec![None; paths.len()]);
    let keep = |idx: usize, frame: &CalibratedFrame| {
        // Electrons are counted on the sensor's own samples only.
        if matches!(frame.layout, Layout::Mosaic(_)) {
            let noise = NoiseModel::from_single(frame);
            lock(&noises)[idx] = noise;
        }
        Ok(())
    };
    let found = |idx: usize, reading: &Reading, judgement: Judgement| {
        let field = lock(&fields)[idx].clone();
        finding(&paths[idx], (size, orientation), reading.as_ref().ok().zip(field), judgement)
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
        lock(&on_frame)(given[idx], finding);
    };
    let read = lights::read_all(monitor, &pass, first, &keep, &heard)?;
    let judgements = judge_readings(&read.readings);
    let judged = given.iter().zip(&read.readings).zip(judgements).enumerate();
    let mut findings: Vec<(usize, FrameFinding)> =
        judged.map(|(place, ((&idx, reading), judgement))| (idx, found(place, reading, judgement))).collect();
    for (idx, kind) in read.unlit {
        findings[idx].1.kind = kind;
    }
    findings.extend(calibration.into_iter().filter_map(|(kind, path)| {
        let idx = request.lights.iter().position(|given| *given == path)?;
        let why =
            if request.known.contains_key(&path) { "the name of its folder" } else { "exposure and what it shows" };
        let reason = sorting::calibrates(kind, why);
        let finding = finding(&path, (size, orientation), None, Judgement { verdict: Verdict::SetAside, reason });
        Some((idx, FrameFinding { kind, ..finding }))
    }));
    findings.sort_by_key(|(idx, _)| *idx);
    Ok((findings.into_iter().map(|(_, finding)| finding).collect(), read.readings))
}

/// The frame that a run of these would most likely bring the sky to; `None` where no stars are known.
#[must_use]
pub fn expected_reference<'a>(findings: impl IntoIterator<Item = &'a FrameFinding>) -> Option<&'a Path> {
    let with_stars: Vec<(&Path, ReferenceMeasure)> = findings
        .into_iter()
        .filter_map(|finding| {
            let MeasureSummary { stars, fwhm_px, elongation, .. } = finding.measures?;
            let capture_time_secs = mid_exposure(&finding.metadata);
            let measure = ReferenceMeasure { n_stars: stars, fwhm_px, elongation, capture_time_secs };
            fwhm_px.is_some().then_some((finding.path.as_path(), measure))
        })
        .collect();
    let measures: Vec<ReferenceMeasure> = with_stars.iter().map(|(_, measure)| *measure).collect();
    with_stars.get(choose_reference(&measures)).map(|(path, _)| *path)
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
        kind: FrameKind::Light,
        size: light.map(|_| size),
        orientation,
        metadata: light.map(|light| light.metadata.clone()).unwrap_or_default(),
        measures: light.map(|light| MeasureSummary::new(&light.measure)),
        field: measured.map(|(_, field)| field),
        verdict: judgement.verdict,
        reason: judgement.reason,
    }
}
