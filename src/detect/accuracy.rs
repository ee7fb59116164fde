//! How well stars are found and centred, against what the noise allows.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::detect::drawing::{Drawing, TrueStar};
use crate::detect::{DetectSettings, FrameMeasure, Star, measure_frame};
use crate::pixels::{CalibratedFrame, Cfa, CfaColor, Layout, Plane, Point, Size};

fn measure(frame: &CalibratedFrame) -> FrameMeasure {
    measure_frame(frame, None, &DetectSettings::default())
}

fn nearest(stars: &[Star], place: Point, within_px: f64) -> Option<&Star> {
    stars
        .iter()
        .filter(|star| star.centroid.distance(place) < within_px)
        .min_by(|a, b| a.centroid.distance(place).total_cmp(&b.centroid.distance(place)))
}

/// Stars on a grid `spacing` apart, each at its own place within the pixel, with colours of real stars.
fn star_field(drawing: &Drawing, spacing: f64, seed: u64, flux: impl Fn(usize) -> f64) -> Vec<TrueStar> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let (columns, rows) =
        ((drawing.size.width as f64 / spacing) as usize - 1, (drawing.size.height as f64 / spacing) as usize - 1);
    (0..columns * rows)
        .map(|index| {
            let x = (index % columns) as f64 * spacing + spacing + random.random_range(-1.0..1.0);
            let y = (index / columns) as f64 * spacing + spacing + random.random_range(-1.0..1.0);
            let warm: f64 = random.random_range(-0.35..0.35);
            let flux = flux(index);
            TrueStar { center: Point { x, y }, flux: [0.6 * flux * (1.0 + warm), flux, 0.7 * flux * (1.0 - warm)] }
        })
        .collect()
}

/// Smallest variance of x and y, mean of both, that any unbiased centring of this star can have: the inverse of
/// the Fisher information over position and the three amplitudes (King 1983; Winick 1986).
fn least_variance(drawing: &Drawing, star: &TrueStar) -> f64 {
    let Layout::Mosaic(cfa) = drawing.layout else { panic!("the bound is that of a mosaic") };
    let mut information = nalgebra::SMatrix::<f64, 5, 5>::zeros();
    let (cx, cy) = (star.center.x.round() as usize, star.center.y.round() as usize);
    let step = 1e-4;
    for y in cy - 9..=cy + 9 {
        for x in cx - 9..=cx + 9 {
            let channel = cfa.color_at(x, y) as usize;
            let share = drawing.share(star.center, x, y);
            let shifted =
                |dx: f64, dy: f64| drawing.share(Point { x: star.center.x + dx, y: star.center.y + dy }, x, y);
            let mut slope = nalgebra::SVector::<f64, 5>::zeros();
            slope[channel] = share;
            slope[3] = star.flux[channel] * (shifted(step, 0.0) - shifted(-step, 0.0)) / (2.0 * step);
            slope[4] = star.flux[channel] * (shifted(0.0, step) - shifted(0.0, -step)) / (2.0 * step);
            let variance = drawing.sigma[channel].powi(2) + drawing.variance_per_level * star.flux[channel] * share;
            information += slope * slope.transpose() / variance;
        }
    }
    let covariance = information.try_inverse().expect("every colour sees the star");
    0.5 * (covariance[(3, 3)] + covariance[(4, 4)])
}

/// Signal to noise of a star when its place, shape and colour are known.
fn signal_to_noise(drawing: &Drawing, star: &TrueStar) -> f64 {
    let Layout::Mosaic(cfa) = drawing.layout else { panic!("the bound is that of a mosaic") };
    let (cx, cy) = (star.center.x.round() as usize, star.center.y.round() as usize);
    let mut sum = 0.0;
    for y in cy - 9..=cy + 9 {
        for x in cx - 9..=cx + 9 {
            let channel = cfa.color_at(x, y) as usize;
            let light = star.flux[channel] * drawing.share(star.center, x, y);
            sum += light * light / (drawing.sigma[channel].powi(2) + drawing.variance_per_level * light);
        }
    }
    sum.sqrt()
}

/// Root mean square centring error over the bound, and the share of stars found, at one signal to noise.
fn centring(psf_sigma_px: f64, wanted: f64, variance_per_level: f64, seed: u64) -> (f64, f64) {
    let mut drawing = Drawing::mosaic(720, 720);
    drawing.psf_sigma_px = psf_sigma_px;
    drawing.variance_per_level = variance_per_level;
    // The flux that has the wanted signal to noise, by secant steps from a guess.
    let probe = |flux: f64| {
        let star = TrueStar { center: Point { x: 360.3, y: 360.4 }, flux: [0.6 * flux, flux, 0.7 * flux] };
        signal_to_noise(&drawing, &star)
    };
    let mut flux = 0.01;
    for _ in 0..20 {
        flux *= wanted / probe(flux);
    }
    let truth = star_field(&drawing, 24.0, seed, |_| flux);
    let stars = measure(&drawing.draw(&truth, seed)).stars;
    let (mut sum, mut bound, mut n) = (0.0, 0.0, 0.0);
    for star in &truth {
        if let Some(found) = nearest(&stars, star.center, 2.0) {
            let (dx, dy) = (found.centroid.x - star.center.x, found.centroid.y - star.center.y);
            sum += 0.5 * (dx * dx + dy * dy);
            bound += least_variance(&drawing, star);
            n += 1.0;
        }
    }
    ((sum / bound).sqrt(), n / truth.len() as f64)
}

#[test]
fn centring_is_as_good_as_the_noise_allows() {
    let mut report = String::new();
    let mut worst = 0.0f64;
    for psf_sigma_px in [0.75, 0.95, 1.4] {
        for (signal_to_noise, least_found) in [(10.0, 0.95), (20.0, 0.99), (50.0, 0.99), (100.0, 0.99)] {
            let (ratio, found) = centring(psf_sigma_px, signal_to_noise, 4e-5, 11);
            report += &format!("psf {psf_sigma_px} S/N {signal_to_noise}: {ratio:.3} of the bound, {found:.3} found\n");
            worst = worst.max(ratio);
            assert!(found >= least_found, "stars lost\n{report}");
        }
    }
    assert!(worst <= 1.3, "error over the bound\n{report}");
    assert!(worst >= 0.9, "better than the bound is wrong\n{report}");
    panic!("{report}");
}
