//! From dropped paths to a list of frame files.

use std::fs;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::error::Error;

/// Endings of files that are taken from a folder; a file that is named itself is always tried.
const FRAME_ENDINGS: [&str; 36] = [
    "3fr", "ari", "arw", "cr2", "cr3", "crm", "crw", "dcr", "dcs", "dng", "erf", "fff", "iiq", "jpeg", "jpg", "kdc",
    "mef", "mos", "mrw", "nef", "nrw", "orf", "ori", "pef", "png", "qtk", "raf", "raw", "rw2", "rwl", "sr2", "srf",
    "srw", "tif", "tiff", "x3f",
];

/// What a frame is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FrameKind {
    /// The night itself.
    #[default]
    Light,
    /// As long as a light, without light.
    Dark,
    /// An evenly lit surface.
    Flat,
    /// No light and no time.
    Bias,
}

impl FrameKind {
    /// As a person says it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Light => "light",
            Self::Dark => "dark",
            Self::Flat => "flat",
            Self::Bias => "bias",
        }
    }
}

/// Names of folders, in lower case, that say what lies in them.
const FOLDERS: [(&str, FrameKind); 7] = [
    ("dark", FrameKind::Dark),
    ("darks", FrameKind::Dark),
    ("flat", FrameKind::Flat),
    ("flats", FrameKind::Flat),
    ("bias", FrameKind::Bias),
    ("biases", FrameKind::Bias),
    ("lights", FrameKind::Light),
];

/// The frames of a night with what lies beside them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Gathered {
    /// Frames that may be lights: their metadata and what they show decide later.
    pub lights: Vec<PathBuf>,
    /// Calibration frames by the names of their folders.
    pub calibration: Vec<(FrameKind, PathBuf)>,
}

/// The frame files that `paths` stand for; a folder also by those of its folders named `darks`, `flats`, `bias`
/// or `lights`, which say what lies in them.
///
/// Where only calibration frames would be left, the names of the folders are not believed.
pub fn gather_frames(paths: &[PathBuf]) -> Result<Gathered, Error> {
    let (gathered, unusable) = gather_each(paths);
    // An empty folder beside others is none of their business.
    if let Some((_, error)) = unusable.into_iter().find(|(_, error)| !matches!(error, Error::NoFrames { .. })) {
        return Err(error);
    }
    if gathered.lights.is_empty() {
        return Err(Error::NoFrames { paths: paths.to_vec() });
    }
    Ok(gathered)
}

/// As [`gather_frames`], with each path that is of no use named and left out. Each folder is listed once.
#[must_use]
pub fn gather_each(paths: &[PathBuf]) -> (Gathered, Vec<(PathBuf, Error)>) {
    let (mut frames, mut below, mut unusable) = (Vec::new(), Vec::new(), Vec::new());
    for path in paths {
        match frames_at(path) {
            Ok((own, named)) if own.is_empty() && named.is_empty() => {
                unusable.push((path.clone(), Error::NoFrames { paths: vec![path.clone()] }));
            }
            Ok((own, named)) => {
                frames.extend(own);
                below.extend(named);
            }
            Err(error) => unusable.push((path.clone(), error)),
        }
    }
    below.sort();
    frames.extend(below);
    keep_once(&mut frames);
    let mut gathered = Gathered::default();
    for frame in &frames {
        match frame.parent().and_then(kind_of_folder) {
            None | Some(FrameKind::Light) => gathered.lights.push(frame.clone()),
            Some(kind) => gathered.calibration.push((kind, frame.clone())),
        }
    }
    if gathered.lights.is_empty() {
        gathered = Gathered { lights: frames, calibration: Vec::new() };
    }
    (gathered, unusable)
}

/// The frames that one path stands for, and those of the folders in it whose names say what lies in them.
fn frames_at(path: &Path) -> Result<(Vec<PathBuf>, Vec<PathBuf>), Error> {
    let metadata = fs::metadata(path).map_err(|said| Error::Missing { path: path.to_owned(), said })?;
    if !metadata.is_dir() {
        return Ok((vec![path.to_owned()], Vec::new()));
    }
    let (frames, folders) = contents(path)?;
    let below = folders.iter().map(|folder| frames_of_folder(folder)).collect::<Result<Vec<_>, _>>()?;
    Ok((frames, below.concat()))
}

/// Each file once, under the first of its names.
fn keep_once(frames: &mut Vec<PathBuf>) {
    let mut seen = std::collections::HashSet::new();
    frames.retain(|frame| seen.insert(fs::canonicalize(frame).unwrap_or_else(|_| frame.clone())));
}

fn kind_of_folder(folder: &Path) -> Option<FrameKind> {
    let name = folder.file_name()?.to_string_lossy().to_lowercase();
    FOLDERS.iter().find(|(word, _)| *word == name).map(|&(_, kind)| kind)
}

