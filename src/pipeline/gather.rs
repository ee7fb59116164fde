//! From dropped paths to a list of frame files.

use std::fs;
use std::path::{Path, PathBuf};

use crate::error::Error;

/// Endings of files that are taken from a folder; a file that is named itself is always tried.
const FRAME_ENDINGS: [&str; 36] = [
    "3fr", "ari", "arw", "cr2", "cr3", "crm", "crw", "dcr", "dcs", "dng", "erf", "fff", "iiq", "jpeg", "jpg", "kdc",
    "mef", "mos", "mrw", "nef", "nrw", "orf", "ori", "pef", "png", "qtk", "raf", "raw", "rw2", "rwl", "sr2", "srf",
    "srw", "tif", "tiff", "x3f",
];

/// The frame files that `paths` stand for: files as given, folders by their frame files sorted by name.
///
/// Duplicates are kept once. A path that is missing or a folder that cannot be read is an error, as is a
/// request without any frame file.
pub fn collect_frames(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Error> {
    let mut frames: Vec<PathBuf> = Vec::new();
    for path in paths {
        let metadata = fs::metadata(path).map_err(|source| Error::Missing { path: path.clone(), source })?;
        if metadata.is_dir() {
            frames.extend(frames_of_folder(path)?);
        } else {
            frames.push(path.clone());
        }
    }
    let mut seen = std::collections::HashSet::new();
    frames.retain(|frame| seen.insert(fs::canonicalize(frame).unwrap_or_else(|_| frame.clone())));
    if frames.is_empty() {
        return Err(Error::NoFrames { paths: paths.to_vec() });
    }
    Ok(frames)
}

fn frames_of_folder(folder: &Path) -> Result<Vec<PathBuf>, Error> {
    let problem = |source| Error::Folder { path: folder.to_owned(), source };
    let mut frames = Vec::new();
    for entry in fs::read_dir(folder).map_err(problem)? {
        let path = entry.map_err(problem)?.path();
        if is_frame_name(&path) && path.is_file() {
            frames.push(path);
        }
    }
    frames.sort();
    Ok(frames)
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
    fn an_empty_folder_and_a_missing_path_are_named() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let empty = collect_frames(&[folder.path().to_owned()]).expect_err("nothing there");
        assert!(empty.to_string().contains(&folder.path().display().to_string()), "{empty}");
        let missing = collect_frames(&[folder.path().join("gone.dng")]).expect_err("no such file");
        assert!(missing.to_string().contains("gone.dng"), "{missing}");
    }
}
