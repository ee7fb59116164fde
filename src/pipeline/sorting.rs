//! Which of the frames given as lights are lights of one burst, what the others are, and why.
//!
//! First every file is asked what it says of itself, which is cheap. Frames of one camera, size, ISO and exposure
//! are one group. One frame of a group is decoded to see what it shows; the largest group of scenes is the burst.
//! Darks taken with the settings of the lights are in one group with them: the pass over the burst, which decodes
//! every frame anyway, finds them by what they show (`lights`), and the burst is sorted again.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;

use crate::calibrate::{Content, ContentMeasure};
use crate::error::Error;
use crate::job::{Cancelled, Monitor};
use crate::pipeline::gather::FrameKind;
use crate::pipeline::lights::{Basis, FirstFrame, decode};
use crate::pipeline::run::file_name;
use crate::pixels::Size;
use crate::raw::{DecodeError, Decoder, FrameFacts, RawFrame};

/// Exposures that differ by less are one: cameras round thirds of stops.
const SAME_EXPOSURE: f64 = 0.03;
/// A bias frame is exposed no longer than this, or than this share of a light.
const BIAS_SECS: f64 = 0.02;
const BIAS_SHARE: f64 = 0.005;
/// A flat is exposed no longer than this, and than this share of a light.
const FLAT_SECS: f64 = 5.0;
const FLAT_SHARE: f64 = 0.5;
/// Names that a note lists before it counts the rest.
const NAMES_LISTED: usize = 4;

/// The frames of a request in their places.
pub(super) struct Sorted {
    /// Light frames, those that do not belong to the burst counted in, in the order given.
    pub(super) paths: Vec<PathBuf>,
    /// Place of each among the frames given.
    pub(super) given: Vec<usize>,
    /// The first frame of the burst, and the reasons of those that do not belong.
    pub(super) first: FirstFrame,
    /// Calibration frames found among the lights.
    pub(super) calibration: Vec<(FrameKind, PathBuf)>,
    /// What a person should know of the sorting.
    pub(super) notes: Vec<String>,
}

/// How a frame was taken, as far as the frames of a burst must agree.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Taken {
    pub(super) camera: Option<String>,
    pub(super) size: Option<Size>,
    pub(super) iso: Option<u32>,
    pub(super) exposure_secs: Option<f64>,
}

/// The burst that other frames are compared with.
struct LightSetting {
    exposure_secs: Option<f64>,
    level: f32,
}

/// Sorts the frames given as lights; `known` says what some of them are.
pub(super) fn sort(
    monitor: &Monitor,
    decoder: &Decoder,
    given: &[PathBuf],
    known: &BTreeMap<PathBuf, FrameKind>,
    n_at_once: usize,
) -> Result<Sorted, Error> {
    let facts = survey(monitor, decoder, given, n_at_once)?;
    let unsorted: Vec<usize> = (0..given.len()).filter(|&idx| !known.contains_key(&given[idx])).collect();
    let groups = group(&facts, &unsorted);
    let mut opener = Opener { monitor, decoder, given, refused: vec![None; given.len()] };
    let mut kinds: Vec<Option<FrameKind>> = vec![None; groups.len()];
    let mut found = None;
    let mut stand_in = None;
    for (number, group) in groups.iter().enumerate() {
        let Some((idx, raw)) = opener.open_first(&group.members)? else { continue };
        match kind_of(&raw, None) {
            FrameKind::Light => {
                found = Some((number, idx, raw));
                break;
            }
            kind => {
                kinds[number] = Some(kind);
                stand_in.get_or_insert((number, idx, raw));
            }
        }
    }
    let is_scene = found.is_some();
    let Some((main, first_idx, raw)) = found.or(stand_in) else {
        let reasons = given.iter().cloned().zip(opener.refused);
        let set_aside = reasons.filter_map(|(path, reason)| Some((path, reason?))).collect();
        return Err(Error::TooFewFrames { usable: 0, given: given.len(), needed: super::MIN_FRAMES, set_aside });
    };
    let level = ContentMeasure::of(&raw).level;
    let light = LightSetting { exposure_secs: raw.metadata.exposure_secs, level };
    let basis = Basis::new(&given[first_idx], &raw);
    let mut calibration: Vec<(FrameKind, usize)> = Vec::new();
    let mut apart: Vec<(usize, String)> = Vec::new();
    for (number, group) in groups.iter().enumerate().filter(|&(number, _)| number != main) {
        let burst = &groups[main].taken;
        if let Some(reason) = group.taken.obstacle(burst, &file_name(&given[first_idx])) {
            group.members.iter().for_each(|&idx| opener.refused[idx] = Some(reason.clone()));
            continue;
        }
        let kind = match kinds[number] {
            Some(kind) => kind,
            None => match opener.open_first(&group.members)? {
                Some((_, raw)) => kind_of(&raw, Some(&light)),
                None => continue,
            },
        };
        let members = group.members.iter().copied().filter(|&idx| opener.refused[idx].is_none());
        match kind {
            FrameKind::Light => apart.extend(members.map(|idx| (idx, group.taken.difference(burst)))),
            kind => calibration.extend(members.map(|idx| (kind, idx))),
        }
    }
    let mut notes = Vec::new();
    if apart.len() <= groups[main].members.len() {
        apart.into_iter().for_each(|(idx, reason)| opener.refused[idx] = Some(reason));
    } else {
        notes.push("the light frames differ in exposure or ISO: all are used, each by its own noise".to_owned());
    }
    calibration.extend((0..given.len()).filter_map(|idx| Some((*known.get(&given[idx])?, idx))));
    calibration.sort_unstable();
    notes.extend(found_notes(&calibration, given));
    let is_light = |idx: &usize| !calibration.iter().any(|(_, calibrating)| calibrating == idx);
    let places: Vec<usize> = (0..given.len()).filter(is_light).collect();
    let idx = places.iter().position(|&place| place == first_idx).expect("the first frame of the burst is a light");
    Ok(Sorted {
        paths: places.iter().map(|&place| given[place].clone()).collect(),
        first: FirstFrame {
            idx,
            raw,
            basis,
            refused: places.iter().map(|&place| opener.refused[place].clone()).collect(),
            light_level: is_scene.then_some(level),
        },
        given: places,
        calibration: calibration.into_iter().map(|(kind, idx)| (kind, given[idx].clone())).collect(),
        notes,
    })
}

