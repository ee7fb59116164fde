//! Copies of unsaved work, so that a crash costs seconds.
//!
//! Each running window has one copy and holds a lock beside it, which the system takes away with the process.
//! A copy whose lock is free was left by a crash; a window that closes in order removes its own.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use crate::error::Error;
use crate::job::Monitor;
use crate::settings::sheaf::Sheaf;
use crate::settings::store::write;

/// Ending of the lock beside a copy.
const LOCK_ENDING: &str = "lock";

/// The copy of this window's unsaved work.
#[derive(Debug)]
pub struct Autosave {
    path: PathBuf,
    /// Held as long as the window lives.
    lock: File,
}

/// A copy that a crash left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Leftover {
    /// The copy.
    pub path: PathBuf,
    /// When it was written.
    pub saved: SystemTime,
}

impl Autosave {
    /// A place for copies in `folder`, which is made; nothing is copied yet.
    pub fn begin(folder: &Path) -> Result<Self, Error> {
        let problem = |said| Error::Folder { path: folder.to_owned(), said };
        fs::create_dir_all(folder).map_err(problem)?;
        let millis = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |time| time.as_millis());
        // Two windows of one process, as in tests, may begin in one millisecond.
        for turn in 0.. {
            let path = folder.join(format!("{millis}-{}-{turn}.toml", std::process::id()));
            match File::options().write(true).create_new(true).open(path.with_extension(LOCK_ENDING)) {
                Ok(lock) => {
                    // A system without locks still has the copies; they are then offered to a second window too.
                    let _ = lock.try_lock();
                    return Ok(Self { path, lock });
                }
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(problem(error)),
            }
        }
        unreachable!("some number is free")
    }

    /// Where the copy is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes the copy at `path` of unsaved work whose sheaf file is `of`, if it has one.
    pub fn write(monitor: &Monitor, path: &Path, sheaf: &Sheaf, of: Option<&Path>) -> Result<(), Error> {
        write(monitor, path, sheaf, None, of)
    }

    /// Removes the copy: there is nothing unsaved.
    pub fn clear(&self) {
        // Where there is none, none has to go.
        let _ = fs::remove_file(&self.path);
    }

    /// Removes copy and lock: the window closes in order.
    pub fn end(self) {
        self.clear();
        let lock_path = self.path.with_extension(LOCK_ENDING);
        drop(self.lock);
        let _ = fs::remove_file(lock_path);
    }
}

/// Copies in `folder` that no running window holds, newest first.
#[must_use]
pub fn leftovers(folder: &Path) -> Vec<Leftover> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let paths = entries.flatten().map(|entry| entry.path());
    let copies = paths.filter(|path| path.extension().is_some_and(|ending| ending == "toml") && !is_held(path));
    let mut found: Vec<Leftover> = copies
        .filter_map(|path| {
            let saved = fs::metadata(&path).and_then(|metadata| metadata.modified()).ok()?;
            Some(Leftover { path, saved })
        })
        .collect();
    found.sort_by(|a, b| b.saved.cmp(&a.saved).then_with(|| b.path.cmp(&a.path)));
    found
}

/// Removes a copy that a crash left.
pub fn remove_leftover(leftover: &Leftover) {
    // What cannot be removed is offered once more.
    let _ = fs::remove_file(&leftover.path);
    let _ = fs::remove_file(leftover.path.with_extension(LOCK_ENDING));
}

impl Leftover {
    /// Whether the copy was written after the sheaf file it belongs to.
    #[must_use]
    pub fn is_newer_than(&self, sheaf_file: &Path) -> bool {
        let written = fs::metadata(sheaf_file).and_then(|metadata| metadata.modified());
        written.map_or(true, |written| self.saved >= written)
    }
}

fn is_held(path: &Path) -> bool {
    match File::options().write(true).open(path.with_extension(LOCK_ENDING)) {
        Ok(lock) => matches!(lock.try_lock(), Err(fs::TryLockError::WouldBlock)),
        Err(_) => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::store::load_sheaf;

    fn night() -> Sheaf {
        let light = crate::settings::Light { path: PathBuf::from("/nights/a.dng"), mark: None };
        Sheaf { lights: vec![light], ..Sheaf::default() }
    }

    #[test]
    fn a_copy_is_found_after_a_crash_and_not_while_its_window_lives() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let folder = home.path().join("autosave");
        let window = Autosave::begin(&folder).expect("room");
        let of = home.path().join("tarn.toml");
        Autosave::write(&Monitor::silent(), window.path(), &night(), Some(&of)).expect("room");
        assert_eq!(leftovers(&folder), [], "its window lives");
        let copy = window.path().to_owned();
        // A crash: the lock goes with the process, the files stay.
        drop(window);
        let found = leftovers(&folder);
        assert_eq!(found.iter().map(|one| &one.path).collect::<Vec<_>>(), [&copy], "left behind");
        let loaded = load_sheaf(&copy).expect("whole");
        assert_eq!((loaded.sheaf, loaded.autosaved_from), (night(), Some(of.clone())), "with its own file's name");
        assert!(found[0].is_newer_than(&of), "the file was never saved");
        remove_leftover(&found[0]);
        assert_eq!(leftovers(&folder), [], "gone");
        assert_eq!(fs::read_dir(&folder).expect("there").count(), 0, "with its lock");
    }

    #[test]
    fn a_window_that_closes_in_order_leaves_nothing() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let windows = [0, 1].map(|_| Autosave::begin(home.path()).expect("room"));
        assert_ne!(windows[0].path(), windows[1].path(), "each has its own");
        for window in windows {
            Autosave::write(&Monitor::silent(), window.path(), &night(), None).expect("room");
            window.end();
        }
        assert_eq!(fs::read_dir(home.path()).expect("there").count(), 0, "no copy, no lock");
    }
}
