//! Sheaf files on disk: whole or not at all, with a copy of the last good one beside them.

use std::ffi::OsString;
use std::io::{self, Read as _, Write};
use std::path::{Path, PathBuf};

use crate::error::{Error, InWords};
use crate::export::replace_file;
use crate::job::Monitor;
use crate::raw::kind_of_content;
use crate::settings::SHEAF_VERSION;
use crate::settings::sheaf::Sheaf;
use crate::settings::text::{Problem, Read, from_text, to_text};
use crate::system::open_file;

/// The ending of sheaf files.
pub const SHEAF_ENDING: &str = "toml";

/// What is added to the name of a sheaf for the copy of its last good state.
const KEPT: &str = ".kept";

/// Larger than a sheaf with the mask of the largest frame.
const MOST_BYTES: u64 = 256 << 20;

/// A sheaf from a file, and what to tell the person about it.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// The sheaf; its paths are absolute.
    pub sheaf: Sheaf,
    /// What a person should know.
    pub notes: Vec<String>,
    /// Whether the file was damaged and the copy beside it was taken.
    pub recovered: bool,
    /// The sheaf file that an autosaved copy belongs to.
    pub autosaved_from: Option<PathBuf>,
}

/// Whether a path is named like a sheaf file and not like a frame.
#[must_use]
pub fn looks_like_sheaf(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case(SHEAF_ENDING))
}

/// Reads a sheaf.
///
/// A damaged file is recovered from the copy of the last save and says so; one of a newer version is refused.
/// Frames that are not there are no error: [`Sheaf::missing`] names them.
pub fn load_sheaf(path: &Path) -> Result<Loaded, Error> {
    let (line, what) = match read(path)? {
        Ok(read) => return Ok(loaded(path, read, Vec::new(), false)),
        Err(Problem::Newer(found)) => return Err(newer(path, found)),
        Err(Problem::Wrong(line, what)) => (line, what),
    };
    let place = line.map_or(String::new(), |line| format!("line {line}: "));
    let copy = kept(path);
    match read(&copy) {
        Ok(Ok(read)) => {
            let note = format!(
                "{} is damaged ({place}{what}): what is shown is from {}, the copy of the last save. Save to make the \
                 file whole again",
                path.display(),
                copy.display()
            );
            Ok(loaded(path, read, vec![note], true))
        }
        _ => {
            let remedy = match line {
                _ if !looks_like_sheaf(path) => {
                    "a sheaf is a .toml file that Nightsheaf saved; frames are stacked instead"
                }
                Some(_) => "correct it in a text editor, take another copy of it, or begin anew with the frames",
                None => "give a file that Nightsheaf saved, or begin anew with the frames",
            };
            Err(Error::Sheaf { path: path.to_owned(), what: format!("cannot be used: {place}{what}: {remedy}") })
        }
    }
}

/// Writes a sheaf whole or not at all, and the copy to recover it from.
///
/// Takes the place of an older sheaf, never of another file.
pub fn save_sheaf(path: &Path, sheaf: &Sheaf) -> Result<(), Error> {
    save_sheaf_watched(&Monitor::silent(), path, sheaf)
}

/// As [`save_sheaf`]; changes nothing once it should stop.
pub fn save_sheaf_watched(monitor: &Monitor, path: &Path, sheaf: &Sheaf) -> Result<(), Error> {
    check_place(path)?;
    let text = written(path, sheaf, Some(&folder_of(path)), None)?;
    monitor.no_way_back()?;
    write_text(path, &text)?;
    // The file itself is safe; a copy that cannot be written now is written with the next save.
    let _ = write_text(&kept(path), &text);
    Ok(())
}

/// Writes a sheaf whole or not at all; paths are relative to `base`, absolute where it is `None`.
pub(super) fn write(
    monitor: &Monitor,
    path: &Path,
    sheaf: &Sheaf,
    base: Option<&Path>,
    autosaved_from: Option<&Path>,
) -> Result<(), Error> {
    let text = written(path, sheaf, base, autosaved_from)?;
    monitor.no_way_back()?;
    write_text(path, &text)
}

fn written(path: &Path, sheaf: &Sheaf, base: Option<&Path>, autosaved_from: Option<&Path>) -> Result<String, Error> {
    to_text(sheaf, base, autosaved_from).map_err(|what| Error::Sheaf { path: path.to_owned(), what })
}

