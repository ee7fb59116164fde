//! The table of docs/stacking.md: ways to give a mosaic its colors, each against the true colors of an invented night.
//!
//!     cargo run --release --no-default-features --example demosaic_table
//!
//! The generator draws the same night through all four phases of the filters: every pixel is seen in every color.

use nightsheaf::calibrate::NoiseModel;
use nightsheaf::demosaic::{Method, TYPICAL_NOISE, demosaic_by};
use nightsheaf::pixels::{CalibratedFrame, Cfa, CfaColor, Layout, LinearImage, Mask, Plane, Size};
use nightsheaf::synthetic::{Burst, Scene, TrueStar};
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};

use CfaColor::{Blue, Green, Red};

const METHODS: [(&str, Method); 5] = [
    ("bilinear", Method::Bilinear),
    ("gradient-corrected (Malvar, He, Cutler 2004)", Method::GradientCorrected),
    ("least squares over stars", Method::LeastSquares(TYPICAL_NOISE)),
    ("adaptive (Hamilton, Adams 1997)", Method::Adaptive),
    ("directional (Menon, Andriani, Calvagno 2007)", Method::Directional),
];
const PHASES: [Cfa; 4] = [
    Cfa([[Red, Green], [Green, Blue]]),
    Cfa([[Green, Red], [Blue, Green]]),
    Cfa([[Green, Blue], [Red, Green]]),
    Cfa([[Blue, Green], [Green, Red]]),
];

