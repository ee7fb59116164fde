//! Preferences, and what the window remembers by itself. Neither can keep the program from starting.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::error::{Error, InWords};
use crate::export::replace_file;
use crate::settings::check::line_at;
use crate::system::open_file;

/// Sheaves that are remembered at most.
pub const MOST_RECENT: usize = 8;

/// Memory that a run needs at least, in MiB.
const LEAST_MEMORY_MIB: u64 = 256;

/// In which light the window is read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Light {
    /// Dim, for evenings.
    #[default]
    Dark,
    /// Red only, for dark-adapted eyes.
    Red,
    /// Dark ink on paper, for daylight.
    Paper,
}

/// What a person chose once for all nights.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Preferences {
    /// The light of the window.
    pub light: Light,
    /// Size of text and controls, 1.0 as the desktop says.
    pub scale: f32,
    /// Most memory that a run may take, in MiB.
    pub memory_mib: u64,
    /// Folder for scratch files; beside the frames where `None`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scratch_folder: Option<PathBuf>,
    /// Threads that a run works with; all cores where `None`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub threads: Option<u16>,
    /// Seconds after which unsaved work is copied.
    pub autosave_secs: u32,
}

impl Default for Preferences {
    fn default() -> Self {
        Self {
            light: Light::default(),
            scale: 1.0,
            memory_mib: 1536,
            scratch_folder: None,
            threads: None,
            autosave_secs: 20,
        }
    }
}

impl Preferences {
    /// Smallest and largest scale.
    pub const SCALE: std::ops::RangeInclusive<f32> = 0.75..=2.5;
    /// Least and most memory in MiB.
    pub const MEMORY_MIB: std::ops::RangeInclusive<u64> = LEAST_MEMORY_MIB..=262_144;
    /// Least and most threads.
    pub const THREADS: std::ops::RangeInclusive<u16> = 1..=256;
    /// Shortest and longest time between two copies of unsaved work.
    pub const AUTOSAVE_SECS: std::ops::RangeInclusive<u32> = 5..=600;

    /// The preferences in a file, and what to tell about it: a broken file gives the defaults and a note,
    /// a missing one the defaults alone.
    #[must_use]
    pub fn load(path: &Path) -> (Self, Option<String>) {
        let (found, note) = read::<Self>(path);
        let held = found.clone().within_limits();
        if held != found {
            let name = path.display();
            return (held, Some(format!("{name} has numbers beyond their limits: the nearest that work are used")));
        }
        (found, note)
    }

    /// Writes them whole or not at all; makes the folder.
    pub fn save(&self, path: &Path) -> Result<(), Error> {
        write(path, self)
    }

    /// Memory of a run.
    #[must_use]
    pub fn memory_bytes(&self) -> u64 {
        self.memory_mib << 20
    }

    fn within_limits(self) -> Self {
        let default = Self::default().scale;
        let scale = if self.scale.is_finite() { self.scale } else { default };
        Self {
            scale: scale.clamp(*Self::SCALE.start(), *Self::SCALE.end()),
            memory_mib: self.memory_mib.clamp(*Self::MEMORY_MIB.start(), *Self::MEMORY_MIB.end()),
            threads: self.threads.map(|threads| threads.clamp(*Self::THREADS.start(), *Self::THREADS.end())),
            autosave_secs: self.autosave_secs.clamp(*Self::AUTOSAVE_SECS.start(), *Self::AUTOSAVE_SECS.end()),
            ..self
        }
    }
}

/// What the window remembers by itself.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Remembered {
    /// Width and height of the window in points of the desktop.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub window_size: Option<[f32; 2]>,
    /// Whether it filled the screen.
    pub maximized: bool,
    /// Where its upper left corner was on the desktop, in points; the desktop chooses where `None`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub window_position: Option<[f32; 2]>,
    /// Where the divider stood, 0 left to 1 right; the middle where `None`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub divider: Option<f32>,
    /// Whether the drawer of plan and field check was open.
    pub drawer: bool,
    /// Sections of the side column that are open, by name; the usual ones where `None`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub open_sections: Option<Vec<String>>,
    /// Sheaves opened or saved last, newest first.
    pub recent: Vec<PathBuf>,
}

impl Remembered {
    /// What is remembered in a file; nothing, and a note, where it is broken.
    #[must_use]
    pub fn load(path: &Path) -> (Self, Option<String>) {
        let (mut found, note) = read::<Self>(path);
        found.recent.truncate(MOST_RECENT);
        found.window_size.take_if(|size| !size.iter().all(|side| (100.0..=20_000.0).contains(side)));
        found.window_position.take_if(|place| !place.iter().all(|side| (0.0..=16_000.0).contains(side)));
        found.divider.take_if(|share| !(0.0..=1.0).contains(share));
        (found, note)
    }

