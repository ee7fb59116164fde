//! The long computations, each a closure for a lane: the window's only way into the pipeline.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::Sender;

use eframe::egui::{ColorImage, Context};

use crate::error::Error;
use crate::gui::pyramid::{Pyramid, Source};
use crate::gui::tone::Tone;
use crate::job::{Cancelled, Monitor};
use crate::pipeline::{
    self, DevelopSettings, ExportSettings, ForegroundMask, FrameFinding, LoadedMask, MeasureRequest, Outcome, Request,
};
use crate::pixels::{Orientation, Size};
use crate::plan::Plan;

/// What gathering and measuring tell while they go on.
#[derive(Debug)]
pub enum Heard {
    /// All light frames, in order.
    Gathered(Vec<PathBuf>),
    /// What was found about a frame.
    Found(Box<FrameFinding>),
    /// A frame came into the folder that is watched.
    Arrived(PathBuf),
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

/// Lists the frames that `paths` stand for and measures each; the last findings have the verdicts.
pub fn gather(
    monitor: &Monitor,
    ear: &Ear,
    paths: &[PathBuf],
    foreground: Option<Arc<ForegroundMask>>,
    memory_bytes: u64,
) -> Result<Vec<FrameFinding>, Error> {
    monitor.step("Looking for frames", 0, 1)?;
    let lights = pipeline::collect_frames(paths)?;
    ear.tell(Heard::Gathered(lights.clone()));
    let request = MeasureRequest { lights, foreground, memory_bytes, ..MeasureRequest::default() };
    pipeline::measure(monitor, &request, |_, finding| ear.tell(Heard::Found(Box::new(finding))))
}

/// Makes the invented burst in `folder` and then gathers it.
pub fn make_sample_frames(
    monitor: &Monitor,
    ear: &Ear,
    folder: &Path,
    memory_bytes: u64,
) -> Result<Vec<FrameFinding>, Error> {
    pipeline::write_sample_frames(monitor, folder)?;
    gather(monitor, ear, &[folder.to_owned()], None, memory_bytes)
}

/// Measures the frames of a folder as they come, until it is stopped.
pub fn watch(monitor: &Monitor, ear: &Ear, folder: &Path, memory_bytes: u64) -> Result<(), Error> {
    let request = MeasureRequest { memory_bytes, ..MeasureRequest::default() };
    Err(pipeline::watch(monitor, folder, &request, |finding| {
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
    Ok(ready(monitor, Source::Frame(Arc::new(picture)), None, settings)?)
}

fn ready(
    monitor: &Monitor,
    source: Source,
    foreground: Option<&ForegroundMask>,
    settings: &DevelopSettings,
) -> Result<Ready, Cancelled> {
    let pyramid = Arc::new(Pyramid::build(monitor, source)?);
    let tone = Arc::new(Tone::prepare(monitor, &pyramid, foreground, settings)?);
    let first = tone.tile(&pyramid, pyramid.coarsest());
    Ok(Ready { pyramid, tone, first })
}

/// A stack with all that the canvas needs.
#[derive(Debug)]
pub struct Stacked {
    /// What the run gave, for export.
    pub outcome: Arc<Outcome>,
    /// The landscape as the run had it.
    pub foreground: Option<Arc<ForegroundMask>>,
    /// The stack.
    pub stack: Ready,
    /// The reference frame alone.
    pub single: Option<Ready>,
}

/// Runs the whole pipeline and prepares its result for the canvas.
pub fn stack(monitor: &Monitor, request: &Request, settings: &DevelopSettings) -> Result<Stacked, Error> {
    let outcome = Arc::new(pipeline::run(monitor, request)?);
    monitor.step("Preparing the view", 0, 2)?;
    let stack = ready(monitor, Source::Stack(Arc::clone(&outcome)), outcome.foreground.as_deref(), settings)?;
    monitor.step("Preparing the view", 1, 2)?;
    let single = outcome.single.is_some().then(|| Pyramid::build(monitor, Source::Single(Arc::clone(&outcome))));
    let single = single.transpose()?.map(|pyramid| {
        let first = stack.tone.tile(&pyramid, pyramid.coarsest());
        Ready { pyramid: Arc::new(pyramid), tone: Arc::clone(&stack.tone), first }
    });
    let foreground = outcome.foreground.clone();
    Ok(Stacked { outcome, foreground, stack, single })
}

/// Developments of what the canvas can show.
#[derive(Debug)]
pub struct Developed {
    /// Of the frame.
    pub frame: Option<Arc<Tone>>,
    /// Of the stack and of the single frame beside it: the same, so that only the frames differ.
    pub stack: Option<Arc<Tone>>,
}

/// Develops anew what the canvas can show.
pub fn develop(
    monitor: &Monitor,
    frame: Option<&Pyramid>,
    stack: Option<(&Pyramid, &Outcome)>,
    settings: &DevelopSettings,
) -> Result<Developed, Cancelled> {
    let frame = frame.map(|pyramid| Tone::prepare(monitor, pyramid, None, settings)).transpose()?;
    let stack =
        stack.map(|(pyramid, outcome)| Tone::prepare(monitor, pyramid, outcome.foreground.as_deref(), settings));
    Ok(Developed { frame: frame.map(Arc::new), stack: stack.transpose()?.map(Arc::new) })
}

/// What reading or writing a file came to.
#[derive(Debug)]
pub enum Filed {
    /// A mask was read.
    MaskLoaded(LoadedMask),
    /// A mask was written.
    MaskSaved(PathBuf),
    /// The page of a plan was written.
    PageSaved(PathBuf),
    /// The picture was written.
    Exported(PathBuf),
}

/// Reads a mask for frames of this size.
pub fn load_mask(monitor: &Monitor, path: &Path, size: Size, orientation: Orientation) -> Result<Filed, Error> {
    monitor.step("Reading the mask", 0, 1)?;
    pipeline::load_mask(path, size, orientation).map(Filed::MaskLoaded)
}

/// Writes a mask.
pub fn save_mask(
    monitor: &Monitor,
    path: PathBuf,
    mask: &ForegroundMask,
    orientation: Orientation,
) -> Result<Filed, Error> {
    monitor.step("Writing the mask", 0, 1)?;
    pipeline::save_mask(&path, mask, orientation)?;
    Ok(Filed::MaskSaved(path))
}

/// Writes a plan as one page.
pub fn save_page(monitor: &Monitor, path: PathBuf, plan: &Plan) -> Result<Filed, Error> {
    monitor.step("Writing the plan", 0, 1)?;
    pipeline::save_plan_page(&path, plan)?;
    Ok(Filed::PageSaved(path))
}

/// Writes the picture.
pub fn export(monitor: &Monitor, outcome: &Outcome, path: PathBuf, settings: &ExportSettings) -> Result<Filed, Error> {
    monitor.step("Developing and writing", 0, 1)?;
    pipeline::export(monitor, outcome, &path, settings)?;
    Ok(Filed::Exported(path))
}
