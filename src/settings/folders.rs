//! Where this program keeps its own files: preferences in one folder of the person's, autosaved copies
//! in another, what can be made again in a third.

use std::path::{Path, PathBuf};

use etcetera::{AppStrategy, AppStrategyArgs};

/// Names a folder that holds all files of the program instead of the usual ones.
pub const FOLDER_VARIABLE: &str = "NIGHTSHEAF_HOME";

/// Where finished pictures go unless the person says otherwise: the folder of the person's pictures, or their home.
#[must_use]
pub fn pictures_folder() -> Option<PathBuf> {
    let home = etcetera::home_dir().ok()?;
    // Linux desktops name their folders in one file, in the person's language.
    let config = std::env::var_os("XDG_CONFIG_HOME").map_or_else(|| home.join(".config"), PathBuf::from);
    let named = std::fs::read_to_string(config.join("user-dirs.dirs")).ok();
    let named = named.and_then(|text| named_pictures(&text, &home));
    let usual = home.join("Pictures");
    [named, Some(usual)].into_iter().flatten().find(|folder| folder.is_dir()).or(Some(home))
}

/// The folder that a list of a desktop's folders names for pictures.
fn named_pictures(text: &str, home: &Path) -> Option<PathBuf> {
    let value = text.lines().find_map(|line| line.trim().strip_prefix("XDG_PICTURES_DIR="))?;
    let value = value.trim_matches('"');
    match value.strip_prefix("$HOME/") {
        Some(below) => Some(home.join(below)),
        // Anything else must be a whole path (the file's own rule).
        None => Some(PathBuf::from(value)).filter(|path| path.is_absolute()),
    }
}

/// What was typed as a person means it: `~` stands for their home.
#[must_use]
pub fn typed_path(text: &str) -> PathBuf {
    let text = text.trim();
    match text.strip_prefix("~/").zip(etcetera::home_dir().ok()) {
        Some((below, home)) => home.join(below),
        None => PathBuf::from(text),
    }
}

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_folder_of_pictures_is_the_one_that_the_desktop_names() {
        let home = Path::new("/home/ida");
        let text = "# folders\nXDG_MUSIC_DIR=\"$HOME/Musik\"\nXDG_PICTURES_DIR=\"$HOME/Bilder\"\n";
        assert_eq!(named_pictures(text, home), Some(home.join("Bilder")), "below the home");
        assert_eq!(named_pictures("XDG_PICTURES_DIR=\"/data/p\"", home), Some("/data/p".into()), "a whole path");
        assert_eq!(named_pictures("XDG_PICTURES_DIR=\"p\"", home), None, "no path from nowhere");
        assert!(pictures_folder().is_none_or(|folder| folder.is_absolute()), "from the root");
    }

    #[test]
    fn what_is_typed_may_begin_at_home() {
        assert_eq!(typed_path(" /n/a.tif "), PathBuf::from("/n/a.tif"), "as typed");
        assert!(typed_path("~/a.tif").is_absolute() && typed_path("~/a.tif").ends_with("a.tif"), "at home");
        assert_eq!(typed_path("~a.tif"), PathBuf::from("~a.tif"), "a name that begins so");
    }
}
