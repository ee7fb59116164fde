//! The first pass: every light frame is decoded, calibrated, stored and measured once.
//!
//! A few frames are in work at a time, as many as the memory allows; each leaves its measures and its samples in the
//! scratch store, and is forgotten. Its suspect pixels go into one list of the burst.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;
use std::time::Instant;

use crate::calibrate::{DefectFinder, LineProfile, Masters, NoiseModel, Suspects, calibrate};
use crate::detect::{DetectSettings, FrameMeasure, measure_watched};
use crate::error::Error;
use crate::job::{Cancelled, Monitor};
use crate::pipeline::gather::FrameKind;
use crate::pipeline::sorting::{calibrates, kind_in_burst};
use crate::pixels::{CalibratedFrame, Layout, Mask, Orientation, Size};
use crate::raw::{CameraColor, DecodeError, Decoder, FrameScale, Metadata, RawFrame, TransferFunction};

/// What all frames of a burst share, taken from the first of them that could be decoded.
#[derive(Clone, Debug)]
pub(super) struct Basis {
    pub(super) path: PathBuf,
    pub(super) size: Size,
    pub(super) layout: Layout,
    pub(super) color: CameraColor,
    pub(super) orientation: Orientation,
    pub(super) camera: Option<String>,
    /// Data numbers from black to the white level, of frames whose numbers are in proportion to the light.
    pub(super) range_dn: Option<f32>,
}

