//! The invented burst, for a first try without frames of one's own.

use std::path::{Path, PathBuf};

use crate::error::Error;
use crate::job::Monitor;
use crate::synthetic::dng::write_cfa_dng;
use crate::synthetic::{Burst, Scene};

/// Writes the light frames of the invented burst to `folder`, which must exist; their paths in order.
///
/// `on_frame` hears of each as soon as it is written.
pub fn write_sample_frames(
    monitor: &Monitor,
    folder: &Path,
    mut on_frame: impl FnMut(&Path),
) -> Result<Vec<PathBuf>, Error> {
    let scene = Scene::sample();
    let n_lights = scene.n_lights;
    monitor.step("Making the sample frames", 0, n_lights)?;
    let burst = Burst::new(scene);
    let mut paths = Vec::with_capacity(n_lights);
    for idx in 0..n_lights {
        monitor.step("Making the sample frames", idx, n_lights)?;
        let path = folder.join(format!("night-{:03}.dng", idx + 1));
        write_cfa_dng(&path, &burst.light(idx)).map_err(|said| Error::Folder { path: folder.to_owned(), said })?;
        on_frame(&path);
        paths.push(path);
    }
    Ok(paths)
}
