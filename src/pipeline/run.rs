//! One run from files to a stack.

use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use crate::demosaic::demosaic;
use crate::develop::Hold;
use crate::error::Error;
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::burst;
use crate::pipeline::clock::{StageClock, peak_memory_bytes};
use crate::pipeline::frame_reports::frame_reports;
use crate::pipeline::land::{self, Found, LandStacks, Standing};
use crate::pipeline::land_frames;
use crate::pipeline::layers::{self, Layers};
use crate::pipeline::left_out_picture::left_out_shares;
use crate::pipeline::lens_profile::lens_profile_note;
use crate::pipeline::lights::{Basis, Light};
use crate::pipeline::picture::Picture;
use crate::pipeline::reading::{ReadBurst, read_burst};
use crate::pipeline::report::{LensReport, Report};
use crate::pipeline::report_settings::RunSettings;
use crate::pipeline::request::Request;
use crate::pipeline::residuals::FrameResiduals;
use crate::pipeline::rows::RepairedRows;
use crate::pipeline::{noise, residuals, sky_colors, star_trails, vignetting};
use crate::pixels::Plane;
use crate::raw::{Decoder, Metadata};
use crate::register::LensFit;
use crate::settings::Combine;
use crate::stack::{StackFrame, StackRequest, Trails, find_trails, stack};

/// What a run hands back.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The stack.
    pub picture: Picture,
    /// The reference frame alone, where the request asked for it.
    pub single: Option<Picture>,
    /// The sky alone and the land alone, where the request asked for them.
    pub layers: Option<Layers>,
    /// What clipping left out: the root of the share of the frames, 255 for all of them; `None` where nothing is
    /// clipped.
    pub left_out: Option<Plane<u8>>,
    /// The landscape that was kept still; `None` for sky only.
    pub foreground: Option<Arc<ForegroundMask>>,
    /// How it was found, where it was not given.
    pub found: Option<Found>,
    /// What was done.
    pub report: Report,
    /// What is left between each frame's stars and the reference frame's, frame by frame.
    pub residuals: Vec<FrameResiduals>,
    /// The lens of the burst, where a camera explains it.
    pub lens: Option<LensFit>,
    /// Of the first frame that was used.
    pub metadata: Metadata,
    /// Frames in the picture.
    pub n_frames: usize,
    /// Sum of the shutter times of the frames used, where all files tell.
    pub total_exposure_secs: Option<f64>,
    /// Shutter time of each frame used; empty where a file does not tell.
    pub exposures_secs: Vec<f64>,
}

/// From files to a stack.
pub fn run(monitor: &Monitor, request: &Request) -> Result<Outcome, Error> {
    let mut clock = StageClock::start();
    let mut report = Report::default();
    let mut read = read_burst(monitor, request, &mut clock, &mut report)?;
    let mut aligned = burst::align(monitor, request, &read)?;
    clock.lap(&mut report, "aligning");

    let Standing { foreground, found, tripod } =
        land::find(monitor, request, &mut read, &mut aligned, &mut clock, &mut report)?;
    report.lens = aligned
        .lens
        .as_ref()
        .map(|lens| LensReport::new(lens, &aligned.optics, request.lens_profile.clone(), &aligned.notes));
    report.notes.extend(lens_profile_note(&aligned, request));
    report.notes.extend(aligned.notes.iter().cloned());
    report.reference = file_name(&read.paths[aligned.reference]);
    let rows = read.rows();
    let ReadBurst { paths, basis, readings, peak_memory_bytes: peak_while_reading, .. } = &read;

    let fwhm_px = readings[aligned.reference].as_ref().ok().and_then(|light| light.measure.fwhm_px);
    let noise_model = burst::noise_model(&rows, &aligned, fwhm_px)?;
    let sky = burst::sky_frames(&aligned, readings, noise_model.as_ref(), &tripod, basis.size);
    let land = match foreground.as_deref() {
        Some(mask) => land::stacks(monitor, request, &read, &aligned, mask, noise_model, &tripod)?,
        None => LandStacks::default(),
    };
    report.land = land_frames::reports(&request.land, &read.land, &land.first);
    report.notes.extend(land.notes);
    let mut stack_request = StackRequest {
        sky,
        land: land.first,
        land_reserve: land.reserve,
        foreground: foreground.as_deref(),
        combine: request.combine_rule(),
        noise: noise_model,
        memory_bytes: request.memory_bytes,
        ..StackRequest::default()
    };
    let trails;
    match request.combine {
        Combine::ClippedMean => {
            trails = find_trails(monitor, &rows, &stack_request)?;
            stack_request.trails = Some(&trails);
            report.notes.extend(crossed_note(&trails, paths));
            clock.lap(&mut report, "looking for trails");
            let notes = &mut report.notes;
            stack_request.colors = sky_colors::choose(request.colors, &stack_request, &rows, fwhm_px, notes);
        }
        Combine::Maximum => {
            star_trails::prepare(monitor, &aligned, readings, &mut stack_request, basis.size, &mut report.notes)?;
        }
        Combine::Mean | Combine::Median => {}
    }
    let stacked = stack(monitor, &rows, &stack_request)?;
    clock.lap(&mut report, "stacking");
    let layers = if request.keep_layers { Some(layers::stack_layers(monitor, &rows, &stack_request)?) } else { None };
    if request.keep_layers {
        clock.lap(&mut report, "layers");
    }

    report.settings = RunSettings::new(request);
    report.frames = frame_reports(paths, readings, &aligned, &stack_request, basis.size);
    if matches!(request.combine, Combine::ClippedMean | Combine::Mean) {
        let own = |frame: &StackFrame| noise::own_variance(noise_model.as_ref(), readings, frame);
        report.noise = noise::measure(monitor, &rows, &stacked, &stack_request, &own, aligned.reference)?;
    }
    report.noise_model = noise::predicted(&stack_request, readings, aligned.reference, basis);
    let metadata = readings[aligned.reference].as_ref().map(|light| light.metadata.clone()).unwrap_or_default();
    let known = vignetting::Known {
        of_flat: read.falloff_of_flat,
        profile: read.profile.as_ref(),
        metadata: &metadata,
        layout: basis.layout,
        hold: aligned
            .optics
            .focal_px
            .map(|focal_px| Hold { focal_widths: focal_px / basis.size.width as f64, orientation: basis.orientation }),
    };
    let (falloff, vignetting) = vignetting::find(&known, &stacked.image, foreground.as_deref());
    report.vignetting = vignetting;
    let single = match request.keep_single {
        true => Some(Picture { falloff, ..single_frame(&rows, aligned.reference, basis)? }),
        false => None,
    };
    let left_out = (request.combine == Combine::ClippedMean).then(|| left_out_shares(&stacked));
    clock.lap(&mut report, "noise report");
    report.peak_memory_bytes = (*peak_while_reading).max(peak_memory_bytes(0));
    if stacked.n_without_sky > 0 && foreground.is_some() {
        report.notes.push(format!(
            "a strip of {} pixels along the horizon shows the still frames, because the landscape was too close to \
             it in every frame",
            stacked.n_without_sky
        ));
    }
    let used: Vec<&Light> = aligned.frames.iter().filter_map(|frame| readings[frame.idx].as_ref().ok()).collect();
    Ok(Outcome {
        picture: Picture { image: stacked.image, color: basis.color, orientation: basis.orientation, falloff },
        single,
        layers,
        left_out,
        foreground,
        found,
        metadata: first_of(&used),
        n_frames: used.len(),
        total_exposure_secs: used.iter().map(|light| light.metadata.exposure_secs).sum(),
        exposures_secs: used
            .iter()
            .map(|light| light.metadata.exposure_secs)
            .collect::<Option<_>>()
            .unwrap_or_default(),
        residuals: residuals::of_frames(paths, &aligned),
        lens: aligned.lens,
        report,
    })
}

