//! One run from files to a stack.

use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use crate::calibrate::{DefectFinder, Defects, Masters, NoiseModel, calibrate};
use crate::demosaic::demosaic;
use crate::error::Error;
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::burst::{self, Aligned};
use crate::pipeline::clock::{StageClock, peak_memory_bytes};
use crate::pipeline::land::{self, Found, LandStacks, Standing};
use crate::pipeline::land_frames::{self, LandPass, LandReading};
use crate::pipeline::layers::{self, Layers};
use crate::pipeline::left_out_picture::left_out_shares;
use crate::pipeline::lens_profile::{lens_profile_note, load_lens_profile};
use crate::pipeline::lights::{self, Basis, FirstFrame, FirstPass, Light, Reading};
use crate::pipeline::picture::Picture;
use crate::pipeline::report::{FrameReport, LensReport, Report};
use crate::pipeline::report_settings::RunSettings;
use crate::pipeline::request::{MaskChoice, Request};
use crate::pipeline::residuals::{FrameResiduals, by_radius};
use crate::pipeline::rows::RepairedRows;
use crate::pipeline::{MIN_FRAMES, load_mask, masters, noise, residuals, sky_colors, star_trails};
use crate::pixels::{Layout, Plane, Size};
use crate::raw::{Decoder, Metadata};
use crate::register::{LensFit, LensProfile};
use crate::scratch::{ScratchSpec, ScratchStore};
use crate::settings::{Combine, round_mask};
use crate::stack::{StackRequest, Trails, find_trails, stack};

/// Noise below black that the scratch store keeps, 1.0 at the white level.
const LOWEST_VALUE: f32 = -0.05;

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
    let prepared = prepare(monitor, request, &mut report)?;
    clock.lap(&mut report, "calibration frames");

    let mut read = read_frames(monitor, request, prepared, &mut clock, &mut report)?;
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

    let noise_model = burst::noise_model(&rows, &aligned)?;
    let sky = burst::sky_frames(&aligned, readings, noise_model.as_ref(), &tripod);
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
            stack_request.colors = sky_colors::choose(request.colors, &stack_request, &rows, &mut report.notes);
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
        report.noise = noise::measure(monitor, &rows, &stacked, &stack_request, aligned.reference)?;
    }
    let left_out = (request.combine == Combine::ClippedMean).then(|| left_out_shares(&stacked));
    let single = if request.keep_single { Some(single_frame(&rows, aligned.reference, basis)?) } else { None };
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
        picture: Picture { image: stacked.image, color: basis.color, orientation: basis.orientation },
        single,
        layers,
        left_out,
        foreground,
        found,
        metadata: first_of(&used),
        n_frames: used.len(),
        total_exposure_secs: used.iter().map(|light| light.metadata.exposure_secs).sum(),
        exposures_secs: used.iter().map(|light| light.metadata.exposure_secs).collect::<Option<_>>().unwrap_or_default(),
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

/// A burst that is known by its first frame, before the others are read.
pub(super) struct Prepared {
    pub(super) paths: Vec<PathBuf>,
    pub(super) basis: Basis,
    decoder: Decoder,
    first: FirstFrame,
    masters: Masters,
    given_mask: Option<Arc<ForegroundMask>>,
    profile: Option<LensProfile>,
}

/// Opens the first frame, the calibration frames and the mask.
pub(super) fn prepare(monitor: &Monitor, request: &Request, report: &mut Report) -> Result<Prepared, Error> {
    let paths = chosen_lights(request)?;
    if paths.len() < MIN_FRAMES {
        return Err(Error::TooFewFrames {
            usable: paths.len(),
            given: paths.len(),
            needed: MIN_FRAMES,
            set_aside: Vec::new(),
        });
    }
    let decoder = decoder(request.decoder_program.as_deref())?;
    let first = lights::first_frame(monitor, &decoder, &paths, request.scale)?;
    let basis = first.basis.clone();
    let masters = masters::load(monitor, &decoder, request, &first.raw, &mut report.notes)?;
    let given_mask = given_mask(request, &basis, &mut report.notes)?;
    let focal_mm = first.raw.metadata.focal_mm;
    let profile =
        request.lens_profile.as_deref().map(|path| load_lens_profile(path, basis.size, focal_mm)).transpose()?;
    Ok(Prepared { paths, basis, decoder, first, masters, given_mask, profile })
}

