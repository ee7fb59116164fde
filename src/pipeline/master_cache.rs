//! Averaged calibration frames kept for the next run: found again by the contents of the frames they are made of.
//!
//! A master's name is a hash (XXH3, 128 bits; Collet, xxHash specification) over the method's version, its kind and
//! the bytes of its frames, so a renamed or copied folder finds its master and a changed frame does not. A file
//! ends with the hash of all that stands before; one that is damaged, cut or of another version is made anew.
//! Where the folder cannot be written nothing is kept, and nothing fails.

use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::Xxh3;

use crate::calibrate::{Master, Setup};
use crate::pipeline::request::MasterCache;
use crate::pixels::{Plane, Size};
use crate::settings::Folders;
use crate::system::open_file;

/// Grows with every change of what a master is or how its file looks.
const VERSION: u32 = 1;
const MAGIC: &[u8; 8] = b"NSmaster";
const ENDING: &str = "master";
/// Masters of several cameras and settings; the ones used longest ago go first.
const MOST_BYTES: u64 = 2 << 30;
/// A header is some hundred bytes and the names of frames left out.
const MOST_HEADER_BYTES: u32 = 1 << 20;
/// Samples converted at a time.
const CHUNK_SAMPLES: usize = 1 << 16;

/// A master and what was said when it was made.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Kept {
    pub(super) master: Master,
    pub(super) notes: Vec<String>,
}

#[derive(Serialize, Deserialize)]
struct Header {
    setup: Setup,
    n_frames: usize,
    n_planes: usize,
    notes: Vec<String>,
}

/// The folder that masters are kept in, where there is one.
pub(super) struct Cache {
    folder: Option<PathBuf>,
    most_bytes: u64,
}

impl Cache {
    pub(super) fn open(choice: &MasterCache) -> Self {
        let folder = match choice {
            MasterCache::User => Folders::of_person().map(|folders| folders.masters()),
            MasterCache::Folder(folder) => Some(folder.clone()),
            MasterCache::Off => None,
        };
        Self { folder, most_bytes: MOST_BYTES }
    }

    /// The name of a master of this kind from these frames, read `factor` times smaller; `None` where nothing is kept or a frame cannot be read.
    /// `with` is the name of the bias that is subtracted from a flat.
    pub(super) fn name(&self, kind: &str, factor: usize, frames: &[PathBuf], with: Option<&str>) -> Option<String> {
        self.folder.as_ref()?;
        let contents: Option<Vec<u128>> = frames.par_iter().map(|path| content_hash(path).ok()).collect();
        let mut hash = Xxh3::new();
        hash.update(&VERSION.to_le_bytes());
        hash.update(&(factor as u64).to_le_bytes());
        hash.update(kind.as_bytes());
        hash.update(with.unwrap_or_default().as_bytes());
        contents?.iter().for_each(|content| hash.update(&content.to_le_bytes()));
        Some(format!("{kind}-{:032x}.{ENDING}", hash.digest128()))
    }

    /// The master of that name, if it is there and whole.
    pub(super) fn load(&self, name: &str) -> Option<Kept> {
        let path = self.folder.as_ref()?.join(name);
        let file = open_file(&path).ok()?;
        match read(file) {
            Ok(kept) => {
                // So that the ones not used for long are known; without permission it ages faster.
                let _ = File::options().append(true).open(&path).and_then(|file| file.set_modified(SystemTime::now()));
                Some(kept)
            }
            Err(_) => {
                // Of no use to anybody; the new one takes its place if it cannot be removed.
                let _ = fs::remove_file(&path);
                None
            }
        }
    }

    /// Keeps a master; where that fails there is none the next time.
    pub(super) fn store(&self, name: &str, kept: &Kept) {
        let Some(folder) = &self.folder else { return };
        if write_new(folder, name, kept).is_ok() {
            // What cannot be listed or removed is left.
            let _ = evict(folder, name, self.most_bytes);
        }
    }
}

fn content_hash(path: &Path) -> io::Result<u128> {
    let mut file = open_file(path)?;
    let mut hash = Xxh3::new();
    let mut bytes = vec![0; 1 << 20];
    loop {
        match file.read(&mut bytes)? {
            0 => return Ok(hash.digest128()),
            n => hash.update(&bytes[..n]),
        }
    }
}

fn write_new(folder: &Path, name: &str, kept: &Kept) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    let part = tempfile::Builder::new().prefix(".master-").suffix(".part").tempfile_in(folder)?;
    write(part.as_file(), kept)?;
    part.persist(folder.join(name)).map_err(|error| error.error)?;
    Ok(())
}

