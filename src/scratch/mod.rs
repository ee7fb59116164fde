//! Calibrated frames on disk: each stored once, read back in parts, gone when the store is.
//!
//! One temporary file without a name holds all frames of the burst, frame by frame, plane by plane, in upright strips
//! of `STRIP_COLUMNS` columns, row by row, as 16-bit fixed point: code = (sample − lowest) / step, rounded. A part
//! of a frame that is as wide as a few strips, as the stack reads them, is one piece of the file in each: asking the
//! system for every row costs more than reading it. The range is that of the burst:
//! noise reaches below black, and a flat may lift corners to several times the white level. Samples beyond
//! it are held at its ends. The space is reserved before the first frame, so a full disk is known at once.

mod code;
mod folder;

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use crate::pixels::{CalibratedFrame, Layout, Rect, Size};
use crate::stack::{MosaicRows, StackError};
use code::{Code, SAMPLE_BYTES, StripRows};
use fs4::FileExt;

/// Columns of a strip: a row of it is two lines of the processor's cache.
const STRIP_COLUMNS: usize = 64;

/// What a store must hold.
#[derive(Clone, Debug, PartialEq)]
pub struct ScratchSpec {
    /// What a frame's planes hold.
    pub layout: Layout,
    /// Width by height of each frame.
    pub size: Size,
    /// Frames of the burst.
    pub n_frames: usize,
    /// The darkest sample that must be kept, below 0.0 for noise.
    pub lowest: f32,
    /// The brightest sample that must be kept, 1.0 or more.
    pub highest: f32,
}

impl ScratchSpec {
    /// Bytes on the disk.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        (self.frame_samples() * SAMPLE_BYTES) as u64 * self.n_frames as u64
    }

    fn frame_samples(&self) -> usize {
        self.layout.n_planes() * self.size.area()
    }
}

/// Why there is no scratch store.
#[derive(Debug, thiserror::Error)]
pub enum ScratchError {
    /// Nowhere to look.
    #[error("no folder for the scratch file is given")]
    NoFolder,
    /// The disk is too full.
    #[error(
        "the scratch file needs {} but {} has only {} free; free some space or choose a scratch folder on another disk",
        mebibytes(*.needed_bytes), .folder.display(), mebibytes(*.free_bytes)
    )]
    NoRoom {
        /// The folder with the most room.
        folder: PathBuf,
        /// What the burst takes.
        needed_bytes: u64,
        /// What is free.
        free_bytes: u64,
    },
    /// The folder lies in memory, where the burst does not fit.
    #[error("{} is kept in memory; choose a scratch folder on a disk", .folder.display())]
    MemoryBacked {
        /// The folder.
        folder: PathBuf,
    },
    /// The folder cannot be used.
    #[error("no scratch file can be made in {}; choose a folder that exists and can be written", .folder.display())]
    Create {
        /// The folder.
        folder: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A frame cannot be written.
    #[error("frame {frame} cannot be written to the scratch file")]
    Write {
        /// Its number.
        frame: usize,
        /// What the system says.
        source: io::Error,
    },
}

fn mebibytes(bytes: u64) -> String {
    format!("{:.1} MiB", bytes as f64 / f64::from(1 << 20))
}

/// The calibrated frames of a burst on disk.
#[derive(Debug)]
pub struct ScratchStore {
    file: File,
    folder: PathBuf,
    spec: ScratchSpec,
    step: f32,
}

impl ScratchStore {
    /// Makes the file in the first of `folders` that is on a disk, can be written and has room for it.
    pub fn create(folders: &[PathBuf], spec: ScratchSpec) -> Result<Self, ScratchError> {
        let mut worst = ScratchError::NoFolder;
        for folder in folders {
            match reserve(folder, spec.bytes()) {
                Ok(file) => {
                    let step = (spec.highest - spec.lowest) / f32::from(u16::MAX);
                    return Ok(Self { file, folder: folder.clone(), spec, step });
                }
                Err(error) => worst = more_telling(worst, error),
            }
        }
        Err(worst)
    }

    /// The same store for samples up to another brightest one: before the first frame is written.
    #[must_use]
    pub fn up_to(mut self, highest: f32) -> Self {
        self.spec.highest = highest;
        self.step = (highest - self.spec.lowest) / f32::from(u16::MAX);
        self
    }

    /// Where the file lies.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Difference of neighbouring codes; stored samples are off by at most half of it.
    #[must_use]
    pub fn step(&self) -> f32 {
        self.step
    }

