//! How near the stack comes to what the photons allow: light and color of stars, gain and read noise, counts.

use nightsheaf::pixels::statistics::{SIGMA_PER_MAD, median};
use nightsheaf::pixels::{LinearImage, Plane, Point};

use crate::sample::{Sample, mean, rms};

/// Light within this radius is a star's; the sky is read in a ring farther out.
const APERTURE_PX: f64 = 6.0;
const RING_PX: (f64, f64) = (9.0, 13.0);
/// Stars are compared this far from the edges, so that the ring is whole.
const EDGE_PX: f64 = 16.0;
/// Stars of this signal over noise in the stack.
const LEAST_SNR: f64 = 100.0;

/// Sum of what is over the sky within the aperture.
fn light(plane: &Plane<f32>, center: Point) -> f64 {
    let reach = RING_PX.1.ceil();
    let mut ring = Vec::new();
    let (mut sum, mut n) = (0.0, 0);
    for y in (center.y - reach) as usize..=(center.y + reach) as usize {
        for x in (center.x - reach) as usize..=(center.x + reach) as usize {
            let distance = center.distance(Point { x: x as f64, y: y as f64 });
            if distance < APERTURE_PX {
                sum += f64::from(plane.at(x, y));
                n += 1;
            } else if (RING_PX.0..RING_PX.1).contains(&distance) {
                ring.push(plane.at(x, y));
            }
        }
    }
    sum - f64::from(n as f32 * median(&mut ring).expect("a ring has pixels"))
}

/// A star's light in the stack and in the noiseless reference frame, by channel, and the photon noise of green.
struct Compared {
    stack: [f64; 3],
    truth: [f64; 3],
    /// Relative standard deviations that the photons allow.
    photon: [f64; 3],
}

/// Unsaturated stars of the sky alone that no other stands near, of the wanted signal over noise.
fn compared(sample: &Sample) -> Vec<Compared> {
    let scene = sample.burst.scene();
    let range = f64::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn;
    let stars = sample.burst.stars_in(sample.reference);
    let all = |image: &LinearImage, at: Point| -> [f64; 3] {
        std::array::from_fn(|channel| light(&image.planes[channel], at))
    };
    let compare = |star: &nightsheaf::synthetic::TrueStar| {
        let at = star.position;
        let size = sample.truth.size();
        let within = |value: f64, len: usize| (EDGE_PX..len as f64 - EDGE_PX).contains(&value);
        if !within(at.x, size.width) || !within(at.y, size.height) {
            return None;
        }
        let (x, y) = (at.x.round() as usize, at.y.round() as usize);
        let is_alone = || {
            let near = stars.iter().filter(|other| other.id != star.id && other.position.distance(at) < 12.0);
            near.into_iter().all(|other| other.flux_electrons[1] < 0.1 * star.flux_electrons[1])
        };
        let is_whole = sample.truth.planes.iter().all(|plane| {
            (y.saturating_sub(2)..y + 3).all(|y| plane.row(y)[x.saturating_sub(2)..x + 3].iter().all(|&v| v < 0.6))
        });
        if star.hidden > 0.0 || !sample.is_pure_sky(x, y) || !is_whole || !is_alone() {
            return None;
        }
        let (stack, truth) = (all(sample.stack(), at), all(&sample.truth, at));
        let area = std::f64::consts::PI * APERTURE_PX * APERTURE_PX;
        let n_frames = sample.used.len() as f64;
        let photon = std::array::from_fn(|channel| {
            let sky = f64::from(sample.truth.planes[channel].at(x + 11, y)) * range;
            // A sample of green stands for two pixels, one of red or blue for four.
            let pixels = if channel == 1 { 2.0 } else { 4.0 };
            let electrons = truth[channel] * range;
            (pixels * (electrons + area * (sky + scene.read_noise_electrons.powi(2))) / n_frames).sqrt() / electrons
        });
        (0.0..1.0 / LEAST_SNR).contains(&photon[1]).then_some(Compared { stack, truth, photon })
    };
    stars.iter().filter_map(compare).collect()
}

#[test]
fn stars_have_their_light_within_a_per_cent_and_scatter_by_little_more_than_the_photons() {
    let stars = compared(Sample::with_darks());
    assert!(stars.len() >= 8, "{} stars of S/N {LEAST_SNR} to compare", stars.len());
    let weighted = |of: fn(&Compared) -> f64| -> f64 {
        stars.iter().map(|star| of(star) * star.truth[1] / (star.photon[1] * star.truth[1]).powi(2)).sum()
    };
    let slope = weighted(|star| star.stack[1]) / weighted(|star| star.truth[1]);
    assert!((slope - 1.0).abs() <= 0.01, "light of the stack is {slope} of the truth");
    let ratios: Vec<f64> = stars.iter().map(|star| star.stack[1] / star.truth[1] / slope - 1.0).collect();
    let photon = rms(&stars.iter().map(|star| star.photon[1]).collect::<Vec<_>>());
    let beyond = (rms(&ratios).powi(2) - photon * photon).max(0.0).sqrt();
    println!(
        "{} stars: slope {slope:.4}, scatter {:.4}, photons {photon:.4}, beyond {beyond:.4}",
        stars.len(),
        rms(&ratios)
    );
    assert!(beyond <= 0.02, "scatter of {} where photons give {photon}: {beyond} beyond", rms(&ratios));
}

