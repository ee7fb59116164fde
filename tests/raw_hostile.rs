//! Damaged, forged and misnamed files: each a message or a picture, in bounded time, and this process lives on.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use nightsheaf::job::CancelToken;
use nightsheaf::raw::{DecodeError, Decoder, Limits, RawFrame};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// Beyond this a person takes the program for dead.
const MOST_SECS: f64 = 20.0;

fn decode_within(path: &Path, limits: Limits) -> Result<RawFrame, DecodeError> {
    let decoder = Decoder { program: env!("CARGO_BIN_EXE_nightsheaf-cli").into(), limits };
    let started = Instant::now();
    let result = decoder.decode(path, &CancelToken::default());
    let took = started.elapsed().as_secs_f64();
    assert!(took < MOST_SECS, "{} took {took} s", path.display());
    result
}

fn decode(path: &Path) -> Result<RawFrame, DecodeError> {
    decode_within(path, Limits::default())
}

fn message_of(path: &Path) -> String {
    match decode(path) {
        Ok(frame) => panic!("{}: a picture of {} where a message is needed", path.display(), frame.size()),
        Err(error) => error.to_string(),
    }
}

/// A sound file of each kind: name and bytes.
fn sound_files() -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/raw_variants");
    let dng = ["plain_16.dng", "packed_14.dng", "packed_12_strips.dng", "table_8.dng", "lossless_14.dng"];
    let mut files: Vec<(String, Vec<u8>)> =
        dng.iter().map(|name| ((*name).to_owned(), fs::read(folder.join(name)).expect("a reference file"))).collect();
    let mut random = ChaCha8Rng::seed_from_u64(41);
    let picture = image::RgbImage::from_fn(60, 44, |_, _| image::Rgb(random.random()));
    for (name, format) in [
        ("picture.tif", image::ImageFormat::Tiff),
        ("picture.png", image::ImageFormat::Png),
        ("picture.jpg", image::ImageFormat::Jpeg),
    ] {
        let mut bytes = std::io::Cursor::new(Vec::new());
        picture.write_to(&mut bytes, format).expect("memory takes everything");
        files.push((name.to_owned(), bytes.into_inner()));
    }
    files
}

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().expect("a temporary folder"))
    }

    fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.0.path().join(name);
        fs::write(&path, bytes).expect("a folder to write to");
        path
    }
}

#[test]
fn a_file_cut_anywhere_is_a_message() {
    let folder = Folder::new();
    for (name, bytes) in sound_files() {
        // The last bytes of a PNG or TIFF may be a trailer that nobody needs; a hundred bytes are samples.
        let cuts = (0..20).map(|part| 1 + part * (bytes.len() - 100) / 19).collect::<Vec<_>>();
        cuts.into_par_iter().for_each(|length| {
            let path = folder.file(&format!("{length}-{name}"), &bytes[..length]);
            let message = message_of(&path);
            assert!(!message.contains("panic"), "{name} cut to {length} bytes: {message}");
        });
    }
}

#[test]
fn flipped_bits_give_a_message_or_a_picture_of_sane_size() {
    let folder = Folder::new();
    for (index, (name, bytes)) in sound_files().into_iter().enumerate() {
        (0..30).into_par_iter().for_each(|case: u64| {
            let mut random = ChaCha8Rng::seed_from_u64(1000 * index as u64 + case);
            let mut damaged = bytes.clone();
            // Two cases in three hit the directories, where flips hurt most.
            let reach = if case.is_multiple_of(3) { damaged.len() } else { damaged.len().min(700) };
            for _ in 0..=case % 4 {
                damaged[random.random_range(0..reach)] ^= 1 << random.random_range(0..8);
            }
            let path = folder.file(&format!("{case}-{name}"), &damaged);
            match decode(&path) {
                Ok(frame) => {
                    assert!(frame.size().area() <= 160_000_000, "{name}, case {case}: {} pixels", frame.size());
                    assert!(frame.black_level.iter().all(|level| level.is_finite()), "{name}, case {case}: levels");
                }
                Err(error) => assert!(!error.to_string().is_empty(), "{name}, case {case}: an empty message"),
            }
        });
    }
}

#[test]
fn what_is_no_picture_is_named() {
    let folder = Folder::new();
    let empty = folder.file("empty.dng", b"");
    assert!(message_of(&empty).contains("0 bytes"), "{}", message_of(&empty));
    assert!(message_of(folder.0.path()).contains("a folder"), "{}", message_of(folder.0.path()));
    let text = folder.file("notes.dng", b"Clouds until two, then clear.\n");
    assert!(message_of(&text).contains("camera raw, DNG, TIFF, PNG or JPEG"), "{}", message_of(&text));
    let text = folder.file("notes.tif", b"Clouds until two, then clear.\n");
    assert!(message_of(&text).contains("TIFF"), "{}", message_of(&text));
    let zeros = folder.file("zeros.nef", &[0; 100_000]);
    assert!(!message_of(&zeros).is_empty(), "zeros");
    let missing = folder.0.path().join("missing.dng");
    assert!(matches!(decode(&missing), Err(DecodeError::Io { .. })), "a file that is not there");
}

