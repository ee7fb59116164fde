//! The first pass: every light frame is decoded, calibrated, stored and measured once.
//!
//! A few frames are in work at a time, as many as the memory allows; each leaves its measures, its
//! suspect pixels and its samples in the scratch store, and is forgotten.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;
use std::time::Instant;

use crate::calibrate::{DefectFinder, Masters, NoiseModel, Suspects, calibrate};
use crate::detect::{DetectSettings, FrameMeasure, measure_frame};
use crate::error::Error;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{CalibratedFrame, Layout, Mask, Orientation, Size};
use crate::raw::{CameraColor, DecodeError, Decoder, FrameScale, Metadata, RawFrame};

/// What all frames of a burst share, taken from the first one that could be decoded.
#[derive(Clone, Debug)]
pub(super) struct Basis {
    pub(super) path: PathBuf,
    pub(super) size: Size,
    pub(super) layout: Layout,
    pub(super) color: CameraColor,
    pub(super) orientation: Orientation,
    pub(super) camera: Option<String>,
}

impl Basis {
    fn new(path: &Path, raw: &RawFrame) -> Self {
        Self {
            path: path.to_owned(),
            size: raw.size(),
            layout: raw.layout,
            color: raw.color,
            orientation: raw.orientation,
            camera: raw.metadata.model.clone(),
        }
    }

    /// Why a frame does not belong to the burst; `None` when it does.
    pub(super) fn misfit(&self, raw: &RawFrame) -> Option<String> {
        let first = self.path.file_name().unwrap_or_default().to_string_lossy();
        if raw.size() != self.size {
            return Some(format!("is {}, {first} is {}: stack frames of one size", raw.size(), self.size));
        }
        if raw.layout != self.layout {
            return Some(format!("has another arrangement of colors than {first}: stack frames of one camera"));
        }
        if raw.metadata.model != self.camera {
            let name = |model: &Option<String>| model.clone().unwrap_or_else(|| "an unnamed camera".to_owned());
            let (found, needed) = (name(&raw.metadata.model), name(&self.camera));
            return Some(format!("is from {found}, {first} from {needed}: stack frames of one camera"));
        }
        None
    }
}

/// What remains of a light frame after the first pass.
#[derive(Debug)]
pub(super) struct Light {
    pub(super) metadata: Metadata,
    pub(super) measure: FrameMeasure,
    /// Pixels that may be defects, where they were looked for.
    pub(super) suspects: Option<Suspects>,
    /// Seconds of its thread from the file to the scratch store, and for its stars.
    pub(super) thread_secs: [f64; 2],
}

/// A light frame, or why it is set aside.
pub(super) type Reading = Result<Light, String>;

/// The first light frame that can be decoded, and the reasons of those before it.
pub(super) struct FirstFrame {
    pub(super) idx: usize,
    pub(super) raw: RawFrame,
    pub(super) basis: Basis,
    pub(super) refused: Vec<String>,
}

/// Decodes frames from the start until one succeeds; `Err` names all of them when none does.
pub(super) fn first_frame(
    monitor: &Monitor,
    decoder: &Decoder,
    paths: &[PathBuf],
    scale: FrameScale,
) -> Result<FirstFrame, Error> {
    let mut refused = Vec::new();
    for (idx, path) in paths.iter().enumerate() {
        monitor.step("Opening the first frame", idx, paths.len())?;
        match decode(monitor, decoder, path, scale)? {
            Ok(raw) => {
                let basis = Basis::new(path, &raw);
                return Ok(FirstFrame { idx, raw, basis, refused });
            }
            Err(reason) => refused.push(reason),
        }
    }
    let set_aside = paths.iter().cloned().zip(refused).collect();
    Err(Error::TooFewFrames { usable: 0, given: paths.len(), needed: super::MIN_FRAMES, set_aside })
}

/// What the first pass works with.
pub(super) struct FirstPass<'a> {
    pub(super) decoder: &'a Decoder,
    pub(super) paths: &'a [PathBuf],
    pub(super) masters: &'a Masters,
    pub(super) foreground: Option<&'a Mask>,
    /// Defects are looked for where the noise is known.
    pub(super) noise: Option<NoiseModel>,
    pub(super) n_at_once: usize,
    pub(super) scale: FrameScale,
}

