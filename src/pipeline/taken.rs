//! How frames were taken, and which were taken alike.

use crate::pixels::Size;
use crate::raw::FrameFacts;

/// Exposures that differ by less are one: cameras round thirds of stops.
const SAME_EXPOSURE: f64 = 0.03;

/// How a frame was taken, as far as the frames of a burst must agree.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Taken {
    pub(super) camera: Option<String>,
    pub(super) size: Option<Size>,
    pub(super) iso: Option<u32>,
    pub(super) exposure_secs: Option<f64>,
}

/// Frames taken alike.
pub(super) struct Group {
    pub(super) taken: Taken,
    pub(super) members: Vec<usize>,
}

/// The groups, the largest first. Files that do not say how they were taken belong to the largest: decoding will
/// tell what they are.
pub(super) fn group(facts: &[Option<FrameFacts>], frames: &[usize]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    let mut silent = Vec::new();
    for &idx in frames {
        let Some(taken) = facts[idx].as_ref().map(Taken::of).filter(Taken::tells) else {
            silent.push(idx);
            continue;
        };
        match groups.iter_mut().find(|group| group.taken.agrees(&taken)) {
            Some(group) => {
                group.taken.learn(&taken);
                group.members.push(idx);
            }
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

    /// Whether anything is known.
    fn tells(&self) -> bool {
        self.camera.is_some() || self.size.is_some() || self.iso.is_some() || self.exposure_secs.is_some()
    }

    /// Takes over what was unknown.
    fn learn(&mut self, other: &Self) {
        self.camera = self.camera.take().or_else(|| other.camera.clone());
        self.size = self.size.or(other.size);
        self.iso = self.iso.or(other.iso);
        self.exposure_secs = self.exposure_secs.or(other.exposure_secs);
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
    pub(super) fn obstacle(&self, burst: &Self, first: &str) -> Option<String> {
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
    pub(super) fn difference(&self, burst: &Self) -> String {
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
    if secs > 0.0 && secs < 0.3 {
        format!("1/{:.0}", 1.0 / secs)
    } else {
        format!("{}", (secs * 100.0).round() / 100.0)
    }
}

pub(super) fn same_exposure(a: f64, b: f64) -> bool {
    (a - b).abs() <= SAME_EXPOSURE * a.max(b)
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
