//! The seam of sky and land, and what passes in front of the land.

use nightsheaf::detect::{DetectSettings, Star, measure_frame};
use nightsheaf::pixels::statistics::{median, median_and_sigma};
use nightsheaf::pixels::{CalibratedFrame, Layout, Mask, Plane, Point, Size, nearest_index};
use nightsheaf::synthetic::{Burst, LandKind, Scene};

use crate::night::{Night, night_of, quiet_scene};
use crate::sample::noiseless;

/// Distance from the edge that halos are looked for in.
const HALO_PX: usize = 10;
/// Parts of the edge that are looked at one by one.
const PARTS: usize = 6;

/// Pixels at each distance from the edge, 1 to [`HALO_PX`]: in the sky, and in the land.
fn rings(land: &Plane<f32>) -> [Vec<Mask>; 2] {
    [true, false].map(|of_sky| {
        let side = Mask(land.map(|alpha| if of_sky { alpha >= 0.02 } else { alpha <= 0.98 }));
        let grown: Vec<Mask> = (0..=HALO_PX).map(|px| side.grow(px)).collect();
        grown
            .windows(2)
            .map(|pair| Mask(Plane::from_fn(land.size(), |x, y| pair[1].contains(x, y) && !pair[0].contains(x, y))))
            .collect()
    })
}

/// Halo, noise above the land and sharpness of the land, within their limits; printed for `docs/landscape.md`.
#[allow(clippy::print_stdout, reason = "the figures are the result")]
fn check_seam(name: &str, night: &Night) {
    let [sky, land] = worst_halo(name, night);
    let noise = noise_above(night);
    let (single, stack) = (night.detail(night.single()), night.detail(night.stack()));
    let told: Vec<String> = noise.iter().map(|(n, ratio)| format!("{n:.1} frames: {ratio:.2}")).collect();
    println!("| {name} | {sky:.2} | {land:.2} | {} | {:.3} |", told.join(", "), stack / single);
    for (n, ratio) in noise {
        assert!(
            (0.9..1.1).contains(&ratio),
            "{name}: where {n:.1} frames count the noise is {ratio} of what they give"
        );
    }
    assert!(stack / single >= 0.98, "{name}: the stack shows {stack}, the single frame {single} of the land's detail");
}

/// The largest halo along the whole edge, in standard deviations of a pixel, in the sky and in the land.
fn worst_halo(name: &str, night: &Night) -> [f32; 2] {
    let residual = night.residual(night.stack());
    let sigmas = [false, true].map(|is_land| Night::sigma(&residual, &night.deep(is_land, 30)));
    let width = residual.width();
    let mut worst = [0.0_f32; 2];
    for (worst, (side, (rings, sigma))) in
        worst.iter_mut().zip(["sky", "land"].into_iter().zip(rings(&night.land).into_iter().zip(sigmas)))
    {
        for (ring, mask) in rings.iter().enumerate() {
            let halo_of = |columns: std::ops::Range<usize>| {
                let mut samples: Vec<f32> = (0..residual.height())
                    .flat_map(|y| columns.clone().map(move |x| (x, y)))
                    .filter(|&(x, y)| mask.contains(x, y))
                    .map(|(x, y)| residual.at(x, y))
                    .collect();
                let n = samples.len();
                (median(&mut samples).unwrap_or(0.0) / sigma, n)
            };
            let px = ring + 1;
            for part in 0..PARTS {
                let (halo, n) = halo_of(part * width / PARTS..(part + 1) * width / PARTS);
                assert!(n > 60, "{name}: {n} pixels of part {part}");
                // The middle of n samples is known to 1.25 σ over the root of n.
                let allowed = 0.5 + 2.5 * 1.25 / (n as f32).sqrt();
                assert!(halo.abs() < allowed, "{name}: {halo} σ in the {side}, {px} px from the edge, part {part}");
            }
            let (halo, _) = halo_of(0..width);
            assert!(halo.abs() <= 0.5, "{name}: {halo} σ in the {side} along the whole edge, {px} px from it");
            *worst = worst.max(halo.abs());
        }
    }
    worst
}

