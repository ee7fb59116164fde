//! How long the window takes for each frame of the screen, for measurements: set the environment
//! variable `NIGHTSHEAF_FRAME_TIMES` to a file, work with the window, close it, and read the file.

use std::path::PathBuf;

/// Frames of the screen that are remembered: ten minutes at sixty a second.
const MOST_FRAMES: usize = 36_000;

/// Remembers frame times where a file for them was named.
#[derive(Debug, Default)]
pub struct FrameClock {
    target: Option<PathBuf>,
    milliseconds: Vec<f32>,
}

impl FrameClock {
    /// Looks for the environment variable.
    #[must_use]
    pub fn from_environment() -> Self {
        let target = std::env::var_os("NIGHTSHEAF_FRAME_TIMES").map(PathBuf::from);
        Self { target, milliseconds: Vec::new() }
    }

    /// Takes one frame time in.
    pub fn note(&mut self, secs: Option<f32>) {
        if self.target.is_some() && self.milliseconds.len() < MOST_FRAMES {
            self.milliseconds.extend(secs.map(|secs| 1000.0 * secs));
        }
    }

    /// Writes one time in milliseconds a line.
    pub fn save(&self) -> std::io::Result<()> {
        let Some(target) = &self.target else { return Ok(()) };
        let lines: String = self.milliseconds.iter().map(|time| format!("{time:.2}\n")).collect();
        std::fs::write(target, lines)
    }
}
