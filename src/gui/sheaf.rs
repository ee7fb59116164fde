//! The sheaf: one night's frames, what a person decided about them, and all choices of the run.
//!
//! Everything that undo covers is here and nothing else.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::pipeline::{
    Colors, Combine, DevelopSettings, FileFormat, ForegroundMask, FrameFinding, FrameKind, Request, Verdict, Writing,
};
use crate::settings::{self, Decider, Landscape, Light, Mark, MaskSource};

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
    /// Calibration frames and frames for the landscape, as the sheaf's file names them.
    pub calibration: Calibration,
}

/// What is not a light frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibration {
    /// Dark frames.
    pub darks: Vec<PathBuf>,
    /// Flat frames.
    pub flats: Vec<PathBuf>,
    /// Bias frames.
    pub bias: Vec<PathBuf>,
    /// The lens as an earlier burst measured it.
    pub lens_profile: Option<PathBuf>,
    /// Frames for the landscape alone, such as longer exposures.
    pub land: Vec<PathBuf>,
}

impl Calibration {
    /// What these frames are.
    #[must_use]
    pub fn known(&self) -> Vec<(FrameKind, PathBuf)> {
        let kinds = [(FrameKind::Dark, &self.darks), (FrameKind::Flat, &self.flats), (FrameKind::Bias, &self.bias)];
        kinds.into_iter().flat_map(|(kind, paths)| paths.iter().map(move |path| (kind, path.clone()))).collect()
    }
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
    /// What the program had decided when the sheaf was saved: it stays so, and so does the picture.
    pub remembered: Option<Remembered>,
}

/// A decision of the program that was saved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Remembered {
    /// Left out.
    pub aside: bool,
    /// Why; empty where there is nothing to say.
    pub reason: String,
}

impl Frame {
    /// A frame of which nothing is known yet.
    #[must_use]
    pub fn new(path: PathBuf) -> Self {
        Self { path, finding: None, wanted: None, remembered: None }
    }

    /// Its file name.
    #[must_use]
    pub fn name(&self) -> String {
        file_name(&self.path)
    }

    /// Whether it is left out: the person's word, else what was saved, else the verdict.
    #[must_use]
    pub fn is_aside(&self) -> bool {
        let verdict = || self.finding.as_ref().is_some_and(|finding| finding.verdict == Verdict::SetAside);
        let by_program = || self.remembered.as_ref().map_or_else(verdict, |remembered| remembered.aside);
        self.wanted.map_or_else(by_program, |wanted| !wanted)
    }

    /// Whether it was tried and could not be read: then it can neither take part nor be the reference.
    #[must_use]
    pub fn is_unread(&self) -> bool {
        // What calibrates the others has no measures of its own.
        self.finding.as_ref().is_some_and(|finding| finding.kind == FrameKind::Light && finding.size.is_none())
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
        let saved = self.remembered.as_ref().map_or("", |remembered| remembered.reason.as_str());
        let measured = self.finding.as_ref().map_or(saved, |finding| finding.reason.as_str());
        let measured = if measured.is_empty() { saved } else { measured };
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
    /// How samples of the mosaic become colors of the sky.
    pub colors: Colors,
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
    /// How it is written.
    pub writing: Writing,
}

impl Default for Choices {
    fn default() -> Self {
        Self {
            combine: Combine::default(),
            colors: Colors::default(),
            drop_below_sigma: 3.0,
            drop_above_sigma: 3.0,
            reference: None,
            develop: DevelopSettings::default(),
            format: FileFormat::default(),
            writing: Writing::default(),
        }
    }
}

impl Sheaf {
    /// How many frames take part.
    #[must_use]
    pub fn n_wanted(&self) -> usize {
        self.frames.iter().filter(|frame| self.is_of_sky(frame)).count()
    }

    /// Whether a frame takes part in the sky: it is not set aside, and not given for the landscape alone.
    #[must_use]
    pub fn is_of_sky(&self, frame: &Frame) -> bool {
        !frame.is_aside() && !self.is_for_land(frame)
    }

    /// Whether a frame of the list is given for the landscape alone.
    #[must_use]
    pub fn is_for_land(&self, frame: &Frame) -> bool {
        self.calibration.is_for_land(&frame.path)
    }

    /// How many frames are lights, taking part or not.
    #[must_use]
    pub fn n_lights(&self) -> usize {
        self.frames.iter().filter(|frame| frame.calibrates_as().is_none()).count()
    }

    /// The run that this sheaf asks for.
    #[must_use]
    pub fn request(&self, memory_bytes: u64) -> Request {
        Request { memory_bytes, keep_single: true, ..self.settings().request() }
    }