#[allow(clippy::print_stdout, reason = "an example prints its result")]
fn main() {
    println!(
        "| method | star color, worst pixels | star color, aperture | ring | land detail | land error | noise left R, G, B | \
         false color | false color, 4 × 4 | maze |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    let night = Night::new();
    for (name, method) in METHODS {
        let image = night.seen_by(method);
        let (pixels, aperture) = night.star_color(&image);
        let ring = night.ring(&image);
        let (detail, error) = night.land(&image);
        let noise = Noise::of(method);
        println!(
            "| {name} | {:.1} % | {:.1} % | {:.1} % | {detail:.3} | {:.1} % | {:.3}, {:.3}, {:.3} | {:.3} | {:.3} | {:.2} |",
            100.0 * pixels,
            100.0 * aperture,
            100.0 * ring,
            100.0 * error,
            noise.left[0],
            noise.left[1],
            noise.left[2],
            noise.false_color,
            noise.false_color_of_blocks,
            noise.maze
        );
    }
}

/// An invented night without noise: its mosaic and its true colors.
struct Night {
    burst: Burst,
    mosaic: CalibratedFrame,
    truth: LinearImage,
}

impl Night {
    fn new() -> Self {
        let scene = Scene { movers: Vec::new(), n_hot_pixels: 0, ..Scene::sample() };
        // No lateral color: that is another error than demosaic's.
        let lens = nightsheaf::synthetic::Lens { lateral_scale: [1.0; 3], ..scene.lens };
        let scene = Scene { lens, ..scene };
        let range = f32::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn as f32;
        let mosaics =
            PHASES.map(|cfa| Burst::new(Scene { cfa, ..scene.clone() }).light_electrons(0).map(|e| e / range));
        let plane = |color: CfaColor| {
            Plane::from_fn(scene.size, |x, y| {
                let phases = PHASES.iter().zip(&mosaics);
                let seen: Vec<f32> =
                    phases.filter(|(cfa, _)| cfa.color_at(x, y) == color).map(|(_, plane)| plane.at(x, y)).collect();
                seen.iter().sum::<f32>() / seen.len() as f32
            })
        };
        let truth = LinearImage { planes: [plane(Red), plane(Green), plane(Blue)] };
        let [plane, ..] = mosaics;
        Self { burst: Burst::new(scene), mosaic: mosaic(plane), truth }
    }

    fn seen_by(&self, method: Method) -> LinearImage {
        demosaic_by(method, &self.mosaic)
    }

    /// Stars bright enough to show a color, not saturated, on clean sky.
    fn stars(&self) -> Vec<TrueStar> {
        let size = self.truth.size();
        let usable = |star: &TrueStar| {
            let inside = |place: f64, len: usize| (12.0..len as f64 - 12.0).contains(&place);
            (3000.0..60_000.0).contains(&star.flux_electrons[1])
                && star.hidden == 0.0
                && inside(star.position.x, size.width)
                && inside(star.position.y, size.height)
        };
        self.burst.stars_in(0).into_iter().filter(usable).collect()
    }

    /// Root mean square error of red and blue over green in the brightest nine pixels of a star, and in an aperture
    /// of 4 px.
    fn star_color(&self, image: &LinearImage) -> (f64, f64) {
        let (mut pixels, mut apertures) = (Vec::new(), Vec::new());
        for star in self.stars() {
            let (x0, y0) = (star.position.x.round() as usize, star.position.y.round() as usize);
            let around = |reach: usize| {
                (y0 - reach..=y0 + reach).flat_map(move |y| (x0 - reach..=x0 + reach).map(move |x| (x, y)))
            };
            let sky = |image: &LinearImage, channel: usize| {
                let ring: Vec<f32> = around(9)
                    .filter(|&(x, y)| {
                        (7.0..9.0).contains(&(x as f64 - star.position.x).hypot(y as f64 - star.position.y))
                    })
                    .map(|(x, y)| image.planes[channel].at(x, y))
                    .collect();
                ring.iter().sum::<f32>() / ring.len() as f32
            };
            let light = |image: &LinearImage, channel: usize, places: &mut dyn Iterator<Item = (usize, usize)>| {
                let level = sky(image, channel);
                places.map(|(x, y)| f64::from(image.planes[channel].at(x, y) - level)).sum::<f64>()
            };
            for channel in [0, 2] {
                let color = |image: &LinearImage, places: &dyn Fn() -> Vec<(usize, usize)>| {
                    light(image, channel, &mut places().into_iter()) / light(image, 1, &mut places().into_iter())
                };
                for place in around(1) {
                    let one = || vec![place];
                    pixels.push(color(image, &one) / color(&self.truth, &one) - 1.0);
                }
                let all = || around(4).collect();
                apertures.push(color(image, &all) / color(&self.truth, &all) - 1.0);
            }
        }
        (rms(&pixels), rms(&apertures))
    }

    /// How far red and blue come out below the truth at most within 7 px of a star, over the star's highest pixel in
    /// that color; mean over the stars.
    fn ring(&self, image: &LinearImage) -> f64 {
        let mut depths = Vec::new();
        for star in self.stars() {
            let (x0, y0) = (star.position.x.round() as usize, star.position.y.round() as usize);
            let around = || (y0 - 7..=y0 + 7).flat_map(|y| (x0 - 7..=x0 + 7).map(move |x| (x, y)));
            for (found, truth) in [0, 2].map(|channel| (&image.planes[channel], &self.truth.planes[channel])) {
                let levels = || around().map(|(x, y)| truth.at(x, y));
                let highest = levels().fold(f32::MIN, f32::max) - levels().fold(f32::MAX, f32::min);
                // On the sky beside the star: its flank may be off either way.
                let sky = levels().fold(f32::MAX, f32::min) + 0.02 * highest;
                let below =
                    around().filter(|&(x, y)| truth.at(x, y) < sky).map(|(x, y)| truth.at(x, y) - found.at(x, y));
                depths.push(f64::from(below.fold(0.0, f32::max) / highest));
            }
        }
        depths.iter().sum::<f64>() / depths.len() as f64
    }

    /// How much of the finest detail of the land is there (second differences, regression), and the root mean square
    /// error over the contrast.
    fn land(&self, image: &LinearImage) -> (f64, f64) {
        let land = self.burst.foreground();
        let (mut together, mut alone) = (0.0, 0.0);
        let (mut errors, mut levels) = (Vec::new(), Vec::new());
        for y in 9..land.height() - 9 {
            for x in 9..land.width() - 9 {
                if land.at(x, y) < 1.0 {
                    continue;
                }
                let detail = |plane: &Plane<f32>| {
                    let sides = plane.at(x - 1, y) + plane.at(x + 1, y) + plane.at(x, y - 1) + plane.at(x, y + 1);
                    f64::from(4.0 * plane.at(x, y) - sides)
                };
                for (found, truth) in image.planes.iter().zip(&self.truth.planes) {
                    together += detail(found) * detail(truth);
                    alone += detail(truth) * detail(truth);
                    errors.push(f64::from(found.at(x, y) - truth.at(x, y)));
                }
                levels.push(f64::from(self.truth.planes[1].at(x, y)));
            }
        }
        let mean = levels.iter().sum::<f64>() / levels.len() as f64;
        let contrast = rms(&levels.iter().map(|level| level - mean).collect::<Vec<_>>());
        (together / alone, rms(&errors) / contrast)
    }
}

/// What a method makes of grey noise of standard deviation 1.
struct Noise {
    left: [f64; 3],
    /// Of red less green.
    false_color: f64,
    /// The same of means of 4 × 4 pixels, times 4: colored blotches.
    false_color_of_blocks: f64,
    /// Amplitude of green in waves of two pixels along rows or columns: 1 in the noise itself.
    maze: f64,
}

impl Noise {
    fn of(method: Method) -> Self {
        let method = match method {
            Method::LeastSquares(_) => {
                Method::LeastSquares(NoiseModel { read_variance: 1.0, photon_variance_per_unit: 0.0 })
            }
            other => other,
        };
        let size = Size { width: 512, height: 512 };
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(9);
        let normal = Normal::new(0.0f32, 1.0).expect("a width");
        let image = demosaic_by(method, &mosaic(Plane::from_fn(size, |_, _| normal.sample(&mut random))));
        let [red, green, _] = &image.planes;
        let all = || (12..500).flat_map(|y| (12..500).map(move |x| (x, y)));
        let left = image
            .planes
            .each_ref()
            .map(|plane| rms(&all().map(|(x, y)| f64::from(plane.at(x, y))).collect::<Vec<_>>()));
        let color = |x: usize, y: usize| f64::from(red.at(x, y) - green.at(x, y));
        let of_block = |x: usize, y: usize| (0..16).map(|k| color(x + k % 4, y + k / 4)).sum::<f64>() / 4.0;
        let blocks: Vec<f64> = (12..496)
            .step_by(4)
            .flat_map(|y| (12..496).step_by(4).map(move |x| (x, y)))
            .map(|(x, y)| of_block(x, y))
            .collect();
        let sign = |place: usize| if place.is_multiple_of(2) { 1.0 } else { -1.0 };
        let wave = |x: usize, y: usize, along: fn(usize) -> usize| {
            (0..64).map(|k| f64::from(green.at(x + k % 8, y + k / 8)) * sign(along(k))).sum::<f64>() / 8.0
        };
        let waves: Vec<f64> = (16..480)
            .step_by(8)
            .flat_map(|y| (16..480).step_by(8).map(move |x| (x, y)))
            .flat_map(|(x, y)| [wave(x, y, |k| k % 8), wave(x, y, |k| k / 8)])
            .collect();
        Self {
            left,
            false_color: rms(&all().map(|(x, y)| color(x, y)).collect::<Vec<_>>()),
            false_color_of_blocks: rms(&blocks),
            maze: rms(&waves),
        }
    }
}

fn mosaic(plane: Plane<f32>) -> CalibratedFrame {
    let saturated = Mask::empty(plane.size());
    CalibratedFrame { layout: Layout::Mosaic(PHASES[0]), planes: vec![plane], saturated }
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}