/// Reads all frames; `keep` stores one calibrated frame and may be called from several threads.
pub(super) fn read_all(
    monitor: &Monitor,
    pass: &FirstPass<'_>,
    first: FirstFrame,
    keep: &(dyn Fn(usize, &CalibratedFrame) -> Result<(), Error> + Sync),
    on_frame: &(dyn Fn(usize, &Reading) + Sync),
) -> Result<Vec<Reading>, Error> {
    let FirstFrame { idx: first_idx, raw, basis, refused } = first;
    let total = pass.paths.len();
    let waiting = Mutex::new(Some(raw));
    let slots: Vec<Mutex<Option<Reading>>> =
        (0..total).map(|idx| Mutex::new(refused.get(idx).cloned().map(Err))).collect();
    let next = AtomicUsize::new(first_idx);
    let done = AtomicUsize::new(first_idx);
    let work = || -> Result<(), Error> {
        loop {
            let idx = next.fetch_add(1, Ordering::Relaxed);
            if idx >= total {
                return Ok(());
            }
            monitor.step("Reading frames", done.load(Ordering::Relaxed), total)?;
            let begun = Instant::now();
            let decoded = match if idx == first_idx { take(&waiting) } else { None } {
                Some(raw) => Ok(raw),
                None => decode(monitor, pass.decoder, &pass.paths[idx], pass.scale)?,
            };
            let reading = match decoded {
                Ok(raw) => read_one(pass, &basis, &raw, begun, &|frame| keep(idx, frame))?,
                Err(reason) => Err(reason),
            };
            on_frame(idx, &reading);
            *lock(&slots[idx]) = Some(reading);
            done.fetch_add(1, Ordering::Relaxed);
        }
    };
    thread::scope(|scope| {
        let workers: Vec<_> = (0..pass.n_at_once.max(1)).map(|_| scope.spawn(work)).collect();
        workers.into_iter().try_for_each(|worker| match worker.join() {
            Ok(result) => result,
            Err(panic) => std::panic::resume_unwind(panic),
        })
    })?;
    let missing = "every frame was read or refused";
    Ok(slots
        .into_iter()
        .map(|slot| slot.into_inner().unwrap_or_else(PoisonError::into_inner).expect(missing))
        .collect())
}

fn read_one(
    pass: &FirstPass<'_>,
    basis: &Basis,
    raw: &RawFrame,
    begun: Instant,
    keep: &dyn Fn(&CalibratedFrame) -> Result<(), Error>,
) -> Result<Reading, Error> {
    if let Some(reason) = basis.misfit(raw) {
        return Ok(Err(reason));
    }
    let metadata = raw.metadata.clone();
    let frame = calibrate(raw, pass.masters);
    let suspects = pass.noise.as_ref().map(|noise| DefectFinder::suspects(&frame, noise));
    keep(&frame)?;
    let kept = Instant::now();
    let measure = measure_frame(&frame, pass.foreground, &DetectSettings::default());
    let thread_secs = [kept.duration_since(begun), kept.elapsed()].map(|spent| spent.as_secs_f64());
    Ok(Ok(Light { metadata, measure, suspects, thread_secs }))
}

/// `Ok(Err(reason))` for a frame that cannot be decoded: it is set aside and the run goes on.
pub(super) fn decode(
    monitor: &Monitor,
    decoder: &Decoder,
    path: &Path,
    scale: FrameScale,
) -> Result<Result<RawFrame, String>, Error> {
    match decoder.decode(path, &monitor.cancel_token()) {
        Ok(raw) => Ok(Ok(raw.at_scale(scale))),
        Err(DecodeError::Cancelled) => Err(Cancelled.into()),
        Err(error) => Ok(Err(crate::error::WithSources(&error).to_string())),
    }
}

/// How many frames may be in work at once within a memory budget.
pub(super) fn frames_at_once(size: Size, memory_bytes: u64, n_threads: usize) -> usize {
    let per_frame = BYTES_PER_PIXEL_IN_WORK * size.area() as u64;
    let fitting = usize::try_from(memory_bytes / per_frame.max(1)).unwrap_or(usize::MAX);
    fitting.clamp(1, n_threads.max(1))
}

/// A frame in the first pass: 2 bytes of file and 4 of samples in the child, 2 received, 4 calibrated,
/// and up to 8 for its measures.
const BYTES_PER_PIXEL_IN_WORK: u64 = 20;

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn take<T>(waiting: &Mutex<Option<T>>) -> Option<T> {
    lock(waiting).take()
}
