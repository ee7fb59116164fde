//! What the operating system says of files and disks, in the words of a person.

use std::fmt;
use std::fs::{self, File, FileType};
use std::io;
use std::path::Path;

/// An error of the system without its number, which helps nobody who could do something about it.
#[derive(Debug)]
pub struct InWords<'a>(pub &'a io::Error);

impl fmt::Display for InWords<'_> {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = self.0.to_string();
        // A text of our own says more than its kind; one that only wraps the system's own does not.
        let is_ours = self.0.get_ref().is_some() && !text.contains(NUMBER);
        match words(self.0.kind()).filter(|_| !is_ours) {
            Some(words) => formatter.write_str(words),
            None => formatter.write_str(&without_number(&text)),
        }
    }
}

/// Starts the running program anew, once, so that the frames lie in large pages of memory: before any work on them.
///
/// Linux gives large pages to who asks for them, and the system's allocator asks for them only where its environment
/// says so when the program starts (GNU C Library manual, "Memory Allocation Tunables", `glibc.malloc.hugetlb` and
/// `glibc.malloc.arena_max`).
/// Returns where that is not needed, not possible, or done.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
pub fn prefer_large_pages() {
    use std::env;
    use std::os::unix::process::CommandExt;
    use std::process::Command;

    let given = env::var_os(TUNABLES).unwrap_or_default();
    let on_request = fs::read_to_string(LARGE_PAGES).is_ok_and(|choices| choices.contains("[madvise]"));
    if !on_request || given.to_string_lossy().contains(LARGE_PAGES_WISH) {
        return;
    }
    // A program that was replaced while it runs is not started in its new form.
    let Some(program) = env::current_exe().ok().filter(|program| program.is_file()) else { return };
    let mut wish = given;
    if !wish.is_empty() {
        wish.push(":");
    }
    wish.push(LARGE_PAGES_WISH);
    wish.push("=1:");
    // Each thread's own heap would begin with pages of two megabytes.
    wish.push("glibc.malloc.arena_max=4");
    let mut words = env::args_os();
    let name = words.next().unwrap_or_else(|| program.clone().into_os_string());
    // Comes back only where it fails: then the work goes on in small pages.
    let _ = Command::new(program).arg0(name).args(words).env(TUNABLES, wish).exec();
}

/// Elsewhere the system decides by itself.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
pub fn prefer_large_pages() {}

/// Lets the window go first where both want a processor: for threads whose work it waits for, and what they start.
///
/// On Linux a thread has a niceness of its own (setpriority(2)); what it starts inherits it. Nothing is lost where
/// the system refuses.
#[cfg(target_os = "linux")]
pub fn let_the_window_go_first() {
    const NICENESS: i32 = 5;
    let _ = rustix::process::setpriority_process(None, NICENESS);
}

/// Elsewhere the system gives way to what is in front by itself.
#[cfg(not(target_os = "linux"))]
pub fn let_the_window_go_first() {}

#[cfg(all(target_os = "linux", target_env = "gnu"))]
const TUNABLES: &str = "GLIBC_TUNABLES";
#[cfg(all(target_os = "linux", target_env = "gnu"))]
const LARGE_PAGES_WISH: &str = "glibc.malloc.hugetlb";
/// Who gets large pages: always, on request, never; the choice in brackets.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
const LARGE_PAGES: &str = "/sys/kernel/mm/transparent_hugepage/enabled";

/// Opens a file to read it. A pipe or a device is refused: opening one could wait for ever.
pub fn open_file(path: &Path) -> io::Result<File> {
    let found = fs::metadata(path)?.file_type();
    if found.is_dir() {
        return Err(io::ErrorKind::IsADirectory.into());
    }
    if !found.is_file() {
        let text = format!("it is {}, a file is needed", kind_of(found));
        return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
    }
    File::open(path)
}

/// What is no file, in a word.
#[cfg(unix)]
pub fn kind_of(file_type: FileType) -> &'static str {
    use std::os::unix::fs::FileTypeExt;
    match () {
        () if file_type.is_dir() => "a folder",
        () if file_type.is_fifo() => "a pipe",
        () if file_type.is_socket() => "a socket",
        () => "a device",
    }
}

/// What is no file, in a word.
#[cfg(not(unix))]
pub fn kind_of(file_type: FileType) -> &'static str {
    if file_type.is_dir() { "a folder" } else { "a device" }
}

/// Between the system's words and its number.
const NUMBER: &str = " (os error ";

/// The usual ones; `None` for those that the system words well enough.
fn words(kind: io::ErrorKind) -> Option<&'static str> {
    Some(match kind {
        io::ErrorKind::NotFound => "there is nothing by this name",
        io::ErrorKind::PermissionDenied => "no permission",
        io::ErrorKind::AlreadyExists => "the name is taken",
        io::ErrorKind::NotADirectory => "a part of the path is a file and no folder",
        io::ErrorKind::IsADirectory => "it is a folder",
        io::ErrorKind::StorageFull => "the disk is full",
        io::ErrorKind::QuotaExceeded => "no more room is granted on this disk",
        io::ErrorKind::ReadOnlyFilesystem => "the disk is write-protected",
        io::ErrorKind::StaleNetworkFileHandle => "the network drive is gone",
        io::ErrorKind::UnexpectedEof => "it ends too early",
        io::ErrorKind::TimedOut => "no answer came in time",
        io::ErrorKind::OutOfMemory => "there is not enough memory",
        _ => return None,
    })
}

/// The system's own words, which begin a sentence there; the number is kept where it is all there is.
fn without_number(text: &str) -> String {
    if text.starts_with("Unknown error") {
        return text.to_owned();
    }
    let words = text.split(NUMBER).next().unwrap_or(text);
    let mut letters = words.chars();
    match letters.next() {
        // An abbreviation stays as it is.
        Some(first) if !letters.as_str().starts_with(char::is_uppercase) => {
            first.to_lowercase().chain(letters).collect()
        }
        _ => words.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(error: io::Error, expected: &str) {
        assert_eq!(InWords(&error).to_string(), expected, "{error}");
    }

    #[test]
    fn usual_errors_are_told_without_a_number() {
        check(io::ErrorKind::NotFound.into(), "there is nothing by this name");
        check(fs::metadata("no-such-file").expect_err("not there"), "there is nothing by this name");
        // A wrapper repeats the system's words and adds a path that the message has already.
        let wrapped = io::Error::new(io::ErrorKind::PermissionDenied, "Permission denied (os error 13) at \"/n\"");
        check(wrapped, "no permission");
    }

    #[test]
    fn what_is_said_by_ourselves_or_is_unusual_keeps_its_words() {
        check(io::Error::other("no whole master"), "no whole master");
        check(io::Error::new(io::ErrorKind::UnexpectedEof, "the header is cut"), "the header is cut");
        #[cfg(target_os = "linux")]
        check(io::Error::from_raw_os_error(40), "too many levels of symbolic links");
        #[cfg(target_os = "linux")]
        check(io::Error::from_raw_os_error(5), "input/output error");
        #[cfg(target_os = "linux")]
        check(io::Error::from_raw_os_error(9999), "Unknown error 9999 (os error 9999)");
    }
}
