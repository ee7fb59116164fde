//! The sheaf: one night's frames, what a person decided about them, and all choices of the run.
//!
//! Everything that undo covers is here and nothing else.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::pipeline::{
    Combine, DevelopSettings, FileFormat, ForegroundMask, FrameFinding, FrameKind, MaskChoice, ReferenceChoice,
    Request, Verdict,
};

/// One night's frames with all choices.
#[derive(Clone, Debug, Default)]
pub struct Sheaf {
    /// Light frames in the order of their names.
    pub frames: Vec<Frame>,
    /// What is landscape.
    pub land: Land,
    /// The landscape as painted, loaded or found, in sensor coordinates.
    pub mask: Option<Arc<ForegroundMask>>,
    /// How the frames become a picture.
    pub choices: Choices,
}

/// A light frame.
#[derive(Clone, Debug)]
pub struct Frame {
    /// The file.
    pub path: PathBuf,
    /// What was measured, once it is.
    pub finding: Option<FrameFinding>,
    /// Whether the person wants it, where they said so against or ahead of the verdict.
    pub wanted: Option<bool>,
}

impl Frame {
    /// A frame of which nothing is known yet.
    #[must_use]
    pub fn new(path: PathBuf) -> Self {
        Self { path, finding: None, wanted: None }
    }

    /// Its file name.
    #[must_use]
    pub fn name(&self) -> String {
        file_name(&self.path)
    }

    /// Whether it is left out: the person's word, else the verdict.
    #[must_use]
    pub fn is_aside(&self) -> bool {
        let verdict = self.finding.as_ref().map(|finding| finding.verdict);
        !self.wanted.unwrap_or(verdict != Some(Verdict::SetAside))
    }

    /// What it calibrates the others as, where it is no light and the person has not said otherwise.
    #[must_use]
    pub fn calibrates_as(&self) -> Option<FrameKind> {
        let kind = self.finding.as_ref().map(|finding| finding.kind);
        kind.filter(|kind| *kind != FrameKind::Light && self.wanted.is_none())
    }

    /// Why it is left out or doubtful, or what overrules that; empty where there is nothing to say.
    #[must_use]
    pub fn reason(&self) -> String {
        let measured = self.finding.as_ref().map_or("", |finding| finding.reason.as_str());
        match self.wanted {
            Some(false) => "set aside by you".to_owned(),
            Some(true) if !measured.is_empty() => format!("kept by you although {measured}"),
            _ => measured.to_owned(),
        }
    }

    /// When its exposure began, in seconds of the camera's clock.
    #[must_use]
    pub fn clock_secs(&self) -> Option<f64> {
        Some(self.finding.as_ref()?.metadata.capture_time?.clock_secs)
    }
}

/// A path's last part, as a person reads it.
#[must_use]
pub fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// What is landscape.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Land {
    /// What stands still while the stars move, found by the run.
    #[default]
    Found,
    /// The mask in the sheaf.
    Painted,
    /// Nothing: sky only.
    Nothing,
}

/// How the frames become a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Choices {
    /// How the samples of one pixel become one.
    pub combine: Combine,
    /// Samples this many σ below the centre are left out.
    pub drop_below_sigma: f32,
    /// Samples this many σ above the centre are left out.
    pub drop_above_sigma: f32,
    /// The frame that the sky is brought to, where a person named it.
    pub reference: Option<PathBuf>,
    /// How the picture is developed.
    pub develop: DevelopSettings,
    /// What kind of file is written.
    pub format: FileFormat,
}

impl Default for Choices {
    fn default() -> Self {
        Self {
            combine: Combine::default(),
            drop_below_sigma: 3.0,
            drop_above_sigma: 3.0,
            reference: None,
            develop: DevelopSettings::default(),
            format: FileFormat::default(),
        }
    }
}

impl Sheaf {
    /// How many frames take part.
    #[must_use]
    pub fn n_wanted(&self) -> usize {
        self.frames.iter().filter(|frame| !frame.is_aside()).count()
    }

    /// The run that this sheaf asks for.
    #[must_use]
    pub fn request(&self, memory_bytes: u64) -> Request {
        let lights = || self.frames.iter().filter(|frame| frame.calibrates_as().is_none());
        let paths = |aside: bool| {
            let chosen = lights().filter(move |frame| !aside || frame.is_aside());
            chosen.map(|frame| frame.path.clone()).collect()
        };
        let mask = match (self.land, &self.mask) {
            (Land::Nothing, _) => MaskChoice::None,
            (Land::Painted, Some(mask)) => MaskChoice::Given(Arc::clone(mask)),
            (Land::Painted, None) | (Land::Found, _) => MaskChoice::Auto,
        };
        let reference = self.choices.reference.clone().map_or(ReferenceChoice::Auto, ReferenceChoice::File);
        Request {
            lights: paths(false),
            skip: paths(true),
            beside: self.frames.iter().filter_map(|frame| Some((frame.calibrates_as()?, frame.path.clone()))).collect(),
            mask,
            reference,
            combine: self.choices.combine,
            drop_below_sigma: self.choices.drop_below_sigma,
            drop_above_sigma: self.choices.drop_above_sigma,
            memory_bytes,
            keep_single: true,
            ..Request::default()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_person_overrules_the_verdict_and_the_request_follows() {
        let mut sheaf = Sheaf::default();
        for name in ["a.dng", "b.dng", "c.dng"] {
            sheaf.frames.push(Frame::new(PathBuf::from(name)));
        }
        sheaf.frames[1].wanted = Some(false);
        let request = sheaf.request(1 << 30);
        assert_eq!(request.skip, [PathBuf::from("b.dng")], "the one set aside");
        assert_eq!(request.lights.len(), 3, "all are named, so that the report speaks of all");
        assert_eq!(sheaf.n_wanted(), 2, "two take part");
    }

    #[test]
    fn a_dark_among_the_frames_calibrates_the_others_until_the_person_sets_it_aside() {
        let mut dark = Frame::new(PathBuf::from("d.dng"));
        dark.finding = Some(FrameFinding {
            path: dark.path.clone(),
            kind: FrameKind::Dark,
            size: None,
            orientation: crate::pixels::Orientation::Normal,
            metadata: crate::pipeline::Metadata::default(),
            measures: None,
            verdict: Verdict::SetAside,
            reason: "is a dark frame".to_owned(),
        });
        let mut sheaf = Sheaf { frames: vec![Frame::new(PathBuf::from("a.dng")), dark], ..Sheaf::default() };
        let request = sheaf.request(0);
        assert_eq!(request.beside, [(FrameKind::Dark, PathBuf::from("d.dng"))], "as a dark");
        assert_eq!((request.lights.len(), request.skip.len()), (1, 0), "and not as a light");
        sheaf.frames[1].wanted = Some(false);
        let request = sheaf.request(0);
        assert_eq!((request.beside.len(), request.skip), (0, vec![PathBuf::from("d.dng")]), "not at all");
    }

    #[test]
    fn painted_landscape_is_given_and_kept_when_the_choice_changes() {
        let mask = ForegroundMask(crate::pixels::Plane::filled(crate::pixels::Size { width: 2, height: 2 }, 1.0));
        let mut sheaf = Sheaf { mask: Some(Arc::new(mask)), land: Land::Painted, ..Sheaf::default() };
        assert!(matches!(sheaf.request(0).mask, MaskChoice::Given(_)), "as painted");
        sheaf.land = Land::Nothing;
        assert!(matches!(sheaf.request(0).mask, MaskChoice::None), "sky only");
        assert!(sheaf.mask.is_some(), "what was painted is still there to come back to");
    }
}
