//! Time to find and measure the stars of a frame of 24 million pixels.

use nightsheaf::detect::{DetectSettings, measure_frame};
use nightsheaf::pixels::{CalibratedFrame, Cfa, Layout, Mask, Plane, Size};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn main() {
    divan::main();
}

/// One core and all of them.
#[divan::bench(args = [1, 2], sample_count = 10)]
fn measure_24_mpix(bencher: divan::Bencher, threads: usize) {
    let frame = starry_frame(Size { width: 6000, height: 4000 }, 4000);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
    let settings = DetectSettings::default();
    bencher.bench_local(|| pool.install(|| measure_frame(&frame, None, &settings)));
}

/// Sky with even noise and round stars whose numbers grow threefold a magnitude.
fn starry_frame(size: Size, n_stars: usize) -> CalibratedFrame {
    let mut random = ChaCha8Rng::seed_from_u64(5);
    // The sum of four even deviates is near enough to normal here.
    let mut plane = Plane::from_fn(size, |_, _| {
        let sum: f32 = (0..4).map(|_| random.random_range(-0.5f32..0.5)).sum();
        0.03 + 0.002 * 1.732 * sum
    });
    for _ in 0..n_stars {
        let magnitude = random.random_range(0.0f64..1.0).log(3.0);
        let peak = 0.012 * 10f64.powf(-0.4 * magnitude);
        let x = random.random_range(10.0..size.width as f64 - 10.0);
        let y = random.random_range(10.0..size.height as f64 - 10.0);
        for py in y as usize - 5..y as usize + 6 {
            for px in x as usize - 5..x as usize + 6 {
                let square = (px as f64 - x).powi(2) + (py as f64 - y).powi(2);
                let light = peak * (-0.5 * square / 0.9).exp();
                plane.set(px, py, (plane.at(px, py) + light as f32).min(1.0));
            }
        }
    }
    let saturated = Mask(plane.map(|value| value >= 1.0));
    CalibratedFrame { layout: Layout::Mosaic(Cfa::RGGB), planes: vec![plane], saturated }
}
