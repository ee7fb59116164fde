//! Files that appear whole or not at all: written beside the target, synced, renamed.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use crate::export::ExportError;
use crate::system::kind_of;

/// Bytes gathered before the system is asked to write; strips are larger and go straight through.
const BUFFER_BYTES: usize = 256 * 1024;

/// Lets `write` fill a new file and puts it in the place of `path`. When anything fails, the old
/// file stays as it was and nothing else is left behind.
pub fn replace_file(
    path: &Path,
    needed_bytes: u64,
    write: impl FnOnce(&mut BufWriter<&File>) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let target = resolve(path)?;
    let folder = target.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let place_error = |error| name_full_disk(error, needed_bytes);
    let part = new_file_beside(folder).map_err(ExportError::from).map_err(place_error)?;
    let mut buffered = BufWriter::with_capacity(BUFFER_BYTES, part.as_file());
    write(&mut buffered).map_err(place_error)?;
    buffered.flush().map_err(ExportError::from).map_err(place_error)?;
    drop(buffered);
    part.as_file().sync_all().map_err(ExportError::from).map_err(place_error)?;
    part.persist(&target).map_err(|error| ExportError::from(error.error))?;
    sync_folder(folder);
    Ok(())
}

/// A new folder in `folder` for files that are to come into their places together; gone with all that is left in it.
pub fn staging_folder(folder: &Path) -> Result<tempfile::TempDir, ExportError> {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    Ok(tempfile::Builder::new().prefix(".nightsheaf-").suffix(".part").tempdir_in(folder)?)
}

/// Puts a file that is written already, on the same disk, in the place of `path`.
pub fn move_into_place(written: &Path, path: &Path) -> Result<(), ExportError> {
    let target = resolve(path)?;
    match fs::rename(written, &target) {
        // The place is a link to another disk.
        Err(error) if error.kind() == io::ErrorKind::CrossesDevices => {
            let mut from = File::open(written)?;
            let needed_bytes = from.metadata()?.len();
            replace_file(&target, needed_bytes, |out| io::copy(&mut from, out).map(|_| ()).map_err(ExportError::from))
        }
        moved => {
            moved?;
            sync_folder(target.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new(".")));
            Ok(())
        }
    }
}

/// Whether a file can be written at `path`, by writing none of it; leaves nothing behind.
pub fn check_target(path: &Path) -> Result<(), ExportError> {
    let target = resolve(path)?;
    let folder = target.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    new_file_beside(folder)?;
    Ok(())
}

/// The file that a link leads to, so that the link stays one.
fn resolve(path: &Path) -> Result<PathBuf, ExportError> {
    match fs::metadata(path) {
        Ok(metadata) if metadata.is_dir() => Err(ExportError::IsFolder),
        Ok(metadata) if !metadata.is_file() => Err(ExportError::NoFile(kind_of(metadata.file_type()))),
        Ok(metadata) if metadata.permissions().readonly() => Err(ExportError::Protected),
        Ok(_) => Ok(fs::canonicalize(path)?),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(path.to_owned()),
        Err(error) => Err(error.into()),
    }
}