/// What a frame is, where it can be told from a light taken with these settings.
fn kind_of(raw: &RawFrame, light: Option<&LightSetting>) -> FrameKind {
    let exposure = raw.metadata.exposure_secs;
    let share = |share: f64| light.and_then(|light| light.exposure_secs).map(|secs| share * secs);
    let is_instant = exposure.is_some_and(|secs| secs <= BIAS_SECS.max(share(BIAS_SHARE).unwrap_or(0.0)));
    let is_short = exposure.is_some_and(|secs| secs <= FLAT_SECS.min(share(FLAT_SHARE).unwrap_or(FLAT_SECS)));
    match ContentMeasure::of(raw).content(light.map(|light| light.level)) {
        Content::Dark if is_instant => FrameKind::Bias,
        Content::Dark => FrameKind::Dark,
        Content::Even if is_short => FrameKind::Flat,
        Content::Even | Content::Scene => FrameKind::Light,
    }
}

/// What a frame of the burst is by what it shows; `light_level` is that of the burst.
pub(super) fn kind_in_burst(raw: &RawFrame, light_level: f32) -> FrameKind {
    let light = LightSetting { exposure_secs: None, level: light_level };
    // An even surface with the exposure of the lights is a cloud.
    Some(kind_of(raw, Some(&light))).filter(|&kind| kind != FrameKind::Flat).unwrap_or_default()
}

/// Decodes all frames to see which show no light: for a burst in which the pass has found one.
pub(super) fn find_unlit(
    monitor: &Monitor,
    decoder: &Decoder,
    paths: &[PathBuf],
    light_level: f32,
    n_at_once: usize,
) -> Result<Vec<(PathBuf, FrameKind)>, Error> {
    let kinds = side_by_side(monitor, "Looking for dark frames", paths, n_at_once, |path| {
        Ok(decode(monitor, decoder, path)?.map_or(FrameKind::Light, |raw| kind_in_burst(&raw, light_level)))
    })?;
    Ok(paths.iter().cloned().zip(kinds).filter(|(_, kind)| *kind != FrameKind::Light).collect())
}

/// What each file says of itself; `None` where it cannot be read.
pub(super) fn survey(
    monitor: &Monitor,
    decoder: &Decoder,
    paths: &[PathBuf],
    n_at_once: usize,
) -> Result<Vec<Option<FrameFacts>>, Error> {
    side_by_side(monitor, "Looking at the frames", paths, n_at_once, |path| {
        match decoder.facts(path, &monitor.cancel_token()) {
            Ok(facts) => Ok(Some(facts)),
            Err(DecodeError::Cancelled) => Err(Cancelled.into()),
            // Decoding will find out why, and say it.
            Err(_) => Ok(None),
        }
    })
}

