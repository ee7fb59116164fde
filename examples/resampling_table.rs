//! What interpolation kernels do to a star, to noise and to the ground around a bright star, as a table.
//!
//! `cargo run --no-default-features --example resampling_table` prints the tables of
//! `docs/resampling.md`. Every figure is over 16 × 16 sub-pixel positions.

use std::f64::consts::{LN_2, PI};
use std::io::Write;

use nalgebra::{SMatrix, SVector};
use nightsheaf::demosaic::{Pixel, Window};
use nightsheaf::pixels::{Homography, Size, Transform};
use nightsheaf::resample::{Kernel, Resampler, Source, Warp, resample};

/// Edge of the picture of one star.
const EDGE: usize = 48;
/// The star is near the middle of it.
const MIDDLE: f64 = 24.0;
/// Sub-pixel positions along each axis.
const POSITIONS: usize = 16;
/// Level of the sky under the star.
const SKY: f64 = 0.05;

type Star = fn(f64, f64, f64) -> f64;

/// A way to read a picture between its samples.
enum Method {
    /// Any separable kernel: its formula, and how far it reaches.
    Formula(fn(f64) -> f64, isize),
    /// The program's own, with the contrast from which rings are held back.
    Program(f32),
}

fn main() -> std::io::Result<()> {
    let methods = [
        ("bilinear", Method::Formula(triangle, 1)),
        ("bicubic (Keys, a = -1/2)", Method::Formula(keys, 2)),
        ("Lanczos-2", Method::Formula(|x| lanczos(x, 2.0), 2)),
        ("Lanczos-3", Method::Program(f32::INFINITY)),
        ("Lanczos-3, rings held back", Method::Program(0.1)),
    ];
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "| kernel | FWHM 1.8 px | 2.2 px | 3.0 px | noise left | flux 1.8 px | dip 1.8 px | dip 2.2 px | dip, saturated |"
    )?;
    writeln!(out, "| --- | --- | --- | --- | --- | --- | --- | --- | --- |")?;
    for (name, method) in &methods {
        let growth = [1.8, 2.2, 3.0].map(|fwhm_px| {
            let widths = positions().map(|shift| fitted_fwhm(&picture(method, shift, fwhm_px, unsaturated), shift));
            mean(widths) / fwhm_px
        });
        let flux = mean(positions().map(|shift| flux(&picture(method, shift, 1.8, unsaturated)))) / true_flux(1.8);
        let dip = |fwhm_px: f64, star: Star, peak: f64| {
            let lowest = positions().map(|shift| deepest(&picture(method, shift, fwhm_px, star)));
            100.0 * lowest.fold(0.0, f64::max) / peak
        };
        writeln!(
            out,
            "| {name} | {:.3} | {:.3} | {:.3} | {:.3} | {flux:.4} | {:.2} % | {:.2} % | {:.2} % |",
            growth[0],
            growth[1],
            growth[2],
            noise_gain(method).sqrt(),
            dip(1.8, unsaturated, 0.75),
            dip(2.2, unsaturated, 0.75),
            dip(2.2, saturated, 1.0 - SKY),
        )?;
    }
    Ok(())
}

/// A star that keeps its peak below the white level.
fn unsaturated(x: f64, y: f64, fwhm_px: f64) -> f64 {
    0.75 * gaussian(x, y, fwhm_px)
}

/// A star twenty times too bright: a plateau with steep flanks.
fn saturated(x: f64, y: f64, fwhm_px: f64) -> f64 {
    (20.0 * gaussian(x, y, fwhm_px)).min(1.0 - SKY)
}

fn gaussian(x: f64, y: f64, fwhm_px: f64) -> f64 {
    (-4.0 * LN_2 * (x * x + y * y) / (fwhm_px * fwhm_px)).exp()
}

fn true_flux(fwhm_px: f64) -> f64 {
    0.75 * PI * fwhm_px * fwhm_px / (4.0 * LN_2)
}

fn triangle(x: f64) -> f64 {
    (1.0 - x.abs()).max(0.0)
}

/// Keys 1981, equation 15, with a = -1/2 (third order; through Catmull and Rom's four points).
fn keys(x: f64) -> f64 {
    let x = x.abs();
    if x < 1.0 {
        1.5 * x.powi(3) - 2.5 * x * x + 1.0
    } else if x < 2.0 {
        -0.5 * x.powi(3) + 2.5 * x * x - 4.0 * x + 2.0
    } else {
        0.0
    }
}

/// Duchon 1979: a sinc, tapered by the main lobe of a wider one.
fn lanczos(x: f64, lobes: f64) -> f64 {
    let sinc = |x: f64| if x == 0.0 { 1.0 } else { (PI * x).sin() / (PI * x) };
    if x.abs() < lobes { sinc(x) * sinc(x / lobes) } else { 0.0 }
}

fn positions() -> impl Iterator<Item = (f64, f64)> {
    let along = |index: usize| (index as f64 + 0.5) / POSITIONS as f64;
    (0..POSITIONS * POSITIONS).map(move |index| (along(index % POSITIONS), along(index / POSITIONS)))
}

