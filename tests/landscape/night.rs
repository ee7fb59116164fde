//! A burst written to disk, stacked by the whole pipeline, beside the truth about its reference frame.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, Outcome, Request};
use nightsheaf::pixels::statistics::median_and_sigma;
use nightsheaf::pixels::{LinearImage, Mask, Plane};
use nightsheaf::synthetic::{Burst, LandKind, Mover, MoverKind, Scene};

use crate::mask_scenes::scene;
use crate::sample::{noiseless, request};

const WIDTH: usize = 960;

/// A burst of the wide lens, small, with nothing that crosses it.
pub(crate) fn quiet_scene(land: LandKind, n_lights: usize) -> Scene {
    Scene {
        movers: Vec::new(),
        // Without dark frames their light would be part of the land.
        dark_electrons_per_sec: 0.0,
        amplifier_glow_electrons_per_sec: 0.0,
        ..scene(land, WIDTH, n_lights)
    }
}

/// The frames on disk, in a folder of that name.
pub(crate) fn written(name: &str, burst: &Burst) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("landscape").join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder).expect("our own folder");
    }
    burst.write(&folder, 0).expect("room for a small burst");
    folder
}

/// What became of a burst.
pub(crate) struct Night {
    pub(crate) burst: Burst,
    pub(crate) outcome: Outcome,
    /// The reference frame alone, with no noise and a perfect sensor and nothing that crosses.
    pub(crate) truth: LinearImage,
    /// Weight of the land in it.
    pub(crate) land: Plane<f32>,
}

/// Eleven frames of a kind of land, stacked once for all tests; in front of the ridge somebody with a torch walks by in
/// two of them.
pub(crate) fn night_of(kind: LandKind) -> &'static Night {
    static NIGHTS: [OnceLock<Night>; 9] = [const { OnceLock::new() }; 9];
    let name = format!("eleven-{kind:?}").to_lowercase();
    let torch = Mover {
        kind: MoverKind::Torch,
        frame: 3,
        start: [0.05, 0.61],
        width_per_sec: [0.03, 0.001],
        electrons_per_px: 3000.0,
    };
    let movers = if kind == LandKind::Ridge { vec![torch] } else { Vec::new() };
    NIGHTS[kind as usize].get_or_init(|| Night::stacked(&name, Scene { movers, ..quiet_scene(kind, 11) }, &[]))
}

impl Night {
    /// Stacks the burst with a mask that is found, and `land` for the landscape.
    pub(crate) fn stacked(name: &str, scene: Scene, land: &[PathBuf]) -> Self {
        let burst = Burst::new(scene.clone());
        let frames = |folders: &[PathBuf]| pipeline::collect_frames(folders).expect("just written");
        let request = Request {
            lights: frames(&[written(name, &burst)]),
            land: if land.is_empty() { Vec::new() } else { frames(land) },
            keep_single: true,
            ..request()
        };
        let outcome = pipeline::run(&Monitor::silent(), &request).expect("the burst stacks");
        let names = || outcome.report.frames.iter().map(|frame| frame.file.file_name().expect("a file"));
        let reference = names().position(|name| *name == *outcome.report.reference).expect("one of the frames");
        let perfect = Burst::new(Scene { movers: Vec::new(), n_hot_pixels: 0, ..scene });
        let truth = noiseless(&perfect, reference);
        // The mask is that of the first place of the tripod; the land of the reference frame lies elsewhere after a
        // knock.
        let mask = burst.foreground();
        let land = Plane::from_fn(mask.size(), |x, y| {
            let here = nightsheaf::pixels::Point { x: x as f64, y: y as f64 };
            let there = burst.carry_land(reference, 0, here).expect("inside the lens");
            let near = |place: f64, len: usize| place.round().clamp(0.0, len as f64 - 1.0) as usize;
            mask.at(near(there.x, mask.width()), near(there.y, mask.height()))
        });
        Self { burst, outcome, truth, land }
    }

    /// Which of the frames the others were brought to.
    pub(crate) fn reference(&self) -> usize {
        let mut frames = self.outcome.report.frames.iter().map(|frame| frame.file.file_name().expect("a file"));
        frames.position(|name| *name == *self.outcome.report.reference).expect("one of the frames")
    }

    pub(crate) fn stack(&self) -> &LinearImage {
        &self.outcome.picture.image
    }

    pub(crate) fn single(&self) -> &LinearImage {
        &self.outcome.single.as_ref().expect("the request asked for it").image
    }

    /// An image less the truth, green.
    pub(crate) fn residual(&self, image: &LinearImage) -> Plane<f32> {
        let (found, truth) = (&image.planes[1], &self.truth.planes[1]);
        Plane::from_fn(found.size(), |x, y| found.at(x, y) - truth.at(x, y))
    }

    /// Pixels whose surroundings of `margin_px` are land alone (or sky alone).
    pub(crate) fn deep(&self, is_land: bool, margin_px: usize) -> Mask {
        let other = Mask(self.land.map(|alpha| if is_land { alpha < 1.0 } else { alpha > 0.0 }));
        Mask(other.grow(margin_px).0.map(|near| !near))
    }

    /// Robust standard deviation of a plane over a mask.
    pub(crate) fn sigma(plane: &Plane<f32>, mask: &Mask) -> f32 {
        let mut samples: Vec<f32> =
            plane.samples().iter().zip(mask.0.samples()).filter(|(_, inside)| **inside).map(|(v, _)| *v).collect();
        median_and_sigma(&mut samples).expect("the mask is not empty").1
    }

    /// How strongly an image follows the fine detail of the true land; 1.0 is all of it.
    pub(crate) fn detail(&self, image: &LinearImage) -> f64 {
        let (image, truth) = (smoothed(&image.planes[1]), smoothed(&self.truth.planes[1]));
        let deep = self.deep(true, 12);
        let second_difference = |plane: &Plane<f32>, x: usize, y: usize| {
            let around = plane.at(x - 1, y) + plane.at(x + 1, y) + plane.at(x, y - 1) + plane.at(x, y + 1);
            f64::from(4.0 * plane.at(x, y) - around)
        };
        let (mut together, mut alone, mut n) = (0.0, 0.0, 0);
        for y in 12..image.height() - 12 {
            for x in (12..image.width() - 12).filter(|&x| deep.contains(x, y)) {
                let true_detail = second_difference(&truth, x, y);
                together += second_difference(&image, x, y) * true_detail;
                alone += true_detail * true_detail;
                n += 1;
            }
        }
        assert!(n > 50_000, "{n} pixels of land");
        together / alone
    }
}

/// By binomial weights 1, 4, 6, 4, 1 along both axes.
fn smoothed(plane: &Plane<f32>) -> Plane<f32> {
    const WEIGHTS: [f32; 5] = [0.0625, 0.25, 0.375, 0.25, 0.0625];
    let near = |at: usize, step: usize, len: usize| (at + step).saturating_sub(2).min(len - 1);
    let along = Plane::from_fn(plane.size(), |x, y| {
        (0..5).map(|step| WEIGHTS[step] * plane.at(near(x, step, plane.width()), y)).sum::<f32>()
    });
    Plane::from_fn(plane.size(), |x, y| {
        (0..5).map(|step| WEIGHTS[step] * along.at(x, near(y, step, plane.height()))).sum::<f32>()
    })
}
