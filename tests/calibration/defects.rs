//! Dead and warm pixels of a short burst without darks: found by the burst itself, and nothing of them in the picture.

use nightsheaf::pixels::Plane;
use nightsheaf::pixels::statistics::{SIGMA_PER_MAD, median};

use crate::night::{Night, light_name, run, sky_scene};

/// Of each kind.
const N_DEFECTS: usize = 48;

/// Places on all colors and well apart, at the left of it dead pixels, at the right warm ones.
fn places(is_warm: bool) -> impl Iterator<Item = (usize, usize)> {
    (0..N_DEFECTS).map(move |k| {
        let (column, row) = (k % 8, k / 8);
        (19 + 28 * column + 240 * usize::from(is_warm), 23 + 45 * row + 3 * column)
    })
}

/// Largest distance of two planes in standard deviations of the noise between them, and how many samples are over 6.
fn distance(found: &Plane<f32>, clean: &Plane<f32>, sigma: f32) -> (f32, usize) {
    let off = found.samples().iter().zip(clean.samples()).map(|(found, clean)| (found - clean).abs() / sigma);
    off.fold((0.0, 0), |(most, n), off| (off.max(most), n + usize::from(off > 6.0)))
}

#[test]
fn dead_and_warm_pixels_leave_nothing_in_a_short_burst_without_darks() {
    let night = Night::with_lights(sky_scene());
    let clean = run(&night.request());
    let scene = night.burst.scene();
    for idx in 0..scene.n_lights {
        let mut frame = night.burst.light(idx);
        let black = frame.black_level[0];
        let levels: Vec<f32> = frame.planes[0].samples().iter().map(|&dn| f32::from(dn) - black).collect();
        let electrons = f64::from(median(&mut levels.clone()).expect("samples")) * scene.electrons_per_dn;
        let sigma_dn = electrons.sqrt().hypot(scene.read_noise_electrons) / scene.electrons_per_dn;
        let plane = &mut frame.planes[0];
        places(false).for_each(|(x, y)| plane.set(x, y, black as u16));
        places(true).for_each(|(x, y)| plane.set(x, y, plane.at(x, y) + (8.0 * sigma_dn) as u16));
        night.write(&light_name(idx), &frame);
    }
    let outcome = run(&night.request());
    let n_more = outcome.report.defects_repaired - clean.report.defects_repaired;
    println!("{n_more} of {} found", 2 * N_DEFECTS);
    assert!((2 * N_DEFECTS * 95 / 100..=2 * N_DEFECTS).contains(&n_more), "{n_more} found");
    for channel in 0..3 {
        let (found, clean) = (&outcome.picture.image.planes[channel], &clean.picture.image.planes[channel]);
        // From pixel to pixel: the noise of the stack as the interpolation left it.
        let mut steps: Vec<f32> = clean.samples().windows(9).map(|run| (run[8] - run[0]).abs()).collect();
        let sigma = SIGMA_PER_MAD * median(&mut steps).expect("samples") / 2_f32.sqrt();
        let (most, n) = distance(found, clean, sigma);
        println!("channel {channel}: {most:.1} σ at most, {n} samples over 6 σ");
        assert_eq!(n, 0, "traces of the defects in channel {channel}, up to {most} σ");
    }
}
