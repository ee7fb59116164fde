//! What is kept beyond the window: sheaf files, recovery after a crash, preferences. What can be asked, and
//! what the screen shows of it.

use std::path::PathBuf;
use std::time::Duration;

use crate::gui::sheaf::Calibration;
use crate::gui::theme::Theme;
use crate::settings::{Decider, Leftover, Loaded, Preferences, ScreenLight, Sheaf};

/// A wish about what is kept.
#[derive(Clone, Debug, PartialEq)]
pub enum Keep {
    /// Open this sheaf; asks first where something would be lost.
    Open(PathBuf),
    /// Save the sheaf to its file, or ask for one.
    Save,
    /// Ask for another file and save the sheaf there.
    SaveAs,
    /// Save the sheaf to this file.
    SaveTo(PathBuf),
    /// Ask the desktop for the folder that moved frames are in.
    ChooseMovedFolder,
    /// Look for moved frames in this folder.
    LookIn(PathBuf),
    /// Open the sheaf without the frames that are missing.
    OpenWithoutMissing,
    /// Do not open the sheaf whose frames are missing.
    PutSheafAway,
    /// Go on with the work that a crash left.
    Recover,
    /// Throw away what a crash left.
    DropRecovery,
    /// Save first, then do what was asked.
    SaveAndLeave,
    /// Do what was asked although something is lost.
    LeaveAnyway,
    /// Do not do it.
    Stay,
    /// Show or hide the list of recent sheaves.
    ToggleRecent,
    /// Show or hide the preferences.
    TogglePreferences,
    /// These preferences from now on.
    Prefer(Box<Preferences>),
    /// Ask the desktop for a folder for scratch files.
    ChooseScratch,
}

/// What would put the present night away.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Leaving {
    /// The window closes.
    Close,
    /// Another sheaf takes its place.
    Open(PathBuf),
    /// An empty window takes its place.
    StartOver,
    /// The sample frames take its place.
    Sample,
    /// What a crash left takes its place.
    Recover,
    /// A sheaf takes its place that is read already.
    Show,
}

impl Leaving {
    /// The word on the button that does it although something is lost.
    #[must_use]
    pub fn anyway(&self) -> &'static str {
        match self {
            Self::Close => "Close anyway",
            Self::Open(_) | Self::Recover | Self::Show => "Open anyway",
            Self::StartOver | Self::Sample => "Start over anyway",
        }
    }
}

/// A sheaf of which frames are missing, not opened yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MissingFrames {
    /// The sheaf's file.
    pub sheaf: PathBuf,
    /// Frames that it has.
    pub n_lights: usize,
    /// What is missing.
    pub paths: Vec<PathBuf>,
}

/// Work that a crash left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recovery {
    /// The sheaf it belongs to, where it has one.
    pub sheaf: Option<PathBuf>,
    /// Frames in it.
    pub n_lights: usize,
    /// How old it is.
    pub age: Duration,
}

/// What the screen shows of what is kept.
#[derive(Clone, Debug, Default)]
pub struct Keeping {
    /// The file of the sheaf, where it has one.
    pub path: Option<PathBuf>,
    /// Whether decisions would be lost.
    pub unsaved: bool,
    /// Whether a sheaf is being saved or opened.
    pub busy: bool,
    /// What the person is asked about before it is done.
    pub leaving: Option<Leaving>,
    /// A sheaf that waits for the folder of its frames.
    pub missing: Option<MissingFrames>,
    /// Work that a crash left.
    pub recovery: Option<Recovery>,
    /// Sheaves opened or saved last, newest first.
    pub recent: Vec<PathBuf>,
    /// Whether their list lies over the picture.
    pub recent_shown: bool,
    /// What the person chose once for all nights.
    pub preferences: Preferences,
    /// Whether the preferences lie over the picture.
    pub preferences_shown: bool,
}

impl Keeping {
    /// What outlasts the night.
    #[must_use]
    pub fn for_new_night(&self) -> Self {
        Self {
            recent: self.recent.clone(),
            preferences: self.preferences.clone(),
            recovery: self.recovery.clone(),
            ..Self::default()
        }
    }

    /// Whether any of its strips is to be shown.
    #[must_use]
    pub fn has_strip(&self) -> bool {
        self.leaving.is_some() || self.missing.is_some() || self.recovery.is_some()
    }
}

/// A sheaf on its way to the screen.
#[derive(Debug)]
pub struct Opened {
    /// Its file; `None` for work that never had one.
    pub path: Option<PathBuf>,
    /// All that was read.
    pub loaded: Loaded,
    /// Whether it differs from its file.
    pub unsaved: bool,
    /// The copy that a crash left, where it is one: of no use any more once the night is on the screen.
    pub leftover: Option<Leftover>,
}

/// A sheaf whose frames were looked for in a folder.
#[derive(Debug)]
pub struct Sought {
    /// The sheaf, with the new places of what was found.
    pub opened: Opened,
    /// Where it was looked for.
    pub folder: PathBuf,
    /// What is still missing.
    pub still: Vec<PathBuf>,
}

/// All that a save would change, quick to compare.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Snapshot {
    sheaf: Sheaf,
    mask_version: u64,
}

impl Snapshot {
    /// The sheaf as it is; `mask_version` stands for its mask, which is large.
    #[must_use]
    pub fn new(mut sheaf: Sheaf, mask_version: u64) -> Self {
        sheaf.mask = None;
        // Measured anew, a reason may have other figures; the mark counts.
        for mark in sheaf.lights.iter_mut().filter_map(|light| light.mark.as_mut()) {
            mark.reason.clear();
        }
        Self { sheaf, mask_version }
    }

    /// Whether there are no frames.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.sheaf.lights.is_empty()
    }

    /// Whether a person decided anything, beyond which frames are there; `given` is what was given besides.
    ///
    /// Dark, flat and bias frames that lay among the others are no decision.
    #[must_use]
    pub fn is_decided(&self, given: &Calibration) -> bool {
        let mut marks = self.sheaf.lights.iter().filter_map(|light| light.mark.as_ref());
        let Sheaf { lights, darks, flats, bias, .. } = self.sheaf.clone();
        let plain = Sheaf { lights, darks, flats, bias, ..Sheaf::default() };
        let is_any_given = *given != Calibration::default();
        marks.any(|mark| mark.by == Decider::Person) || is_any_given || self.sheaf != plain
    }
}

/// The theme for a light.
#[must_use]
pub fn theme_of(light: ScreenLight) -> Theme {
    match light {
        ScreenLight::Dark => Theme::Dark,
        ScreenLight::Red => Theme::Red,
        ScreenLight::Paper => Theme::Paper,
    }
}

/// The light of a theme.
#[must_use]
pub fn light_of(theme: Theme) -> ScreenLight {
    match theme {
        Theme::Dark => ScreenLight::Dark,
        Theme::Red => ScreenLight::Red,
        Theme::Paper => ScreenLight::Paper,
    }
}
