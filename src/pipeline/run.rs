//! One run from files to a stack.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::calibrate::{DefectFinder, Defects, Masters, NoiseModel, calibrate};
use crate::demosaic::demosaic;
use crate::error::Error;
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::burst::{self, Aligned};
use crate::pipeline::clock::{StageClock, peak_memory_bytes};
use crate::pipeline::land_frames::{self, LandPass, LandReading};
use crate::pipeline::landscape::{LandFrame, LandSource};
use crate::pipeline::lens_profile::{lens_profile_note, load_lens_profile};
use crate::pipeline::lights::{self, Basis, FirstFrame, FirstPass, Light, Reading};
use crate::pipeline::picture::Picture;
use crate::pipeline::report::{FrameReport, LensReport, Report};
use crate::pipeline::request::{Combine, MaskChoice, Request};
use crate::pipeline::residuals::{FrameResiduals, by_radius};
use crate::pipeline::rows::RepairedRows;
use crate::pipeline::tripod::{self, Tripod};
use crate::pipeline::{MIN_FRAMES, load_mask, masters, noise, proposal, residuals};
use crate::pixels::{Layout, Size};
use crate::raw::{Decoder, Metadata};
use crate::register::{LensFit, LensProfile};
use crate::scratch::{ScratchSpec, ScratchStore};
use crate::stack::{StackFrame, StackRequest, stack};

/// Noise below black that the scratch store keeps, 1.0 at the white level.
const LOWEST_VALUE: f32 = -0.05;

/// What a run hands back.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The stack.
    pub picture: Picture,
    /// The reference frame alone, where the request asked for it.
    pub single: Option<Picture>,
    /// The landscape that was kept still; `None` for sky only.
    pub foreground: Option<Arc<ForegroundMask>>,
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

    let (mut foreground, mut proposal_notes) = (read.given_mask.take(), Vec::new());
    if matches!(request.mask, MaskChoice::Auto) {
        let found = proposal::propose_aligned(monitor, &read.rows(), &aligned, read.basis.orientation, &|_| true)?;
        clock.lap(&mut report, "foreground");
        if proposal::drop_landscape(&mut read.readings, &found.mask) {
            aligned = burst::align(monitor, request, &read)?;
            clock.lap(&mut report, "aligning");
        }
        proposal_notes = proposal::notes(&found);
        foreground = (found.foreground_fraction() > 0.0).then(|| Arc::new(found.mask));
    }
    let tripod = match &foreground {
        Some(mask) => check_tripod(monitor, &read, &aligned, mask)?,
        None => Tripod::default(),
    };
    let standing = aligned.frames.iter().filter(|frame| tripod.stands_still(frame.idx)).count();
    if matches!(request.mask, MaskChoice::Auto) && tripod.was_knocked() && standing >= FRAMES_FOR_A_PROPOSAL {
        // The first look mixed both places of the tripod.
        let counts = |idx| tripod.stands_still(idx);
        let found = proposal::propose_aligned(monitor, &read.rows(), &aligned, read.basis.orientation, &counts)?;
        proposal_notes = proposal::notes(&found);
        foreground = (found.foreground_fraction() > 0.0).then(|| Arc::new(found.mask));
    }
    report.notes.extend(proposal_notes);
    report.notes.extend(tripod.notes.iter().cloned());
    clock.lap(&mut report, "checking the tripod");
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
    let land = land_stacks(monitor, request, &read, &aligned, foreground.as_deref(), noise_model, &tripod)?;
    report.land = land_frames::reports(&request.land, &read.land, &land.first);
    report.notes.extend(land.notes);
    let stack_request = StackRequest {
        sky,
        land: land.first,
        land_reserve: land.reserve,
        foreground: foreground.as_deref(),
        combine: request.combine_rule(),
        noise: noise_model,
        memory_bytes: request.memory_bytes,
    };
    let stacked = stack(monitor, &rows, &stack_request)?;
    clock.lap(&mut report, "stacking");

    report.frames = frame_reports(paths, readings, &aligned, &stack_request, basis.size);
    if matches!(request.combine, Combine::ClippedMean | Combine::Mean) {
        report.noise = noise::measure(monitor, &rows, &stacked, &stack_request, aligned.reference)?;
    }
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
        foreground,
        metadata: used.first().map(|light| light.metadata.clone()).unwrap_or_default(),
        n_frames: used.len(),
        total_exposure_secs: used.iter().map(|light| light.metadata.exposure_secs).sum(),
        residuals: residuals::of_frames(paths, &aligned),
        lens: aligned.lens,
        report,
    })
}

/// Fewer frames that stand alike tell less of the landscape than all of them.
const FRAMES_FOR_A_PROPOSAL: usize = 4;