fn new_file_beside(folder: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".nightsheaf-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // As for any new file: the system takes away what the person's mask forbids.
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

fn name_full_disk(error: ExportError, needed_bytes: u64) -> ExportError {
    match error {
        ExportError::Io(source) if is_full(source.kind()) => ExportError::DiskFull { needed_bytes },
        other => other,
    }
}

fn is_full(kind: io::ErrorKind) -> bool {
    matches!(kind, io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::FileTooLarge)
}

/// Makes the new name last through a power cut, where the system offers it for folders. The file
/// itself is already safe, so a refusal is no failure.
fn sync_folder(folder: &Path) {
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).expect("a folder");
        entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect()
    }

    #[test]
    fn a_failed_write_leaves_the_old_file_and_nothing_else() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("night.tiff");
        fs::write(&path, "old").expect("a file");
        let full = || ExportError::Io(io::Error::from(io::ErrorKind::StorageFull));
        let result = replace_file(&path, 42, |file| {
            file.write_all(&[0; 1_000_000])?;
            Err(full())
        });
        assert!(matches!(result, Err(ExportError::DiskFull { needed_bytes: 42 })), "the reason is told: {result:?}");
        assert_eq!(fs::read(&path).expect("still there"), b"old", "the old file is as it was");
        assert_eq!(names(folder.path()), ["night.tiff"], "no part is left");
    }

    #[test]
    fn a_new_file_takes_the_place_of_the_old_one() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("night.tiff");
        fs::write(&path, "old and longer").expect("a file");
        replace_file(&path, 3, |file| Ok(file.write_all(b"new")?)).expect("a folder that can be written to");
        assert_eq!(fs::read(&path).expect("there"), b"new", "the new content alone");
        assert_eq!(names(folder.path()), ["night.tiff"], "no part is left");
    }

    #[test]
    fn what_is_staged_takes_its_place_and_the_rest_is_gone() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("sky.tiff");
        fs::write(&path, "old and longer").expect("a file");
        let staging = staging_folder(folder.path()).expect("a folder that can be written to");
        for name in ["sky.tiff", "land.tiff"] {
            fs::write(staging.path().join(name), "new").expect("a file");
        }
        move_into_place(&staging.path().join("sky.tiff"), &path).expect("a folder that can be written to");
        drop(staging);
        assert_eq!(fs::read(&path).expect("there"), b"new", "the new content alone");
        assert_eq!(names(folder.path()), ["sky.tiff"], "what was not moved is gone with its folder");
    }

    #[test]
    fn places_that_cannot_be_written_are_named() {
        let folder = tempfile::tempdir().expect("a folder");
        let attempt = |path: &Path| replace_file(path, 1, |file| Ok(file.write_all(b"new")?));
        let missing = attempt(&folder.path().join("nowhere/night.tiff"));
        assert!(matches!(missing, Err(ExportError::NoFolder)), "no such folder: {missing:?}");
        let itself = attempt(folder.path());
        assert!(matches!(itself, Err(ExportError::IsFolder)), "a folder: {itself:?}");

        let protected_path = folder.path().join("keep.tiff");
        fs::write(&protected_path, "old").expect("a file");
        let mut permissions = fs::metadata(&protected_path).expect("a file").permissions();
        permissions.set_readonly(true);
        fs::set_permissions(&protected_path, permissions).expect("our own file");
        let protected = attempt(&protected_path);
        assert!(matches!(protected, Err(ExportError::Protected)), "write-protected: {protected:?}");
        assert_eq!(fs::read(&protected_path).expect("there"), b"old", "the protected file is as it was");

        let below_a_file = attempt(&protected_path.join("night.tiff"));
        assert!(matches!(below_a_file, Err(ExportError::NoFolder)), "a file is no folder: {below_a_file:?}");
        assert_eq!(names(folder.path()), ["keep.tiff"], "nothing was left behind");
    }

    #[cfg(unix)]
    #[test]
    fn what_is_no_file_stays_what_it_is() {
        use std::os::unix::fs::FileTypeExt;
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("night.tiff");
        let _listener = std::os::unix::net::UnixListener::bind(&path).expect("a socket");
        let result = replace_file(&path, 3, |file| Ok(file.write_all(b"new")?));
        assert!(matches!(result, Err(ExportError::NoFile("a socket"))), "told by its kind: {result:?}");
        assert!(fs::metadata(&path).expect("there").file_type().is_socket(), "still one");
        assert_eq!(names(folder.path()), ["night.tiff"], "no part is left");
    }

    #[cfg(unix)]
    #[test]
    fn a_link_stays_a_link() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("night.tiff");
        let link = folder.path().join("latest.tiff");
        fs::write(&path, "old").expect("a file");
        std::os::unix::fs::symlink(&path, &link).expect("a link");
        replace_file(&link, 3, |file| Ok(file.write_all(b"new")?)).expect("a folder that can be written to");
        assert!(fs::symlink_metadata(&link).expect("there").is_symlink(), "the link is still one");
        assert_eq!(fs::read(&path).expect("there"), b"new", "its file is new");
    }
}
