//! Where this program keeps its own files: preferences in one folder of the person's, autosaved copies
//! in another, what can be made again in a third.

use std::path::{Path, PathBuf};

use etcetera::{AppStrategy, AppStrategyArgs};

/// Names a folder that holds all files of the program instead of the usual ones.
pub const FOLDER_VARIABLE: &str = "NIGHTSHEAF_HOME";

/// The program's own folders; they need not exist yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Folders {
    config: PathBuf,
    data: PathBuf,
    cache: PathBuf,
}

impl Folders {
    /// The folder that the environment names, else the usual ones of the system; `None` where it has none.
    #[must_use]
    pub fn of_person() -> Option<Self> {
        if let Some(folder) = std::env::var_os(FOLDER_VARIABLE).filter(|folder| !folder.is_empty()) {
            return Some(Self::inside(Path::new(&folder)));
        }
        let names = AppStrategyArgs {
            top_level_domain: "org".to_owned(),
            author: "Nightsheaf".to_owned(),
            app_name: "Nightsheaf".to_owned(),
        };
        let usual = etcetera::app_strategy::choose_native_strategy(names).ok()?;
        Some(Self { config: usual.config_dir(), data: usual.data_dir(), cache: usual.cache_dir() })
    }

    /// Everything inside one folder.
    #[must_use]
    pub fn inside(folder: &Path) -> Self {
        Self { config: folder.to_owned(), data: folder.to_owned(), cache: folder.to_owned() }
    }

    /// What the person chose.
    #[must_use]
    pub fn preferences(&self) -> PathBuf {
        self.config.join("preferences.toml")
    }

    /// What the window remembers by itself.
    #[must_use]
    pub fn remembered(&self) -> PathBuf {
        self.config.join("remembered.toml")
    }

    /// Averaged calibration frames.
    #[must_use]
    pub fn masters(&self) -> PathBuf {
        self.cache.join("masters")
    }

    /// Copies of unsaved work.
    #[must_use]
    pub fn autosave(&self) -> PathBuf {
        self.data.join("autosave")
    }
}
