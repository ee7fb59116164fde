//! From files to a burst that lies calibrated in the scratch store.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use crate::calibrate::{Banding, DefectFinder, Defects, Masters, NoiseModel, calibrate};
use crate::develop::Falloff;
use crate::error::{Error, FramesFor};
use crate::foreground::ForegroundMask;
use crate::job::Monitor;
use crate::pipeline::clock::{StageClock, peak_memory_bytes};
use crate::pipeline::gather::FrameKind;
use crate::pipeline::land_frames::{self, LandPass, LandReading};
use crate::pipeline::lens_profile::load_lens_profile;
use crate::pipeline::lights::{self, Basis, FirstFrame, FirstPass, Reading, Unlit};
use crate::pipeline::report::{BandingReport, Report};
use crate::pipeline::request::{MaskChoice, Request};
use crate::pipeline::room::{memory_note, scratch_folders};
use crate::pipeline::rows::RepairedRows;
use crate::pipeline::run::{chosen_lights, decoder};
use crate::pipeline::sorting::{self, Sorted};
use crate::pipeline::{MIN_FRAMES, load_mask, masters};
use crate::pixels::Layout;
use crate::raw::Decoder;
use crate::register::LensProfile;
use crate::scratch::{ScratchSpec, ScratchStore};
use crate::settings::round_mask;

/// Noise below black that the scratch store keeps, 1.0 at the white level.
const LOWEST_VALUE: f32 = -0.05;

/// Sorts, decodes, calibrates, stores and measures all frames.
pub(super) fn read_burst(
    monitor: &Monitor,
    request: &Request,
    clock: &mut StageClock,
    report: &mut Report,
) -> Result<ReadBurst, Error> {
    let mut known = BTreeMap::new();
    let n_notes = report.notes.len();
    loop {
        report.notes.truncate(n_notes);
        let prepared = prepare(monitor, request, &known, report)?;
        clock.lap(report, "calibration frames");
        // Once is enough: what shows no light was looked for in all frames.
        let unlit = if known.is_empty() { Unlit::Stop } else { Unlit::Tell };
        match read_frames(monitor, request, prepared, unlit, clock, report)? {
            Pass::Read(burst) => return Ok(*burst),
            Pass::Unlit(found) => known.extend(found),
        }
    }
}

/// A burst that is known by its first frame, before the others are read.
struct Prepared {
    paths: Vec<PathBuf>,
    basis: Basis,
    decoder: Decoder,
    first: FirstFrame,
    /// Calibration frames among the paths.
    calibration: Vec<(FrameKind, PathBuf)>,
    masters: Masters,
    store: ScratchStore,
    /// Brightest value of the store.
    highest: f32,
    given_mask: Option<Arc<ForegroundMask>>,
    profile: Option<LensProfile>,
}

/// Sorts the frames, opens the first one, the calibration frames and the mask.
fn prepare(
    monitor: &Monitor,
    request: &Request,
    known: &BTreeMap<PathBuf, FrameKind>,
    report: &mut Report,
) -> Result<Prepared, Error> {
    let given = chosen_lights(request)?;
    let decoder = decoder(request.decoder_program.as_deref())?;
    let sorted = sorting::sort(monitor, &decoder, &given, known, request.scale, rayon::current_num_threads())?;
    if sorted.paths.len() < MIN_FRAMES {
        return Err(too_few(given.len(), &sorted));
    }
    report.notes.extend(sorted.notes);
    let (paths, first) = (sorted.paths, sorted.first);
    let basis = first.basis.clone();
    report.notes.extend(memory_note(request.memory_bytes, basis.size));
    // Room for the whole burst is made sure of before any work.
    let spec = ScratchSpec {
        layout: basis.layout,
        size: basis.size,
        n_frames: paths.len() + request.land.len(),
        lowest: LOWEST_VALUE,
        highest: 1.0,
    };
    let store = ScratchStore::create(&scratch_folders(request, &paths), spec)?;
    let masters = masters::load(monitor, &decoder, request, &sorted.calibration, &first.raw, report)?;
    let given_mask = given_mask(request, &basis, &mut report.notes)?;
    let focal_mm = first.raw.metadata.focal_mm;
    let profile =
        request.lens_profile.as_deref().map(|path| load_lens_profile(path, basis.size, focal_mm)).transpose()?;
    let highest = masters::highest_value(&masters);
    let store = store.up_to(highest);
    let calibration = sorted.calibration;
    Ok(Prepared { paths, basis, decoder, first, calibration, masters, store, highest, given_mask, profile })
}

