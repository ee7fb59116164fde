//! Invented nights on disk, and runs over them.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, ForegroundMask, MaskChoice, MasterCache, Outcome, Request};
use nightsheaf::raw::RawFrame;
use nightsheaf::synthetic::dng::write_cfa_dng;
use nightsheaf::synthetic::{Burst, LandKind, Scene};

/// Frames of one night in a folder of their own.
pub(crate) struct Night {
    pub(crate) burst: Burst,
    folder: tempfile::TempDir,
}

/// Small frames through a lens of twice the light, so that stars are many.
pub(crate) fn scene() -> Scene {
    Scene { n_lights: 6, zero_point_electrons_per_sec: 18_000.0, ..Scene::small() }
}

/// As [`scene`], with nothing in front of the sky.
pub(crate) fn sky_scene() -> Scene {
    Scene { land: LandKind::None, glow: 0.0, ..scene() }
}

impl Night {
    pub(crate) fn new(scene: Scene) -> Self {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written");
        Self { burst: Burst::new(scene), folder }
    }

    /// A night with all its light frames written: `night-001.dng` and so on.
    pub(crate) fn with_lights(scene: Scene) -> Self {
        let night = Self::new(scene);
        for idx in 0..night.burst.scene().n_lights {
            night.burst.write_light(&night.path(&light_name(idx)), idx).expect("room for a small frame");
        }
        night
    }

    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder().join(name)
    }

    /// Writes a frame; folders in its name are made.
    pub(crate) fn write(&self, name: &str, frame: &RawFrame) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("our own folder");
        write_cfa_dng(&path, frame).expect("room for a small frame");
        path
    }

    pub(crate) fn lights(&self) -> Vec<PathBuf> {
        (0..self.burst.scene().n_lights).map(|idx| self.path(&light_name(idx))).collect()
    }

    /// A request for the lights under the true mask, which keeps no masters.
    pub(crate) fn request(&self) -> Request {
        let land = self.burst.foreground();
        let has_land = land.samples().iter().any(|&alpha| alpha > 0.0);
        let mask = || MaskChoice::Given(Arc::new(ForegroundMask(land.clone())));
        Request {
            lights: self.lights(),
            mask: if has_land { mask() } else { MaskChoice::None },
            master_cache: MasterCache::Off,
            keep_single: true,
            decoder_program: Some(env!("CARGO_BIN_EXE_nightsheaf-cli").into()),
            scratch_folder: Some(env!("CARGO_TARGET_TMPDIR").into()),
            ..Request::default()
        }
    }
}

pub(crate) fn light_name(idx: usize) -> String {
    format!("night-{:03}.dng", idx + 1)
}

pub(crate) fn run(request: &Request) -> Outcome {
    pipeline::run(&Monitor::silent(), request).expect("the frames stack")
}

/// Notes of a run that contain all of the words.
pub(crate) fn notes_with<'a>(outcome: &'a Outcome, words: &[&str]) -> Vec<&'a String> {
    outcome.report.notes.iter().filter(|note| words.iter().all(|word| note.contains(word))).collect()
}