/// Noise of the sky near the land over what the frames that see it there give: (Σw)²/Σw² of them count. In classes of
/// that number, each with its mean.
fn noise_above(night: &Night) -> Vec<(f64, f32)> {
    const CLASSES: [std::ops::Range<f64>; 4] = [1.5..3.5, 3.5..6.5, 6.5..9.5, 9.5..10.9];
    let scene = night.burst.scene();
    let range = f64::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn;
    let used: Vec<usize> = (0..scene.n_lights).filter(|&idx| night.outcome.report.frames[idx].used).collect();
    let foreground = &night.outcome.foreground.as_ref().expect("there is land").0;
    let weights = weights_of_sky(foreground);
    let residual = night.residual(night.stack());
    let size = residual.size();
    // Light makes noise of its own: all is counted in what a pixel of its level has.
    let plain = Plane::from_fn(size, |x, y| {
        let level = f64::from(night.truth.planes[1].at(x, y)).max(0.0) * range;
        residual.at(x, y) / (level + scene.read_noise_electrons.powi(2)).sqrt() as f32
    });
    let away = Night::sigma(&plain, &night.deep(false, 45));
    let near = Mask(foreground.map(|alpha| alpha > 0.0)).grow(45);
    let mut found = CLASSES.map(|_| (0.0, Vec::new()));
    for (x, y) in (0..size.height).flat_map(|y| (0..size.width).map(move |x| (x, y))) {
        if !near.contains(x, y) || night.land.at(x, y) > 0.0 || foreground.at(x, y) > 0.0 {
            continue;
        }
        let here = Point { x: x as f64, y: y as f64 };
        let (mut sum, mut squares) = (0.0, 0.0);
        for &frame in &used {
            let there = night.burst.carry(night.reference(), frame, here);
            let pixel =
                there.and_then(|at| Some((nearest_index(at.x, size.width)?, nearest_index(at.y, size.height)?)));
            let weight = pixel.map_or(0.0, |(x, y)| f64::from(weights.at(x, y)));
            sum += weight;
            squares += weight * weight;
        }
        // With less than one whole frame the still frames have part in it.
        if sum < 1.0 {
            continue;
        }
        let n = sum * sum / squares;
        if let Some(class) = CLASSES.iter().position(|class| class.contains(&n)) {
            found[class].0 += n;
            found[class].1.push(plain.at(x, y) / away * (n / used.len() as f64).sqrt() as f32);
        }
    }
    let classes = found.into_iter().filter(|(_, samples)| samples.len() > 2000);
    classes
        .map(|(sum, mut samples)| {
            let n = sum / samples.len() as f64;
            (n, median_and_sigma(&mut samples).expect("not empty").1)
        })
        .collect()
}

/// Weight of each pixel of a frame in the sky, as docs/landscape.md has it: none within five pixels of the foreground,
/// rising over the next eight.
fn weights_of_sky(foreground: &Plane<f32>) -> Plane<f32> {
    let mut grown = Mask(foreground.map(|alpha| alpha > 0.02)).grow(5);
    let mut weights = Plane::filled(foreground.size(), 1.0_f32);
    for step in 0..8 {
        for y in 0..weights.height() {
            for x in 0..weights.width() {
                if grown.contains(x, y) && weights.at(x, y) == 1.0 {
                    weights.set(x, y, step as f32 / 8.0);
                }
            }
        }
        grown = grown.grow(1);
    }
    weights
}

#[test]
fn the_seam_of_a_ridge_leaves_no_trace() {
    check_seam("ridge", night_of(LandKind::Ridge));
}

#[test]
fn the_seam_of_land_brighter_than_the_sky_leaves_no_trace() {
    check_seam("bright", night_of(LandKind::Bright));
}

#[test]
fn the_seam_of_a_ridge_in_haze_leaves_no_trace() {
    check_seam("haze", night_of(LandKind::Haze));
}

#[test]
fn the_seam_of_trees_leaves_no_trace() {
    check_seam("trees", night_of(LandKind::Trees));
}

