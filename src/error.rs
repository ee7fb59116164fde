//! What ends a run. The variants follow who can act: the file, the request, the machine, the person.

use std::fmt;
use std::io;
use std::path::PathBuf;

use crate::export::ExportError;
use crate::job::Cancelled;
use crate::raw::DecodeError;
use crate::scratch::ScratchError;
use crate::stack::StackError;
pub use crate::system::InWords;

/// What ends a run. A bad light frame among good ones does not: it is set aside with its reason.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A path that was given does not exist.
    #[error("{path} cannot be opened: {}: check the name and that the drive is connected", InWords(.said), path = .path.display())]
    Missing {
        /// The path as given.
        path: PathBuf,
        /// What the system says.
        said: io::Error,
    },
    /// A folder cannot be listed.
    #[error("the folder {path} cannot be read: {}: give yourself permission or choose another", InWords(.said), path = .path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system says.
        said: io::Error,
    },
    /// Nothing to work on.
    #[error("no frames found in {}: give raw, TIFF, PNG or JPEG files, or a folder of them", list(.paths))]
    NoFrames {
        /// What was given.
        paths: Vec<PathBuf>,
    },
    /// A stack and a mask need at least two usable frames, a measure one.
    #[error("{usable} of {given} frames can be used{}{}", need(*.wanted_for, .set_aside), reasons(.set_aside))]
    TooFewFrames {
        /// Frames that could be used.
        usable: usize,
        /// Frames given.
        given: usize,
        /// What they are wanted for.
        wanted_for: FramesFor,
        /// The others with their reasons.
        set_aside: Vec<(PathBuf, String)>,
    },
    /// A frame that the request names is not among the lights.
    #[error("{path} is not among the light frames: name one of them", path = .path.display())]
    NotAmongLights {
        /// The frame named.
        path: PathBuf,
    },
    /// The output would take the place of a frame.
    #[error("{path} is one of the frames and will not be written over: choose another name", path = .path.display())]
    OverFrame {
        /// The output asked for.
        path: PathBuf,
    },
    /// The output would take the place of the mask that is read.
    #[error("{path} is the mask that is read and will not be written over: choose another name", path = .path.display())]
    OverMask {
        /// The output asked for.
        path: PathBuf,
    },
    /// A frame cannot be decoded where only this one was asked for.
    #[error("{path} cannot be read", path = .path.display())]
    Decode {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: DecodeError,
    },
    /// A file of this name would hold something else than its ending says.
    #[error("{path} {what}", path = .path.display())]
    Ending {
        /// The file asked for.
        path: PathBuf,
        /// What is wrong and what can be written.
        what: String,
    },
    /// Choices that contradict each other.
    #[error("{what}")]
    Settings {
        /// Which, and what to do.
        what: &'static str,
    },
    /// A mask cannot be used.
    #[error("the mask {path} {what}", path = .path.display())]
    Mask {
        /// The mask file.
        path: PathBuf,
        /// What is wrong and what to do.
        what: String,
    },
    /// A lens profile cannot be used or not be made.
    #[error("the lens profile {path} {what}", path = .path.display())]
    LensProfile {
        /// The profile's file.
        path: PathBuf,
        /// What is wrong and what to do.
        what: String,
    },
    /// A sheaf file cannot be used or not be written.
    #[error("{path} {what}", path = .path.display())]
    Sheaf {
        /// The sheaf's file.
        path: PathBuf,
        /// What is wrong and what to do.
        what: String,
    },
    /// A sheaf file of a later version.
    #[error(
        "{path} was saved by a newer Nightsheaf (version {found}, this one reads up to {known}): update Nightsheaf, \
         the file stays as it is",
        path = .path.display()
    )]
    NewerSheaf {
        /// The sheaf's file.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The highest that is read.
        known: u32,
    },
    /// Files that a sheaf names are not where they were.
    #[error("{} of the files that {sheaf} names are not there: {remedy}:{}", .paths.len(), lines(.paths), sheaf = .sheaf.display())]
    MissingFrames {
        /// The sheaf's file.
        sheaf: PathBuf,
        /// What is missing.
        paths: Vec<PathBuf>,
        /// What to do.
        remedy: &'static str,
    },
    /// No place for the temporary file.
    #[error(transparent)]
    Scratch(#[from] ScratchError),
    /// The temporary file failed in the middle of the work.
    #[error("the stack could not be finished")]
    Stack {
        /// What the stack says.
        source: StackError,
    },
    /// A file cannot be written.
    #[error("{path} cannot be written", path = .path.display())]
    Export {
        /// The file.
        path: PathBuf,
        /// Why.
        source: ExportError,
    },
    /// The program does not find its own file, which it needs to decode frames.
    #[error("the program's own file cannot be found: start it again")]
    NoProgram {
        /// What the system says.
        source: io::Error,
    },
    /// The person stopped the run.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// What frames are wanted for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FramesFor {
    /// A stack of two or more.
    Stack,
    /// To find the landscape in two or more.
    Mask,
    /// Each for itself.
    Measure,
}