/// A burst that lies calibrated in the scratch store.
pub(super) struct ReadBurst {
    pub(super) paths: Vec<PathBuf>,
    pub(super) basis: Basis,
    pub(super) readings: Vec<Reading>,
    /// The frames for the landscape alone; they lie behind the lights in the store.
    pub(super) land: Vec<LandReading>,
    store: ScratchStore,
    /// Brightest value of the store.
    pub(super) highest: f32,
    defects: Defects,
    pub(super) given_mask: Option<Arc<ForegroundMask>>,
    pub(super) profile: Option<LensProfile>,
    peak_memory_bytes: Option<u64>,
}

impl ReadBurst {
    pub(super) fn rows(&self) -> RepairedRows<'_> {
        RepairedRows { store: &self.store, defects: &self.defects }
    }
}

/// Decodes, calibrates, stores and measures every frame.
pub(super) fn read_frames(
    monitor: &Monitor,
    request: &Request,
    prepared: Prepared,
    clock: &mut StageClock,
    report: &mut Report,
) -> Result<ReadBurst, Error> {
    let Prepared { paths, basis, decoder, first, masters, given_mask, profile } = prepared;
    let spec = ScratchSpec {
        layout: basis.layout,
        size: basis.size,
        n_frames: paths.len() + request.land.len(),
        lowest: LOWEST_VALUE,
        highest: masters::highest_value(&masters),
    };
    let highest = spec.highest;
    let store = ScratchStore::create(&scratch_folders(request, &paths), spec)?;
    let noise_of_one = NoiseModel::from_single(&calibrate(&first.raw, &masters));
    let land = given_mask.as_deref().map(ForegroundMask::pixels);
    let n_at_once = lights::frames_at_once(basis.size, request.memory_bytes, rayon::current_num_threads());
    let pass = FirstPass {
        decoder: &decoder,
        paths: &paths,
        masters: &masters,
        foreground: land.as_ref(),
        noise: noise_of_one,
        n_at_once,
        scale: request.scale,
    };
    let keep = |idx, frame: &_| store.write(idx, frame).map_err(Error::from);
    let readings = lights::read_all(monitor, &pass, first, &keep, &|_, _| {})?;
    let peak_memory_bytes = peak_memory_bytes(n_at_once);
    let pass = LandPass { decoder: &decoder, basis: &basis, store: &store, highest, first_frame: paths.len() };
    let land = land_frames::read(monitor, request, &pass, &mut report.notes)?;
    let defects = find_defects(&readings, &masters, noise_of_one.as_ref(), basis.layout);
    report.defects_repaired = defects.count();
    let spent = readings
        .iter()
        .flatten()
        .fold([0.0; 2], |[read, measured], light| [read + light.thread_secs[0], measured + light.thread_secs[1]]);
    clock.lap_shared(report, [("reading and calibrating", spent[0]), ("finding stars", spent[1])]);
    Ok(ReadBurst { paths, basis, readings, land, store, highest, defects, given_mask, profile, peak_memory_bytes })
}