/// Fifty seconds from frame to frame: the sky moves by more than the frames' weights need to rise.
#[test]
fn the_seam_of_a_ridge_that_the_sky_sinks_behind_leaves_no_trace() {
    let scene = Scene { interval_secs: 50.0, ..quiet_scene(LandKind::Ridge, 11) };
    check_seam("ridge, 50 s apart", &Night::stacked("seam-sinking", scene, &[]));
}

fn stars(night: &Night) -> Vec<Star> {
    let plane = &night.stack().planes[1];
    let planes = vec![plane.clone(), plane.clone(), plane.clone()];
    let frame = CalibratedFrame { layout: Layout::Rgb, planes, saturated: Mask::empty(plane.size()) };
    measure_frame(&frame, None, &DetectSettings::default()).stars
}

/// Stars near the ridge are there once, whole, and where they belong.
#[test]
fn no_star_is_doubled_or_cut_above_the_ridge() {
    // Six times the stars of the other scenes, so that enough of them stand near the ridge.
    let scene = quiet_scene(LandKind::Ridge, 11);
    let night = &Night::stacked("seam-stars", Scene { n_stars: 6 * scene.n_stars, ..scene }, &[]);
    let truth = night.burst.stars_in(night.reference());
    let near_edge = Mask(night.land.map(|alpha| alpha > 0.02)).grow(30);
    let touched = Mask(night.land.map(|alpha| alpha > 0.0)).grow(5);
    let strip = |x: f64, y: f64| {
        let inside = x >= 0.0 && y >= 0.0 && x < near_edge.size().width as f64 && y < near_edge.size().height as f64;
        inside && near_edge.contains(x as usize, y as usize) && !touched.contains(x as usize, y as usize)
    };
    let found = stars(night);
    let sigma = Night::sigma(&night.residual(night.stack()), &night.deep(false, 30));
    let mut n_whole = 0;
    for star in &found {
        let (x, y) = (star.centroid.x, star.centroid.y);
        if strip(x, y) && star.snr > 12.0 {
            let nearest =
                truth.iter().map(|other| other.position.distance(star.centroid)).fold(f64::INFINITY, f64::min);
            assert!(nearest < 1.5, "a star at {x:.1}, {y:.1} that is {nearest:.1} px from any true one");
        }
    }
    for star in truth.iter().filter(|star| star.hidden < 0.01 && strip(star.position.x, star.position.y)) {
        let rivals: Vec<_> = truth
            .iter()
            .filter(|other| other.id != star.id && other.flux_electrons[1] > 0.01 * star.flux_electrons[1])
            .filter(|other| other.position.distance(star.position) < 8.0)
            .collect();
        let crowded = rivals.iter().any(|other| {
            other.position.distance(star.position) < 5.0 && other.flux_electrons[1] > 0.1 * star.flux_electrons[1]
        });
        let (x, y) = (star.position.x.round() as usize, star.position.y.round() as usize);
        let height = night.truth.planes[1].at(x, y) - median_around(&night.truth.planes[1], x, y);
        if crowded || height < 25.0 * sigma {
            continue;
        }
        // Neighbours that are really there are no doubles.
        let explained = |other: &Star| {
            other.centroid.distance(star.position) > 1.5
                && rivals.iter().any(|rival| rival.position.distance(other.centroid) < 1.5)
        };
        let near = found.iter().filter(|other| other.centroid.distance(star.position) < 6.0);
        let here: Vec<&Star> = near.filter(|other| !explained(other)).collect();
        assert_eq!(here.len(), 1, "star {} at {x}, {y} is there {} times", star.id, here.len());
        // Light in a small circle against the truth: a cut star lacks some of it.
        let light = |plane: &Plane<f32>| {
            let around = || (y - 3..=y + 3).flat_map(move |y| (x - 3..=x + 3).map(move |x| (x, y)));
            around().map(|(x, y)| plane.at(x, y)).sum::<f32>() - 49.0 * median_around(plane, x, y)
        };
        let share = light(&night.stack().planes[1]) / light(&night.truth.planes[1]);
        assert!((0.85..1.15).contains(&share), "star {} at {x}, {y} has {share} of its light", star.id);
        n_whole += 1;
    }
    assert!(n_whole >= 5, "{n_whole} stars to look at");
}