fn write_text(path: &Path, text: &str) -> Result<(), Error> {
    replace_file(path, text.len() as u64, |out| Ok(out.write_all(text.as_bytes())?))
        .map_err(|source| Error::Export { path: path.to_owned(), source })
}

/// Refuses to write over what is not a sheaf, or is one that this program does not understand.
fn check_place(path: &Path) -> Result<(), Error> {
    if !path.exists() || kept(path).exists() {
        return match path.exists().then(|| read(path)) {
            Some(Ok(Err(Problem::Newer(found)))) => Err(newer(path, found)),
            _ => Ok(()),
        };
    }
    match read(path)? {
        Ok(_) => Ok(()),
        Err(Problem::Newer(found)) => Err(newer(path, found)),
        Err(Problem::Wrong(..)) => {
            let what = "is already there and is no sheaf, it will not be written over: choose another name";
            Err(Error::Sheaf { path: path.to_owned(), what: what.to_owned() })
        }
    }
}

fn read(path: &Path) -> Result<Result<Read, Problem>, Error> {
    let unreadable = |source: io::Error| Error::Sheaf {
        path: path.to_owned(),
        what: format!("cannot be read: {}: check the name and that the drive is connected", InWords(&source)),
    };
    let mut bytes = Vec::new();
    let file = match open_file(path) {
        Err(error) if error.kind() == io::ErrorKind::IsADirectory => {
            return Ok(Err(Problem::Wrong(None, "found a folder where a sheaf is needed".to_owned())));
        }
        opened => opened.map_err(unreadable)?,
    };
    file.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > MOST_BYTES {
        return Ok(Err(Problem::Wrong(None, "found a file too large for a sheaf".to_owned())));
    }
    Ok(match String::from_utf8(bytes) {
        Ok(text) if !text.contains('\0') => from_text(&text, &folder_of(path)),
        Ok(zeros) => Err(Problem::Wrong(None, no_sheaf(zeros.as_bytes()))),
        Err(no_text) => Err(Problem::Wrong(None, no_sheaf(no_text.as_bytes()))),
    })
}

/// What is said of bytes that are no text.
fn no_sheaf(bytes: &[u8]) -> String {
    let marks: [&[u8]; 6] = [b"II", b"MM", b"FUJIFILM", b"\0\0\0\x18ftypcrx", b"\x89PNG", b"\xFF\xD8\xFF"];
    let is_frame = marks.iter().any(|mark| bytes.starts_with(mark));
    let found = if is_frame { "a picture or raw frame" } else { kind_of_content(bytes) };
    format!("found {found} where the text of a sheaf is needed")
}

fn loaded(path: &Path, read: Read, mut notes: Vec<String>, recovered: bool) -> Loaded {
    let Read { sheaf, unknown, autosaved_from } = read;
    if !unknown.is_empty() {
        let keys = unknown.join(", ");
        notes.push(format!("{} says what this Nightsheaf does not know and leaves out: {keys}", path.display()));
    }
    Loaded { sheaf, notes, recovered, autosaved_from: autosaved_from.map(PathBuf::from) }
}

fn newer(path: &Path, found: i64) -> Error {
    Error::NewerSheaf { path: path.to_owned(), found, known: SHEAF_VERSION }
}

/// The folder of a file, absolute where the system tells.
fn folder_of(path: &Path) -> PathBuf {
    let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    whole.parent().unwrap_or(Path::new(".")).to_owned()
}

