//! Amplifier glow and falloff gone, measured on what the generator knows.

use std::convert::Infallible;

use nightsheaf::calibrate::{Masters, Setup, calibrate, master_bias, master_dark, master_flat};
use nightsheaf::pipeline::{FalloffSource, Request};
use nightsheaf::pixels::Plane;
use nightsheaf::synthetic::{Burst, Scene};

use crate::night::{Night, notes_with, run, sky_scene};

const N_CALIBRATION: usize = 16;

/// The night through a perfect lens onto a perfect sensor.
fn perfect(scene: &Scene, vignetting: f64) -> Burst {
    Burst::new(Scene {
        vignetting,
        n_hot_pixels: 0,
        dark_electrons_per_sec: 0.0,
        amplifier_glow_electrons_per_sec: 0.0,
        ..scene.clone()
    })
}

fn masters(burst: &Burst, with_flats: bool) -> Masters {
    let dark = master_dark(N_CALIBRATION, |k| Ok::<_, Infallible>(Some(burst.dark(k)))).expect("in memory").0;
    let bias = master_bias(N_CALIBRATION, |k| Ok::<_, Infallible>(Some(burst.bias(k)))).expect("in memory").0;
    let flat = || master_flat(N_CALIBRATION, bias.as_ref(), |k| Ok::<_, Infallible>(Some(burst.flat(k))));
    let flat = with_flats.then(|| flat().expect("in memory").0).flatten();
    Masters::for_lights(&Setup::of(&burst.light(0)), None, dark, flat).0
}

/// Mean over a part of the frame.
fn mean(plane: &Plane<f32>, x: std::ops::Range<usize>, y: std::ops::Range<usize>) -> f64 {
    let n = (x.len() * y.len()) as f64;
    y.map(|y| plane.row(y)[x.clone()].iter().map(|&value| f64::from(value)).sum::<f64>()).sum::<f64>() / n
}

/// What is left of truth in a part of the mean of some light frames, as a share of the sky's level there.
fn left(burst: &Burst, truth: &Burst, masters: &Masters, x: std::ops::Range<usize>, y: std::ops::Range<usize>) -> f64 {
    let scene = burst.scene();
    let range = f64::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn;
    let n_frames = 4;
    let (mut found, mut expected) = (0.0, 0.0);
    for idx in 0..n_frames {
        found += mean(&calibrate(&burst.light(idx), masters).planes[0], x.clone(), y.clone());
        expected += mean(&truth.light_electrons(idx), x.clone(), y.clone()) / range;
    }
    found / expected - 1.0
}

#[test]
fn amplifier_glow_is_gone_with_darks() {
    // Ten times the glow of the sample frames: in the corner half as bright as the sky.
    let scene = Scene { amplifier_glow_electrons_per_sec: 8.0, n_hot_pixels: 0, ..sky_scene() };
    let (burst, truth) = (Burst::new(scene.clone()), perfect(&scene, scene.vignetting));
    let corner = (480 - 96..480, 320 - 64..320);
    let without = left(&burst, &truth, &Masters::default(), corner.0.clone(), corner.1.clone());
    assert!(without > 0.1, "there is a glow to remove: {without}");
    let with = left(&burst, &truth, &masters(&burst, false), corner.0, corner.1);
    println!("glow in the corner: {without:.3} of the sky's level without darks, {with:+.5} with them");
    // 6,144 samples with some 5 % of noise in each of four frames: 0.04 %; the darks add as much again.
    assert!(with.abs() < 0.002, "{with} of the sky's level is left in the corner, {without} without darks");
}

/// Darks of half the time, brought to that of the lights with the help of the bias.
#[test]
fn amplifier_glow_is_gone_with_darks_of_half_the_exposure() {
    let scene = Scene { amplifier_glow_electrons_per_sec: 8.0, n_hot_pixels: 0, ..sky_scene() };
    let (burst, truth) = (Burst::new(scene.clone()), perfect(&scene, scene.vignetting));
    let short = Burst::new(Scene { exposure_secs: 0.5 * scene.exposure_secs, ..scene });
    let dark = master_dark(N_CALIBRATION, |k| Ok::<_, Infallible>(Some(short.dark(k)))).expect("in memory").0;
    let bias = master_bias(N_CALIBRATION, |k| Ok::<_, Infallible>(Some(burst.bias(k)))).expect("in memory").0;
    let lights = Setup::of(&burst.light(0));
    let left_with = |bias| {
        let masters = Masters::for_lights(&lights, bias, dark.clone(), None).0;
        left(&burst, &truth, &masters, 480 - 96..480, 320 - 64..320)
    };
    let (scaled, as_it_is) = (left_with(bias), left_with(None));
    println!("glow in the corner with darks of half the time: {as_it_is:+.4} as they are, {scaled:+.5} scaled");
    assert!(as_it_is > 0.05, "half of the glow is left: {as_it_is}");
    // The noise of the short darks counts twice.
    assert!(scaled.abs() < 0.003, "{scaled} of the sky's level is left");
}

