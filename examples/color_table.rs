//! The table of docs/stacking.md: a sky of interpolated colors against one of samples as they are.
//!
//!     cargo build --release --no-default-features --bin nightsheaf-cli
//!     cargo run --release --no-default-features --example color_table -- target/release/nightsheaf-cli [WIDTH_PX...]
//!
//! Invented bursts of 720 × 480 pixels without land, stars of the given widths (1.7 and 2.25 px by default).

use std::path::PathBuf;

use nightsheaf::demosaic::demosaic;
use nightsheaf::detect::{DetectSettings, measure_frame};
use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{Colors, MaskChoice, Request, collect_frames, run};
use nightsheaf::pixels::{CalibratedFrame, Layout, LinearImage, Mask, Plane, Size};
use nightsheaf::synthetic::{Burst, LandKind, Scene, TrueStar};

const COUNTS: [usize; 4] = [12, 16, 24, 60];
const SIZE: Size = Size { width: 720, height: 480 };

#[allow(clippy::print_stdout, reason = "an example prints its result")]
fn main() {
    let mut words = std::env::args().skip(1);
    let program = PathBuf::from(words.next().unwrap_or_else(|| "target/release/nightsheaf-cli".to_owned()));
    let mut widths: Vec<f64> = words.filter_map(|word| word.parse().ok()).collect();
    if widths.is_empty() {
        widths = vec![1.7, 2.25];
    }
    println!(
        "| stars | frames | colors | noise of a pixel R, G, B | noise of 8 × 8 | false color of a pixel | of 8 × 8 | \
         FWHM | star color, aperture | worst pixels |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for width_px in widths {
        for n_frames in COUNTS {
            let night = Night::new(n_frames, width_px);
            for (name, colors) in [("interpolated", Colors::Interpolated), ("sampled", Colors::Sampled)] {
                let (image, reference) = night.stack(&program, colors);
                println!("| {width_px} px | {n_frames} | {name} | {} |", night.row(&image, reference));
            }
        }
    }
}

struct Night {
    burst: Burst,
    folder: tempfile::TempDir,
    n_frames: usize,
}

impl Night {
    fn new(n_lights: usize, psf_fwhm_px: f64) -> Self {
        let sample = Scene::sample();
        let lens = nightsheaf::synthetic::Lens { lateral_scale: [1.0; 3], ..sample.lens };
        let scene = Scene {
            size: SIZE,
            n_lights,
            lens,
            n_stars: 1200,
            psf_fwhm_px,
            psf_growth: 0.0,
            halo_fraction: 0.0,
            vignetting: 0.0,
            glow: 0.0,
            glow_drift: 0.0,
            band: 0.0,
            zero_point_electrons_per_sec: 20_000.0,
            n_hot_pixels: 0,
            amplifier_glow_electrons_per_sec: 0.0,
            dark_electrons_per_sec: 0.0,
            land: LandKind::None,
            movers: Vec::new(),
            shakes: Vec::new(),
            ..sample
        };
        let folder = tempfile::tempdir_in(env!("CARGO_MANIFEST_DIR")).expect("a folder on a disk");
        let burst = Burst::new(scene);
        burst.write(folder.path(), 0).expect("room for a small burst");
        Self { burst, folder, n_frames: n_lights }
    }

    fn stack(&self, program: &std::path::Path, colors: Colors) -> (LinearImage, usize) {
        let request = Request {
            lights: collect_frames(&[self.folder.path().to_owned()]).expect("just written"),
            mask: MaskChoice::None,
            colors,
            decoder_program: Some(program.to_owned()),
            scratch_folder: Some(self.folder.path().to_owned()),
            ..Request::default()
        };
        let outcome = run(&Monitor::silent(), &request).expect("a clean burst stacks");
        let name = |frame: &nightsheaf::pipeline::FrameReport| frame.file.ends_with(&outcome.report.reference);
        let reference = outcome.report.frames.iter().position(name).expect("one of the frames");
        assert!(outcome.report.frames.iter().all(|frame| frame.used), "all frames are good");
        (outcome.picture.image, reference)
    }

    /// The light of a frame without noise, its colors by demosaic, 1.0 at white.
    fn noiseless(&self, idx: usize) -> LinearImage {
        let scene = self.burst.scene();
        let range = f32::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn as f32;
        let plane = self.burst.light_electrons(idx).map(|electrons| electrons / range);
        demosaic(&CalibratedFrame {
            layout: Layout::Mosaic(scene.cfa),
            planes: vec![plane],
            saturated: Mask::empty(scene.size),
        })
    }