    /// Writes it whole or not at all; makes the folder.
    pub fn save(&self, path: &Path) -> Result<(), Error> {
        write(path, self)
    }

    /// Puts a sheaf at the head of the recent ones.
    pub fn note_recent(&mut self, path: &Path) {
        self.recent.retain(|other| other != path);
        self.recent.insert(0, path.to_owned());
        self.recent.truncate(MOST_RECENT);
    }
}

fn read<T: DeserializeOwned + Default>(path: &Path) -> (T, Option<String>) {
    let problem = match open_file(path).and_then(io::read_to_string) {
        Ok(text) => match toml::from_str(&text) {
            Ok(found) => return (found, None),
            Err(error) => {
                let line = error.span().map_or(String::new(), |span| format!("line {}: ", line_at(&text, span.start)));
                format!("{line}{}", error.message())
            }
        },
        Err(error) if error.kind() == io::ErrorKind::NotFound => return (T::default(), None),
        Err(error) => InWords(&error).to_string(),
    };
    let note = format!(
        "{} cannot be read ({problem}): the defaults are used, the next change takes its place",
        path.display()
    );
    (T::default(), Some(note))
}

fn write(path: &Path, value: &impl Serialize) -> Result<(), Error> {
    let no_text = |error: toml::ser::Error| Error::Sheaf {
        path: path.to_owned(),
        what: format!("cannot be written: {error}: choose folders whose names are Unicode text"),
    };
    let text = toml::to_string_pretty(value).map_err(no_text)?;
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder).map_err(|said| Error::Folder { path: folder.to_owned(), said })?;
    }
    replace_file(path, text.len() as u64, |out| Ok(out.write_all(text.as_bytes())?))
        .map_err(|source| Error::Export { path: path.to_owned(), source })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn preferences_come_back_and_missing_ones_are_the_defaults() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let path = home.path().join("deep/preferences.toml");
        assert_eq!(Preferences::load(&path), (Preferences::default(), None), "nothing there, nothing to tell");
        let chosen = Preferences {
            light: Light::Red,
            scale: 1.25,
            memory_mib: 4096,
            scratch_folder: Some(PathBuf::from("/scratch")),
            threads: Some(3),
            autosave_secs: 60,
        };
        chosen.save(&path).expect("the folder is made");
        assert_eq!(Preferences::load(&path), (chosen, None), "as chosen");
        fs::write(&path, "light = \"paper\"\n").expect("our own file");
        let (found, note) = Preferences::load(&path);
        assert_eq!((found.light, found.threads, note), (Light::Paper, None, None), "the rest is default");
    }

    #[test]
    fn broken_preferences_are_the_defaults_and_a_note_that_names_the_line() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let path = home.path().join("preferences.toml");
        fs::write(&path, "scale = 1.0\nlight = \"moonlit\"\n").expect("a small file");
        let (found, note) = Preferences::load(&path);
        let note = note.expect("something to tell");
        assert_eq!(found, Preferences::default(), "the defaults");
        assert!(note.contains("preferences.toml") && note.contains("line 2") && note.contains("moonlit"), "{note}");
        fs::write(&path, "scale = 90.0\nthreads = 0\n").expect("a small file");
        let (found, note) = Preferences::load(&path);
        assert_eq!((found.scale, found.threads), (2.5, Some(1)), "the nearest that work");
        assert!(note.is_some_and(|note| note.contains("limits")), "and it is told");
    }

    #[test]
    fn recent_sheaves_stand_newest_first_and_once() {
        let mut remembered = Remembered::default();
        for idx in 0..12 {
            remembered.note_recent(Path::new(&format!("/n/{idx}.toml")));
        }
        remembered.note_recent(Path::new("/n/7.toml"));
        assert_eq!(remembered.recent.len(), MOST_RECENT, "as many as fit");
        assert_eq!(remembered.recent[..2], [PathBuf::from("/n/7.toml"), PathBuf::from("/n/11.toml")], "newest first");
        let home = tempfile::tempdir().expect("a temporary folder");
        let path = home.path().join("remembered.toml");
        remembered.save(&path).expect("room");
        assert_eq!(Remembered::load(&path), (remembered, None), "as remembered");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn no_file_keeps_the_program_from_starting(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let home = tempfile::tempdir().expect("a temporary folder");
            let path = home.path().join("preferences.toml");
            fs::write(&path, bytes).expect("a small file");
            let (found, _) = Preferences::load(&path);
            prop_assert!(Preferences::SCALE.contains(&found.scale));
            let (remembered, _) = Remembered::load(&path);
            prop_assert!(remembered.recent.len() <= MOST_RECENT);
        }
    }
}