/// Does the same to all paths, some at a time; results in the order of the paths.
fn side_by_side<T: Send>(
    monitor: &Monitor,
    step: &'static str,
    paths: &[PathBuf],
    n_at_once: usize,
    work: impl Fn(&Path) -> Result<T, Error> + Sync,
) -> Result<Vec<T>, Error> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::with_capacity(paths.len()));
    let worker = || -> Result<(), Error> {
        loop {
            let idx = next.fetch_add(1, Ordering::Relaxed);
            let Some(path) = paths.get(idx) else { return Ok(()) };
            monitor.step(step, idx, paths.len())?;
            let result = work(path)?;
            done.lock().unwrap_or_else(PoisonError::into_inner).push((idx, result));
        }
    };
    thread::scope(|scope| {
        let workers: Vec<_> = (0..n_at_once.clamp(1, paths.len().max(1))).map(|_| scope.spawn(worker)).collect();
        workers.into_iter().try_for_each(|worker| match worker.join() {
            Ok(result) => result,
            Err(panic) => std::panic::resume_unwind(panic),
        })
    })?;
    let mut done = done.into_inner().unwrap_or_else(PoisonError::into_inner);
    done.sort_unstable_by_key(|(idx, _)| *idx);
    Ok(done.into_iter().map(|(_, result)| result).collect())
}

/// Frames taken alike.
struct Group {
    taken: Taken,
    members: Vec<usize>,
}

/// The groups, the largest first. Files that do not say how they were taken belong to the largest: decoding will
/// tell what they are.
fn group(facts: &[Option<FrameFacts>], frames: &[usize]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    let mut silent = Vec::new();
    for &idx in frames {
        let Some(facts) = &facts[idx] else {
            silent.push(idx);
            continue;
        };
        let taken = Taken::of(facts);
        match groups.iter_mut().find(|group| group.taken.agrees(&taken)) {
            Some(group) => group.members.push(idx),
            None => groups.push(Group { taken, members: vec![idx] }),
        }
    }
    // The sort keeps the order of groups of one size.
    groups.sort_by_key(|group| std::cmp::Reverse(group.members.len()));
    match groups.first_mut() {
        Some(largest) => {
            largest.members.extend(silent);
            largest.members.sort_unstable();
        }
        None => groups.push(Group { taken: Taken::of(&FrameFacts::default()), members: silent }),
    }
    groups
}

impl Taken {
    pub(super) fn of(facts: &FrameFacts) -> Self {
        Self {
            camera: facts.metadata.model.clone(),
            size: facts.size,
            iso: facts.metadata.iso,
            exposure_secs: facts.metadata.exposure_secs,
        }
    }

    /// What is unknown agrees with everything.
    fn agrees(&self, other: &Self) -> bool {
        fn alike<T>(a: Option<T>, b: Option<T>, same: impl Fn(T, T) -> bool) -> bool {
            a.zip(b).is_none_or(|(a, b)| same(a, b))
        }
        alike(self.camera.as_ref(), other.camera.as_ref(), |a, b| a == b)
            && alike(self.size, other.size, |a, b| a == b)
            && alike(self.iso, other.iso, |a, b| a == b)
            && alike(self.exposure_secs, other.exposure_secs, same_exposure)
    }

    /// Why a frame cannot be stacked with the burst at all.
    fn obstacle(&self, burst: &Self, first: &str) -> Option<String> {
        match (self.size.zip(burst.size), self.camera.as_ref().zip(burst.camera.as_ref())) {
            (_, Some((found, needed))) if found != needed => {
                Some(format!("is from {found}, {first} and most others from {needed}: stack frames of one camera"))
            }
            (Some((found, needed)), _) if found != needed => {
                Some(format!("is {found}, {first} and most others are {needed}: stack frames of one size"))
            }
            _ => None,
        }
    }

    /// What sets a frame of the same camera apart from the burst.
    fn difference(&self, burst: &Self) -> String {
        format!("was taken with {}, the burst with {}: not of this burst", self.setting(), burst.setting())
    }

