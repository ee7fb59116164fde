//! The long computations, each a closure for a lane: the window's only way into the pipeline.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Sender;

use eframe::egui::{ColorImage, Context};

use crate::error::{Error, WithSources};
use crate::gui::pyramid::{Pyramid, Source};
use crate::gui::tone::{Aspect, Tone};
use crate::job::{self, Cancelled, Monitor};
use crate::pipeline::{
    self, DevelopSettings, ForegroundMask, FrameFinding, FrameKind, FrameScale, MaskChoice, MeasureRequest, Outcome,
    Preview, Request,
};

mod files;

pub use files::{
    Filed, Kept, collect_calibration, collect_land, copy_work, export, find_leftover, load_mask, open_sheaf,
    save_layers, save_left_out, save_lens_profile, save_mask, save_page, save_report_page, save_sheaf, seek_frames,
    write_layers,
};

/// What gathering and measuring tell while they go on.
#[derive(Debug)]
pub enum Heard {
    /// All light frames, in order.
    Gathered(Vec<PathBuf>),
    /// What was found about a frame.
    Found(Box<FrameFinding>),
    /// A frame came into the folder that is watched.
    Arrived(PathBuf),
    /// Nothing can be had from a path that was given.
    Unusable {
        /// The path.
        path: PathBuf,
        /// What is wrong with it and what to do.
        text: String,
        /// Whether frames from there are in the list already.
        has_frames: bool,
    },
}

/// Where to tell what was heard; wakes the window each time.
pub struct Ear {
    sender: Sender<Heard>,
    context: Context,
}

impl Ear {
    /// Tells through `sender`.
    #[must_use]
    pub fn new(sender: Sender<Heard>, context: Context) -> Self {
        Self { sender, context }
    }

    fn tell(&self, heard: Heard) {
        // Nobody listens any more when the night was put away.
        let _ = self.sender.send(heard);
        self.context.request_repaint();
    }
}

/// Frames to be listed and measured.
#[derive(Clone, Debug, Default)]
pub struct Gathering {
    /// What was given: files and folders.
    pub paths: Vec<PathBuf>,
    /// Frames that are in the list already.
    pub listed: Vec<PathBuf>,
    /// What the person says that some frames are.
    pub known: Vec<(FrameKind, PathBuf)>,
    /// What is landscape, where the person said so.
    pub foreground: Option<Arc<ForegroundMask>>,
    /// Most memory to take.
    pub memory_bytes: u64,
}

/// Lists the frames that paths stand for and measures each; the last findings have the verdicts.
///
/// A path that cannot be used is told and left out; frames of it that are listed already stay in the list.
pub fn gather(monitor: &Monitor, ear: &Ear, gathering: Gathering) -> Result<Vec<FrameFinding>, Error> {
    monitor.step("Looking for frames", 0, 1)?;
    let Gathering { paths, listed, known: said, foreground, memory_bytes } = gathering;
    let (gathered, unusable) = job::aside(monitor, move |_| pipeline::gather_each(&paths))?;
    let mut lost = Vec::new();
    for (path, error) in unusable {
        let n_lost = lost.len();
        lost.extend(listed.iter().filter(|frame| frame.starts_with(&path)).cloned());
        let has_frames = lost.len() > n_lost;
        ear.tell(Heard::Unusable { path, text: WithSources(&error).to_string(), has_frames });
    }
    if gathered.lights.is_empty() {
        return Ok(Vec::new());
    }
    let mut known: BTreeMap<PathBuf, FrameKind> =
        gathered.calibration.iter().map(|(kind, path)| (path.clone(), *kind)).collect();
    // Calibration frames are listed with the others: what they are is their reason to be set aside.
    let calibration = gathered.calibration.into_iter().map(|(_, path)| path);
    let mut lights: Vec<PathBuf> = gathered.lights.into_iter().chain(calibration).collect();
    lost.retain(|frame| !lights.contains(frame));
    lights.extend(lost);
    // What the person says goes before what a name or the frame itself says. Frames that are not in this list are
    // counted elsewhere, and no figure of the others depends on them.
    let mut by_person = Vec::new();
    for (kind, path) in said {
        by_person.extend(lights.iter().find(|light| is_same_file(light, &path)).map(|light| (light.clone(), kind)));
    }
    known.extend(by_person.iter().cloned());
    if lights.iter().all(|light| known.contains_key(light)) {
        // The names of folders and a wrong choice cannot leave a night without lights.
        known.clear();
    }
    ear.tell(Heard::Gathered(lights.clone()));
    let request = MeasureRequest { lights, known, foreground, memory_bytes, ..MeasureRequest::default() };
    let mut findings = pipeline::measure(monitor, &request, |_, finding| ear.tell(Heard::Found(Box::new(finding))));
    for finding in findings.iter_mut().flatten() {
        if by_person.iter().any(|(path, kind)| *path == finding.path && *kind == finding.kind) {
            finding.reason =
                format!("is a {} frame by your choice: it calibrates and is not stacked", finding.kind.word());
        }
    }
    if let Err(Error::TooFewFrames { set_aside, .. }) = &findings {
        // Not one can be read: each frame has its reason all the same.
        for (path, reason) in set_aside {
            ear.tell(Heard::Found(Box::new(FrameFinding::unread(path.clone(), reason.clone()))));
        }
    }
    findings
}