    fn row(&self, image: &LinearImage, reference: usize) -> String {
        let scene = self.burst.scene();
        let range = f64::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn;
        let truth = self.burst.stars_in(reference);
        let plain = self.plain_sky(&truth);
        // Noise of one sample of the sky, by color.
        let perfect = self.noiseless(reference);
        let single: [f64; 3] = std::array::from_fn(|channel| {
            let levels: Vec<f64> =
                plain.iter().map(|&(x, y)| f64::from(perfect.planes[channel].at(x + 4, y + 4))).collect();
            let electrons = range * levels.iter().sum::<f64>() / levels.len() as f64;
            (electrons + scene.read_noise_electrons.powi(2)).sqrt() / range
        });
        let scale = (self.n_frames as f64).sqrt();
        let pixel = |value: &dyn Fn(usize, usize) -> f64| {
            spread(
                plain
                    .iter()
                    .flat_map(|&(x, y)| {
                        let all: Vec<f64> = (0..64).map(|k| value(x + k % 8, y + k / 8)).collect();
                        let mean = all.iter().sum::<f64>() / 64.0;
                        all.into_iter().map(move |value| (value - mean) * (64.0_f64 / 63.0).sqrt()).collect::<Vec<_>>()
                    })
                    .collect(),
            )
        };
        let block = |value: &dyn Fn(usize, usize) -> f64| {
            // Differences of neighbors: the sky itself is not even.
            let mean = |x: usize, y: usize| (0..64).map(|k| value(x + k % 8, y + k / 8)).sum::<f64>() / 8.0;
            let pairs = plain.iter().filter(|&&(x, y)| plain.contains(&(x + 8, y)));
            spread(pairs.map(|&(x, y)| (mean(x, y) - mean(x + 8, y)) / 2.0_f64.sqrt()).collect())
        };
        let of = |channel: usize| move |x: usize, y: usize| f64::from(image.planes[channel].at(x, y));
        let noise: Vec<String> =
            (0..3).map(|channel| format!("{:.3}", pixel(&of(channel)) * scale / single[channel])).collect();
        let color = |x: usize, y: usize| f64::from(image.planes[0].at(x, y) - image.planes[1].at(x, y));
        let (fwhm, aperture, worst) = self.stars(image, &truth);
        format!(
            "{} | {:.3} | {:.3} | {:.3} | {fwhm:.3} | {:.1} % | {:.1} %",
            noise.join(", "),
            block(&of(1)) * scale / single[1],
            pixel(&color) * scale / single[1],
            block(&color) * scale / single[1],
            100.0 * aperture,
            100.0 * worst
        )
    }

    /// Corners of blocks of 8 × 8 pixels that no star of any note is near.
    fn plain_sky(&self, truth: &[TrueStar]) -> Vec<(usize, usize)> {
        let corners =
            (40..SIZE.height - 48).step_by(8).flat_map(|y| (40..SIZE.width - 48).step_by(8).map(move |x| (x, y)));
        let is_plain = |&(x, y): &(usize, usize)| {
            truth.iter().all(|star| {
                let distance = (star.position.x - x as f64 - 3.5).hypot(star.position.y - y as f64 - 3.5);
                distance > if star.flux_electrons[1] > 3000.0 { 18.0 } else { 11.0 } || star.flux_electrons[1] < 40.0
            })
        };
        corners.filter(is_plain).collect()
    }

    /// Median FWHM over that of the lens; error of red and blue over green in an aperture of 4 px, and in the nine
    /// brightest pixels against the light that falls on them.
    fn stars(&self, image: &LinearImage, truth: &[TrueStar]) -> (f64, f64, f64) {
        let green = &image.planes[1];
        let grey = CalibratedFrame {
            layout: Layout::Rgb,
            planes: vec![green.clone(), green.clone(), green.clone()],
            saturated: Mask::empty(SIZE),
        };
        let found = measure_frame(&grey, None, &DetectSettings::default()).stars;
        let (mut widths, mut apertures, mut pixels) = (Vec::new(), Vec::new(), Vec::new());
        for star in truth.iter().filter(|star| (15_000.0..55_000.0).contains(&star.flux_electrons[1])) {
            let place = star.position;
            let inside = |at: f64, len: usize| (45.0..len as f64 - 45.0).contains(&at);
            let crowded = truth.iter().any(|other| {
                other.id != star.id
                    && other.position.distance(place) < 13.0
                    && other.flux_electrons[1] > 0.01 * star.flux_electrons[1]
            });
            if crowded || !inside(place.x, SIZE.width) || !inside(place.y, SIZE.height) {
                continue;
            }
            if let Some(seen) = found.iter().find(|seen| seen.centroid.distance(place) < 1.5) {
                widths.push(f64::from(seen.fwhm_px) / star.fwhm_px.hypot(0.66 * star.trail_px));
            }
            let (x0, y0) = (place.x.round() as usize, place.y.round() as usize);
            let around = |reach: usize| -> Vec<(usize, usize)> {
                (y0 - reach..=y0 + reach).flat_map(|y| (x0 - reach..=x0 + reach).map(move |x| (x, y))).collect()
            };
            let sky = |plane: &Plane<f32>| {
                let mut ring: Vec<f32> = around(11)
                    .into_iter()
                    .filter(|&(x, y)| (x as f64 - place.x).hypot(y as f64 - place.y) > 8.0)
                    .map(|(x, y)| plane.at(x, y))
                    .collect();
                let half = ring.len() / 2;
                *ring.select_nth_unstable_by(half, f32::total_cmp).1
            };
            let light = |channel: usize, places: &[(usize, usize)]| {
                let plane = &image.planes[channel];
                let level = sky(plane);
                places.iter().map(|&(x, y)| f64::from(plane.at(x, y) - level)).sum::<f64>()
            };
            for channel in [0, 2] {
                let true_ratio = star.flux_electrons[channel] / star.flux_electrons[1];
                let error = |places: &[(usize, usize)]| light(channel, places) / light(1, places) / true_ratio - 1.0;
                apertures.push(error(&around(4)));
                pixels.extend(around(1).into_iter().map(|place| error(&[place])));
            }
        }
        (median(widths), spread(apertures), spread(pixels))
    }
}

/// Root mean square.
fn spread(values: Vec<f64>) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
