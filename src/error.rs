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
    /// A stack needs at least two usable frames, a measure one.
    #[error("{usable} of {given} frames can be used{}{}", need(*.needed), reasons(.set_aside))]
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

/// One frame is no stack: who asked for one only knows that it is needed.
fn need(needed: usize) -> String {
    if needed > 1 { format!(", a stack needs {needed}") } else { String::new() }
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
