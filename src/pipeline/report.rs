//! What was done, to be read by a person or a program.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::error::Error;
use crate::export::replace_file;

/// What became of a run. Names are stable: other programs read them.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Report {
    /// Every light frame given, in the order given.
    pub frames: Vec<FrameReport>,
    /// File name of the reference frame.
    pub reference: String,
    /// How much cleaner the picture is.
    pub noise: Option<NoiseReport>,
    /// Hot and dead pixels repaired.
    pub defects_repaired: usize,
    /// Things a person should know; each a sentence.
    pub notes: Vec<String>,
    /// Wall time of each stage.
    pub seconds: StageSeconds,
    /// Largest memory of this process and its children together, where the system tells.
    pub peak_memory_bytes: Option<u64>,
}

/// Wall time of each stage, in the order of the work.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StageSeconds(pub Vec<(String, f64)>);

impl Serialize for StageSeconds {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(stage, seconds)| (stage, seconds)))
    }
}

/// One light frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FrameReport {
    /// The file.
    pub file: PathBuf,
    /// Whether the frame is part of the picture.
    pub used: bool,
    /// Why not, or what to know; empty where there is nothing to say.
    pub reason: String,
    /// Share in the mean before clipping, relative to the reference frame.
    pub weight: f64,
    /// Registration model, or `none`.
    pub registration: String,
    /// Star pairs that agree.
    pub matched: usize,
    /// Their root mean square distance.
    pub rms_px: Option<f64>,
}

/// How much cleaner the picture is, on star-free sky, free of the smoothing of interpolation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoiseReport {
    /// Standard deviation of the reference frame alone, 1.0 at the white level.
    pub single: f64,
    /// Standard deviation of the stack.
    pub stack: f64,
    /// Single over stack.
    pub gain: f64,
    /// What the frames kept allow: the square root of their number for equal weights.
    pub ideal: f64,
}

impl Report {
    /// Writes the report as JSON, whole or not at all.
    pub fn save(&self, path: &Path) -> Result<(), Error> {
        let text = serde_json::to_string_pretty(self).expect("a report is plain data");
        replace_file(path, text.len() as u64, |out| Ok(out.write_all(text.as_bytes())?))
            .map_err(|source| Error::Export { path: path.to_owned(), source })
    }
}