    /// Stores a frame of the store's size and layout; different frames may be written at the same time.
    pub fn write(&self, frame: usize, samples: &CalibratedFrame) -> Result<(), ScratchError> {
        assert_eq!((samples.size(), samples.layout), (self.spec.size, self.spec.layout), "frames of one burst");
        assert!(frame < self.spec.n_frames, "the store has room for the frames of the burst");
        let Size { width, height } = self.spec.size;
        let code = self.code();
        let mut codes = Vec::with_capacity(SAMPLE_BYTES * STRIP_COLUMNS * height);
        for (plane_idx, plane) in samples.planes.iter().enumerate() {
            for first in (0..width).step_by(STRIP_COLUMNS) {
                let columns = first..(first + STRIP_COLUMNS).min(width);
                codes.resize(SAMPLE_BYTES * columns.len() * height, 0);
                for (y, codes) in codes.chunks_exact_mut(SAMPLE_BYTES * columns.len()).enumerate() {
                    code.encode(&plane.row(y)[columns.clone()], codes);
                }
                let offset = self.strip_offset(frame, plane_idx, first, 0);
                write_all_at(&self.file, &codes, offset).map_err(|source| ScratchError::Write { frame, source })?;
            }
        }
        Ok(())
    }

    /// Where a row of the strip that begins at column `first` lies in the file.
    fn strip_offset(&self, frame: usize, plane_idx: usize, first: usize, row: usize) -> u64 {
        let Size { width, height } = self.spec.size;
        let columns = STRIP_COLUMNS.min(width - first);
        let place = plane_idx * width * height + first * height + row * columns;
        self.frame_offset(frame) + (SAMPLE_BYTES * place) as u64
    }

    fn code(&self) -> Code {
        Code { step: self.step, lowest: self.spec.lowest }
    }

    fn frame_offset(&self, frame: usize) -> u64 {
        (self.spec.frame_samples() * SAMPLE_BYTES) as u64 * frame as u64
    }
}

impl MosaicRows for ScratchStore {
    fn layout(&self) -> Layout {
        self.spec.layout
    }

    fn size(&self) -> Size {
        self.spec.size
    }

    fn read_rect(&self, frame: usize, rect: Rect, planes: &mut [Vec<f32>]) -> Result<(), StackError> {
        let width = self.spec.size.width;
        let end = rect.x + rect.size.width;
        let code = self.code();
        let mut codes = Vec::new();
        for (plane_idx, plane) in planes.iter_mut().enumerate() {
            plane.resize(rect.size.area(), 0.0);
            let first_strip = rect.x - rect.x % STRIP_COLUMNS;
            for first in (first_strip..end).step_by(STRIP_COLUMNS) {
                let strip_width = STRIP_COLUMNS.min(width - first);
                codes.resize(SAMPLE_BYTES * strip_width * rect.size.height, 0);
                let offset = self.strip_offset(frame, plane_idx, first, rect.y);
                read_exact_at(&self.file, &mut codes, offset).map_err(|source| StackError::Read { frame, source })?;
                let from = rect.x.max(first);
                let columns = from - first..end.min(first + strip_width) - first;
                let rows = StripRows { codes: &codes, width: strip_width, columns };
                code.decode(rows, plane, rect.size.width, from - rect.x);
            }
        }
        Ok(())
    }
}

/// Makes a file without a name of `bytes` bytes that the disk keeps free for it.
fn reserve(folder: &Path, bytes: u64) -> Result<File, ScratchError> {
    let create_error = |source| ScratchError::Create { folder: folder.to_owned(), source };
    if folder::is_memory_backed(folder) {
        return Err(ScratchError::MemoryBacked { folder: folder.to_owned() });
    }
    let free_bytes = fs4::available_space(folder).map_err(create_error)?;
    let no_room = || ScratchError::NoRoom { folder: folder.to_owned(), needed_bytes: bytes, free_bytes };
    if free_bytes < bytes {
        return Err(no_room());
    }
    let file = tempfile::tempfile_in(folder).map_err(create_error)?;
    match file.allocate(bytes) {
        Ok(()) => Ok(file),
        Err(error) if error.kind() == io::ErrorKind::StorageFull => Err(no_room()),
        // Some file systems cannot reserve space; the room was checked.
        Err(_) => file.set_len(bytes).map(|()| file).map_err(create_error),
    }
}

/// Of two reasons the one that a person can act upon best: the disk with the most room.
fn more_telling(first: ScratchError, second: ScratchError) -> ScratchError {
    let rank = |error: &ScratchError| match error {
        ScratchError::NoFolder | ScratchError::Write { .. } => 0,
        ScratchError::MemoryBacked { .. } => 1,
        ScratchError::Create { .. } => 2,
        ScratchError::NoRoom { free_bytes, .. } => free_bytes.saturating_add(3),
    };
    if rank(&second) > rank(&first) { second } else { first }
}

#[cfg(unix)]
fn write_all_at(file: &File, bytes: &[u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::write_all_at(file, bytes, offset)
}

#[cfg(unix)]
fn read_exact_at(file: &File, bytes: &mut [u8], offset: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, offset)
}

#[cfg(windows)]
fn write_all_at(file: &File, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
    while !bytes.is_empty() {
        let count = std::os::windows::fs::FileExt::seek_write(file, bytes, offset)?;
        if count == 0 {
            return Err(io::ErrorKind::WriteZero.into());
        }
        bytes = &bytes[count..];
        offset += count as u64;
    }
    Ok(())
}

