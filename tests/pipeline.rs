//! The whole job from files to a stack: the sample frames against the truth about them, and a small burst
//! cancelled at every step.

#![allow(clippy::print_stdout, reason = "the figures of docs/calibration.md")]

#[path = "pipeline/cancelling.rs"]
mod cancelling;
#[path = "pipeline/lateral.rs"]
mod lateral;
#[path = "pipeline/photons.rs"]
mod photons;
#[path = "pipeline/sample.rs"]
mod sample;
#[path = "pipeline/short_bursts.rs"]
mod short_bursts;
#[path = "pipeline/star_color.rs"]
mod star_color;
#[path = "pipeline/star_trails.rs"]
mod star_trails;
#[path = "pipeline/traces.rs"]
mod traces;

use std::ops::Range;

use nightsheaf::calibrate::{Masters, calibrate};
use nightsheaf::demosaic::demosaic;
use nightsheaf::detect::{DetectSettings, Star, measure_frame};
use nightsheaf::pixels::statistics::median;
use nightsheaf::pixels::{CalibratedFrame, Layout, LinearImage, Mask, Plane, Point};
use nightsheaf::synthetic::TrueStar;
use sample::{Sample, block_noise, mean, rms};

/// Stars measured on the green channel alone: the truth tells positions through the green filter.
fn green_stars(image: &LinearImage) -> Vec<Star> {
    stars_of_channel(image, 1)
}

fn stars_of_channel(image: &LinearImage, channel: usize) -> Vec<Star> {
    let plane = &image.planes[channel];
    let planes = vec![plane.clone(), plane.clone(), plane.clone()];
    let frame = CalibratedFrame { layout: Layout::Rgb, planes, saturated: Mask::empty(plane.size()) };
    measure_frame(&frame, None, &DetectSettings::default()).stars
}

/// Good stars with the true star that each of them is; none that another star stands close to.
fn identified(stars: &[Star], truth: &[TrueStar]) -> Vec<(Star, TrueStar)> {
    let good = |star: &&Star| star.snr >= 25.0 && !star.saturated && star.peak < 0.7;
    let own = |star: &Star| {
        let near =
            |radius_px: f64| truth.iter().filter(move |other| other.position.distance(star.centroid) < radius_px);
        let brightest = near(2.0).next().filter(|found| found.hidden < 0.01)?;
        let rivals = near(9.0).filter(|other| other.id != brightest.id);
        let crowded = rivals.into_iter().any(|other| other.flux_electrons[1] > 0.03 * brightest.flux_electrons[1]);
        (!crowded).then_some((*star, *brightest))
    };
    stars.iter().filter(good).filter_map(own).collect()
}

fn misses(pairs: &[(Star, TrueStar)]) -> Vec<f64> {
    pairs.iter().map(|(star, truth)| star.centroid.distance(truth.position)).collect()
}

#[test]
fn stars_of_the_stack_are_where_they_truly_are() {
    let sample = Sample::with_darks();
    let truth = sample.burst.stars_in(sample.reference);
    let pairs = identified(&green_stars(sample.stack()), &truth);
    assert!(pairs.len() >= 50, "{} stars to compare", pairs.len());
    let center = sample.burst.scene().size.center();
    let inner_radius_px = 0.5 * center.distance(Point { x: 0.0, y: 0.0 });
    let (inner, outer): (Vec<_>, Vec<_>) =
        pairs.iter().partition(|(star, _)| star.centroid.distance(center) < inner_radius_px);
    let (inner, outer, all) = (rms(&misses(&inner)), rms(&misses(&outer)), rms(&misses(&pairs)));
    assert!(all <= 0.30 && outer <= 0.30 && inner <= 0.15, "residual {all} px: middle {inner}, outside {outer}");
}

#[test]
fn stars_of_the_stack_are_as_narrow_and_as_bright_as_in_a_single_frame() {
    let sample = Sample::with_darks();
    let truth = sample.burst.stars_in(sample.reference);
    let in_stack = identified(&green_stars(sample.stack()), &truth);
    let in_single = identified(&green_stars(sample.single()), &truth);
    let center = sample.burst.scene().size.center();
    let corner_px = center.distance(Point::default());
    let mut widths = Vec::new();
    let mut fluxes = Vec::new();
    for (star, truth) in &in_single {
        if let Some((stacked, _)) = in_stack.iter().find(|(_, other)| other.id == truth.id) {
            let from_center_px = truth.position.distance(center);
            widths.push((from_center_px, f64::from(stacked.fwhm_px / star.fwhm_px)));
            fluxes.push(stacked.flux / star.flux);
        }
    }
    assert!(widths.len() >= 30, "{} stars to compare", widths.len());
    let within = |range: Range<f64>| -> Vec<f64> {
        widths.iter().filter(|(radius, _)| range.contains(&(radius / corner_px))).map(|&(_, ratio)| ratio).collect()
    };
    for (place, range) in [("in the middle", 0.0..0.45), ("towards the corners", 0.7..1.0), ("in all", 0.0..1.0)] {
        let ratios = within(range);
        assert!(ratios.len() >= 8, "{} stars {place}", ratios.len());
        let width = mean(&ratios);
        assert!((0.95..=1.08).contains(&width), "stars {place} are {width} times as wide as in the single frame");
    }
    let flux = mean(&fluxes);
    assert!((flux - 1.0).abs() <= 0.02, "stars have {flux} times the light of the single frame");
}

