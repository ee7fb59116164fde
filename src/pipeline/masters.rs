//! Master frames from the calibration frames of a request: those that fit the lights, averaged or kept from before.

use std::path::PathBuf;

use crate::calibrate::{Built, ContentMeasure, Master, Masters, Setup, master_bias, master_dark, master_flat};
use crate::error::Error;
use crate::job::Monitor;
use crate::pipeline::gather::FrameKind;
use crate::pipeline::lights::decode;
use crate::pipeline::master_cache::{Cache, Kept};
use crate::pipeline::report::{MasterReport, Report};
use crate::pipeline::request::Request;
use crate::pipeline::run::{file_name, same_file};
use crate::pipeline::sorting::list_names;
use crate::pipeline::survey::survey;
use crate::pipeline::taken::{Taken, exposure_text, same_exposure};
use crate::pixels::Plane;
use crate::raw::{Decoder, FrameFacts, FrameScale, Metadata, RawFrame};

/// Headroom above the white level where no flat lifts anything.
const PLAIN_HEADROOM: f32 = 1.05;
/// A flat may lift dark corners to this many times the white level; what it would lift further is dust or a
/// lens hood, and is held there.
const MOST_FLAT_LIFT: f32 = 6.0;

/// Masters that fit frames taken like `light`, from frames given, found beside the lights, or `found` among them;
/// what does not fit or cannot be read is noted.
pub(super) fn load(
    monitor: &Monitor,
    decoder: &Decoder,
    request: &Request,
    found: &[(FrameKind, PathBuf)],
    light: &RawFrame,
    report: &mut Report,
) -> Result<Masters, Error> {
    let reader = Reader { monitor, decoder, cache: Cache::open(&request.master_cache), light, scale: request.scale };
    let notes = &mut report.notes;
    let candidates = |kind| Candidates::of(request, found, kind);
    let bias = reader.master(&candidates(FrameKind::Bias), None, notes, |n, frame| master_bias(n, frame))?;
    let dark = reader.master(&candidates(FrameKind::Dark), None, notes, |n, frame| master_dark(n, frame))?;
    let of_flat = bias.as_ref().map(|bias| &bias.kept.master);
    let name_of_bias = bias.as_ref().and_then(|bias| bias.name.as_deref());
    let flat =
        reader.master(&candidates(FrameKind::Flat), name_of_bias, notes, |n, frame| master_flat(n, of_flat, frame))?;
    let made = [&bias, &dark, &flat].into_iter().flatten().map(Made::report).collect::<Vec<_>>();
    let [bias, dark, flat] = [bias, dark, flat].map(|made| made.map(|made| made.kept.master));
    let (masters, mismatches) = Masters::for_lights(&Setup::of(light), bias, dark, flat);
    notes.extend(mismatches.into_iter().map(|(kind, mismatch)| format!("the {kind} frames are {mismatch}")));
    let is_used = |report: &MasterReport| match report.kind.as_str() {
        "bias" => masters.bias().is_some(),
        "dark" => masters.dark().is_some(),
        _ => masters.flat().is_some(),
    };
    report.masters = made.into_iter().filter(is_used).collect();
    Ok(masters)
}

/// The largest calibrated value that the scratch store must hold.
pub(super) fn highest_value(masters: &Masters) -> f32 {
    let Some(flat) = masters.flat() else { return PLAIN_HEADROOM };
    let lowest = flat.planes.iter().flat_map(|plane| plane.samples()).copied().fold(f32::INFINITY, f32::min);
    PLAIN_HEADROOM * (1.0 / lowest.max(1.0 / MOST_FLAT_LIFT)).max(1.0)
}

/// Share of a flat's samples at white from which on it does not show the falloff.
const MOST_AT_WHITE: f64 = 1e-3;

/// Frames that a master may be made of.
struct Candidates {
    kind: FrameKind,
    paths: Vec<PathBuf>,
    /// By the person: their word is not doubted.
    are_given: bool,
}

impl Candidates {
    /// Those given; where there are none, those found.
    fn of(request: &Request, found: &[(FrameKind, PathBuf)], kind: FrameKind) -> Self {
        let given = match kind {
            FrameKind::Dark => &request.darks,
            FrameKind::Flat => &request.flats,
            FrameKind::Bias => &request.bias,
            FrameKind::Light => &request.lights,
        };
        if !given.is_empty() {
            return Self { kind, paths: given.clone(), are_given: true };
        }
        let mut paths: Vec<PathBuf> = Vec::new();
        for (_, path) in request.beside.iter().chain(found).filter(|(other, _)| *other == kind) {
            if !paths.iter().any(|known| same_file(known, path)) {
                paths.push(path.clone());
            }
        }
        Self { kind, paths, are_given: false }
    }
}

/// A master, and whether an earlier run made it.
struct Made {
    kind: FrameKind,
    kept: Kept,
    /// In the cache.
    name: Option<String>,
    from_cache: bool,
}