impl Error {
    /// The same error, said of frames that are wanted for something else.
    #[must_use]
    pub fn wanted_for(self, wanted_for: FramesFor) -> Self {
        match self {
            Self::TooFewFrames { usable, given, set_aside, .. } => {
                Self::TooFewFrames { usable, given, wanted_for, set_aside }
            }
            other => other,
        }
    }
}

impl From<StackError> for Error {
    fn from(source: StackError) -> Self {
        match source {
            StackError::Cancelled(cancelled) => Self::Cancelled(cancelled),
            source => Self::Stack { source },
        }
    }
}

fn list(paths: &[PathBuf]) -> String {
    paths.iter().map(|path| path.display().to_string()).collect::<Vec<_>>().join(", ")
}

fn lines(paths: &[PathBuf]) -> String {
    paths.iter().map(|path| format!("\n  {}", path.display())).collect()
}

/// How many are needed and where more come from: others have their reasons, or the person set them aside.
fn need(wanted_for: FramesFor, set_aside: &[(PathBuf, String)]) -> String {
    let end = if set_aside.is_empty() { "" } else { "; these were set aside:" };
    match wanted_for {
        FramesFor::Measure => String::new(),
        FramesFor::Mask => format!(
            ", a mask needs 2: the landscape is found by what moves above it, give two frames or more of the burst{end}"
        ),
        FramesFor::Stack if set_aside.is_empty() => {
            ", a stack needs 2: add frames of the same night, or take back one that was set aside".to_owned()
        }
        FramesFor::Stack => format!(", a stack needs 2: add frames of the same night{end}"),
    }
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
            match error.downcast_ref::<io::Error>() {
                Some(said) => write!(formatter, ": {}", InWords(said))?,
                None => write!(formatter, ": {error}")?,
            }
            source = error.source();
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_few_frames_are_told_with_what_they_are_wanted_for_and_what_to_do() {
        let of = |wanted_for, set_aside| {
            let one = Error::TooFewFrames { usable: 1, given: 2, wanted_for: FramesFor::Stack, set_aside };
            one.wanted_for(wanted_for).to_string()
        };
        let letter = || vec![(PathBuf::from("letter.dng"), "found text".to_owned())];
        let stack = "1 of 2 frames can be used, a stack needs 2: add frames of the same night";
        let mask = "1 of 2 frames can be used, a mask needs 2: the landscape is found by what moves above it, give two \
                    frames or more of the burst";
        let (back, aside) =
            (", or take back one that was set aside", "; these were set aside:\n  letter.dng: found text");
        assert_eq!(of(FramesFor::Stack, Vec::new()), format!("{stack}{back}"), "nothing else is known");
        assert_eq!(of(FramesFor::Stack, letter()), format!("{stack}{aside}"), "the others have their reasons");
        assert_eq!(of(FramesFor::Mask, Vec::new()), mask, "a mask");
        assert_eq!(of(FramesFor::Mask, letter()), format!("{mask}{aside}"), "a mask, and the letter");
        let measured = "1 of 2 frames can be used\n  letter.dng: found text";
        assert_eq!(of(FramesFor::Measure, letter()), measured, "one is enough to measure");
    }
}
