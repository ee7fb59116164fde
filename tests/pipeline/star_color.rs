//! The colors of stars in the stack against those that the generator gave them.

use nightsheaf::pixels::{LinearImage, Plane, Point};

use crate::sample::{Sample, mean, rms};
use crate::{green_stars, identified};

/// Radius that the light of a star is summed over.
const APERTURE_PX: f64 = 4.5;

/// Light above the sky around a place.
fn light(plane: &Plane<f32>, place: Point) -> f64 {
    let (x0, y0) = (place.x.round() as usize, place.y.round() as usize);
    let around = (y0 - 10..=y0 + 10).flat_map(|y| (x0 - 10..=x0 + 10).map(move |x| (x, y)));
    let distance = |x: usize, y: usize| (x as f64 - place.x).hypot(y as f64 - place.y);
    let (inner, outer): (Vec<_>, Vec<_>) = around.partition(|&(x, y)| distance(x, y) <= APERTURE_PX);
    let mut ring: Vec<f32> =
        outer.into_iter().filter(|&(x, y)| distance(x, y) > 7.5).map(|(x, y)| plane.at(x, y)).collect();
    let half = ring.len() / 2;
    let sky = *ring.select_nth_unstable_by(half, f32::total_cmp).1;
    inner.into_iter().map(|(x, y)| f64::from(plane.at(x, y) - sky)).sum()
}

/// Error of red and of blue over green, for every lonely star of a signal of 200 times the noise.
fn color_errors(sample: &Sample, image: &LinearImage) -> Vec<f64> {
    let truth = sample.burst.stars_in(sample.reference);
    let size = image.size();
    let inside = |place: Point| {
        (30.0..size.width as f64 - 30.0).contains(&place.x) && (30.0..size.height as f64 - 30.0).contains(&place.y)
    };
    let pairs = identified(&green_stars(image), &truth);
    let bright = pairs.iter().filter(|(star, truth)| star.snr >= 200.0 && inside(truth.position));
    let errors = bright.flat_map(|(_, star)| {
        let green = light(&image.planes[1], star.position);
        [0, 2].map(|channel| {
            let expected = star.flux_electrons[channel] / star.flux_electrons[1];
            light(&image.planes[channel], star.position) / green / expected - 1.0
        })
    });
    errors.collect()
}

#[test]
fn stars_of_the_stack_have_their_true_colors() {
    let sample = Sample::with_darks();
    let errors = color_errors(sample, sample.stack());
    assert!(errors.len() >= 16, "{} colors of bright stars", errors.len());
    let (error, bias) = (rms(&errors), mean(&errors));
    assert!(error <= 0.03 && bias.abs() <= 0.01, "colors are off by {error}, on the mean by {bias}");
}