    /// As it is saved.
    #[must_use]
    pub fn settings(&self) -> settings::Sheaf {
        let Choices { combine, colors, drop_below_sigma, drop_above_sigma, reference, develop, format, writing } =
            self.choices.clone();
        let Calibration { mut darks, mut flats, mut bias, lens_profile, land } = self.calibration.clone();
        for frame in &self.frames {
            let frames = match frame.calibrates_as() {
                Some(FrameKind::Dark) => &mut darks,
                Some(FrameKind::Flat) => &mut flats,
                Some(FrameKind::Bias) => &mut bias,
                Some(FrameKind::Light) | None => continue,
            };
            // Those that the person named are there already.
            if !frames.contains(&frame.path) {
                frames.push(frame.path.clone());
            }
        }
        settings::Sheaf {
            lights: self.frames.iter().filter(|frame| frame.calibrates_as().is_none()).map(Frame::light).collect(),
            darks,
            flats,
            bias,
            land,
            landscape: match self.land {
                Land::Found => Landscape::Found,
                Land::Painted => Landscape::Mask,
                Land::Nothing => Landscape::None,
            },
            mask: self.mask.clone().map(MaskSource::Inside),
            combine,
            colors,
            drop_below_sigma,
            drop_above_sigma,
            reference,
            lens_profile,
            develop,
            format,
            writing,
        }
    }

    /// Becomes what was saved. A mask that is a file of its own is not read here.
    pub fn take_settings(&mut self, saved: &settings::Sheaf) {
        let saved = saved.clone();
        self.frames = saved.lights.into_iter().map(Frame::from_light).collect();
        self.land = match saved.landscape {
            Landscape::Found => Land::Found,
            Landscape::Mask => Land::Painted,
            Landscape::None => Land::Nothing,
        };
        self.mask = match saved.mask {
            Some(MaskSource::Inside(mask)) => Some(mask),
            Some(MaskSource::File(_)) | None => None,
        };
        self.choices = Choices {
            combine: saved.combine,
            colors: saved.colors,
            drop_below_sigma: saved.drop_below_sigma,
            drop_above_sigma: saved.drop_above_sigma,
            reference: saved.reference,
            develop: saved.develop,
            format: saved.format,
            writing: saved.writing,
        };
        self.calibration = Calibration {
            darks: saved.darks,
            flats: saved.flats,
            bias: saved.bias,
            lens_profile: saved.lens_profile,
            land: saved.land,
        };
    }
}

impl Frame {
    fn light(&self) -> Light {
        let by_program = || {
            let reason = self.reason();
            let decided = self.remembered.is_some() || self.finding.is_some();
            decided.then(|| Mark { aside: self.is_aside(), by: Decider::Measure, reason })
        };
        let by_person = |wanted: bool| Mark { aside: !wanted, by: Decider::Person, reason: String::new() };
        Light { path: self.path.clone(), mark: self.wanted.map(by_person).or_else(by_program) }
    }

    fn from_light(light: Light) -> Self {
        let (wanted, remembered) = match light.mark {
            Some(Mark { aside, by: Decider::Person, .. }) => (Some(!aside), None),
            Some(Mark { aside, by: Decider::Measure, reason }) => (None, Some(Remembered { aside, reason })),
            None => (None, None),
        };
        Self { wanted, remembered, ..Self::new(light.path) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::MaskChoice;

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
            field: None,
            verdict: Verdict::SetAside,
            reason: "is a dark frame".to_owned(),
        });
        let mut sheaf = Sheaf { frames: vec![Frame::new(PathBuf::from("a.dng")), dark], ..Sheaf::default() };
        let request = sheaf.request(0);
        assert_eq!(request.darks, [PathBuf::from("d.dng")], "as a dark");
        assert_eq!((request.lights.len(), request.skip.len()), (1, 0), "and not as a light");
        sheaf.calibration.darks = vec![PathBuf::from("d.dng")];
        assert_eq!(sheaf.request(0).darks.len(), 1, "named by the person too, it counts once");
        sheaf.calibration.darks.clear();
        sheaf.frames[1].wanted = Some(false);
        let request = sheaf.request(0);
        assert_eq!((request.darks.len(), request.skip), (0, vec![PathBuf::from("d.dng")]), "not at all");
    }

    #[test]
    fn what_is_saved_comes_back_and_asks_for_the_same_run() {
        let mask = ForegroundMask(crate::pixels::Plane::filled(crate::pixels::Size { width: 2, height: 2 }, 1.0));
        let mut sheaf = Sheaf { mask: Some(Arc::new(mask)), land: Land::Painted, ..Sheaf::default() };
        sheaf.frames = ["a.dng", "b.dng", "c.dng", "d.dng"].map(|name| Frame::new(PathBuf::from(name))).to_vec();
        sheaf.frames[0].wanted = Some(false);
        sheaf.frames[1].wanted = Some(true);
        sheaf.frames[2].remembered = Some(Remembered { aside: true, reason: "shaken".to_owned() });
        sheaf.choices.reference = Some(PathBuf::from("b.dng"));
        sheaf.choices.format = FileFormat::Png;
        sheaf.choices.colors = Colors::Sampled;
        sheaf.choices.writing = Writing { jpeg_quality: 70, keep_place: true, ..Writing::default() };
        sheaf.calibration.darks = vec![PathBuf::from("dark.dng")];
        sheaf.calibration.land = vec![PathBuf::from("long.dng"), PathBuf::from("d.dng")];
        let saved = sheaf.settings();
        let mut back = Sheaf::default();
        back.take_settings(&saved);
        assert_eq!(back.settings(), saved, "all of it");
        assert_eq!(format!("{:?}", back.request(7)), format!("{:?}", sheaf.request(7)), "and the same run");
        assert_eq!(back.frames[2].reason(), "shaken", "before it is measured anew");
        assert!(back.frames[2].is_aside() && !back.frames[1].is_aside(), "as decided");
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
