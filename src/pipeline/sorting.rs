//! Which of the frames given as lights are lights of one burst, what the others are, and why.
//!
//! First every file is asked what it says of itself, which is cheap. Frames of one camera, size, ISO and exposure
//! are one group. One frame of a group is decoded to see what it shows; the largest group of scenes is the burst.
//! Darks taken with the settings of the lights are in one group with them: the pass over the burst, which decodes
//! every frame anyway, finds them by what they show (`lights`), and the burst is sorted again.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::calibrate::{Content, ContentMeasure};
use crate::error::{Error, FramesFor};
use crate::job::Monitor;
use crate::pipeline::gather::FrameKind;
use crate::pipeline::lights::{Basis, FirstFrame, decode};
use crate::pipeline::run::file_name;
use crate::pipeline::survey::{side_by_side, survey};
use crate::pipeline::taken::group;
use crate::raw::{Decoder, FrameScale, RawFrame};

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
    scale: FrameScale,
    n_at_once: usize,
) -> Result<Sorted, Error> {
    let facts = survey(monitor, decoder, given, n_at_once)?;
    let unsorted: Vec<usize> = (0..given.len()).filter(|&idx| !known.contains_key(&given[idx])).collect();
    let groups = group(&facts, &unsorted);
    let mut opener = Opener { monitor, decoder, given, scale, refused: vec![None; given.len()] };
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
        // Darks may come first in a group of lights.
        if kinds[number] == Some(FrameKind::Dark)
            && let Some((idx, raw)) = opener.open_light(group.members.iter().rev().take(1))?
        {
            found = Some((number, idx, raw));
            break;
        }
    }
    if found.is_none()
        && let Some(largest) = groups.first()
    {
        found = opener.open_light(largest.members.iter())?.map(|(idx, raw)| (0, idx, raw));
    }
    let is_scene = found.is_some();
    let Some((main, first_idx, raw)) = found.or(stand_in) else {
        let set_aside = with_reasons(given, &opener.refused);
        return Err(Error::TooFewFrames { usable: 0, given: given.len(), wanted_for: FramesFor::Stack, set_aside });
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

/// Those of the frames that have a reason why they are not used.
pub(super) fn with_reasons(paths: &[PathBuf], refused: &[Option<String>]) -> Vec<(PathBuf, String)> {
    paths.iter().zip(refused).filter_map(|(path, reason)| Some((path.clone(), reason.clone()?))).collect()
}

/// Why a frame that shows no scene is not stacked.
pub(super) fn calibrates(kind: FrameKind, by: &str) -> String {
    format!("is a {} frame by {by}: it calibrates and is not stacked", kind.word())
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
    scale: FrameScale,
    n_at_once: usize,
) -> Result<Vec<(PathBuf, FrameKind)>, Error> {
    let kinds = side_by_side(monitor, "Looking for dark frames", paths, n_at_once, |path| {
        Ok(decode(monitor, decoder, path, scale)?.map_or(FrameKind::Light, |raw| kind_in_burst(&raw, light_level)))
    })?;
    Ok(paths.iter().cloned().zip(kinds).filter(|(_, kind)| *kind != FrameKind::Light).collect())
}

/// Decodes frames of a group until one succeeds.
struct Opener<'a> {
    monitor: &'a Monitor,
    decoder: &'a Decoder,
    given: &'a [PathBuf],
    scale: FrameScale,
    /// Why a frame does not belong to the burst, once it is known.
    refused: Vec<Option<String>>,
}

impl Opener<'_> {
    /// The first of these frames that shows a scene.
    fn open_light<'a>(&mut self, members: impl Iterator<Item = &'a usize>) -> Result<Option<(usize, RawFrame)>, Error> {
        for &idx in members {
            let opened = self.open_first(&[idx])?;
            if let Some((idx, raw)) = opened.filter(|(_, raw)| kind_of(raw, None) == FrameKind::Light) {
                return Ok(Some((idx, raw)));
            }
        }
        Ok(None)
    }

    fn open_first(&mut self, members: &[usize]) -> Result<Option<(usize, RawFrame)>, Error> {
        for &idx in members {
            self.monitor.step("Opening the first frame", 0, 1)?;
            match decode(self.monitor, self.decoder, &self.given[idx], self.scale)? {
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
