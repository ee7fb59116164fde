//! The sample frames, stacked once for all tests, beside what they would be without noise.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use nightsheaf::demosaic::demosaic;
use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, MaskChoice, MasterCache, Outcome, Request};
use nightsheaf::pixels::statistics::{SIGMA_PER_MAD, median};
use nightsheaf::pixels::{CalibratedFrame, Layout, LinearImage, Mask, Plane};
use nightsheaf::synthetic::{Burst, Scene};

/// No frame of the burst covers less of the sky than all but this margin; the land hides as much at most.
const MARGIN_PX: usize = 24;
/// Edge of a block that noise is averaged over.
const BLOCK_PX: usize = 8;

/// One stack of the sample frames and the truth about it.
pub(crate) struct Sample {
    /// The burst as it was photographed.
    pub(crate) burst: Burst,
    /// The same night with no movers and a perfect sensor.
    pub(crate) perfect: Burst,
    pub(crate) outcome: Outcome,
    /// Light frame that the sky was brought to.
    pub(crate) reference: usize,
    /// Light frames in the picture.
    pub(crate) used: Vec<usize>,
    /// The reference frame without noise, movers, dark signal.
    pub(crate) truth: LinearImage,
}

impl Sample {
    pub(crate) fn with_darks() -> &'static Self {
        static SAMPLE: OnceLock<Sample> = OnceLock::new();
        SAMPLE.get_or_init(|| Self::stack_frames(&["darks"], true))
    }

    pub(crate) fn without_darks() -> &'static Self {
        static SAMPLE: OnceLock<Sample> = OnceLock::new();
        SAMPLE.get_or_init(|| Self::stack_frames(&[], true))
    }

    /// The land is taken for sky.
    pub(crate) fn without_mask() -> Self {
        Self::stack_frames(&["darks"], false)
    }

    pub(crate) fn stack(&self) -> &LinearImage {
        &self.outcome.picture.image
    }

    pub(crate) fn single(&self) -> &LinearImage {
        &self.outcome.single.as_ref().expect("the request asked for it").image
    }

    fn stack_frames(darks: &[&str], has_mask: bool) -> Self {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
        let frames = |folders: &[PathBuf]| pipeline::collect_frames(folders).expect("the sample frames are there");
        let request = Request {
            lights: frames(std::slice::from_ref(&folder)),
            darks: darks.iter().flat_map(|darks| frames(&[folder.join(darks)])).collect(),
            mask: if has_mask { MaskChoice::File(folder.join("truth/mask.png")) } else { MaskChoice::None },
            keep_single: true,
            ..request()
        };
        Self::of(Scene::sample(), &request)
    }

    /// A burst made for one test, with darks and its exact mask.
    pub(crate) fn made(scene: Scene, with: impl FnOnce(Request) -> Request) -> Self {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written");
        Burst::new(scene.clone()).write(folder.path(), 4).expect("room for a small burst");
        let frames = |folder: PathBuf| pipeline::collect_frames(&[folder]).expect("just written");
        let request = Request {
            lights: frames(folder.path().to_owned()),
            darks: frames(folder.path().join("darks")),
            mask: MaskChoice::File(folder.path().join("truth/mask.png")),
            keep_single: true,
            ..request()
        };
        Self::of(scene, &with(request))
    }

    fn of(scene: Scene, request: &Request) -> Self {
        let outcome = pipeline::run(&Monitor::silent(), request).expect("the frames stack");
        let names = || outcome.report.frames.iter().map(|frame| frame.file.file_name().expect("a file"));
        let reference = names().position(|name| *name == *outcome.report.reference).expect("one of the frames");
        let used = (0..request.lights.len()).filter(|&idx| outcome.report.frames[idx].used).collect();
        let perfect = Burst::new(Scene {
            movers: Vec::new(),
            n_hot_pixels: 0,
            dark_electrons_per_sec: 0.0,
            amplifier_glow_electrons_per_sec: 0.0,
            ..scene.clone()
        });
        let truth = noiseless(&perfect, reference);
        Self { burst: Burst::new(scene), perfect, outcome, reference, used, truth }
    }

    /// Stack less truth, in one channel.
    pub(crate) fn residual(&self, channel: usize) -> Plane<f32> {
        let (stack, truth) = (&self.stack().planes[channel], &self.truth.planes[channel]);
        Plane::from_fn(stack.size(), |x, y| stack.at(x, y) - truth.at(x, y))
    }

    /// Whether all frames show sky, and nothing but sky, at a pixel and around it.
    pub(crate) fn is_pure_sky(&self, x: usize, y: usize) -> bool {
        let land = self.burst.foreground();
        let (from_x, from_y) = (x.saturating_sub(MARGIN_PX), y.saturating_sub(MARGIN_PX));
        let (to_x, to_y) = (x + MARGIN_PX, y + MARGIN_PX);
        let inside = x >= MARGIN_PX && y >= MARGIN_PX && to_x < land.width() && to_y < land.height();
        inside && (from_y..=to_y).all(|y| land.row(y)[from_x..=to_x].iter().all(|&alpha| alpha == 0.0))
    }

    /// How strongly an image of the land follows the finest detail of the true one that a sharp lens draws (second
    /// differences after smoothing by a standard deviation of one pixel); 1.0 is all of it.
    pub(crate) fn land_detail(&self, image: &LinearImage) -> f64 {
        let (image, truth) = (&smoothed(&image.planes[1]), &smoothed(&self.truth.planes[1]));
        let land = self.burst.foreground();
        let second_difference = |plane: &Plane<f32>, x: usize, y: usize| {
            let around = plane.at(x - 1, y) + plane.at(x + 1, y) + plane.at(x, y - 1) + plane.at(x, y + 1);
            f64::from(4.0 * plane.at(x, y) - around)
        };
        let is_land =
            |x: usize, y: usize| (y - 4..=y + 4).all(|y| land.row(y)[x - 4..=x + 4].iter().all(|&a| a == 1.0));
        let (mut together, mut alone, mut n) = (0.0, 0.0, 0);
        for y in 4..land.height() - 4 {
            for x in (4..land.width() - 4).filter(|&x| is_land(x, y)) {
                let true_detail = second_difference(truth, x, y);
                together += second_difference(image, x, y) * true_detail;
                alone += true_detail * true_detail;
                n += 1;
            }
        }
        assert!(n > 50_000, "{n} pixels of land");
        together / alone
    }
}

