//! Files read and written beside the window: masks, pictures, pages, sheaves.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::error::Error;
use crate::gui::calibration::CalibrationKind;
use crate::gui::keep::{Opened, Snapshot, Sought};
use crate::job::{self, Monitor};
use crate::pipeline::{self, ExportSettings, ForegroundMask, LoadedMask, Outcome, Report, Request};
use crate::pixels::{Orientation, Size};
use crate::plan::Plan;
use crate::settings::{self, Leftover, Loaded, MaskSource, Sheaf, load_sheaf};

/// What reading or writing a file came to.
#[derive(Debug)]
pub enum Filed {
    /// A mask was read.
    MaskLoaded(LoadedMask),
    /// A mask was written.
    MaskSaved(PathBuf),
    /// What clipping left out was written.
    LeftOutSaved(PathBuf),
    /// Sky, land and mask were written to this folder.
    LayersSaved(PathBuf),
    /// The page of the report was written.
    ReportSaved(PathBuf),
    /// The page of a plan was written.
    PageSaved(PathBuf),
    /// The picture was written.
    Exported(PathBuf),
    /// Calibration frames were found.
    Calibration(CalibrationKind, Vec<PathBuf>),
    /// Frames for the landscape were found.
    Land(Vec<PathBuf>),
    /// A lens profile was written.
    LensSaved(PathBuf),
}

/// What became of a sheaf file.
#[derive(Debug)]
pub enum Kept {
    /// A sheaf was read.
    Opened(PathBuf, Box<Loaded>),
    /// The sheaf was written, with what it held then.
    Saved(PathBuf, Box<Snapshot>),
    /// What a crash left, if anything.
    Left(Option<Box<(Leftover, Loaded)>>),
    /// Frames that were moved were looked for.
    Sought(Box<Sought>),
}

/// Reads a sheaf; a mask that is a picture of its own is read along.
pub fn open_sheaf(monitor: &Monitor, path: PathBuf) -> Result<Kept, Error> {
    monitor.step("Opening the sheaf", 0, 1)?;
    let file = path.clone();
    let mut loaded = job::aside(monitor, move |_| load_sheaf(&file))??;
    if let (Some(MaskSource::File(file)), Some(first)) = (&loaded.sheaf.mask, loaded.sheaf.lights.first())
        && loaded.sheaf.missing().is_empty()
    {
        let picture = pipeline::open_picture(monitor, &first.path)?;
        let (file, size, orientation) = (file.clone(), picture.image.size(), picture.orientation);
        let mask = job::aside(monitor, move |_| pipeline::load_mask(&file, size, orientation))??;
        loaded.notes.extend(mask.warning);
        loaded.sheaf.mask = Some(MaskSource::Inside(Arc::new(mask.mask)));
    }
    Ok(Kept::Opened(path, Box::new(loaded)))
}

/// Looks in `folder` and below for the frames of a sheaf that are missing.
pub fn seek_frames(monitor: &Monitor, mut opened: Opened, folder: PathBuf) -> Result<Kept, Error> {
    monitor.step("Looking for frames", 0, 1)?;
    let still = opened.loaded.sheaf.relocate(&folder);
    Ok(Kept::Sought(Box::new(Sought { opened, folder, still })))
}

/// Writes a sheaf.
pub fn save_sheaf(monitor: &Monitor, path: PathBuf, sheaf: Sheaf, snapshot: Snapshot) -> Result<Kept, Error> {
    monitor.step("Saving the sheaf", 0, 1)?;
    let file = path.clone();
    job::aside(monitor, move |aside| settings::save_sheaf_watched(aside, &file, &sheaf))??;
    Ok(Kept::Saved(path, Box::new(snapshot)))
}

/// The newest work that a crash left in `folder`; what is older than its sheaf file or holds nothing is removed.
pub fn find_leftover(monitor: &Monitor, folder: &Path) -> Result<Kept, Error> {
    for leftover in settings::leftovers(folder) {
        monitor.check()?;
        // What a later version left is for that version.
        let file = leftover.path.clone();
        let Ok(loaded) = job::aside(monitor, move |_| load_sheaf(&file))? else { continue };
        let of = loaded.autosaved_from.as_ref();
        if !loaded.sheaf.lights.is_empty() && of.is_none_or(|file| leftover.is_newer_than(file)) {
            return Ok(Kept::Left(Some(Box::new((leftover, loaded)))));
        }
        settings::remove_leftover(&leftover);
    }
    Ok(Kept::Left(None))
}

/// Reads a mask for frames of this size.
pub fn load_mask(monitor: &Monitor, path: PathBuf, size: Size, orientation: Orientation) -> Result<Filed, Error> {
    monitor.step("Reading the mask", 0, 1)?;
    job::aside(monitor, move |_| pipeline::load_mask(&path, size, orientation))?.map(Filed::MaskLoaded)
}