#[cfg(windows)]
fn read_exact_at(file: &File, mut bytes: &mut [u8], mut offset: u64) -> io::Result<()> {
    while !bytes.is_empty() {
        let count = std::os::windows::fs::FileExt::seek_read(file, bytes, offset)?;
        if count == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        bytes = &mut bytes[count..];
        offset += count as u64;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Cfa, Mask, Plane};

    fn spec(size: Size, layout: Layout) -> ScratchSpec {
        ScratchSpec { layout, size, n_frames: 3, lowest: -0.1, highest: 3.9 }
    }

    /// A folder on a disk; the tests' own build folder is one where the system's temporary one is not.
    fn disk_folder() -> tempfile::TempDir {
        tempfile::tempdir_in(env!("CARGO_MANIFEST_DIR")).expect("the package folder can be written")
    }

    fn frame(size: Size, layout: Layout, seed: usize) -> CalibratedFrame {
        let plane = |plane_idx: usize| {
            Plane::from_fn(size, |x, y| ((x * 31 + y * 17 + seed * 7 + plane_idx * 3) % 401) as f32 / 100.0 - 0.1)
        };
        CalibratedFrame { layout, planes: (0..layout.n_planes()).map(plane).collect(), saturated: Mask::empty(size) }
    }

    #[test]
    fn frames_come_back_within_half_a_step_and_leave_no_file() {
        let folder = disk_folder();
        let size = Size { width: 700, height: 500 };
        for layout in [Layout::Mosaic(Cfa::RGGB), Layout::Rgb] {
            let store =
                ScratchStore::create(&[folder.path().to_owned()], spec(size, layout)).expect("room for a small burst");
            std::thread::scope(|scope| {
                for frame_idx in 0..3 {
                    let store = &store;
                    scope.spawn(move || store.write(frame_idx, &frame(size, layout, frame_idx)).expect("room"));
                }
            });
            let rect = Rect { x: 13, y: 250, size: Size { width: 600, height: 200 } };
            for frame_idx in 0..3 {
                let expected = frame(size, layout, frame_idx);
                let mut planes = vec![Vec::new(); layout.n_planes()];
                store.read_rect(frame_idx, rect, &mut planes).expect("written above");
                for (found, expected) in planes.iter().zip(&expected.planes) {
                    for (found, expected) in found.iter().zip(expected.crop(rect).samples()) {
                        let error = (found - expected).abs();
                        assert!(error <= 0.5 * store.step() + 1e-6, "{found} for {expected} in frame {frame_idx}");
                    }
                }
            }
            assert_eq!(std::fs::read_dir(folder.path()).expect("a folder").count(), 0, "the file has no name");
        }
    }

    #[test]
    fn samples_beyond_the_range_are_held_at_its_ends() {
        let folder = disk_folder();
        let size = Size { width: 2, height: 1 };
        let store =
            ScratchStore::create(&[folder.path().to_owned()], spec(size, Layout::Mosaic(Cfa::RGGB))).expect("room");
        let mut bright = frame(size, Layout::Mosaic(Cfa::RGGB), 0);
        bright.planes[0] = Plane::from_vec(size, vec![-5.0, 9.0]).expect("two samples");
        store.write(0, &bright).expect("room");
        let mut planes = vec![Vec::new()];
        store.read_rect(0, Rect { x: 0, y: 0, size }, &mut planes).expect("written above");
        assert!((planes[0][0] + 0.1).abs() < 1e-6 && (planes[0][1] - 3.9).abs() < 1e-6, "found {:?}", planes[0]);
    }

    #[test]
    fn a_full_disk_is_told_before_the_work_with_the_numbers() {
        let folder = disk_folder();
        let mut huge = spec(Size { width: 6000, height: 4000 }, Layout::Mosaic(Cfa::RGGB));
        huge.n_frames = 100_000_000;
        let error = ScratchStore::create(&[folder.path().to_owned()], huge).expect_err("4.8 petabytes");
        let message = error.to_string();
        assert!(matches!(error, ScratchError::NoRoom { needed_bytes: 4_800_000_000_000_000, .. }), "{error:?}");
        assert!(message.contains("4577636718.8 MiB") && message.contains("choose a scratch folder"), "{message}");
    }

    #[test]
    fn the_first_folder_that_serves_is_taken() {
        let folder = disk_folder();
        let missing = folder.path().join("missing");
        let size = Size { width: 8, height: 8 };
        let folders = [missing.clone(), folder.path().to_owned()];
        let store = ScratchStore::create(&folders, spec(size, Layout::Rgb)).expect("the second one");
        assert_eq!(store.folder(), folder.path(), "the first does not exist");
        let error = ScratchStore::create(&[missing], spec(size, Layout::Rgb)).expect_err("does not exist");
        assert!(matches!(error, ScratchError::Create { .. }), "{error:?}");
    }
}
