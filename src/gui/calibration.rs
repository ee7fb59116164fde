//! Frames that are not of the sky: darks, flats and bias frames.

use std::borrow::Cow;
use std::path::{Path, PathBuf};

use crate::gui::sheaf::Calibration;

/// What kind of frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CalibrationKind {
    /// Same exposure and sensitivity, no light.
    Dark,
    /// An evenly lit surface through the same lens.
    Flat,
    /// The shortest exposure, no light.
    Bias,
}

impl CalibrationKind {
    /// All kinds, in the order in which they are shown.
    pub const ALL: [Self; 3] = [Self::Dark, Self::Flat, Self::Bias];

    /// What a person reads.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Dark => "Dark frames",
            Self::Flat => "Flat frames",
            Self::Bias => "Bias frames",
        }
    }

    /// What stands on the button that asks for them.
    #[must_use]
    pub fn short_name(self) -> &'static str {
        match self {
            Self::Dark => "Darks…",
            Self::Flat => "Flats…",
            Self::Bias => "Bias…",
        }
    }

    /// What they are and what they are good for, in one sentence.
    #[must_use]
    pub fn hint(self) -> &'static str {
        match self {
            Self::Dark => "Shot with the lid on, same exposure and ISO as the night: they take hot pixels away",
            Self::Flat => "An evenly lit surface through the same lens: they take dark corners and dust away",
            Self::Bias => "Shot with the lid on at the shortest exposure: they make darks and flats exact",
        }
    }
}

impl Calibration {
    /// Whether a file is given for the landscape alone, however it is named.
    #[must_use]
    pub fn is_for_land(&self, path: &Path) -> bool {
        let path = absolute(path);
        self.land.iter().any(|land| absolute(land) == path)
    }

    /// The frames of a kind.
    #[must_use]
    pub fn of(&self, kind: CalibrationKind) -> &[PathBuf] {
        match kind {
            CalibrationKind::Dark => &self.darks,
            CalibrationKind::Flat => &self.flats,
            CalibrationKind::Bias => &self.bias,
        }
    }

    /// The frames of a kind, to be changed.
    pub fn of_mut(&mut self, kind: CalibrationKind) -> &mut Vec<PathBuf> {
        match kind {
            CalibrationKind::Dark => &mut self.darks,
            CalibrationKind::Flat => &mut self.flats,
            CalibrationKind::Bias => &mut self.bias,
        }
    }
}

/// However a file was named, its place from the root.
fn absolute(path: &Path) -> Cow<'_, Path> {
    std::path::absolute(path).map_or(Cow::Borrowed(path), Cow::Owned)
}
