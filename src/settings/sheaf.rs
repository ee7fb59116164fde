//! One night as it is saved: its frames, what was decided about each, and all choices of the run.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::develop::DevelopSettings;
use crate::foreground::ForegroundMask;
use crate::settings::choices::{Colors, Combine, FileFormat, Writing};

/// Folders below the one that a person names which are searched for moved frames.
const MOST_FOLDERS: usize = 2000;

/// One night with all decisions. Paths are absolute once it is loaded.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheaf {
    /// Light frames in the order of the night.
    pub lights: Vec<Light>,
    /// Dark frames.
    pub darks: Vec<PathBuf>,
    /// Flat frames.
    pub flats: Vec<PathBuf>,
    /// Bias frames.
    pub bias: Vec<PathBuf>,
    /// Frames for the landscape alone, such as longer exposures; the lights where there are none.
    pub land: Vec<PathBuf>,
    /// What is landscape.
    pub landscape: Landscape,
    /// The landscape as painted, loaded or found last; used where `landscape` says so.
    pub mask: Option<MaskSource>,
    /// How the samples of one pixel become one.
    pub combine: Combine,
    /// How samples of the mosaic become colors of the sky.
    pub colors: Colors,
    /// Samples this many standard deviations below the centre are left out.
    pub drop_below_sigma: f32,
    /// Samples this many standard deviations above the centre are left out.
    pub drop_above_sigma: f32,
    /// The light frame that the sky is brought to, where a person named it.
    pub reference: Option<PathBuf>,
    /// The lens as an earlier burst measured it.
    pub lens_profile: Option<PathBuf>,
    /// The look.
    pub develop: DevelopSettings,
    /// Kind of file that is written.
    pub format: FileFormat,
    /// How it is written.
    pub writing: Writing,
}

impl Default for Sheaf {
    fn default() -> Self {
        Self {
            lights: Vec::new(),
            darks: Vec::new(),
            flats: Vec::new(),
            bias: Vec::new(),
            land: Vec::new(),
            landscape: Landscape::default(),
            mask: None,
            combine: Combine::default(),
            colors: Colors::default(),
            drop_below_sigma: 3.0,
            drop_above_sigma: 3.0,
            reference: None,
            lens_profile: None,
            develop: DevelopSettings::default(),
            format: FileFormat::default(),
            writing: Writing::default(),
        }
    }
}

/// A light frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Light {
    /// The file.
    pub path: PathBuf,
    /// What was decided about it; `None` while nothing is.
    pub mark: Option<Mark>,
}

/// Whether a frame is left out, who said so, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Left out.
    pub aside: bool,
    /// Who decided.
    pub by: Decider,
    /// Why; empty where there is nothing to say.
    pub reason: String,
}

/// Who decided about a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decider {
    /// A person.
    Person,
    /// The program, by what it measured.
    Measure,
}

/// What is landscape.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Landscape {
    /// What stands still while the stars move, found by the run.
    #[default]
    Found,
    /// The mask of the sheaf.
    Mask,
    /// Nothing: sky only.
    None,
}

/// Where the mask is.
#[derive(Clone, Debug, PartialEq)]
pub enum MaskSource {
    /// In the sheaf file itself, in sensor coordinates.
    Inside(Arc<ForegroundMask>),
    /// A grey picture, white is foreground, upright as exported.
    File(PathBuf),
}

impl Sheaf {
    /// Light frames that are left out.
    pub fn aside(&self) -> impl Iterator<Item = &Path> {
        let aside = |light: &&Light| light.mark.as_ref().is_some_and(|mark| mark.aside);
        self.lights.iter().filter(aside).map(|light| light.path.as_path())
    }

    /// Files that the sheaf names and that are not there: lights first, each once.
    #[must_use]
    pub fn missing(&self) -> Vec<PathBuf> {
        let mut seen = std::collections::BTreeSet::new();
        let mut copy = self.clone();
        let all = copy.paths_mut().into_iter().map(|path| path.clone());
        all.filter(|path| !path.exists() && seen.insert(path.clone())).collect()
    }

    /// Looks in `folder` and below for files that are missing; gives those that are still missing.
    ///
    /// The place that agrees with the most of the old path's end wins. A file that is found by its name
    /// alone must be the only one of that name.
    pub fn relocate(&mut self, folder: &Path) -> Vec<PathBuf> {
        let missing = self.missing();
        if missing.is_empty() {
            return missing;
        }
        let by_name = files_by_name(folder);
        let found: BTreeMap<&PathBuf, PathBuf> =
            missing.iter().filter_map(|path| Some((path, find(path, folder, &by_name)?))).collect();
        for path in self.paths_mut() {
            if let Some(new) = found.get(path) {
                *path = new.clone();
            }
        }
        self.missing()
    }

    /// Takes files out that are not there, so that the rest can be worked with.
    pub fn forget(&mut self, missing: &[PathBuf]) {
        let gone = |path: &PathBuf| missing.contains(path);
        self.lights.retain(|light| !gone(&light.path));
        for frames in [&mut self.land, &mut self.darks, &mut self.flats, &mut self.bias] {
            frames.retain(|path| !gone(path));
        }
        self.reference.take_if(|path| gone(path));
        self.lens_profile.take_if(|path| gone(path));
        self.mask.take_if(|mask| matches!(mask, MaskSource::File(path) if gone(path)));
    }

