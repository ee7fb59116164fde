//! What ends a run. The variants follow who can act: the file, the request, the machine, the person.

use std::fmt;
use std::io;
use std::path::PathBuf;

use crate::job::Cancelled;
use crate::pixels::Size;

/// What ends a run. A bad light frame among good ones does not: it is set aside with its reason.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A path that was given does not exist.
    #[error("{path} cannot be opened: check the name and that the drive is connected", path = .path.display())]
    Missing {
        /// The path as given.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A folder cannot be listed.
    #[error("the folder {path} cannot be read: give yourself permission or choose another", path = .path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// Nothing to work on.
    #[error("no frames found in {}: give raw, TIFF, PNG or JPEG files, or a folder of them", list(.paths))]
    NoFrames {
        /// What was given.
        paths: Vec<PathBuf>,
    },
    /// A picture needs at least two usable frames.
    #[error("{usable} of {given} frames can be used, a stack needs {needed}{}", reasons(.set_aside))]
    TooFewFrames {
        /// Frames that could be used.
        usable: usize,
        /// Frames given.
        given: usize,
        /// Frames needed.
        needed: usize,
        /// The others with their reasons.
        set_aside: Vec<(PathBuf, String)>,
    },
    /// A frame that the request names is not among the lights.
    #[error("{path} is not among the light frames: name one of them", path = .path.display())]
    NotAmongLights {
        /// The frame named.
        path: PathBuf,
    },
    /// Calibration frames do not fit the lights.
    #[error("{path} is {found}, the light frames are {needed}: use {kind} frames of the same camera", path = .path.display())]
    CalibrationSize {
        /// The file.
        path: PathBuf,
        /// Its kind: dark, flat or bias.
        kind: &'static str,
        /// Its size.
        found: Size,
        /// The size of the lights.
        needed: Size,
    },
    /// A mask cannot be used.
    #[error("the mask {path} {what}", path = .path.display())]
    Mask {
        /// The mask file.
        path: PathBuf,
        /// What is wrong and what to do.
        what: String,
    },
    /// The person stopped the run.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

fn list(paths: &[PathBuf]) -> String {
    paths.iter().map(|path| path.display().to_string()).collect::<Vec<_>>().join(", ")
}

fn reasons(set_aside: &[(PathBuf, String)]) -> String {
    set_aside.iter().map(|(path, reason)| format!("\n  {}: {reason}", path.display())).collect()
}

/// An error with its sources, joined by `: `, as a person reads it.
#[derive(Debug)]
pub struct WithSources<'a>(pub &'a dyn std::error::Error);

impl fmt::Display for WithSources<'_> {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{}", self.0)?;
        let mut source = self.0.source();
        while let Some(error) = source {
            write!(formatter, ": {error}")?;
            source = error.source();
        }
        Ok(())
    }
}