/// Whether two paths lead to one file.
pub(super) fn is_same_file(a: &Path, b: &Path) -> bool {
    let whole = |path: &Path| std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    a == b || (a.file_name() == b.file_name() && whole(a) == whole(b))
}

/// Makes the invented burst in `folder` and then gathers it.
pub fn make_sample_frames(
    monitor: &Monitor,
    ear: &Ear,
    folder: &Path,
    memory_bytes: u64,
) -> Result<Vec<FrameFinding>, Error> {
    let mut written = Vec::new();
    pipeline::write_sample_frames(monitor, folder, |path| {
        // The first frame can be looked at while the others are made.
        written.push(path.to_owned());
        ear.tell(Heard::Gathered(written.clone()));
    })?;
    gather(monitor, ear, Gathering { paths: vec![folder.to_owned()], memory_bytes, ..Gathering::default() })
}

/// Measures the frames of a folder as they come, until it is stopped; none while `held` says that other work needs the
/// machine.
pub fn watch(monitor: &Monitor, ear: &Ear, folder: &Path, memory_bytes: u64, held: &AtomicBool) -> Result<(), Error> {
    let request = MeasureRequest { memory_bytes, ..MeasureRequest::default() };
    let held = || held.load(Ordering::Relaxed);
    Err(pipeline::watch_between(monitor, folder, &request, held, |finding| {
        ear.tell(Heard::Arrived(finding.path.clone()));
        ear.tell(Heard::Found(Box::new(finding)));
    }))
}

/// A picture ready for the canvas.
#[derive(Debug)]
pub struct Ready {
    /// The picture.
    pub pyramid: Arc<Pyramid>,
    /// Its first development.
    pub tone: Arc<Tone>,
    /// The whole picture on one tile, so that something is seen at once.
    pub first: Option<ColorImage>,
}

/// Decodes a frame for the canvas.
pub fn open_frame(monitor: &Monitor, path: &Path, settings: &DevelopSettings) -> Result<Ready, Error> {
    monitor.step("Opening the frame", 0, 3)?;
    let picture = pipeline::open_picture(monitor, path)?;
    monitor.step("Opening the frame", 1, 3)?;
    let pyramid = Pyramid::build(monitor, Source::Frame(Arc::new(picture)))?;
    Ok(ready(monitor, pyramid, None, settings, Aspect::Picture)?)
}

fn ready(
    monitor: &Monitor,
    pyramid: Pyramid,
    foreground: Option<&ForegroundMask>,
    settings: &DevelopSettings,
    aspect: Aspect,
) -> Result<Ready, Cancelled> {
    let pyramid = Arc::new(pyramid);
    let tone = Arc::new(Tone::prepare(monitor, &pyramid, foreground, settings, aspect)?);
    let first = tone.tile(&pyramid, pyramid.coarsest());
    Ok(Ready { pyramid, tone, first })
}

/// A stack with all that the canvas needs.
#[derive(Debug)]
pub struct Stacked {
    /// What the run gave, for export.
    pub outcome: Arc<Outcome>,
    /// What asked for it: the same again gives the same.
    pub request: Request,
    /// The landscape as the run had it.
    pub foreground: Option<Arc<ForegroundMask>>,
    /// The stack.
    pub stack: Ready,
    /// The reference frame alone.
    pub single: Option<Ready>,
}

/// Runs the whole pipeline and prepares its result for the canvas.
pub fn stack(
    monitor: &Monitor,
    request: &Request,
    settings: &DevelopSettings,
    aspect: Aspect,
) -> Result<Stacked, Error> {
    // Steps of a large frame take longer than a person waits who wants to stop; nothing of a run outlives it.
    let asked = request.clone();
    let outcome = Arc::new(job::aside(monitor, move |aside| pipeline::run(aside, &asked))??);
    monitor.step("Preparing the view", 0, 2)?;
    let pyramid = Pyramid::build(monitor, Source::Stack(Arc::clone(&outcome)))?;
    let stack = ready(monitor, pyramid, outcome.foreground.as_deref(), settings, aspect)?;
    monitor.step("Preparing the view", 1, 2)?;
    let single = outcome.single.is_some().then(|| Pyramid::build(monitor, Source::Single(Arc::clone(&outcome))));
    let single = single.transpose()?.map(|pyramid| {
        let first = stack.tone.tile(&pyramid, pyramid.coarsest());
        Ready { pyramid: Arc::new(pyramid), tone: Arc::clone(&stack.tone), first }
    });
    let foreground = outcome.foreground.clone();
    let mut request = request.clone();
    if let (MaskChoice::Given(mask), Some(foreground)) = (&mut request.mask, &foreground) {
        // The same landscape, of which the screen has no copy to paint on.
        mask.clone_from(foreground);
    }
    Ok(Stacked { outcome, request, foreground, stack, single })
}