    /// Every path, lights first.
    pub(super) fn paths_mut(&mut self) -> Vec<&mut PathBuf> {
        let mut paths: Vec<&mut PathBuf> = self.lights.iter_mut().map(|light| &mut light.path).collect();
        paths.extend([&mut self.land, &mut self.darks, &mut self.flats, &mut self.bias].into_iter().flatten());
        paths.extend(self.reference.iter_mut().chain(&mut self.lens_profile));
        if let Some(MaskSource::File(path)) = &mut self.mask {
            paths.push(path);
        }
        paths
    }
}

/// Where a file that was at `old` is now, looking from `folder`.
fn find(old: &Path, folder: &Path, by_name: &BTreeMap<String, Vec<PathBuf>>) -> Option<PathBuf> {
    let parts: Vec<_> = old.components().filter(|part| matches!(part, Component::Normal(_))).collect();
    let tails = (0..parts.len()).map(|first| parts[first..].iter().collect::<PathBuf>());
    if let Some(found) = tails.map(|tail| folder.join(tail)).find(|path| path.is_file()) {
        return Some(found);
    }
    match by_name.get(&old.file_name()?.to_string_lossy().into_owned())?.as_slice() {
        [only] => Some(only.clone()),
        several => {
            // Cameras use a name again: the folder it was in must then agree.
            let parent = old.parent()?.file_name()?;
            let mut agreeing = several.iter().filter(|path| path.parent().and_then(Path::file_name) == Some(parent));
            agreeing.next().filter(|_| agreeing.next().is_none()).cloned()
        }
    }
}

/// Files of a folder and the folders below it; what cannot be listed has none.
fn files_by_name(folder: &Path) -> BTreeMap<String, Vec<PathBuf>> {
    let mut files = BTreeMap::<String, Vec<PathBuf>>::new();
    let mut folders = std::collections::VecDeque::from([folder.to_owned()]);
    let mut n_folders = 0;
    while let Some(folder) = folders.pop_front() {
        n_folders += 1;
        if n_folders > MOST_FOLDERS {
            break;
        }
        let Ok(entries) = fs::read_dir(&folder) else { continue };
        for entry in entries.flatten() {
            // A link to a folder is not followed: it could lead round in a circle.
            match entry.file_type() {
                Ok(kind) if kind.is_dir() => folders.push_back(entry.path()),
                Ok(_) => {
                    files.entry(entry.file_name().to_string_lossy().into_owned()).or_default().push(entry.path());
                }
                Err(_) => {}
            }
        }
    }
    files
}

#[cfg(test)]
mod tests {
    use super::*;

    fn touch(path: &Path) {
        fs::create_dir_all(path.parent().expect("a folder")).expect("our own folder");
        fs::write(path, "x").expect("a small file");
    }

    fn sheaf(paths: &[&str]) -> Sheaf {
        let light = |path: &&str| Light { path: PathBuf::from(path), mark: None };
        Sheaf { lights: paths.iter().map(light).collect(), ..Sheaf::default() }
    }

    fn lights(sheaf: &Sheaf) -> Vec<&Path> {
        sheaf.lights.iter().map(|light| light.path.as_path()).collect()
    }

    #[test]
    fn moved_frames_are_found_by_the_end_of_their_path_and_by_their_name() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let at = |path: &str| home.path().join(path);
        for path in ["disk/tarn/100/a.dng", "disk/tarn/101/a.dng", "disk/other/deep/c.dng"] {
            touch(&at(path));
        }
        let mut moved = sheaf(&["/old/tarn/100/a.dng", "/old/tarn/101/a.dng", "/old/tarn/c.dng", "/old/tarn/d.dng"]);
        moved.reference = Some(PathBuf::from("/old/tarn/101/a.dng"));
        assert_eq!(moved.missing().len(), 4, "each once, the reference is one of the lights");
        let still = moved.relocate(&at("disk"));
        assert_eq!(still, [PathBuf::from("/old/tarn/d.dng")], "what is nowhere is named");
        let found = [at("disk/tarn/100/a.dng"), at("disk/tarn/101/a.dng"), at("disk/other/deep/c.dng")];
        assert_eq!(lights(&moved)[..3], found, "by the longest end, and by the only file of that name");
        assert_eq!(moved.reference, Some(at("disk/tarn/101/a.dng")), "the reference moves along");
        moved.forget(&still);
        assert_eq!(moved.lights.len(), 3, "the rest can be worked with");
    }

    #[test]
    fn a_name_that_is_there_twice_is_not_guessed() {
        let home = tempfile::tempdir().expect("a temporary folder");
        for path in ["x/one/a.dng", "x/two/a.dng"] {
            touch(&home.path().join(path));
        }
        let mut twice = sheaf(&["/old/tarn/a.dng"]);
        assert_eq!(twice.relocate(home.path()).len(), 1, "neither of two is taken");
        let mut named = sheaf(&["/old/two/a.dng"]);
        assert_eq!(named.relocate(home.path()), [] as [PathBuf; 0], "its folder tells which");
        assert_eq!(lights(&named), [home.path().join("x/two/a.dng")], "the one in the folder of that name");
    }
}