#[test]
fn flats_restore_the_ratio_of_corner_and_middle_within_half_a_percent() {
    let scene = sky_scene();
    let (burst, truth) = (Burst::new(scene.clone()), perfect(&scene, 0.0));
    let masters = masters(&burst, true);
    let middle = left(&burst, &truth, &masters, 192..288, 112..208);
    for (x, name) in [(0..64, "left"), (416..480, "right")] {
        for y in [0..64, 256..320] {
            let corner = left(&burst, &truth, &masters, x.clone(), y.clone());
            let ratio = (1.0 + corner) / (1.0 + middle);
            println!("{name} corner at rows {y:?}: {ratio:.4} of the true ratio with flats");
            assert!((ratio - 1.0).abs() < 0.005, "{name} corner at rows {y:?}: {ratio} of the true ratio");
            let dim = left(&burst, &truth, &Masters::default(), x.clone(), y);
            assert!(dim < -0.25, "without flats the corner lacks {dim}");
        }
    }
}

/// From files to the stack: the sky's corner over its middle, as in the reference frame through a perfect lens.
#[test]
fn the_stack_of_a_calibrated_burst_is_even() {
    let scene = Scene { amplifier_glow_electrons_per_sec: 8.0, ..sky_scene() };
    let night = Night::with_lights(scene.clone());
    let written = |kind: &str, frame: &dyn Fn(usize) -> nightsheaf::raw::RawFrame| {
        (0..N_CALIBRATION).map(|idx| night.write(&format!("{kind}/{idx:02}.dng"), &frame(idx))).collect()
    };
    let request = Request {
        darks: written("darks", &|idx| night.burst.dark(idx)),
        flats: written("flats", &|idx| night.burst.flat(idx)),
        bias: written("bias", &|idx| night.burst.bias(idx)),
        ..night.request()
    };
    let outcome = run(&request);
    let vignetting = &outcome.report.vignetting;
    assert_eq!(vignetting.source, FalloffSource::Flats, "{vignetting:?}");
    assert!((vignetting.corner_loss - scene.vignetting).abs() < 0.01, "{vignetting:?}");
    assert_eq!(outcome.picture.falloff, None, "nothing is left to be made up for");
    let reference = outcome.report.frames.iter().position(|frame| frame.file.ends_with(&outcome.report.reference));
    let truth = perfect(&scene, 0.0).light_electrons(reference.expect("one of the frames"));
    let green = |x: std::ops::Range<usize>, y: std::ops::Range<usize>| {
        let is_green = |x: usize, y: usize| (x + y) % 2 == 1;
        let places = y.flat_map(|y| x.clone().map(move |x| (x, y))).filter(|&(x, y)| is_green(x, y));
        let places: Vec<(usize, usize)> = places.collect();
        let sum = |plane: &Plane<f32>| places.iter().map(|&(x, y)| f64::from(plane.at(x, y))).sum::<f64>();
        sum(&outcome.picture.image.planes[1]) / sum(&truth)
    };
    let middle = green(180..300, 100..220);
    for (x, y) in [(8..88, 8..72), (392..472, 8..72), (8..88, 248..312), (392..472, 248..312)] {
        let ratio = green(x.clone(), y.clone()) / middle;
        println!("stack, columns {x:?}, rows {y:?}: {ratio:.4} of the true ratio");
        assert!((ratio - 1.0).abs() < 0.01, "columns {x:?}, rows {y:?}: {ratio} of the true ratio");
    }
}

/// A flat that is at white in its middle shows the corners too bright there.
#[test]
fn flats_at_white_are_left_out_by_name_even_where_they_are_given() {
    let scene = sky_scene();
    let night = Night::with_lights(scene.clone());
    let white = scene.white_level;
    let flats = (0..3).map(|idx| {
        let mut flat = night.burst.flat(idx);
        if idx == 1 {
            let bright = |sample: &mut u16| *sample = sample.saturating_mul(3).min(white);
            flat.planes[0].samples_mut().iter_mut().for_each(bright);
        }
        night.write(&format!("flats/{idx:02}.dng"), &flat)
    });
    let outcome = run(&Request { flats: flats.collect(), ..night.request() });
    let told = notes_with(&outcome, &["01.dng", "at white", "expose flats to about half"]);
    assert_eq!(told.len(), 1, "{:?}", outcome.report.notes);
    let flat = outcome.report.masters.iter().find(|master| master.kind == "flat").expect("a master flat");
    assert_eq!(flat.frames, 2, "the other two are used");
}
