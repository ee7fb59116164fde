//! What is no file, or no longer: folders, pipes, loops, names that are no text, files that change under the reader.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};

use nightsheaf::raw::DecodeError;
use rayon::prelude::*;

use crate::decode;

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().expect("a temporary folder"))
    }

    fn at(&self, name: impl AsRef<Path>) -> PathBuf {
        self.0.path().join(name)
    }
}

fn sample_frame() -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/night-001.dng");
    fs::read(path).expect("a sample frame")
}

fn message_of(path: &Path) -> String {
    match decode(path) {
        Ok(frame) => panic!("{}: a picture of {} where a message is needed", path.display(), frame.size()),
        Err(error) => nightsheaf::error::WithSources(&error).to_string(),
    }
}

#[test]
fn what_is_no_file_is_named_and_not_waited_for() {
    let folder = Folder::new();
    fs::write(folder.at("empty.dng"), b"").expect("a folder to write to");
    fs::create_dir(folder.at("folder.dng")).expect("a folder to write to");
    symlink(folder.at("b.dng"), folder.at("a.dng")).expect("a link");
    symlink(folder.at("a.dng"), folder.at("b.dng")).expect("a link");
    symlink(folder.at("nowhere.dng"), folder.at("dangling.dng")).expect("a link");
    let made = Command::new("mkfifo").arg(folder.at("pipe.dng")).status().expect("a system with mkfifo");
    assert!(made.success(), "a pipe was made");
    symlink(folder.at("pipe.dng"), folder.at("to-pipe.dng")).expect("a link");
    let _socket = std::os::unix::net::UnixListener::bind(folder.at("socket.dng")).expect("a socket");
    for (name, words) in [
        ("empty.dng", "0 bytes"),
        ("folder.dng", "a folder"),
        ("a.dng", "cannot read the file"),
        ("dangling.dng", "cannot read the file"),
        ("pipe.dng", "a pipe"),
        ("to-pipe.dng", "a pipe"),
        ("socket.dng", "a socket"),
    ] {
        let message = message_of(&folder.at(name));
        assert!(message.contains(words), "{name}: {message}");
    }
    assert!(message_of(Path::new("/dev/zero")).contains("a device"), "a device without an end");
}

#[test]
fn names_that_are_no_text_or_look_like_words_of_the_command_line_are_read() {
    let folder = Folder::new();
    let long = "n".repeat(250);
    let names: [&[u8]; 6] = [
        b"night \xff\xfe.dng",
        b"--decode-one-frame",
        b"-o.dng",
        b"new\nline.dng",
        b"$(x) 'q' \"w\".dng",
        long.as_bytes(),
    ];
    for name in names {
        let path = folder.at(OsStr::from_bytes(name));
        fs::write(&path, sample_frame()).expect("a folder to write to");
        let size = decode(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display())).size();
        assert_eq!(size.area(), 1080 * 720, "{}", path.display());
    }
}

/// A card that is pulled, a copy that is still running: the file is cut, rewritten, emptied and taken away meanwhile.
#[test]
fn files_that_change_or_vanish_while_they_are_read_are_messages_or_pictures() {
    let folder = Folder::new();
    let whole = sample_frame();
    let expected = {
        fs::write(folder.at("still.dng"), &whole).expect("a folder to write to");
        decode(&folder.at("still.dng")).expect("a good file").planes
    };
    let path = folder.at("moving.dng");
    let is_over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut turn = 0_usize;
            while !is_over.load(Ordering::Relaxed) {
                // Each may fail where another has just taken the file away.
                let _ = match turn % 5 {
                    0 => fs::write(&path, &whole),
                    1 => fs::write(&path, &whole[..whole.len() / 3]),
                    2 => fs::remove_file(&path),
                    3 => fs::write(&path, b""),
                    _ => fs::rename(folder.at("still.dng"), &path)
                        .and_then(|()| fs::copy(&path, folder.at("still.dng")).map(|_| ())),
                };
                turn += 1;
                std::thread::sleep(std::time::Duration::from_millis(3));
            }
        });
        let wrong: Vec<String> = (0..150)
            .into_par_iter()
            .filter_map(|_| match decode(&path) {
                Ok(frame) if frame.planes != expected => Some(format!("another picture of {}", frame.size())),
                Ok(_) | Err(DecodeError::Io { .. } | DecodeError::Malformed(_) | DecodeError::Unsupported(_)) => None,
                Err(other) => Some(other.to_string()),
            })
            .collect();
        is_over.store(true, Ordering::Relaxed);
        assert!(wrong.is_empty(), "{wrong:?}");
    });
}