/// A preview with all that the canvas needs.
#[derive(Debug)]
pub struct Previewed {
    /// What came of the few frames.
    pub outcome: Arc<Outcome>,
    /// How large they were read.
    pub scale: FrameScale,
    /// Their stack.
    pub stack: Ready,
    /// Their reference frame alone.
    pub single: Option<Ready>,
}

/// Makes a preview and prepares it for the canvas.
pub fn preview(
    monitor: &Monitor,
    request: &Request,
    settings: &DevelopSettings,
    aspect: Aspect,
) -> Result<Previewed, Error> {
    let Preview { outcome, scale, size } = pipeline::preview(monitor, request)?;
    let outcome = Arc::new(outcome);
    let halvings = scale.factor().ilog2() as usize;
    let build = |source: Source| Pyramid::build_from(monitor, source, size, halvings);
    let stack = build(Source::Stack(Arc::clone(&outcome)))?;
    let stack = ready(monitor, stack, outcome.foreground.as_deref(), settings, aspect)?;
    let single = outcome.single.is_some().then(|| build(Source::Single(Arc::clone(&outcome)))).transpose()?;
    let single = single.map(|pyramid| {
        let first = stack.tone.tile(&pyramid, pyramid.coarsest());
        Ready { pyramid: Arc::new(pyramid), tone: Arc::clone(&stack.tone), first }
    });
    Ok(Previewed { outcome, scale, stack, single })
}

/// Developments of what the canvas can show.
#[derive(Debug)]
pub struct Developed {
    /// Of the frame.
    pub frame: Option<Arc<Tone>>,
    /// Of the stack and of the single frame beside it: the same, so that only the frames differ.
    pub stack: Option<Arc<Tone>>,
    /// Of the preview and of the single frame beside it.
    pub preview: Option<Arc<Tone>>,
}

/// Develops anew what the canvas can show.
pub fn develop(
    monitor: &Monitor,
    frame: Option<&Pyramid>,
    stack: Option<(&Pyramid, &Outcome)>,
    preview: Option<(&Pyramid, &Outcome)>,
    settings: &DevelopSettings,
    aspect: Aspect,
) -> Result<Developed, Cancelled> {
    let frame = frame.map(|pyramid| Tone::prepare(monitor, pyramid, None, settings, Aspect::Picture)).transpose()?;
    let of = |made: Option<(&Pyramid, &Outcome)>| -> Result<Option<Arc<Tone>>, Cancelled> {
        let Some((pyramid, outcome)) = made else { return Ok(None) };
        let foreground = outcome.foreground.as_deref();
        Ok(Some(Arc::new(Tone::prepare(monitor, pyramid, foreground, settings, aspect)?)))
    };
    Ok(Developed { frame: frame.map(Arc::new), stack: of(stack)?, preview: of(preview)? })
}

/// Threads of their own for some work, with names that tell how many there are.
fn rayon_pool(threads: u16) -> Result<rayon::ThreadPool, rayon::ThreadPoolBuildError> {
    let builder = rayon::ThreadPoolBuilder::new().num_threads(usize::from(threads));
    builder.thread_name(move |idx| format!("work {} of {threads}", idx + 1)).build()
}

/// Does work on so many threads; on all cores where no number is given.
pub fn with_threads<T: Send>(threads: Option<u16>, work: impl FnOnce() -> T + Send) -> T {
    let pool = threads.map(rayon_pool);
    match pool {
        Some(Ok(pool)) => {
            // All of them have begun before the first piece is shared out: short work would be over before the last.
            pool.broadcast(|_| ());
            pool.install(work)
        }
        // Where the system gives no threads of its own for it, those that are there do the work.
        Some(Err(_)) | None => work(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn work_is_done_on_as_many_threads_as_were_chosen() {
        for threads in [1, 3] {
            let (n, name) = with_threads(Some(threads), || {
                (rayon::current_num_threads(), std::thread::current().name().map(str::to_owned))
            });
            assert_eq!(n, usize::from(threads), "as many as chosen");
            assert!(name.is_some_and(|name| name.ends_with(&format!("of {threads}"))), "on one of them");
        }
        let usual = rayon::current_num_threads();
        assert_eq!(with_threads(None, rayon::current_num_threads), usual, "all cores where nothing is chosen");
    }
}