/// What all runs of these tests share.
pub(crate) fn request() -> Request {
    Request {
        decoder_program: Some(env!("CARGO_BIN_EXE_nightsheaf-cli").into()),
        scratch_folder: Some(env!("CARGO_TARGET_TMPDIR").into()),
        // Each run by itself, and none in the cache of whoever runs the tests.
        master_cache: MasterCache::Off,
        ..Request::default()
    }
}

/// A light frame as a perfect sensor sees it, demosaiced.
pub(crate) fn noiseless(burst: &Burst, idx: usize) -> LinearImage {
    let scene = burst.scene();
    let range = f32::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn as f32;
    let plane = burst.light_electrons(idx).map(|electrons| electrons / range);
    let saturated = Mask::empty(scene.size);
    demosaic(&CalibratedFrame { layout: Layout::Mosaic(scene.cfa), planes: vec![plane], saturated })
}

/// Noise of a pixel of the green sky: mean over blocks of image less truth, second differences along rows.
pub(crate) fn block_noise(sample: &Sample, image: &LinearImage) -> f64 {
    let (image, truth) = (&image.planes[1], &sample.truth.planes[1]);
    let pixels = |block_x: usize, block_y: usize| {
        (0..BLOCK_PX * BLOCK_PX).map(move |k| (block_x * BLOCK_PX + k % BLOCK_PX, block_y * BLOCK_PX + k / BLOCK_PX))
    };
    // A bright star has noise of its own and is drawn a little differently in every frame.
    let is_plain = |block_x: usize, block_y: usize| {
        let levels = pixels(block_x, block_y).map(|(x, y)| truth.at(x, y));
        let (low, high) = levels.fold((f32::MAX, f32::MIN), |(low, high), level| (low.min(level), high.max(level)));
        high - low < 0.002 && sample.is_pure_sky(block_x * BLOCK_PX + 4, block_y * BLOCK_PX + 4)
    };
    let mut differences = Vec::new();
    for block_y in 0..image.height() / BLOCK_PX {
        let row: Vec<Option<f32>> = (0..image.width() / BLOCK_PX)
            .map(|block_x| {
                let sum: f32 = pixels(block_x, block_y).map(|(x, y)| image.at(x, y) - truth.at(x, y)).sum();
                is_plain(block_x, block_y).then_some(sum / (BLOCK_PX * BLOCK_PX) as f32)
            })
            .collect();
        for triple in row.windows(3) {
            if let [Some(a), Some(b), Some(c)] = triple {
                differences.push((a - 2.0 * b + c).abs());
            }
        }
    }
    assert!(differences.len() > 1000, "{} blocks of plain sky", differences.len());
    let sigma = SIGMA_PER_MAD * median(&mut differences).expect("not empty");
    // a − 2b + c has six times the variance of a block, a block 1/64 of that of a pixel.
    f64::from(sigma) * BLOCK_PX as f64 / 6.0_f64.sqrt()
}

/// By binomial weights 1, 4, 6, 4, 1 along both axes.
fn smoothed(plane: &Plane<f32>) -> Plane<f32> {
    const WEIGHTS: [f32; 5] = [0.0625, 0.25, 0.375, 0.25, 0.0625];
    let (right, bottom) = (plane.width() - 1, plane.height() - 1);
    let near = |at: usize, step: usize, last: usize| (at + step).saturating_sub(2).min(last);
    let along = Plane::from_fn(plane.size(), |x, y| {
        (0..5).map(|step| WEIGHTS[step] * plane.at(near(x, step, right), y)).sum::<f32>()
    });
    Plane::from_fn(plane.size(), |x, y| {
        (0..5).map(|step| WEIGHTS[step] * along.at(x, near(y, step, bottom))).sum::<f32>()
    })
}

pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

pub(crate) fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}