    /// Exposure and ISO in words.
    pub(super) fn setting(&self) -> String {
        let exposure = self.exposure_secs.map(|secs| format!("{} s", exposure_text(secs)));
        let iso = self.iso.map(|iso| format!("ISO {iso}"));
        match (exposure, iso) {
            (Some(exposure), Some(iso)) => format!("{exposure} at {iso}"),
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => "unknown settings".to_owned(),
        }
    }
}

/// Seconds as photographers write them.
pub(super) fn exposure_text(secs: f64) -> String {
    if secs > 0.0 && secs < 0.3 { format!("1/{:.0}", 1.0 / secs) } else { format!("{}", (secs * 100.0).round() / 100.0) }
}

pub(super) fn same_exposure(a: f64, b: f64) -> bool {
    (a - b).abs() <= SAME_EXPOSURE * a.max(b)
}

/// Decodes frames of a group until one succeeds.
struct Opener<'a> {
    monitor: &'a Monitor,
    decoder: &'a Decoder,
    given: &'a [PathBuf],
    /// Why a frame does not belong to the burst, once it is known.
    refused: Vec<Option<String>>,
}

impl Opener<'_> {
    fn open_first(&mut self, members: &[usize]) -> Result<Option<(usize, RawFrame)>, Error> {
        for &idx in members {
            self.monitor.step("Opening the first frame", 0, 1)?;
            match decode(self.monitor, self.decoder, &self.given[idx])? {
                Ok(raw) => return Ok(Some((idx, raw))),
                Err(reason) => self.refused[idx] = Some(reason),
            }
        }
        Ok(None)
    }
}

/// A sentence for each kind that was found among the lights.
fn found_notes(calibration: &[(FrameKind, usize)], given: &[PathBuf]) -> Vec<String> {
    let of_kind = |kind| {
        let paths: Vec<&PathBuf> =
            calibration.iter().filter(|(other, _)| *other == kind).map(|&(_, idx)| &given[idx]).collect();
        (!paths.is_empty()).then(|| {
            let names = list_names(paths.iter().map(|path| path.as_path()));
            format!("{} {} frames lie among the light frames and calibrate them: {names}", paths.len(), kind.word())
        })
    };
    [FrameKind::Bias, FrameKind::Dark, FrameKind::Flat].into_iter().filter_map(of_kind).collect()
}

/// File names joined by commas, the rest counted.
pub(super) fn list_names<'a>(paths: impl ExactSizeIterator<Item = &'a Path>) -> String {
    let rest = paths.len().saturating_sub(NAMES_LISTED);
    let mut names: Vec<String> = paths.take(NAMES_LISTED).map(file_name).collect();
    if rest > 0 {
        names.push(format!("{rest} more"));
    }
    names.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raw::Metadata;

    fn facts(camera: &str, iso: u32, exposure_secs: f64) -> Option<FrameFacts> {
        let metadata = Metadata {
            model: Some(camera.to_owned()),
            iso: Some(iso),
            exposure_secs: Some(exposure_secs),
            ..Metadata::default()
        };
        Some(FrameFacts { metadata, size: Some(Size { width: 480, height: 320 }) })
    }

    #[test]
    fn frames_taken_alike_are_one_group_and_the_largest_comes_first() {
        let all = [
            facts("Other Two", 3200, 16.0),
            facts("Invented One", 3200, 16.0),
            None,
            facts("Invented One", 3200, 16.1),
            facts("Invented One", 6400, 16.0),
        ];
        let groups = group(&all, &[0, 1, 2, 3, 4]);
        let members: Vec<&[usize]> = groups.iter().map(|group| group.members.as_slice()).collect();
        assert_eq!(members, [&[1, 2, 3][..], &[0], &[4]], "a third of a stop is rounded; a silent file joins the most");
        let reason = groups[1].taken.obstacle(&groups[0].taken, "night-002.dng").expect("another camera");
        assert!(reason.contains("Other Two") && reason.contains("Invented One"), "{reason}");
        assert_eq!(groups[2].taken.obstacle(&groups[0].taken, ""), None, "another ISO is no obstacle");
        let difference = groups[2].taken.difference(&groups[0].taken);
        assert!(difference.contains("16 s at ISO 6400") && difference.contains("ISO 3200"), "{difference}");
    }

    #[test]
    fn exposures_are_written_as_photographers_do() {
        assert_eq!(exposure_text(1.0 / 8000.0), "1/8000", "short");
        assert_eq!(exposure_text(0.5), "0.5", "half a second");
        assert_eq!(exposure_text(13.0), "13", "long");
    }
}