/// The frame files that `paths` stand for: files as given, folders by their frame files sorted by name.
///
/// Duplicates are kept once. A path that is missing or a folder that cannot be read is an error, as is a
/// request without any frame file.
pub fn collect_frames(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Error> {
    let mut frames: Vec<PathBuf> = Vec::new();
    for path in paths {
        let metadata = fs::metadata(path).map_err(|said| Error::Missing { path: path.clone(), said })?;
        if metadata.is_dir() {
            frames.extend(frames_of_folder(path)?);
        } else {
            frames.push(path.clone());
        }
    }
    keep_once(&mut frames);
    if frames.is_empty() {
        return Err(Error::NoFrames { paths: paths.to_vec() });
    }
    Ok(frames)
}

/// The frame files of one folder by name; hidden files and other kinds are left out.
pub(super) fn frames_of_folder(folder: &Path) -> Result<Vec<PathBuf>, Error> {
    Ok(contents(folder)?.0)
}

/// The frame files of one folder by name, and the folders in it whose names say what lies in them.
fn contents(folder: &Path) -> Result<(Vec<PathBuf>, Vec<PathBuf>), Error> {
    let problem = |said| Error::Folder { path: folder.to_owned(), said };
    let (mut frames, mut folders) = (Vec::new(), Vec::new());
    for entry in fs::read_dir(folder).map_err(problem)? {
        let path = entry.map_err(problem)?.path();
        if is_frame_name(&path) && path.is_file() {
            frames.push(path);
        } else if kind_of_folder(&path).is_some() && path.is_dir() {
            folders.push(path);
        }
    }
    frames.sort();
    Ok((frames, folders))
}

/// Hidden files are left out: some systems put a shadow file beside each picture.
fn is_frame_name(path: &Path) -> bool {
    let hidden = path.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
    let ending = path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
    !hidden && ending.is_some_and(|ending| FRAME_ENDINGS.contains(&ending.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_gives_its_frames_by_name_and_nothing_else() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for name in ["b.dng", "a.DNG", "notes.txt", "._a.DNG"] {
            fs::write(folder.path().join(name), b"x").expect("a small file");
        }
        let frames = collect_frames(&[folder.path().to_owned(), folder.path().join("b.dng")]).expect("two frames");
        let names: Vec<_> = frames.iter().filter_map(|frame| frame.file_name()).collect();
        assert_eq!(names, ["a.DNG", "b.dng"], "sorted, once each, no text and no shadow file");
    }

    #[test]
    fn folders_beside_the_lights_say_what_lies_in_them() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let make = |name: &str| {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
            fs::write(&path, b"x").expect("a small file");
            path
        };
        let light = make("night-1.dng");
        let (dark, flat, bias) = (make("Darks/d.dng"), make("flats/f.dng"), make("bias/b.dng"));
        make("truth/mask.png");
        let gathered = gather_frames(&[folder.path().to_owned()]).expect("four frames");
        assert_eq!(gathered.lights, [light], "the folder's own frames; other folders are not looked into");
        let expected =
            [(FrameKind::Dark, dark.clone()), (FrameKind::Bias, bias.clone()), (FrameKind::Flat, flat.clone())];
        assert_eq!(gathered.calibration, expected, "by the names of their folders");
        let alone = gather_frames(&[dark.parent().expect("a folder").to_owned()]).expect("one frame");
        assert_eq!(alone.lights, [dark], "a folder given for itself may hold anything");
    }

    #[test]
    fn each_path_of_no_use_is_named_and_the_others_are_gathered() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let (full, empty) = (folder.path().join("full"), folder.path().join("empty"));
        for path in [&full, &empty] {
            fs::create_dir(path).expect("a folder");
        }
        fs::write(full.join("a.dng"), b"x").expect("a small file");
        let missing = folder.path().join("gone");
        let paths = [empty.clone(), full.clone(), missing.clone(), full.join("a.dng")];
        let (gathered, unusable) = gather_each(&paths);
        assert_eq!(gathered.lights, [full.join("a.dng")], "once");
        let named: Vec<&PathBuf> = unusable.iter().map(|(path, _)| path).collect();
        assert_eq!(named, [&empty, &missing], "each with its own reason");
        assert!(gather_frames(&paths).is_err(), "a path that is missing is an error where all must be there");
        assert!(gather_frames(&paths[..2]).is_ok(), "an empty folder beside others is none");
    }

    #[test]
    fn an_empty_folder_and_a_missing_path_are_named() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let empty = collect_frames(&[folder.path().to_owned()]).expect_err("nothing there");
        assert!(empty.to_string().contains(&folder.path().display().to_string()), "{empty}");
        let missing = collect_frames(&[folder.path().join("gone.dng")]).expect_err("no such file");
        assert!(missing.to_string().contains("gone.dng"), "{missing}");
    }
}