/// Median of the square of 13 pixels around a place.
fn median_around(plane: &Plane<f32>, x: usize, y: usize) -> f32 {
    let columns = x.saturating_sub(6)..(x + 7).min(plane.width());
    let rows = y.saturating_sub(6)..(y + 7).min(plane.height());
    let mut samples: Vec<f32> = rows.flat_map(|y| plane.row(y)[columns.clone()].iter().copied()).collect();
    median(&mut samples).expect("not empty")
}

/// Neither stars that the sky stack carried over the ridge nor the torch are left on the land.
#[test]
#[allow(clippy::print_stdout, reason = "the figures are the result")]
fn nothing_of_the_sky_and_nothing_that_passed_is_left_on_the_land() {
    let night = night_of(LandKind::Ridge);
    let residual = night.residual(night.stack());
    let deep = night.deep(true, 3);
    let truth = &night.truth.planes[1];
    let Size { width, height } = residual.size();
    // A star or a torch is wider than a pixel: means of nine pixels, in what bright snow has of noise more than the rest.
    let typical = median(
        &mut truth
            .samples()
            .iter()
            .zip(deep.0.samples())
            .filter(|(_, in_it)| **in_it)
            .map(|(v, _)| *v)
            .collect::<Vec<_>>(),
    );
    let typical = typical.expect("there is land");
    let nine = Plane::from_fn(residual.size(), |x, y| {
        if !deep.contains(x, y) || x < 3 || y < 3 || x + 3 >= width || y + 3 >= height {
            return 0.0;
        }
        let mean = (y - 1..=y + 1).map(|y| residual.row(y)[x - 1..=x + 1].iter().sum::<f32>()).sum::<f32>() / 9.0;
        mean / (truth.at(x, y) / typical).max(1.0).sqrt()
    });
    let inner = Mask(Plane::from_fn(residual.size(), |x, y| nine.at(x, y) != 0.0));
    let n = inner.0.samples().iter().filter(|&&inside| inside).count();
    assert!(n > 50_000, "{n} pixels of land");
    let sigma = Night::sigma(&nine, &inner);
    let highest = nine.samples().iter().copied().fold(0.0, f32::max) / sigma;
    // Of so many means one stands out by 4.6 of their standard deviations; in a hundred such pictures one by 5.5.
    assert!(highest < 5.5, "a mean of nine pixels stands out by {highest} of its standard deviations");

    // How much of the torch is left: the picture held against its light. A plain mean would leave an eleventh.
    let without = Burst::new(Scene { movers: Vec::new(), ..night.burst.scene().clone() });
    let with = Burst::new(night.burst.scene().clone());
    let of_pixel = Night::sigma(&residual, &deep);
    for frame in [3, 4] {
        let [lit, dark] = [&with, &without].map(|burst| noiseless(burst, frame));
        let (mut together, mut alone, mut n_lit) = (0.0_f64, 0.0_f64, 0);
        for (x, y) in (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).filter(|&(x, y)| deep.contains(x, y)) {
            let torch = f64::from(lit.planes[1].at(x, y) - dark.planes[1].at(x, y));
            together += f64::from(residual.at(x, y)) * torch;
            alone += torch * torch;
            n_lit += usize::from(torch / 11.0 > 3.0 * f64::from(of_pixel));
        }
        assert!(n_lit > 300, "a plain mean would show the torch in frame {frame}: {n_lit} pixels");
        let (left, error) = (together / alone, 2.0 * f64::from(of_pixel) / alone.sqrt());
        println!("torch in frame {frame}: {:.3} % of it is left, known to {:.3} %", 100.0 * left, 100.0 * error);
        assert!(left.abs() < 0.002 + 3.0 * error, "{left} of the torch in frame {frame} is left, known to {error}");
    }
}
