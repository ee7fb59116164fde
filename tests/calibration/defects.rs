//! Dead and warm pixels of a short burst without darks: found by the burst itself, and nothing of them in the picture.

use nightsheaf::pipeline::{ReferenceChoice, Request};
use nightsheaf::pixels::Plane;
use nightsheaf::pixels::statistics::{SIGMA_PER_MAD, median};
use nightsheaf::synthetic::Scene;

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

/// Largest distance of two planes in the dark sky between the stars, in standard deviations of the noise there, and how
/// many samples are over 6. On a star, whose place the defects move by a hundredth of a pixel, light and not noise differs.
fn distance(found: &Plane<f32>, clean: &Plane<f32>, sigma: f32) -> (f32, usize) {
    let sky = median(&mut clean.samples().to_vec()).expect("samples");
    let size = clean.size();
    let (mut most, mut n) = (0.0_f32, 0);
    for y in 3..size.height - 3 {
        for x in 3..size.width - 3 {
            let near = |plane: &Plane<f32>| {
                let rows = (y - 3..=y + 3).flat_map(|y| plane.row(y)[x - 3..=x + 3].iter());
                rows.fold(0.0_f32, |most, &level| most.max(level - sky))
            };
            if near(clean) < 8.0 * sigma {
                let off = (found.at(x, y) - clean.at(x, y)).abs() / sigma;
                most = most.max(off);
                n += usize::from(off > 6.0);
            }
        }
    }
    (most, n)
}

#[test]
fn dead_and_warm_pixels_leave_nothing_in_a_short_burst_without_darks() {
    // On 24 million pixels a wide lens shows a fifth as many stars to the pixel, and they move as far from frame to
    // frame: two or three pixels.
    let night = Night::with_lights(Scene { n_stars: 450, interval_secs: 130.0, ..sky_scene() });
    let request = Request { reference: ReferenceChoice::File(night.path(&light_name(2))), ..night.request() };
    let clean = run(&request);
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
    let outcome = run(&request);
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