/// Frames that something crossed, if any; what a few cells show may be noise.
fn crossed_note(trails: &Trails, paths: &[PathBuf]) -> Option<String> {
    const MIN_CELLS: usize = 40;
    let crossed = trails.frames().filter(|&frame| trails.n_cells(frame) >= MIN_CELLS);
    let names: Vec<String> = crossed.map(|frame| file_name(&paths[frame])).collect();
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

fn given_mask(request: &Request, basis: &Basis, notes: &mut Vec<String>) -> Result<Option<Arc<ForegroundMask>>, Error> {
    match &request.mask {
        MaskChoice::Auto | MaskChoice::None => Ok(None),
        MaskChoice::File(path) => {
            let loaded = load_mask(path, basis.size, basis.orientation)?;
            notes.extend(loaded.warning);
            Ok(Some(Arc::new(round_mask(&loaded.mask))))
        }
        // As a file holds it, so that a saved sheaf gives the same picture.
        MaskChoice::Given(mask) if mask.size() == basis.size => Ok(Some(Arc::new(round_mask(mask)))),
        MaskChoice::Given(mask) => Err(Error::Mask {
            path: PathBuf::from("painted for another burst"),
            what: format!("is {}, the frames are {}: clear it and paint anew", mask.size(), basis.size),
        }),
    }
}

/// The folder asked for; else beside the output or the frames, which lie on disks that hold pictures.
fn scratch_folders(request: &Request, paths: &[PathBuf]) -> Vec<PathBuf> {
    if let Some(folder) = &request.scratch_folder {
        return vec![folder.clone()];
    }
    let frames = paths.first().and_then(|path| path.parent()).map(Path::to_owned);
    let named = |folder: PathBuf| if folder.as_os_str().is_empty() { PathBuf::from(".") } else { folder };
    [request.output_folder.clone(), frames, Some(std::env::temp_dir())].into_iter().flatten().map(named).collect()
}

/// Defects that the burst shows, and those that a master dark shows too noisy to be subtracted.
fn find_defects(readings: &[Reading], masters: &Masters, noise: Option<&NoiseModel>, layout: Layout) -> Defects {
    let mut finder = DefectFinder::default();
    for suspects in readings.iter().flatten().filter_map(|light| light.suspects.as_ref()) {
        finder.add(suspects);
    }
    let mut defects = if noise.is_some() { finder.finish() } else { Defects::none(layout) };
    if let (Some(dark), Some(noise)) = (masters.dark(), noise) {
        defects = defects.union(Defects::from_dark(dark, noise));
    }
    defects
}

fn single_frame(rows: &RepairedRows<'_>, idx: usize, basis: &Basis) -> Result<Picture, Error> {
    let image = demosaic(&rows.whole_frame(idx)?);
    Ok(Picture { image, color: basis.color, orientation: basis.orientation })
}

fn frame_reports(
    paths: &[PathBuf],
    readings: &[Reading],
    aligned: &Aligned,
    request: &StackRequest<'_>,
    size: Size,
) -> Vec<FrameReport> {
    let weight_of = |idx| request.sky.iter().find(|frame| frame.frame == idx).map_or(0.0, |frame| frame.weight);
    let reference_weight = f64::from(weight_of(aligned.reference));
    paths
        .iter()
        .enumerate()
        .map(|(idx, path)| {
            let frame = aligned.frames.iter().find(|frame| frame.idx == idx);
            let light = readings[idx].as_ref().ok();
            FrameReport {
                file: path.clone(),
                used: frame.is_some(),
                reason: readings[idx].as_ref().err().cloned().unwrap_or_else(|| aligned.reasons[idx].clone()),
                weight: f64::from(weight_of(idx)) / reference_weight,
                registration: frame.map_or("none".to_owned(), |frame| frame.registration.model.to_string()),
                matched: frame.map_or(0, |frame| frame.registration.n_matched),
                rms_px: frame.map(|frame| frame.registration.rms_px),
                registration_reason: frame.and_then(|frame| frame.registration.reason.clone()),
                capture_time: light.and_then(|light| light.metadata.capture_time?.text()),
                exposure_secs: light.and_then(|light| light.metadata.exposure_secs),
                stars: light.map_or(0, |light| light.measure.stars.len()),
                fwhm_px: light.and_then(|light| light.measure.fwhm_px),
                elongation: light.and_then(|light| light.measure.elongation),
                sky_level: light.map(|light| light.measure.sky_level[1]),
                residuals_by_radius: frame.map_or(Vec::new(), |frame| by_radius(&frame.residuals, size)),
            }
        })
        .collect()
}