impl Made {
    fn report(&self) -> MasterReport {
        let Master { setup, n_frames, .. } = &self.kept.master;
        let metadata = Metadata {
            iso: setup.iso,
            exposure_secs: setup.exposure_secs,
            aperture: setup.aperture,
            focal_mm: setup.focal_mm,
            ..Metadata::default()
        };
        MasterReport {
            kind: self.kind.word().to_owned(),
            frames: *n_frames,
            setting: setting(self.kind, &metadata),
            from_cache: self.from_cache,
        }
    }
}

struct Reader<'a> {
    monitor: &'a Monitor,
    decoder: &'a Decoder,
    cache: Cache,
    light: &'a RawFrame,
    scale: FrameScale,
}

impl Reader<'_> {
    /// One master of the frames that fit the lights best; `with` names the bias that goes into it.
    fn master(
        &self,
        candidates: &Candidates,
        with: Option<&str>,
        notes: &mut Vec<String>,
        build: impl FnOnce(usize, &mut dyn FnMut(usize) -> Result<Option<RawFrame>, Error>) -> Result<Built, Error>,
    ) -> Result<Option<Made>, Error> {
        if candidates.paths.is_empty() {
            return Ok(None);
        }
        let kind = candidates.kind;
        let paths = self.fitting(candidates, notes)?;
        let name = self.cache.name(kind.word(), self.scale.factor(), &paths, with);
        if let Some(kept) = name.as_ref().and_then(|name| self.cache.load(name)) {
            notes.extend(kept.notes.iter().cloned());
            return Ok(Some(Made { kind, kept, name, from_cache: true }));
        }
        let mut said = Vec::new();
        let master = self.build(candidates, &paths, &mut said, build)?;
        notes.extend(said.iter().cloned());
        let Some(master) = master else {
            notes.push(format!("none of the {} {} frames could be used", candidates.paths.len(), kind.word()));
            return Ok(None);
        };
        let kept = Kept { master, notes: said };
        if let Some(name) = &name {
            self.cache.store(name, &kept);
        }
        Ok(Some(Made { kind, kept, name, from_cache: false }))
    }

    /// The candidates of the camera of the lights, of the setting that is closest to theirs; the others are named.
    fn fitting(&self, candidates: &Candidates, notes: &mut Vec<String>) -> Result<Vec<PathBuf>, Error> {
        let Candidates { kind, paths, .. } = candidates;
        let facts = survey(self.monitor, self.decoder, paths, rayon::current_num_threads())?;
        let metadata = |idx: usize| facts[idx].as_ref().map(|facts| &facts.metadata);
        let mut groups: Vec<Vec<usize>> = Vec::new();
        for idx in 0..paths.len() {
            if let Some(reason) = facts[idx].as_ref().and_then(|facts| self.obstacle(facts)) {
                notes.push(format!("{} frame {} was left out: {reason}", kind.word(), file_name(&paths[idx])));
                continue;
            }
            let same = |group: &&mut Vec<usize>| match (metadata(group[0]), metadata(idx)) {
                (Some(a), Some(b)) => is_one_setting(*kind, a, b),
                // What is unknown agrees: decoding will tell.
                _ => true,
            };
            match groups.iter_mut().find(same) {
                Some(group) => group.push(idx),
                None => groups.push(vec![idx]),
            }
        }
        let lights = &self.light.metadata;
        let distance = |group: &[usize]| metadata(group[0]).map_or(0.0, |own| distance(*kind, own, lights));
        // Of two at one distance the larger counts, and of two alike the first.
        groups.sort_by(|a, b| distance(a).total_cmp(&distance(b)).then(b.len().cmp(&a.len())));
        let path = |idx: &usize| paths[*idx].as_path();
        for group in groups.iter().skip(1) {
            let own = metadata(group[0]).map_or(String::new(), |own| setting(*kind, own));
            notes.push(format!(
                "{} {} frames of {own} were left out: others are closer to the light frames, taken with {}: {}",
                group.len(),
                kind.word(),
                setting(*kind, lights),
                list_names(group.iter().map(path))
            ));
        }
        Ok(groups.first().map_or(Vec::new(), |best| best.iter().map(|&idx| paths[idx].clone()).collect()))
    }

    /// Why a frame can be of no use to these lights.
    fn obstacle(&self, facts: &FrameFacts) -> Option<String> {
        let needed = &self.light.metadata.model;
        if let (Some(found), Some(needed)) = (&facts.metadata.model, needed)
            && found != needed
        {
            return Some(format!("taken with {found} where the light frames are from {needed}"));
        }
        let needed = self.light.size();
        facts
            .size
            // Frames read at half size have another size than their files.
            .filter(|&found| found != needed && self.scale == FrameScale::Full)
            .map(|found| format!("{found} pixels where the lights have {needed}"))
    }

    /// Averages; a frame that cannot be read, is unlike the first or no frame of its kind is noted and left out.
    fn build(
        &self,
        candidates: &Candidates,
        paths: &[PathBuf],
        notes: &mut Vec<String>,
        build: impl FnOnce(usize, &mut dyn FnMut(usize) -> Result<Option<RawFrame>, Error>) -> Result<Built, Error>,
    ) -> Result<Option<Master>, Error> {
        let kind = candidates.kind;
        let mut unread: Vec<Option<String>> = vec![None; paths.len()];
        let mut n_read = 0;
        let mut frame = |idx: usize| -> Result<Option<RawFrame>, Error> {
            self.monitor.step("Averaging calibration frames", n_read.min(2 * paths.len()), 2 * paths.len())?;
            n_read += 1;
            let read = decode(self.monitor, self.decoder, &paths[idx], self.scale)?;
            let doubt = |raw: &RawFrame| {
                let unlike = if candidates.are_given { None } else { doubt(kind, raw) };
                unlike.or_else(|| if kind == FrameKind::Flat { overexposed(raw) } else { None })
            };
            match read.and_then(|raw| doubt(&raw).map_or(Ok(raw), Err)) {
                Ok(raw) => Ok(Some(raw)),
                Err(reason) => {
                    unread[idx] = Some(reason);
                    Ok(None)
                }
            }
        };
        let (master, left_out) = build(paths.len(), &mut frame)?;
        for (path, reason) in paths.iter().zip(&unread) {
            if let Some(reason) = reason {
                notes.push(format!("{} frame {} was left out: {reason}", kind.word(), file_name(path)));
            }
        }
        for (idx, mismatch) in left_out {
            notes.push(format!("{} frame {} is {mismatch}", kind.word(), file_name(&paths[idx])));
        }
        Ok(master)
    }
}

