//! The seam of sky and land, and what passes in front of the land.

use std::sync::OnceLock;

use nightsheaf::detect::{DetectSettings, Star, measure_frame};
use nightsheaf::pixels::statistics::median;
use nightsheaf::pixels::{CalibratedFrame, Layout, Mask, Plane};
use nightsheaf::synthetic::{LandKind, Mover, MoverKind, Scene};

use crate::night::{Night, quiet_scene};

/// Distance from the edge that halos are looked for in.
const HALO_PX: usize = 10;
/// Parts of the edge that are looked at one by one.
const PARTS: usize = 6;

/// Eleven frames of a ridge; somebody with a torch walks by in two of them.
fn night() -> &'static Night {
    static NIGHT: OnceLock<Night> = OnceLock::new();
    NIGHT.get_or_init(|| {
        let torch = Mover {
            kind: MoverKind::Torch,
            frame: 3,
            start: [0.05, 0.61],
            width_per_sec: [0.03, 0.001],
            electrons_per_px: 3000.0,
        };
        Night::stacked("seam", Scene { movers: vec![torch], ..quiet_scene(LandKind::Ridge, 11) }, &[])
    })
}

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

#[test]
#[allow(clippy::print_stdout, reason = "the figures are the result")]
fn no_halo_follows_the_edge() {
    let night = night();
    let residual = night.residual(night.stack());
    let sigmas = [false, true].map(|is_land| Night::sigma(&residual, &night.deep(is_land, 30)));
    let width = residual.width();
    let mut worst = [0.0_f32; 2];
    for (worst, (side, (rings, sigma))) in
        worst.iter_mut().zip(["sky", "land"].into_iter().zip(rings(&night.land).into_iter().zip(sigmas)))
    {
        for (ring, mask) in rings.iter().enumerate() {
            for part in 0..PARTS {
                let columns = part * width / PARTS..(part + 1) * width / PARTS;
                let mut samples: Vec<f32> = (0..residual.height())
                    .flat_map(|y| columns.clone().map(move |x| (x, y)))
                    .filter(|&(x, y)| mask.contains(x, y))
                    .map(|(x, y)| residual.at(x, y))
                    .collect();
                let n = samples.len();
                assert!(n > 60, "{n} pixels of part {part}");
                let halo = median(&mut samples).expect("not empty") / sigma;
                // The middle of n samples is known to 1.25 σ over the root of n.
                let allowed = 0.5 + 2.5 * 1.25 / (n as f32).sqrt();
                assert!(halo.abs() < allowed, "{halo} σ in the {side}, {} px from the edge, part {part}", ring + 1);
            }
            let mut samples: Vec<f32> = residual
                .samples()
                .iter()
                .zip(mask.0.samples())
                .filter(|(_, inside)| **inside)
                .map(|(value, _)| *value)
                .collect();
            let halo = median(&mut samples).expect("not empty") / sigma;
            assert!(halo.abs() <= 0.5, "{halo} σ in the {side} along the whole edge, {} px from it", ring + 1);
            *worst = worst.max(halo.abs());
        }
    }
    println!("halo along the whole edge: at most {:.2} σ in the sky, {:.2} σ in the land", worst[0], worst[1]);
}

fn stars(night: &Night) -> Vec<Star> {
    let plane = &night.stack().planes[1];
    let planes = vec![plane.clone(), plane.clone(), plane.clone()];
    let frame = CalibratedFrame { layout: Layout::Rgb, planes, saturated: Mask::empty(plane.size()) };
    measure_frame(&frame, None, &DetectSettings::default()).stars
}

fn reference(night: &Night) -> usize {
    let names = night.outcome.report.frames.iter().map(|frame| frame.file.file_name().expect("a file"));
    names.into_iter().position(|name| *name == *night.outcome.report.reference).expect("one of the frames")
}

/// Stars near the ridge are there once, whole, and where they belong.
#[test]
fn no_star_is_doubled_or_cut_above_the_ridge() {
    // Six times the stars of the other scenes, so that enough of them stand near the ridge.
    let scene = quiet_scene(LandKind::Ridge, 11);
    let night = &Night::stacked("seam-stars", Scene { n_stars: 6 * scene.n_stars, ..scene }, &[]);
    let truth = night.burst.stars_in(reference(night));
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
fn nothing_of_the_sky_and_nothing_that_passed_is_left_on_the_land() {
    let night = night();
    let residual = night.residual(night.stack());
    let deep = night.deep(true, 3);
    let truth = &night.truth.planes[1];
    let sigma = Night::sigma(&residual, &deep);
    let (mut n, mut highest) = (0, 0.0_f32);
    for y in 3..residual.height() - 3 {
        for x in (3..residual.width() - 3).filter(|&x| deep.contains(x, y)) {
            // A star or a torch is wider than a pixel: the mean of nine has a third of the noise of one.
            let mean = (y - 1..=y + 1).map(|y| residual.row(y)[x - 1..=x + 1].iter().sum::<f32>()).sum::<f32>() / 9.0;
            // Bright snow has more noise than the rest.
            let noise = sigma * (truth.at(x, y) / median_around(truth, x, y)).max(1.0).sqrt();
            highest = highest.max(mean / noise);
            n += 1;
        }
    }
    assert!(n > 50_000, "{n} pixels of land");
    assert!(highest < 3.0, "{highest} σ of a pixel are left");
    // They were there: the torch would stand out of a plain mean.
    let lit = nightsheaf::synthetic::Burst::new(night.burst.scene().clone()).light_electrons(3);
    let dark = nightsheaf::synthetic::Burst::new(Scene { movers: Vec::new(), ..night.burst.scene().clone() });
    let dark = dark.light_electrons(3);
    let range = f32::from(night.burst.scene().white_level - 512) * night.burst.scene().electrons_per_dn as f32;
    let n_lit =
        lit.samples().iter().zip(dark.samples()).filter(|(lit, dark)| (*lit - *dark) / range / 11.0 > 3.0 * sigma);
    assert!(n_lit.count() > 300, "a plain mean would show the torch");
}
