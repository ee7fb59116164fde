//! How far the stars of a frame are drawn out: by a common trail, or into common doubles.
//!
//! A camera that moves evenly stretches all stars along one direction. One that is jolted rests in two places
//! and shows every star twice, at one distance and direction.

use crate::detect::Star;
use crate::detect::shape::{FWHM_PER_SIGMA, Shape, trail_length_px};
use crate::pixels::statistics::median;

/// The brightest stars, each of which would have its double.
const PROBES: usize = 80;

/// How far apart doubles are looked for, and how well they agree, in star widths.
const DOUBLE_REACH_FWHM: f64 = 12.0;
const DOUBLE_AGREE_FWHM: f64 = 0.4;

/// Probes that must have a double at one place: far more than chance gives in the densest field.
const MIN_DOUBLES: usize = 6;
const MIN_DOUBLE_SHARE: f64 = 0.3;

/// What all stars are stretched by in one direction: the lens stretches them too, but outwards all around.
pub(super) fn common_trail_px(stars: &[&Star]) -> Option<f32> {
    let shapes: Vec<Shape> = stars.iter().map(|star| shape_of(star)).collect();
    let middle = |of: fn(&Shape) -> f64| {
        let mut values: Vec<f32> = shapes.iter().map(|shape| of(shape) as f32).collect();
        median(&mut values).map(f64::from)
    };
    let round = 0.5 * middle(|shape| shape.xx + shape.yy)?;
    let (along, diagonal) = (middle(|shape| shape.xx - shape.yy)?, middle(|shape| 2.0 * shape.xy)?);
    // The length of a vector of noise is not zero: its expected square is taken off.
    let noise = stretch_noise(&shapes, [along, diagonal])?;
    let stretch = (along * along + diagonal * diagonal - noise).max(0.0).sqrt();
    Some(trail_length_px(round + 0.5 * stretch, round - 0.5 * stretch) as f32)
}

/// Expected square of the error of the medians of (xx − yy, 2 xy), from the scatter of the stars.
pub(super) fn stretch_noise(shapes: &[Shape], [along, diagonal]: [f64; 2]) -> Option<f64> {
    let off = |shape: &Shape| (shape.xx - shape.yy - along).powi(2) + (2.0 * shape.xy - diagonal).powi(2);
    let scatter = median(&mut shapes.iter().map(|shape| off(shape) as f32).collect::<Vec<_>>())?;
    // For a two-dimensional normal the median square is 2 ln 2 variances; a median has π / 2 times the variance of a mean.
    Some(f64::from(scatter) / std::f64::consts::LN_2 * 1.57 / shapes.len() as f64)
}

/// Distance between the two images that most of the bright stars have; `None` for stars that are single.
pub(super) fn doubling_px(stars: &[Star]) -> Option<f32> {
    let probes = &stars[..stars.len().min(PROBES)];
    // Across the trail, if there is one as well.
    let widths = probes.iter().map(|star| star.fwhm_px / star.elongation.sqrt());
    let fwhm = f64::from(median(&mut widths.collect::<Vec<_>>())?);
    let companions: Vec<Vec<(f64, f64)>> = probes.iter().map(|probe| companions(probe, stars, fwhm)).collect();
    let agree = DOUBLE_AGREE_FWHM * fwhm;
    let probes_at = |(x, y): (f64, f64)| {
        companions.iter().filter(|near| near.iter().any(|(u, v)| (u - x).hypot(v - y) < agree)).count()
    };
    let most = companions.iter().flatten().map(|&offset| (probes_at(offset), offset)).max_by_key(|(count, _)| *count);
    let (count, (x, y)) = most?;
    let needed = MIN_DOUBLES.max((MIN_DOUBLE_SHARE * probes.len() as f64) as usize);
    (count >= needed).then(|| x.hypot(y) as f32)
}

/// Offsets to the stars near a probe; of the two directions of a pair the one to the right.
fn companions(probe: &Star, stars: &[Star], fwhm: f64) -> Vec<(f64, f64)> {
    stars
        .iter()
        .map(|star| (star.centroid.x - probe.centroid.x, star.centroid.y - probe.centroid.y))
        .filter(|(x, y)| (1e-9..DOUBLE_REACH_FWHM * fwhm).contains(&x.hypot(*y)))
        .map(|(x, y)| if x < 0.0 { (-x, -y) } else { (x, y) })
        .collect()
}

pub(super) fn shape_of(star: &Star) -> Shape {
    let sigma = f64::from(star.fwhm_px) / FWHM_PER_SIGMA;
    let (long, short) = (sigma * sigma * f64::from(star.elongation), sigma * sigma / f64::from(star.elongation));
    let (sin, cos) = f64::from(star.angle_rad).sin_cos();
    Shape {
        xx: long * cos * cos + short * sin * sin,
        xy: (long - short) * sin * cos,
        yy: long * sin * sin + short * cos * cos,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::Point;

    fn star(x: f64, y: f64) -> Star {
        Star {
            centroid: Point { x, y },
            centroid_sigma_px: 0.02,
            flux: 1.0,
            snr: 50.0,
            peak: 0.1,
            fwhm_px: 2.5,
            elongation: 1.0,
            angle_rad: 0.0,
            saturated: false,
        }
    }

    /// Scattered places without a pattern.
    fn scattered() -> Vec<Star> {
        (0..60).map(|n| star(f64::from(n * n * 37 % 1009), f64::from(n * n * n * 11 % 997))).collect()
    }

    #[test]
    fn a_jolted_frame_shows_every_star_twice() {
        let mut stars = scattered();
        assert_eq!(doubling_px(&stars), None, "single stars");
        stars.extend(scattered().iter().map(|single| star(single.centroid.x + 6.0, single.centroid.y - 2.5)));
        let distance = doubling_px(&stars).expect("doubles");
        assert!((distance - 6.5).abs() < 0.01, "{distance}");
    }

    #[test]
    fn stars_stretched_outwards_all_around_have_no_common_trail() {
        let radial = |angle: f64| Star { elongation: 1.5, angle_rad: angle as f32, ..star(0.0, 0.0) };
        let stars: Vec<Star> = (0..36).map(|n| radial(std::f64::consts::PI * f64::from(n) / 36.0)).collect();
        let trail = common_trail_px(&stars.iter().collect::<Vec<_>>()).expect("stars");
        assert!(trail < 0.1, "{trail}");
    }

    #[test]
    fn stars_stretched_alike_have_the_trail_of_their_widths() {
        // Variances 1.127² · 1.3 and 1.127² / 1.3 of stars 2.5 px wide: a bar of 2.8 px by s² = σ² + L² / 12, and
        // a little less by the best fit.
        let stars: Vec<Star> = (0..20).map(|_| Star { elongation: 1.3, angle_rad: 0.7, ..star(0.0, 0.0) }).collect();
        let trail = common_trail_px(&stars.iter().collect::<Vec<_>>()).expect("stars");
        assert!((2.5..2.85).contains(&trail), "{trail}");
    }
}