/// What the earliest frame says, or the first in order where a file does not tell its time.
fn first_of(used: &[&Light]) -> Metadata {
    let secs = |light: &&&Light| light.metadata.capture_time.map_or(f64::INFINITY, |time| time.clock_secs);
    let all_tell = used.iter().all(|light| light.metadata.capture_time.is_some());
    let earliest = used.iter().min_by(|a, b| secs(a).total_cmp(&secs(b))).filter(|_| all_tell);
    earliest.or(used.first()).map(|light| light.metadata.clone()).unwrap_or_default()
}

/// Frames that something crossed, if any.
fn crossed_note(trails: &Trails, paths: &[PathBuf]) -> Option<String> {
    let names: Vec<String> = trails.frames().map(|frame| file_name(&paths[frame])).collect();
    (!names.is_empty())
        .then(|| format!("something bright crossed the sky and was left out along its way: {}", names.join(", ")))
}

/// The lights without those to skip.
pub(super) fn chosen_lights(request: &Request) -> Result<Vec<PathBuf>, Error> {
    if let Some(path) = request.skip.iter().find(|skip| !request.lights.iter().any(|light| same_file(light, skip))) {
        return Err(Error::NotAmongLights { path: path.clone() });
    }
    // A frame that is meant for the landscape is none of the sky, though it may lie in the same folder.
    let left_out = || request.skip.iter().chain(&request.land);
    let skipped = |light: &&PathBuf| left_out().any(|other| same_file(light, other));
    Ok(request.lights.iter().filter(|light| !skipped(light)).cloned().collect())
}

/// Whether two paths lead to one file; a path that leads nowhere is compared as text.
pub(super) fn same_file(a: &Path, b: &Path) -> bool {
    a == b || matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

pub(super) fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// Decodes frames by `program` from now on wherever a request names none: for a host that is neither of this
/// package's programs and does not begin with [`serve_if_asked`](crate::raw::serve_if_asked).
///
/// `false` where another one was named before, which stays.
pub fn decode_by(program: PathBuf) -> bool {
    DECODER_PROGRAM.set(program).is_ok()
}

static DECODER_PROGRAM: OnceLock<PathBuf> = OnceLock::new();

/// The decoder of a program, the running one by default.
pub(super) fn decoder(program: Option<&Path>) -> Result<Decoder, Error> {
    let this = Decoder::this_program().map_err(|source| Error::NoProgram { source })?;
    Ok(match program.or(DECODER_PROGRAM.get().map(PathBuf::as_path)) {
        Some(program) => Decoder { program: program.to_owned(), ..this },
        None => this,
    })
}

fn single_frame(rows: &RepairedRows<'_>, idx: usize, basis: &Basis) -> Result<Picture, Error> {
    let image = demosaic(&rows.whole_frame(idx)?);
    Ok(Picture { image, color: basis.color, orientation: basis.orientation, falloff: None })
}