/// The copy beside a sheaf.
fn kept(path: &Path) -> PathBuf {
    let mut name: OsString = path.file_name().unwrap_or_default().to_owned();
    name.push(KEPT);
    path.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use std::fs;

    use proptest::prelude::*;

    use super::*;
    use crate::error::WithSources;
    use crate::settings::sheaf::Light;

    fn night(folder: &Path) -> Sheaf {
        let light = |name: &str| Light { path: folder.join(name), mark: None };
        Sheaf { lights: vec![light("a.dng"), light("b.dng")], ..Sheaf::default() }
    }

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).expect("a folder");
        let mut names: Vec<_> =
            entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    #[test]
    fn a_sheaf_is_saved_with_a_copy_and_opens_in_a_moved_folder() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let before = home.path().join("before");
        fs::create_dir(&before).expect("our own folder");
        save_sheaf(&before.join("tarn.toml"), &night(&before)).expect("room");
        assert_eq!(names(&before), ["tarn.toml", "tarn.toml.kept"], "the file and its copy");
        let after = home.path().join("after");
        fs::rename(&before, &after).expect("our own folder");
        let loaded = load_sheaf(&after.join("tarn.toml")).expect("a good file");
        assert_eq!(loaded.sheaf, night(&after), "paths are relative to the file");
        assert_eq!((loaded.notes.len(), loaded.recovered), (0, false), "nothing to tell");
    }

    #[test]
    fn a_newer_file_is_refused_politely_and_never_written_over() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let path = home.path().join("tarn.toml");
        save_sheaf(&path, &night(home.path())).expect("room");
        let text = fs::read_to_string(&path).expect("there").replace("version = 1", "version = 4");
        fs::write(&path, &text).expect("our own file");
        for refused in [load_sheaf(&path).map(|_| ()), save_sheaf(&path, &Sheaf::default())] {
            let error = refused.expect_err("a later version").to_string();
            assert!(error.contains("was saved by a newer Nightsheaf (version 4, this one reads up to 1)"), "{error}");
            assert!(error.contains("tarn.toml") && error.contains("update"), "{error}");
        }
        assert_eq!(fs::read_to_string(&path).expect("there"), text, "as it was");
    }

    #[test]
    fn what_cannot_be_saved_or_opened_is_told_and_changes_nothing() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let diary = home.path().join("diary.toml");
        fs::write(&diary, "title = \"clouds\"\n").expect("a small file");
        let error = save_sheaf(&diary, &night(home.path())).expect_err("not a sheaf").to_string();
        assert!(error.contains("diary.toml is already there and is no sheaf"), "{error}");
        assert_eq!(fs::read_to_string(&diary).expect("there"), "title = \"clouds\"\n", "as it was");
        let error = load_sheaf(&diary).expect_err("not a sheaf").to_string();
        assert!(error.contains("diary.toml cannot be used: found text with no version"), "{error}");
        let damaged = home.path().join("diary.toml");
        for (bytes, parts) in [
            (&b"version = 1\nlights = [\n"[..], ["line 2: found damaged text (", "correct it in a text editor"]),
            (b"version = 1\n", ["(missing field `lights`) where that of a sheaf is needed", "take another copy"]),
            (b"\x89PNG\r\n\x1a\n\0", ["found a picture or raw frame", "give a file that Nightsheaf saved"]),
        ] {
            fs::write(&damaged, bytes).expect("our own file");
            let error = load_sheaf(&damaged).expect_err("damaged").to_string();
            assert!(error.lines().count() == 1 && parts.iter().all(|part| error.contains(part)), "{error}");
        }
        fs::write(&damaged, "title = \"clouds\"\n").expect("our own file");
        let error = load_sheaf(&home.path().join("gone.toml")).expect_err("nothing there").to_string();
        assert!(error.contains("gone.toml cannot be read") && error.contains("check the name"), "{error}");
        let error = save_sheaf(&home.path().join("nowhere/tarn.toml"), &Sheaf::default()).expect_err("no folder");
        let error = WithSources(&error).to_string();
        assert!(error.contains("tarn.toml") && error.contains("folder"), "{error}");
        assert_eq!(names(home.path()), ["diary.toml"], "nothing half-made is left");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Whatever happens to the file, its copy brings the last save back, unless the file is still one.
        #[test]
        fn a_damaged_file_is_recovered_from_its_copy(
            cut in any::<prop::sample::Index>(), noise in proptest::collection::vec(any::<u8>(), 0..40),
        ) {
            let home = tempfile::tempdir().expect("a temporary folder");
            let path = home.path().join("tarn.toml");
            let saved = night(home.path());
            save_sheaf(&path, &saved).expect("room");
            let mut bytes = fs::read(&path).expect("just written");
            bytes.truncate(cut.index(bytes.len()));
            bytes.extend(noise);
            fs::write(&path, bytes).expect("our own file");
            match load_sheaf(&path) {
                Ok(loaded) if loaded.recovered => {
                    prop_assert_eq!(loaded.sheaf, saved.clone());
                    prop_assert!(loaded.notes[0].contains("tarn.toml is damaged"), "{:?}", loaded.notes);
                    // The next save makes it whole.
                    save_sheaf(&path, &saved).expect("room");
                    prop_assert!(!load_sheaf(&path).expect("whole again").recovered);
                }
                Ok(loaded) => prop_assert!(loaded.sheaf.lights.len() <= 2),
                Err(Error::NewerSheaf { .. }) => {}
                Err(error) => prop_assert!(false, "{error}"),
            }
        }
    }
}