/// Taps from the sample before the position on, their weights adding up to one.
fn weights(kernel: fn(f64) -> f64, reach: isize, phase: f64) -> Vec<(isize, f64)> {
    let taps: Vec<(isize, f64)> = (1 - reach..=reach).map(|tap| (tap, kernel(tap as f64 - phase))).collect();
    let sum: f64 = taps.iter().map(|(_, weight)| weight).sum();
    taps.into_iter().map(|(tap, weight)| (tap, weight / sum)).collect()
}

/// A star on the sky, sampled on whole pixels and read at positions moved by `shift`; the sky taken off.
fn picture(method: &Method, shift: (f64, f64), fwhm_px: f64, star: Star) -> Vec<f64> {
    let light = |x: f64, y: f64| SKY + star(x - MIDDLE, y - MIDDLE, fwhm_px);
    match method {
        Method::Formula(kernel, reach) => {
            let (across, down) = (weights(*kernel, *reach, shift.0), weights(*kernel, *reach, shift.1));
            let pixel = |x: usize, y: usize| -> f64 {
                let row = |step: isize| -> f64 {
                    let taps = across.iter();
                    taps.map(|(tap, weight)| weight * light((x as isize + tap) as f64, (y as isize + step) as f64))
                        .sum()
                };
                down.iter().map(|(step, weight)| weight * row(*step)).sum::<f64>() - SKY
            };
            (0..EDGE * EDGE).map(|place| pixel(place % EDGE, place / EDGE)).collect()
        }
        Method::Program(ring_contrast) => by_the_program(*ring_contrast, shift, light),
    }
}

fn by_the_program(ring_contrast: f32, shift: (f64, f64), light: impl Fn(f64, f64) -> f64) -> Vec<f64> {
    let frame = Size { width: EDGE, height: EDGE };
    let moved = Homography([[1.0, 0.0, shift.0], [0.0, 1.0, shift.1], [0.0, 0.0, 1.0]]);
    let grid = Warp::new(&Transform::Homography(moved), frame).grid(Window { x: 0, y: 0, size: frame });
    let window = grid.source_window(frame).expect("the frames overlap");
    let pixel = |place: usize| -> Pixel {
        let x = window.x as f64 + (place % window.size.width) as f64;
        let y = window.y as f64 + (place / window.size.width) as f64;
        [light(x, y) as f32; 4]
    };
    let pixels: Vec<Pixel> = (0..window.size.area()).map(pixel).collect();
    let source = Source { window, frame, pixels: &pixels };
    let resampler = Resampler { kernel: Kernel::new(), ring_contrast: [ring_contrast; 4] };
    let mut lanes: [Vec<f32>; 4] = std::array::from_fn(|_| vec![0.0; frame.area()]);
    resample(&resampler, &source, &grid, frame, lanes.each_mut().map(Vec::as_mut_slice));
    // The rim is not covered; there is nothing but sky.
    lanes[0].iter().map(|&value| if value == 0.0 { 0.0 } else { f64::from(value) - SKY }).collect()
}

/// Share of the variance of white noise that is left.
fn noise_gain(method: &Method) -> f64 {
    match method {
        Method::Formula(kernel, reach) => mean(positions().map(|(x, y)| {
            let squares =
                |phase: f64| -> f64 { weights(*kernel, *reach, phase).iter().map(|(_, weight)| weight * weight).sum() };
            squares(x) * squares(y)
        })),
        Method::Program(_) => f64::from(Kernel::new().mean_noise_gain()),
    }
}

fn flux(picture: &[f64]) -> f64 {
    picture.iter().sum()
}

/// How far the darkest pixel lies below the sky.
fn deepest(picture: &[f64]) -> f64 {
    -picture.iter().copied().fold(0.0, f64::min)
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / count
}

/// Width of the round Gaussian that fits a picture best: height, x, y and variance by Gauss and Newton.
fn fitted_fwhm(picture: &[f64], shift: (f64, f64)) -> f64 {
    let mut found = SVector::<f64, 4>::new(0.75, MIDDLE - shift.0, MIDDLE - shift.1, 1.0);
    for _ in 0..20 {
        let mut normal = SMatrix::<f64, 4, 4>::zeros();
        let mut gradient = SVector::<f64, 4>::zeros();
        for (place, value) in picture.iter().enumerate() {
            let (x, y) = ((place % EDGE) as f64 - found[1], (place / EDGE) as f64 - found[2]);
            let square = x * x + y * y;
            if square > 36.0 {
                continue;
            }
            let profile = (-0.5 * square / found[3]).exp();
            let model = found[0] * profile;
            let slope = SVector::<f64, 4>::new(
                profile,
                model * x / found[3],
                model * y / found[3],
                0.5 * model * square / found[3].powi(2),
            );
            normal += slope * slope.transpose();
            gradient += slope * (value - model);
        }
        found += normal.try_inverse().expect("four numbers from many pixels") * gradient;
    }
    (8.0 * LN_2 * found[3]).sqrt()
}
