//! The invented burst, for a first try without frames of one's own.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::error::Error;
use crate::job::{self, Monitor};
use crate::synthetic::{Burst, Scene};

/// Dark frames beside the lights, as in the folder `sample-frames`.
const N_DARKS: usize = 3;

/// Writes the invented burst to `folder`, which must exist, with its dark frames in `darks`; the paths of the light
/// frames in order.
///
/// `on_frame` hears of each light frame as soon as it is written.
pub fn write_sample_frames(
    monitor: &Monitor,
    folder: &Path,
    mut on_frame: impl FnMut(&Path),
) -> Result<Vec<PathBuf>, Error> {
    let scene = Scene::sample();
    let (n_lights, n_frames) = (scene.n_lights, scene.n_lights + N_DARKS);
    let problem = |said| Error::Folder { path: folder.to_owned(), said };
    monitor.step("Making the sample frames", 0, n_frames)?;
    let burst = Arc::new(job::aside(monitor, move |_| Burst::new(scene))?);
    let mut paths = Vec::with_capacity(n_lights);
    for idx in 0..n_lights {
        monitor.step("Making the sample frames", idx, n_frames)?;
        let path = folder.join(format!("night-{:03}.dng", idx + 1));
        let (to_write, to) = (Arc::clone(&burst), path.clone());
        job::aside(monitor, move |_| to_write.write_light(&to, idx))?.map_err(problem)?;
        on_frame(&path);
        paths.push(path);
    }
    let darks = folder.join("darks");
    std::fs::create_dir_all(&darks).map_err(problem)?;
    for idx in 0..N_DARKS {
        monitor.step("Making the sample frames", n_lights + idx, n_frames)?;
        let (to_write, to) = (Arc::clone(&burst), darks.join(format!("dark-{:03}.dng", idx + 1)));
        job::aside(monitor, move |_| to_write.write_dark(&to, idx))?.map_err(problem)?;
    }
    Ok(paths)
}