/// Said with what every other frame is.
fn too_few(given: usize, sorted: &Sorted) -> Error {
    let mut set_aside = sorting::with_reasons(&sorted.paths, &sorted.first.refused);
    let usable = sorted.paths.len() - set_aside.len();
    let by = "exposure and what it shows";
    set_aside.extend(sorted.calibration.iter().map(|(kind, path)| (path.clone(), sorting::calibrates(*kind, by))));
    Error::TooFewFrames { usable, given, wanted_for: FramesFor::Stack, set_aside }
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
    banding: Banding,
    /// What the flats used show of the lens.
    pub(super) falloff_of_flat: Option<Falloff>,
    pub(super) given_mask: Option<Arc<ForegroundMask>>,
    pub(super) profile: Option<LensProfile>,
    pub(super) peak_memory_bytes: Option<u64>,
}

impl ReadBurst {
    pub(super) fn rows(&self) -> RepairedRows<'_> {
        RepairedRows { store: &self.store, defects: &self.defects, banding: &self.banding }
    }
}

/// What a pass over the frames came to.
enum Pass {
    Read(Box<ReadBurst>),
    /// Frames among the lights that show no light.
    Unlit(Vec<(PathBuf, FrameKind)>),
}

/// Decodes, calibrates, stores and measures every frame.
fn read_frames(
    monitor: &Monitor,
    request: &Request,
    prepared: Prepared,
    unlit: Unlit,
    clock: &mut StageClock,
    report: &mut Report,
) -> Result<Pass, Error> {
    let Prepared { paths, basis, decoder, first, calibration, masters, store, highest, given_mask, profile } = prepared;
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
        unlit,
        scale: request.scale,
    };
    let (light_level, light_secs) = (first.light_level, first.raw.metadata.exposure_secs);
    let keep = |idx, frame: &_| store.write(idx, frame).map_err(Error::from);
    let lights::Readings { readings, unlit: found, finder } =
        lights::read_all(monitor, &pass, first, &keep, &|_, _| {})?;
    if let (Unlit::Stop, false, Some(level)) = (unlit, found.is_empty(), light_level) {
        return Ok(Pass::Unlit(sorting::find_unlit(monitor, &decoder, &paths, level, request.scale, n_at_once)?));
    }
    let peak_memory_bytes = peak_memory_bytes(n_at_once);
    let pass = LandPass {
        decoder: &decoder,
        basis: &basis,
        calibration: &calibration,
        store: &store,
        highest,
        first_frame: paths.len(),
    };
    let land = land_frames::read(monitor, request, &pass, &mut report.notes)?;
    let defects = find_defects(&finder, &masters, light_secs, noise_of_one.as_ref(), basis.layout);
    report.defects_repaired = defects.count();
    let lines: Vec<_> =
        readings.iter().map(|reading| reading.as_ref().ok().and_then(|light| light.lines.as_ref())).collect();
    let banding = Banding::of(&lines, masters.takes_pedestal());
    report.banding = BandingReport { rows: banding.row_noise, columns: banding.column_noise };
    let spent = readings
        .iter()
        .flatten()
        .fold([0.0; 2], |[read, measured], light| [read + light.thread_secs[0], measured + light.thread_secs[1]]);
    clock.lap_shared(report, [("reading and calibrating", spent[0]), ("finding stars", spent[1])]);
    Ok(Pass::Read(Box::new(ReadBurst {
        paths,
        basis,
        readings,
        land,
        store,
        highest,
        defects,
        banding,
        falloff_of_flat: masters.flat().and_then(|flat| Falloff::of_flat(&flat.planes)),
        given_mask,
        profile,
        peak_memory_bytes,
    })))
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

/// Defects that the burst shows, and those that a master dark shows too noisy to be subtracted.
fn find_defects(
    finder: &DefectFinder,
    masters: &Masters,
    light_secs: Option<f64>,
    noise: Option<&NoiseModel>,
    layout: Layout,
) -> Defects {
    let mut defects = if noise.is_some() { finder.finish() } else { Defects::none(layout) };
    if let (Some(dark), Some(noise)) = (masters.dark(), noise) {
        let scale = masters.dark_scale(light_secs).unwrap_or(1.0) as f32;
        defects = defects.union(Defects::from_dark(dark, scale, noise));
    }
    defects
}