#[cfg(unix)]
#[test]
fn a_pipe_is_refused_and_not_waited_for() {
    let folder = Folder::new();
    let path = folder.0.path().join("pipe.dng");
    let made = std::process::Command::new("mkfifo").arg(&path).status().expect("a system with mkfifo");
    assert!(made.success(), "a pipe was made");
    assert!(message_of(&path).contains("a pipe"), "{}", message_of(&path));
}

#[test]
fn a_size_bomb_is_refused_with_its_numbers() {
    let folder = Folder::new();
    let (_, mut bytes) = sound_files().remove(0);
    // The entries for width and height are the second and third; each has its value 8 bytes in.
    for entry in [1, 2] {
        bytes[10 + 12 * entry + 8..][..4].copy_from_slice(&60_000_u32.to_le_bytes());
    }
    let message = message_of(&folder.file("bomb.dng", &bytes));
    assert!(message.contains("60000 × 60000"), "the size found: {message}");
    assert!(message.contains("160 megapixels"), "the size allowed: {message}");
}

#[test]
fn a_frame_over_its_own_limits_is_refused() {
    let folder = Folder::new();
    let (_, bytes) = sound_files().remove(0);
    let path = folder.file("frame.dng", &bytes);
    let few_pixels = Limits { pixels: 1000, ..Limits::default() };
    assert!(matches!(decode_within(&path, few_pixels), Err(DecodeError::LimitExceeded(_))), "84 × 66 of 1000 pixels");
    let few_bytes = Limits { file_bytes: 1000, ..Limits::default() };
    assert!(matches!(decode_within(&path, few_bytes), Err(DecodeError::LimitExceeded(_))), "11 552 of 1000 bytes");
    // Where the system limits memory, the child dies of it and this process says so.
    if cfg!(target_os = "linux") {
        let no_memory = Limits { memory_bytes: 1 << 20, ..Limits::default() };
        let refused = decode_within(&path, no_memory).expect_err("1 MiB is too little for any program");
        assert!(refused.to_string().contains("1 MiB"), "the limit is named: {refused}");
    }
}

#[test]
fn a_frame_of_one_level_is_no_frame() {
    let folder = Folder::new();
    let (_, mut bytes) = sound_files().remove(0);
    let start = bytes.len() - 2 * 84 * 66;
    bytes[start..].fill(0);
    let message = message_of(&folder.file("dark.dng", &bytes));
    assert!(message.contains("every sample is 0"), "{message}");
    // Half a picture: the samples of the last 33 rows are gone.
    let (_, mut bytes) = sound_files().remove(0);
    bytes[start + 84 * 66..].fill(0);
    let message = message_of(&folder.file("half.dng", &bytes));
    assert!(message.contains("row 33 of 66"), "{message}");
    // The same within lossless JPEG: zero bits decode to something regular.
    let (_, mut bytes) = sound_files().remove(4);
    let middle = bytes.len() - 4000;
    let end = bytes.len() - 2;
    bytes[middle..end].fill(0);
    let message = message_of(&folder.file("half_lossless.dng", &bytes));
    assert!(message.contains("the picture ends at row"), "{message}");
}

/// Stands in for a decoder that never ends.
#[cfg(unix)]
fn endless(folder: &Folder) -> PathBuf {
    use std::os::unix::fs::PermissionsExt;
    let path = folder.file("endless", b"#!/bin/sh\nexec sleep 1000\n");
    fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).expect("our own file");
    path
}

#[cfg(unix)]
#[test]
fn a_decoder_that_never_ends_is_stopped_by_the_clock_and_by_a_cancel() {
    let folder = Folder::new();
    let frame = folder.file("frame.dng", b"anything");
    let limits = Limits { wall_time: Duration::from_millis(300), ..Limits::default() };
    let started = Instant::now();
    let result = Decoder { program: endless(&folder), limits }.decode(&frame, &CancelToken::default());
    assert!(matches!(result, Err(DecodeError::LimitExceeded(_))), "stopped by the clock: {result:?}");
    assert!(started.elapsed() < Duration::from_secs(3), "took {:?}", started.elapsed());

    let decoder = Decoder { program: endless(&folder), limits: Limits::default() };
    let cancel = CancelToken::default();
    let asked = std::thread::scope(|scope| {
        let working = scope.spawn(|| decoder.decode(&frame, &cancel));
        std::thread::sleep(Duration::from_millis(200));
        let asked = Instant::now();
        cancel.cancel();
        let result = working.join().expect("no panic");
        assert!(matches!(result, Err(DecodeError::Cancelled)), "stopped by the cancel: {result:?}");
        asked
    });
    // 0.1 s by design; a busy machine may need more to schedule it.
    assert!(asked.elapsed() < Duration::from_secs(1), "answered after {:?}", asked.elapsed());
}