fn write(file: &File, kept: &Kept) -> io::Result<()> {
    let mut out = Hashing { inner: BufWriter::new(file), hash: Xxh3::new() };
    let master = &kept.master;
    let header = Header {
        setup: master.setup.clone(),
        n_frames: master.n_frames,
        n_planes: master.planes.len(),
        notes: kept.notes.clone(),
    };
    let text = serde_json::to_vec(&header)?;
    out.write_all(MAGIC)?;
    out.write_all(&VERSION.to_le_bytes())?;
    out.write_all(&u32::try_from(text.len()).map_err(io::Error::other)?.to_le_bytes())?;
    out.write_all(&text)?;
    let mut bytes = Vec::with_capacity(4 * CHUNK_SAMPLES);
    for chunk in master.planes.iter().flat_map(|plane| plane.samples().chunks(CHUNK_SAMPLES)) {
        bytes.clear();
        bytes.extend(chunk.iter().flat_map(|sample| sample.to_le_bytes()));
        out.write_all(&bytes)?;
    }
    let Hashing { mut inner, hash } = out;
    inner.write_all(&hash.digest128().to_le_bytes())?;
    inner.flush()
}

fn read(file: File) -> io::Result<Kept> {
    let damaged = || io::Error::new(io::ErrorKind::InvalidData, "no whole master");
    let length = file.metadata()?.len();
    let mut input = Hashing { inner: BufReader::new(file), hash: Xxh3::new() };
    let mut start = [0; 16];
    input.read_exact(&mut start)?;
    let number = |at: usize| u32::from_le_bytes([start[at], start[at + 1], start[at + 2], start[at + 3]]);
    let n_header = number(12);
    if &start[..8] != MAGIC || number(8) != VERSION || n_header > MOST_HEADER_BYTES {
        return Err(damaged());
    }
    let mut text = vec![0; n_header as usize];
    input.read_exact(&mut text)?;
    let header: Header = serde_json::from_slice(&text)?;
    let Header { setup, n_frames, n_planes, notes } = header;
    // The size is checked against the file's length before anything is allocated for it.
    let samples = (setup.size.width as u64).checked_mul(setup.size.height as u64).ok_or_else(damaged)?;
    let bytes = samples.checked_mul(4 * n_planes as u64).ok_or_else(damaged)?;
    if n_planes != setup.layout.n_planes() || length != 16 + u64::from(n_header) + bytes + 16 {
        return Err(damaged());
    }
    let planes = (0..n_planes).map(|_| read_plane(&mut input, setup.size)).collect::<io::Result<Vec<_>>>()?;
    let expected = input.hash.digest128();
    let mut written = [0; 16];
    input.inner.read_exact(&mut written)?;
    if u128::from_le_bytes(written) != expected {
        return Err(damaged());
    }
    Ok(Kept { master: Master { planes, setup, n_frames }, notes })
}

fn read_plane(input: &mut impl Read, size: Size) -> io::Result<Plane<f32>> {
    let mut samples = Vec::with_capacity(size.area());
    let mut bytes = vec![0; 4 * CHUNK_SAMPLES];
    while samples.len() < size.area() {
        let chunk = &mut bytes[..4 * CHUNK_SAMPLES.min(size.area() - samples.len())];
        input.read_exact(chunk)?;
        let (numbers, _) = chunk.as_chunks::<4>();
        samples.extend(numbers.iter().map(|number| f32::from_le_bytes(*number)));
    }
    Ok(Plane::from_vec(size, samples).expect("one sample a pixel was read"))
}

/// Removes the masters used longest ago until the others take no more than `most_bytes`; never the one just made.
fn evict(folder: &Path, newest: &str, most_bytes: u64) -> io::Result<()> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        let is_master = path.extension().is_some_and(|ending| ending == ENDING);
        if is_master && let Ok(metadata) = entry.metadata() {
            files.push((entry.file_name() == *newest, metadata.modified()?, path, metadata.len()));
        }
    }
    files.sort();
    let mut total: u64 = files.iter().map(|file| file.3).sum();
    for (is_newest, _, path, length) in files {
        if total <= most_bytes || is_newest {
            break;
        }
        fs::remove_file(&path)?;
        total -= length;
    }
    Ok(())
}

/// Hashes what passes through.
struct Hashing<T> {
    inner: T,
    hash: Xxh3,
}

impl<T: Write> Write for Hashing<T> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = self.inner.write(bytes)?;
        self.hash.update(&bytes[..n]);
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