#[test]
fn stars_have_their_colors_within_three_per_cent() {
    let stars = compared(Sample::with_darks());
    for channel in [0, 2] {
        let errors: Vec<f64> = stars
            .iter()
            .map(|star| (star.stack[channel] / star.stack[1]) / (star.truth[channel] / star.truth[1]) - 1.0)
            .collect();
        let (error, scatter) = (mean(&errors), rms(&errors));
        println!("channel {channel} over green: {error:+.4} on the whole, {scatter:.4} star by star");
        assert!(error.abs() < 0.01, "channel {channel} is off by {error} on the whole");
        assert!(scatter <= 0.03, "channel {channel} over green is off by {scatter}");
    }
}

/// Truth of the scene: 0.8 electrons a data number, 3.2 electrons of read noise; rounding is told apart.
#[test]
fn gain_and_read_noise_are_those_of_the_camera() {
    for (sample, has_darks) in [(Sample::with_darks(), true), (Sample::without_darks(), false)] {
        let scene = sample.burst.scene();
        let model = sample.outcome.report.noise_model.expect("a burst of raws");
        let gain = model.electrons_per_dn.expect("raws are in proportion to light") / scene.electrons_per_dn;
        // Darks take the dark signal off and leave its noise, which no longer belongs to any light.
        let dark = if has_darks { scene.dark_electrons_per_sec * scene.exposure_secs } else { 0.0 };
        let read = model.read_noise_electrons / scene.read_noise_electrons.hypot(dark.sqrt());
        println!("darks {has_darks}: gain {gain}, read noise {read} of the truth");
        // Twelve stars in every thousand pixels, most of them too faint to be found, move from frame to frame.
        assert!((gain - 1.0).abs() < 0.02, "gain: {gain} of the truth");
        // The sky is never darker than 60 electrons: the read noise of 10 electrons² is what is left below it.
        assert!((read - 1.0).abs() < 0.1, "read noise: {read} of the truth");
        let rounding = model.rounding_electrons.expect("whole numbers") / (scene.electrons_per_dn / 12_f64.sqrt());
        assert!((rounding - 1.0).abs() < 0.02, "rounding: {rounding} of the truth");
        let noise = sample.outcome.report.noise.expect("a mean");
        let single = noise.single / model.predicted_single;
        let stack = noise.stack / model.predicted_stack;
        println!("single {single}, stack {stack} of the predicted noise");
        assert!((single - 1.0).abs() < 0.06, "a frame has {single} of the predicted noise");
        assert!((0.94..1.12).contains(&stack), "the stack has {stack} of the predicted noise");
    }
}

/// Land that is taken for sky drifts through the stack, which is then no mean of one scene: where clipping leaves out
/// much, nothing is measured. A gain beyond what the frames allow would be too good to be true.
#[test]
fn land_that_is_taken_for_sky_does_not_count_as_noise() {
    let sample = Sample::without_mask();
    let noise = sample.outcome.report.noise.expect("a mean");
    println!("without a mask: {noise:?}, {} of the ideal", noise.gain / noise.ideal);
    assert!((0.85..1.06).contains(&(noise.gain / noise.ideal)), "{noise:?}");
}

#[test]
fn the_defects_counted_in_the_report_are_those_of_the_camera() {
    let sample = Sample::without_darks();
    let scene = sample.burst.scene();
    let count = sample.outcome.report.defects_repaired;
    let hot = sample.burst.hot_pixels();
    // Seven times the noise of a sky of some 290 electrons.
    let strong = hot.iter().filter(|pixel| pixel.electrons_per_sec * scene.exposure_secs > 7.0 * 17.3).count();
    assert!(count >= strong * 95 / 100, "{count} repaired, {strong} stand out");
    // A sound pixel that is taken for a defect is drawn from its neighbours: few of them are no loss.
    let mistaken = 3 * sample.truth.size().area() / 100_000;
    assert!(count <= hot.len() + mistaken, "{count} repaired of {} there are", hot.len());
    let mut errors: Vec<f32> =
        compared(sample).iter().map(|star| (star.stack[1] / star.truth[1] - 1.0).abs() as f32).collect();
    let worst = errors.iter().copied().fold(0.0, f32::max);
    let typical = SIGMA_PER_MAD * median(&mut errors).expect("stars to compare");
    println!(
        "{count} defects repaired of {}, {strong} of 7 σ; stars off by {typical} typically, {worst} at most",
        hot.len()
    );
    assert!(typical < 0.02, "stars have their light: {typical}");
    // What is repaired loses most of its light. The photons leave 1 % of these stars uncertain.
    assert!(worst < 0.05, "no star was taken for a defect: {worst}");
}
