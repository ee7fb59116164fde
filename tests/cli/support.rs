//! Runs the built program on a small invented night, and makes places that are hard to write to.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

use image::{DynamicImage, ImageReader};
use nightsheaf::pixels::Size;
use nightsheaf::synthetic::{Burst, Scene};

/// What a run of the program left.
#[derive(Debug)]
pub(crate) struct Ran {
    pub(crate) code: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Self { code: output.status.code(), out: text(&output.stdout), err: text(&output.stderr) }
    }
}

pub(crate) fn program() -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_nightsheaf-cli"));
    // The tests' own cache, not that of whoever runs them.
    program.env("XDG_CACHE_HOME", Path::new(env!("CARGO_TARGET_TMPDIR")).join("cache"));
    program
}

/// Runs the program; a word may be a path.
pub(crate) fn run_words(words: &[&dyn AsRef<std::ffi::OsStr>]) -> Ran {
    program().args(words.iter().map(|word| word.as_ref())).output().expect("the program was built").into()
}

/// Words and paths in one list.
macro_rules! run {
    ($($word:expr),* $(,)?) => { $crate::support::run_words(&[$(&$word),*]) };
}
pub(crate) use run;

/// As `run`, and the program must succeed.
macro_rules! done {
    ($($word:expr),* $(,)?) => {{
        let ran = $crate::support::run_words(&[$(&$word),*]);
        assert_eq!(ran.code, Some(0), "{ran:?}");
        ran
    }};
}
pub(crate) use done;

/// The invented night of these tests: small frames, through a lens of twice the light.
pub(crate) fn scene() -> Scene {
    Scene { zero_point_electrons_per_sec: 18_000.0, ..Scene::small() }
}

/// Its frames on disk, written once: night-001.dng to night-004.dng, darks/, truth/mask.png.
pub(crate) fn night() -> &'static Path {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| written("night", scene()))
}

/// A burst written to a folder of that name, new for every run of the tests.
pub(crate) fn written(name: &str, scene: Scene) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("cli").join(name);
    if folder.exists() {
        fs::remove_dir_all(&folder).expect("our own folder");
    }
    Burst::new(scene).write(&folder, 2).expect("room for a small burst");
    folder
}

pub(crate) fn light(number: usize) -> PathBuf {
    night().join(format!("night-{number:03}.dng"))
}

/// A folder of its own for each test, on a disk.
pub(crate) fn new_folder() -> tempfile::TempDir {
    tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written")
}

/// Names in a folder, sorted.
pub(crate) fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("a folder");
    let mut names: Vec<String> =
        entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

pub(crate) fn picture(path: &Path) -> DynamicImage {
    let reader = ImageReader::open(path).expect("a file").with_guessed_format().expect("a file");
    reader.decode().expect("a picture that another decoder reads")
}

/// Samples of a 16-bit RGB picture and its size.
pub(crate) fn codes(path: &Path) -> (Size, Vec<u16>) {
    let DynamicImage::ImageRgb16(found) = picture(path) else { panic!("{} is not 16-bit RGB", path.display()) };
    (Size { width: found.width() as usize, height: found.height() as usize }, found.into_raw())
}

pub(crate) fn json(path: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(path).expect("a file")).expect("JSON")
}

/// Names of an object in alphabetical order.
pub(crate) fn keys(value: &serde_json::Value) -> Vec<&str> {
    let mut keys: Vec<&str> = value.as_object().expect("an object").keys().map(String::as_str).collect();
    keys.sort_unstable();
    keys
}

/// A file system mounted for one test; gone with it.
pub(crate) struct Mounted(tempfile::TempDir);

impl Mounted {
    /// A file system in memory; `None`, and a printed line, where mounting is not allowed. With
    /// NIGHTSHEAF_REQUIRE_TOOLS set that is a failure.
    pub(crate) fn memory() -> Option<Self> {
        Self::mount(new_folder(), &["-t", "tmpfs", "-o", "size=4m", "tmpfs"])
    }

    /// A disk of two megabytes in a file beside `folder`.
    pub(crate) fn small_disk(folder: &Path) -> Option<Self> {
        let disk = folder.join("disk");
        fs::File::create(&disk).and_then(|file| file.set_len(2 << 20)).expect("room for a small file");
        let made = Command::new("mkfs.ext2").arg("-q").arg(&disk).output();
        if !made.is_ok_and(|made| made.status.success()) {
            return skipped("mkfs.ext2 does not make a file system here");
        }
        Self::mount(new_folder(), &["-o", "loop", disk.to_str().expect("a plain name")])
    }

    fn mount(folder: tempfile::TempDir, words: &[&str]) -> Option<Self> {
        let mounted = Command::new("mount").args(words).arg(folder.path()).output();
        if mounted.is_ok_and(|mounted| mounted.status.success()) {
            Some(Self(folder))
        } else {
            skipped("nothing can be mounted here")
        }
    }

    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        // What cannot be unmounted now goes with the machine.
        let _ = Command::new("umount").arg(self.0.path()).status();
    }
}

/// `None`, said aloud; a failure where every check is required.
#[allow(clippy::print_stderr, reason = "a skipped check must be seen in the test's output")]
pub(crate) fn skipped<T>(why: &str) -> Option<T> {
    assert!(std::env::var_os("NIGHTSHEAF_REQUIRE_TOOLS").is_none(), "a check is required and cannot be made: {why}");
    eprintln!("skipped: {why}");
    None
}
