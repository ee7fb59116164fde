//! Paths as a sheaf file writes them: from the file's own folder where both lie in one tree, with `/` between.

use std::path::{Component, Path, PathBuf};

/// The text of `path` in a file that lies in `base`; absolute where `base` is `None` or in another tree.
///
/// `None` for a name that is no Unicode text.
pub(super) fn path_to_text(path: &Path, base: Option<&Path>) -> Option<String> {
    let shown = base.and_then(|base| relative(path, base)).unwrap_or_else(|| path.to_owned());
    let text = shown.to_str()?;
    Some(if cfg!(windows) { text.replace('\\', "/") } else { text.to_owned() })
}

/// The path that `text` stands for in a file that lies in `base`.
pub(super) fn path_from_text(text: &str, base: &Path) -> PathBuf {
    let joined = base.join(text);
    if !joined.components().any(|part| part == Component::ParentDir) {
        return joined;
    }
    // A folder that is there knows its own name; one that is not must not be guessed past a link.
    match (joined.parent().and_then(|folder| folder.canonicalize().ok()), joined.file_name()) {
        (Some(folder), Some(name)) => folder.join(name),
        _ => joined,
    }
}

/// The way from the folder `base` to `path`; `None` where they share nothing but the root.
fn relative(path: &Path, base: &Path) -> Option<PathBuf> {
    way(path, base).or_else(|| {
        let folder = path.parent()?.canonicalize().ok()?;
        way(&folder.join(path.file_name()?), &base.canonicalize().ok()?)
    })
}

fn way(path: &Path, base: &Path) -> Option<PathBuf> {
    let (path, base): (Vec<_>, Vec<_>) = (path.components().collect(), base.components().collect());
    let n_shared = path.iter().zip(&base).take_while(|(a, b)| a == b).count();
    let named = path[..n_shared].iter().any(|part| matches!(part, Component::Normal(_)));
    let plain = |part: &Component<'_>| matches!(part, Component::Normal(_));
    if !named || !path[n_shared..].iter().all(plain) || !base[n_shared..].iter().all(plain) {
        return None;
    }
    let up = base[n_shared..].iter().map(|_| Component::ParentDir);
    Some(up.chain(path[n_shared..].iter().copied()).collect())
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn paths_of_one_tree_are_relative_and_others_stay_absolute() {
        let check = |path: &str, expected: &str| {
            let text = path_to_text(Path::new(path), Some(Path::new("/home/ada/nights")));
            assert_eq!(text.as_deref(), Some(expected), "{path}");
        };
        check("/home/ada/nights/tarn/a.dng", "tarn/a.dng");
        check("/home/ada/frames/a.dng", "../frames/a.dng");
        check("/media/card/a.dng", "/media/card/a.dng");
        check("/home/ada/nights/../x/a.dng", "/home/ada/nights/../x/a.dng");
        assert_eq!(path_to_text(Path::new("/a/b.dng"), None).as_deref(), Some("/a/b.dng"), "nowhere to start from");
    }

    #[test]
    fn a_relative_path_leads_back() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let home = home.path().canonicalize().expect("just made");
        let (nights, frames) = (home.join("nights"), home.join("frames"));
        for folder in [&nights, &frames] {
            std::fs::create_dir(folder).expect("our own folder");
        }
        let frame = frames.join("a.dng");
        let text = path_to_text(&frame, Some(&nights)).expect("plain names");
        assert_eq!((text.as_str(), path_from_text(&text, &nights)), ("../frames/a.dng", frame), "there and back");
        let gone = path_from_text("../gone/a.dng", &nights);
        assert_eq!(gone, nights.join("../gone/a.dng"), "a folder that is not there is not guessed");
    }

    #[test]
    fn a_name_that_is_no_text_has_no_text() {
        use std::os::unix::ffi::OsStrExt;
        let path = Path::new(std::ffi::OsStr::from_bytes(b"/nights/\xFF.dng"));
        assert_eq!(path_to_text(path, None), None, "not Unicode");
    }
}