impl Basis {
    pub(super) fn new(path: &Path, raw: &RawFrame) -> Self {
        Self {
            path: path.to_owned(),
            size: raw.size(),
            layout: raw.layout,
            color: raw.color,
            orientation: raw.orientation,
            camera: raw.metadata.model.clone(),
            range_dn: (raw.transfer == TransferFunction::Linear)
                .then(|| f32::from(raw.white_level) - raw.black_level.iter().sum::<f32>() / 4.0),
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
    /// Means along its rows and columns, where the noise is known.
    pub(super) lines: Option<LineProfile>,
    /// Seconds of its thread from the file to the scratch store, and for its stars.
    pub(super) thread_secs: [f64; 2],
}

/// A light frame, or why it is set aside.
pub(super) type Reading = Result<Light, String>;

/// The first frame of the burst, and the reasons of those that do not belong to it.
pub(super) struct FirstFrame {
    pub(super) idx: usize,
    pub(super) raw: RawFrame,
    pub(super) basis: Basis,
    /// For each light frame why it does not belong, where that is known.
    pub(super) refused: Vec<Option<String>>,
    /// Where the first frame shows a scene: a frame far darker than this is no light.
    pub(super) light_level: Option<f32>,
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
    /// What to do with a frame that shows no light.
    pub(super) unlit: Unlit,
    pub(super) scale: FrameScale,
}

/// What to do with a frame that shows no light.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Unlit {
    /// Say so and go on.
    Tell,
    /// End the pass: the masters will change.
    Stop,
}

/// What the first pass leaves.
pub(super) struct Readings {
    /// One for each light frame; empty where the pass was ended.
    pub(super) readings: Vec<Reading>,
    /// Frames that show no light, by their places.
    pub(super) unlit: Vec<(usize, FrameKind)>,
    /// What all frames show of defects, where they were looked for.
    pub(super) finder: DefectFinder,
}

/// Takes the suspects of the frames in the order in which the reading began, so that no chance of threads decides, and
/// holds those of a few frames only.
#[derive(Default)]
struct InTurn {
    finder: DefectFinder,
    next: usize,
    waiting: BTreeMap<usize, Option<Suspects>>,
}

impl InTurn {
    fn take(&mut self, turn: usize, suspects: Option<Suspects>) {
        self.waiting.insert(turn, suspects);
        while let Some(suspects) = self.waiting.remove(&self.next) {
            suspects.iter().for_each(|suspects| self.finder.add(suspects));
            self.next += 1;
        }
    }
}

/// Reads all frames; `keep` stores one calibrated frame and may be called from several threads.
pub(super) fn read_all(
    monitor: &Monitor,
    pass: &FirstPass<'_>,
    first: FirstFrame,
    keep: &(dyn Fn(usize, &CalibratedFrame) -> Result<(), Error> + Sync),
    on_frame: &(dyn Fn(usize, &Reading) + Sync),
) -> Result<Readings, Error> {
    let FirstFrame { idx: first_idx, raw, basis, refused, light_level } = first;
    let total = pass.paths.len();
    let waiting = Mutex::new(Some(raw));
    let order = reading_order(&refused, first_idx);
    let slots: Vec<Mutex<Option<Reading>>> = refused.into_iter().map(|reason| Mutex::new(reason.map(Err))).collect();
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(total - order.len()));
    let unlit = Mutex::new(Vec::new());
    let in_turn = Mutex::new(InTurn::default());
    let work = || -> Result<(), Error> {
        loop {
            let turn = next.fetch_add(1, Ordering::Relaxed);
            let Some(&idx) = order.get(turn) else { return Ok(()) };
            if pass.unlit == Unlit::Stop && !lock(&unlit).is_empty() {
                return Ok(());
            }
            monitor.step("Reading frames", done.load(Ordering::Relaxed), total)?;
            let begun = Instant::now();
            let decoded = match if idx == first_idx { take(&waiting) } else { None } {
                Some(raw) => Ok(raw),
                None => decode(monitor, pass.decoder, &pass.paths[idx], pass.scale)?,
            };
            let kind = |raw: &RawFrame| light_level.map_or(FrameKind::Light, |level| kind_in_burst(raw, level));
            let mut suspects = None;
            let reading = match decoded {
                Ok(raw) => match (basis.misfit(&raw), kind(&raw)) {
                    (Some(reason), _) => Err(reason),
                    (None, FrameKind::Light) => {
                        let (light, found) = read_one(monitor, pass, &raw, begun, &|frame| keep(idx, frame))?;
                        suspects = found;
                        Ok(light)
                    }
                    (None, kind) => {
                        lock(&unlit).push((idx, kind));
                        Err(calibrates(kind, "what it shows"))
                    }
                },
                Err(reason) => Err(reason),
            };
            lock(&in_turn).take(turn, suspects);
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
    let mut unlit = unlit.into_inner().unwrap_or_else(PoisonError::into_inner);
    unlit.sort_unstable();
    if pass.unlit == Unlit::Stop && !unlit.is_empty() {
        return Ok(Readings { readings: Vec::new(), unlit, finder: DefectFinder::default() });
    }
    let missing = "every frame was read or refused";
    let reading = |slot: Mutex<Option<Reading>>| slot.into_inner().unwrap_or_else(PoisonError::into_inner);
    let finder = in_turn.into_inner().unwrap_or_else(PoisonError::into_inner).finder;
    Ok(Readings { readings: slots.into_iter().map(|slot| reading(slot).expect(missing)).collect(), unlit, finder })
}

/// The first frame, then the last, behind which darks are likely to have been taken; then the others.
fn reading_order(refused: &[Option<String>], first_idx: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..refused.len()).filter(|&idx| refused[idx].is_none() && idx != first_idx).collect();
    let last = order.pop();
    order.splice(0..0, [Some(first_idx), last].into_iter().flatten());
    order
}

fn read_one(
    monitor: &Monitor,
    pass: &FirstPass<'_>,
    raw: &RawFrame,
    begun: Instant,
    keep: &dyn Fn(&CalibratedFrame) -> Result<(), Error>,
) -> Result<(Light, Option<Suspects>), Error> {
    let metadata = raw.metadata.clone();
    let frame = calibrate(raw, pass.masters);
    monitor.check()?;
    let suspects = pass.noise.as_ref().map(|noise| DefectFinder::suspects(&frame, noise));
    monitor.check()?;
    keep(&frame)?;
    let kept = Instant::now();
    let measure = measure_watched(monitor, &frame, pass.foreground, &DetectSettings::default())?;
    let sky = |channel: usize, y: usize, first_x: usize, row: &mut [f32]| {
        measure.background.level[channel].fill_row(y as f64, first_x as f64, 2.0, row);
    };
    let lines =
        pass.noise.as_ref().and_then(|noise| LineProfile::of(&frame, noise, &sky)).map(|lines| lines.with_margins(raw));
    let thread_secs = [kept.duration_since(begun), kept.elapsed()].map(|spent| spent.as_secs_f64());
    Ok((Light { metadata, measure, lines, thread_secs }, suspects))
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