/// Why a frame that was found is no frame of its kind, by what it shows.
fn doubt(kind: FrameKind, raw: &RawFrame) -> Option<String> {
    let is_lit = ContentMeasure::of(raw).is_lit();
    match kind {
        FrameKind::Dark | FrameKind::Bias if is_lit => Some(format!("it shows light and is no {} frame", kind.word())),
        FrameKind::Flat if !is_lit => Some("it shows no light and is no flat frame".to_owned()),
        _ => None,
    }
}

/// Why a flat is of no use: where it is at white it shows no falloff, and colors would come out wrong there.
fn overexposed(raw: &RawFrame) -> Option<String> {
    let n_samples: usize = raw.planes.iter().map(|plane| plane.samples().len()).sum();
    let at_white = |plane: &Plane<u16>| plane.samples().iter().filter(|&&sample| sample >= raw.white_level).count();
    let share = raw.planes.iter().map(at_white).sum::<usize>() as f64 / n_samples.max(1) as f64;
    (share > MOST_AT_WHITE).then(|| {
        format!("{:.1} % of it are at white, where it shows no falloff: expose flats to about half", 100.0 * share)
    })
}

/// Whether frames of one kind may be averaged: darks by ISO and time, bias by ISO, flats by the lens.
fn is_one_setting(kind: FrameKind, a: &Metadata, b: &Metadata) -> bool {
    let alike = |a: Option<f64>, b: Option<f64>| a.zip(b).is_none_or(|(a, b)| same_exposure(a, b));
    let iso = a.iso.zip(b.iso).is_none_or(|(a, b)| a == b);
    match kind {
        FrameKind::Flat => alike(a.aperture, b.aperture) && alike(a.focal_mm, b.focal_mm),
        FrameKind::Bias => iso,
        FrameKind::Dark | FrameKind::Light => iso && alike(a.exposure_secs, b.exposure_secs),
    }
}

/// How far a setting is from that of the lights: stops, of ISO ten times as many.
fn distance(kind: FrameKind, own: &Metadata, lights: &Metadata) -> f64 {
    let stops = |a: Option<f64>, b: Option<f64>| a.zip(b).map_or(0.0, |(a, b)| (a / b).log2().abs());
    let iso = 10.0 * stops(own.iso.map(f64::from), lights.iso.map(f64::from));
    match kind {
        FrameKind::Flat => stops(own.aperture, lights.aperture) + stops(own.focal_mm, lights.focal_mm),
        FrameKind::Bias => iso,
        FrameKind::Dark | FrameKind::Light => iso + stops(own.exposure_secs, lights.exposure_secs),
    }
}

/// What matters of a setting for a kind of frame, in words.
fn setting(kind: FrameKind, metadata: &Metadata) -> String {
    let taken = |exposure_secs| Taken { camera: None, size: None, iso: metadata.iso, exposure_secs }.setting();
    match kind {
        FrameKind::Dark | FrameKind::Light => taken(metadata.exposure_secs),
        FrameKind::Bias => taken(None),
        FrameKind::Flat => {
            let aperture = metadata.aperture.map(|aperture| format!("f/{}", exposure_text(aperture)));
            let focal = metadata.focal_mm.map(|focal| format!("{} mm", exposure_text(focal)));
            match (aperture, focal) {
                (Some(aperture), Some(focal)) => format!("{aperture} at {focal}"),
                (Some(one), None) | (None, Some(one)) => one,
                (None, None) => "an unknown lens".to_owned(),
            }
        }
    }
}
