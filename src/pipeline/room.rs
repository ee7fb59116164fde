//! Room for a run: memory and the scratch file.

use std::path::{Path, PathBuf};

use crate::pipeline::request::Request;
use crate::pixels::Size;

/// The least memory that frames of a size need: the finished stack and its coverage beside a tile of every frame, or
/// one frame in the first pass; and the program itself.
fn least_memory_bytes(size: Size) -> u64 {
    const PROGRAM_BYTES: u64 = 96 << 20;
    const BYTES_PER_PIXEL: u64 = 24;
    PROGRAM_BYTES + BYTES_PER_PIXEL * size.area() as u64
}

/// What to say where less memory is asked for than the frames need.
pub(super) fn memory_note(memory_bytes: u64, size: Size) -> Option<String> {
    let least = least_memory_bytes(size);
    let mebibytes = |bytes: u64| bytes >> 20;
    (memory_bytes < least).then(|| {
        format!(
            "frames of {size} need about {} MiB of memory: that is taken, though {} MiB were asked for",
            mebibytes(least),
            mebibytes(memory_bytes)
        )
    })
}

/// The folder asked for; else beside the output or the frames, which lie on disks that hold pictures.
pub(super) fn scratch_folders(request: &Request, paths: &[PathBuf]) -> Vec<PathBuf> {
    if let Some(folder) = &request.scratch_folder {
        return vec![folder.clone()];
    }
    let frames = paths.first().and_then(|path| path.parent()).map(Path::to_owned);
    let named = |folder: PathBuf| if folder.as_os_str().is_empty() { PathBuf::from(".") } else { folder };
    [request.output_folder.clone(), frames, Some(std::env::temp_dir())].into_iter().flatten().map(named).collect()
}