/// Red and blue are sampled at every fourth pixel, and this burst's lens draws them larger and smaller than green.
#[test]
fn bright_stars_have_no_dark_ring_in_any_color() {
    let sample = Sample::with_darks();
    let size = sample.stack().size();
    let inside = |place: f64, len: usize| (15.0..len as f64 - 15.0).contains(&place);
    let mut bright: Vec<_> = sample.burst.stars_in(sample.reference);
    bright.retain(|star| {
        star.hidden == 0.0 && inside(star.position.x, size.width) && inside(star.position.y, size.height)
    });
    bright.sort_by(|one, other| other.flux_electrons[1].total_cmp(&one.flux_electrons[1]));
    for star in &bright[..20] {
        let Point { x: x0, y: y0 } = star.position;
        let around = |plane: &Plane<f32>, distances: Range<f64>| -> Vec<f32> {
            let rows = y0 as usize - 14..=y0 as usize + 14;
            let all = rows.flat_map(|y| (x0 as usize - 14..=x0 as usize + 14).map(move |x| (x, y)));
            all.filter(|&(x, y)| distances.contains(&(x as f64 - x0).hypot(y as f64 - y0)))
                .map(|(x, y)| plane.at(x, y))
                .collect()
        };
        for (channel, plane) in sample.stack().planes.iter().enumerate() {
            let sky = median(&mut around(plane, 9.0..14.0)).expect("pixels");
            for reach in 1..8 {
                let ring = median(&mut around(plane, f64::from(reach) - 0.5..f64::from(reach) + 0.5)).expect("pixels");
                let place = format!("star {} of color {channel} at ({x0:.0}, {y0:.0})", star.id);
                assert!(ring > 0.85 * sky, "{place}: {ring} at {reach} px, the sky has {sky}");
            }
        }
    }
}

/// Noise is what differs from the picture without noise that the generator knows. Means of 8 × 8 pixels are
/// hardly changed by interpolation, so a blurred stack does not pass for a clean one.
#[test]
fn noise_of_the_sky_falls_with_the_root_of_the_frames_kept() {
    let sample = Sample::with_darks();
    let single = block_noise(sample, sample.single());
    let stack = block_noise(sample, sample.stack());
    let ideal = (sample.used.len() as f64).sqrt();
    let share = single / stack / ideal;
    // Some 5,000 block differences: the measure is good to 2 %. A Lanczos kernel of three lobes takes another 0.8 %
    // of the noise of a block across its edges. Beyond that, more than the ideal would be a bug.
    println!("noise gain against the truth: {share:.3} of the root of {} frames", sample.used.len());
    assert!((0.95..1.04).contains(&share), "{share} of the ideal {ideal}: {single} in one frame, {stack} in the stack");
}

#[test]
fn the_shaken_frame_alone_is_set_aside_and_says_so() {
    let sample = Sample::with_darks();
    let shaken = sample.burst.scene().shakes[0].frame;
    for (idx, frame) in sample.outcome.report.frames.iter().enumerate() {
        assert_eq!(frame.used, idx != shaken, "{}: {}", frame.file.display(), frame.reason);
    }
    let frame = &sample.outcome.report.frames[shaken];
    assert!(frame.reason.contains("shaken") || frame.reason.contains("trail"), "the reason: {}", frame.reason);
    assert_eq!(frame.weight, 0.0, "it has no share in the picture");
    assert_eq!(sample.outcome.n_frames, sample.used.len(), "the frames in the picture are counted");
}

/// Noise adds nothing to the product of an image and the true land; blur takes the finest detail first.
#[test]
fn the_land_is_as_sharp_as_in_a_single_frame() {
    let sample = Sample::with_darks();
    let untouched = demosaic(&calibrate(&sample.burst.light(sample.reference), &Masters::default()));
    let single = sample.land_detail(&untouched);
    let stack = sample.land_detail(sample.stack());
    assert!((single - 1.0).abs() < 0.05, "a single frame shows {single} of the true detail");
    println!("land detail: {single:.3} of the truth in a single frame, {stack:.3} in the stack");
    assert!((0.98..1.02).contains(&(stack / single)), "the stack shows {stack}, the single frame {single} of it");
    // The measure sees a blur.
    let blurred = sample.land_detail(&LinearImage { planes: untouched.planes.each_ref().map(half_pixel_blur) });
    assert!(blurred / single < 0.95, "{blurred} of the detail is left by a blur");
}

/// The mean of each sample with the next one.
fn half_pixel_blur(plane: &Plane<f32>) -> Plane<f32> {
    let right = plane.width() - 1;
    Plane::from_fn(plane.size(), |x, y| 0.5 * (plane.at(x, y) + plane.at((x + 1).min(right), y)))
}