fn check_tripod(
    monitor: &Monitor,
    read: &ReadBurst,
    aligned: &Aligned,
    mask: &ForegroundMask,
) -> Result<Tripod, Error> {
    let frames: Vec<usize> = aligned.frames.iter().map(|frame| frame.idx).collect();
    let lens = tripod::lens(aligned, read.basis.size);
    let name = |idx: usize| file_name(&read.paths[idx]);
    tripod::measure(monitor, &read.rows(), &frames, aligned.reference, mask, &lens, &name)
}

/// The frames of the landscape, and those for places where the first show nothing.
#[derive(Default)]
struct LandStacks {
    first: Vec<StackFrame>,
    reserve: Vec<StackFrame>,
    notes: Vec<String>,
}

fn land_stacks(
    monitor: &Monitor,
    request: &Request,
    read: &ReadBurst,
    aligned: &Aligned,
    mask: Option<&ForegroundMask>,
    noise: Option<NoiseModel>,
    tripod: &Tripod,
) -> Result<LandStacks, Error> {
    let Some(mask) = mask else { return Ok(LandStacks::default()) };
    let rows = read.rows();
    let source = LandSource { rows: &rows, mask, reference: aligned.reference, noise: noise.as_ref() };
    let as_it_is =
        |frame: &burst::AlignedFrame| LandFrame { frame: frame.idx, expected_scale: 1.0, ceiling: f32::INFINITY };
    let lights = source.frames(&aligned.frames.iter().map(as_it_is).collect::<Vec<_>>(), tripod)?;
    let reference = read.readings[aligned.reference].as_ref().expect("the reference frame was read");
    let given = land_frames::frames(&read.land, &reference.metadata, read.highest);
    if given.is_empty() {
        return Ok(LandStacks { first: lights, ..LandStacks::default() });
    }
    let name = |frame: usize| file_name(&request.land[frame - read.paths.len()]);
    let frames: Vec<usize> = given.iter().map(|frame| frame.frame).collect();
    let lens = tripod::lens(aligned, read.basis.size);
    let own_tripod = tripod::measure(monitor, &rows, &frames, aligned.reference, mask, &lens, &name)?;
    let own_noise = land_frames::noise(&rows, &read.land)?.or(noise);
    let own = source.other_frames(&given, &own_tripod, own_noise.as_ref())?;
    let mut notes = own_tripod.notes;
    if own.is_empty() {
        notes.push("none of the frames for the landscape could be used: it is made from the light frames".to_owned());
        return Ok(LandStacks { first: lights, reserve: Vec::new(), notes });
    }
    Ok(LandStacks { first: own, reserve: lights, notes })
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
    let first = lights::first_frame(monitor, &decoder, &paths)?;
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
    land: Vec<LandReading>,
    store: ScratchStore,
    /// Brightest value of the store.
    highest: f32,
    defects: Defects,
    given_mask: Option<Arc<ForegroundMask>>,
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
    };
    let keep = |idx, frame: &_| store.write(idx, frame).map_err(Error::from);
    let readings = lights::read_all(monitor, &pass, first, &keep, &|_, _| {})?;
    let peak_memory_bytes = peak_memory_bytes(n_at_once);
    let pass = LandPass { decoder: &decoder, basis: &basis, store: &store, highest, first_frame: paths.len() };
    let land = land_frames::read(monitor, request, &pass, &mut report.notes)?;
    let defects = find_defects(&readings, &masters, noise_of_one.as_ref(), basis.layout);
    report.defects_repaired = defects.count();
    clock.lap(report, "reading, calibrating, measuring");
    Ok(ReadBurst { paths, basis, readings, land, store, highest, defects, given_mask, profile, peak_memory_bytes })
}

/// The lights without those to skip.
fn chosen_lights(request: &Request) -> Result<Vec<PathBuf>, Error> {
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

/// The decoder of a program, the running one by default.
pub(super) fn decoder(program: Option<&Path>) -> Result<Decoder, Error> {
    let this = Decoder::this_program().map_err(|source| Error::NoProgram { source })?;
    Ok(match program {
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
            Ok(Some(Arc::new(loaded.mask)))
        }
        MaskChoice::Given(mask) if mask.size() == basis.size => Ok(Some(Arc::clone(mask))),
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
            FrameReport {
                file: path.clone(),
                used: frame.is_some(),
                reason: readings[idx].as_ref().err().cloned().unwrap_or_else(|| aligned.reasons[idx].clone()),
                weight: f64::from(weight_of(idx)) / reference_weight,
                registration: frame.map_or("none".to_owned(), |frame| frame.registration.model.to_string()),
                matched: frame.map_or(0, |frame| frame.registration.n_matched),
                rms_px: frame.map(|frame| frame.registration.rms_px),
                registration_reason: frame.and_then(|frame| frame.registration.reason.clone()),
                residuals_by_radius: frame.map_or(Vec::new(), |frame| by_radius(&frame.residuals, size)),
            }
        })
        .collect()
}