impl<T: Read> Read for Hashing<T> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let n = self.inner.read(bytes)?;
        self.hash.update(&bytes[..n]);
        Ok(n)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::pixels::{Cfa, Layout};

    const SIZE: Size = Size { width: 301, height: 207 };

    fn kept() -> Kept {
        let setup = Setup {
            layout: Layout::Mosaic(Cfa::RGGB),
            size: SIZE,
            camera: Some("Invented One".to_owned()),
            iso: Some(3200),
            exposure_secs: Some(13.0),
            aperture: None,
            focal_mm: None,
            temperature_celsius: Some(4.5),
        };
        let planes = vec![Plane::from_fn(SIZE, |x, y| (x * 7 + y) as f32 * 1e-5 - 0.01)];
        Kept { master: Master { planes, setup, n_frames: 9 }, notes: vec!["one was left out".to_owned()] }
    }

    fn cache(folder: &Path, most_bytes: u64) -> Cache {
        Cache { folder: Some(folder.to_owned()), most_bytes }
    }

    fn frames(folder: &Path, contents: &[&str]) -> Vec<PathBuf> {
        let write = |(idx, content): (usize, &&str)| {
            let path = folder.join(format!("{idx}.dng"));
            fs::write(&path, content).expect("a small file");
            path
        };
        contents.iter().enumerate().map(write).collect()
    }

    #[test]
    fn a_master_comes_back_as_it_was_and_its_name_follows_the_contents() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let cache = cache(&folder.path().join("below"), MOST_BYTES);
        let name = |contents| cache.name("dark", 1, &frames(folder.path(), contents), None).expect("readable frames");
        let first = name(&["one", "two"]);
        assert_eq!(cache.load(&first), None, "nothing is kept yet");
        cache.store(&first, &kept());
        assert_eq!(cache.load(&first), Some(kept()), "every sample and every word");
        assert_eq!(name(&["one", "two"]), first, "the same contents");
        assert_ne!(name(&["one", "twice"]), first, "another content");
        assert_ne!(cache.name("bias", 1, &frames(folder.path(), &["one", "two"]), None), Some(first.clone()), "a kind");
        let with = cache.name("dark", 1, &frames(folder.path(), &["one", "two"]), Some("bias-1"));
        assert_ne!(with, Some(first), "another bias");
        assert_eq!(cache.name("dark", 1, &[folder.path().join("gone.dng")], None), None, "no contents, no name");
    }

    #[test]
    fn a_damaged_master_is_none_and_is_removed() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let cache = cache(folder.path(), MOST_BYTES);
        let path = folder.path().join("dark-1.master");
        cache.store("dark-1.master", &kept());
        let whole = fs::read(&path).expect("just written");
        for place in [0, 9, 13, 40, 700, whole.len() / 2, whole.len() - 1] {
            let mut damaged = whole.clone();
            damaged[place] ^= 0x10;
            fs::write(&path, &damaged).expect("room");
            assert_eq!(cache.load("dark-1.master"), None, "byte {place} of {}", whole.len());
            assert!(!path.exists(), "of no use to anybody");
        }
        for length in [0, 7, 16, 300, whole.len() - 1] {
            fs::write(&path, &whole[..length]).expect("room");
            assert_eq!(cache.load("dark-1.master"), None, "{length} bytes of {}", whole.len());
        }
        fs::write(&path, &whole).expect("room");
        assert_eq!(cache.load("dark-1.master"), Some(kept()), "the whole file");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(128))]

        /// Its head above all, where the lengths stand.
        #[test]
        fn no_damage_gives_another_master(
            place in any::<prop::sample::Index>(), in_head in any::<bool>(),
            noise in proptest::collection::vec(any::<u8>(), 0..40), cut in proptest::option::of(any::<prop::sample::Index>()),
        ) {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let cache = cache(folder.path(), MOST_BYTES);
            cache.store("dark-1.master", &kept());
            let path = folder.path().join("dark-1.master");
            let whole = fs::read(&path).expect("just written");
            let mut damaged = whole.clone();
            let start = place.index(if in_head { 400 } else { whole.len() });
            damaged.iter_mut().skip(start).zip(&noise).for_each(|(byte, noise)| *byte = *noise);
            damaged.truncate(cut.map_or(whole.len(), |cut| cut.index(whole.len())));
            fs::write(&path, &damaged).expect("our own file");
            let expected = (damaged == whole).then(kept);
            prop_assert_eq!(cache.load("dark-1.master"), expected);
        }
    }

    #[test]
    fn the_masters_used_longest_ago_make_room() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let cache = cache(folder.path(), 600_000);
        // Each has 249 kB: two fit.
        for (age_secs, name) in [(30, "a.master"), (20, "b.master")] {
            cache.store(name, &kept());
            let file = File::options().append(true).open(folder.path().join(name)).expect("just written");
            let time = SystemTime::now() - std::time::Duration::from_secs(age_secs);
            file.set_modified(time).expect("our own file");
        }
        assert!(cache.load("a.master").is_some(), "used now, so b is the one used longest ago");
        cache.store("c.master", &kept());
        assert_eq!(cache.load("b.master"), None, "made room");
        assert!(cache.load("a.master").is_some() && cache.load("c.master").is_some(), "the others stay");
    }

    #[test]
    fn where_nothing_can_be_written_nothing_is_kept_and_nothing_fails() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let file = folder.path().join("file");
        fs::write(&file, b"in the way").expect("a small file");
        let cache = cache(&file.join("below"), MOST_BYTES);
        cache.store("a.master", &kept());
        assert_eq!(cache.load("a.master"), None, "nothing there");
        let off = Cache::open(&MasterCache::Off);
        assert_eq!(off.name("dark", 1, &[file], None), None, "switched off");
    }
}