/// Writes a mask.
pub fn save_mask(
    monitor: &Monitor,
    path: PathBuf,
    mask: Arc<ForegroundMask>,
    orientation: Orientation,
) -> Result<Filed, Error> {
    monitor.step("Writing the mask", 0, 1)?;
    let file = path.clone();
    job::aside(monitor, move |aside| pipeline::save_mask(aside, &file, &mask, orientation))??;
    Ok(Filed::MaskSaved(path))
}

/// Writes a plan as one page.
pub fn save_page(monitor: &Monitor, path: PathBuf, plan: &Plan) -> Result<Filed, Error> {
    monitor.step("Writing the plan", 0, 1)?;
    pipeline::save_plan_page(&path, plan)?;
    Ok(Filed::PageSaved(path))
}

/// Lists the calibration frames that `paths` stand for.
pub fn collect_calibration(monitor: &Monitor, kind: CalibrationKind, paths: Vec<PathBuf>) -> Result<Filed, Error> {
    monitor.step("Looking for frames", 0, 1)?;
    Ok(Filed::Calibration(kind, job::aside(monitor, move |_| pipeline::collect_frames(&paths))??))
}

/// Lists the frames for the landscape that `paths` stand for.
pub fn collect_land(monitor: &Monitor, paths: Vec<PathBuf>) -> Result<Filed, Error> {
    monitor.step("Looking for frames", 0, 1)?;
    Ok(Filed::Land(job::aside(monitor, move |_| pipeline::collect_frames(&paths))??))
}

/// Writes the lens as the stars measured it.
pub fn save_lens_profile(monitor: &Monitor, outcome: &Outcome, path: PathBuf) -> Result<Filed, Error> {
    monitor.step("Writing the lens profile", 0, 1)?;
    pipeline::save_lens_profile(outcome, &path)?;
    Ok(Filed::LensSaved(path))
}

/// Writes what clipping left out.
pub fn save_left_out(monitor: &Monitor, outcome: Arc<Outcome>, path: PathBuf) -> Result<Filed, Error> {
    monitor.step("Writing what was left out", 0, 1)?;
    let file = path.clone();
    job::aside(monitor, move |aside| pipeline::save_left_out_picture(aside, &outcome, &file))??;
    Ok(Filed::LeftOutSaved(path))
}

/// Stacks the sky alone and the land alone as `request` stacked both, and writes them with the mask.
pub fn save_layers(
    monitor: &Monitor,
    request: Request,
    folder: PathBuf,
    settings: ExportSettings,
) -> Result<Filed, Error> {
    let request = Request { keep_layers: true, keep_single: false, ..request };
    let outcome = Arc::new(pipeline::run(monitor, &request)?);
    write_layers(monitor, outcome, folder, settings)
}

/// Writes the layers of a run that kept them.
pub fn write_layers(
    monitor: &Monitor,
    outcome: Arc<Outcome>,
    folder: PathBuf,
    settings: ExportSettings,
) -> Result<Filed, Error> {
    let to = folder.clone();
    job::aside(monitor, move |aside| pipeline::save_layers(aside, &outcome, &to, &settings))??;
    Ok(Filed::LayersSaved(folder))
}

/// Writes the page of the report of a picture that is written so.
pub fn save_report_page(
    monitor: &Monitor,
    outcome: Arc<Outcome>,
    path: PathBuf,
    settings: ExportSettings,
) -> Result<Filed, Error> {
    monitor.step("Writing the report", 0, 1)?;
    let file = path.clone();
    job::aside(monitor, move |aside| {
        let report = Report { export: Some(settings), ..outcome.report.clone() };
        pipeline::save_report_page(aside, &outcome, &report, &file)
    })??;
    Ok(Filed::ReportSaved(path))
}

/// Writes the picture.
pub fn export(
    monitor: &Monitor,
    outcome: Arc<Outcome>,
    path: PathBuf,
    settings: ExportSettings,
) -> Result<Filed, Error> {
    monitor.step("Developing and writing", 0, 1)?;
    let (of, by) = (Arc::clone(&outcome), settings.clone());
    let development = job::aside(monitor, move |_| pipeline::development_to_write(&of, &by))?;
    pipeline::export_developed(monitor, &outcome, &path, &settings, development)?;
    Ok(Filed::Exported(path))
}

/// Copies unsaved work.
pub fn copy_work(monitor: &Monitor, path: PathBuf, sheaf: Sheaf, of: Option<PathBuf>) -> Result<(), Error> {
    job::aside(monitor, move |aside| settings::Autosave::write(aside, &path, &sheaf, of.as_deref()))?
}
