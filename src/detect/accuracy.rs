//! How well stars are found and centred, against what the noise allows.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::detect::drawing::{Drawing, TrueStar};
use crate::detect::{DetectSettings, FrameMeasure, Star, measure_frame};
use crate::pixels::{CalibratedFrame, Cfa, CfaColor, Layout, Mask, Plane, Point, Size};

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
    for y in cy - 16..=cy + 16 {
        for x in cx - 16..=cx + 16 {
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
    let mut ratios = Vec::new();
    for psf_sigma_px in [0.75, 0.95, 1.4] {
        for (signal_to_noise, least_found) in [(10.0, 0.95), (20.0, 0.99), (50.0, 0.99), (100.0, 0.99)] {
            let (ratio, found) = centring(psf_sigma_px, signal_to_noise, 4e-5, 11);
            report += &format!("psf {psf_sigma_px} S/N {signal_to_noise}: {ratio:.3} of the bound, {found:.3} found\n");
            ratios.push(ratio);
            assert!(found >= least_found, "stars lost\n{report}");
        }
    }
    assert!(ratios.iter().all(|&ratio| ratio <= 1.3), "error over the bound\n{report}");
    // 784 stars tell the ratio to about 2.5 %: less than 0.92 would be a mistake in the bound.
    assert!(ratios.iter().all(|&ratio| ratio >= 0.92), "better than the bound\n{report}");
}

/// A mosaic sees red, green and blue at different places; the place of a star must not depend on its colour.
#[test]
fn neither_colour_nor_place_within_the_pixel_pulls_a_star() {
    let mut drawing = Drawing::mosaic(640, 640);
    drawing.sigma = [1e-5; 3];
    for (name, color) in [("red", [1.0, 0.45, 0.2]), ("white", [0.6, 1.0, 0.7]), ("blue", [0.25, 0.6, 1.0])] {
        for psf_sigma_px in [0.6, 0.95] {
            drawing.psf_sigma_px = psf_sigma_px;
            // Every tenth of a pixel, and both places of each colour of the mosaic.
            let truth: Vec<TrueStar> = (0..400)
                .map(|index| {
                    let x = 30.0 + f64::from(index % 20) * 29.1;
                    let y = 30.0 + f64::from(index / 20) * 29.1;
                    TrueStar { center: Point { x, y }, flux: color.map(|share| 0.5 * share) }
                })
                .collect();
            let stars = measure(&drawing.draw(&truth, 3)).stars;
            let worst = truth
                .iter()
                .map(|star| nearest(&stars, star.center, 2.0).map_or(9.0, |found| found.centroid.distance(star.center)))
                .fold(0.0, f64::max);
            assert!(worst < 0.02, "a {name} star of width {psf_sigma_px} is off by {worst:.4} px");
        }
    }
}

#[test]
fn trailed_stars_are_one_star_each_centred_on_their_middle() {
    for (length, angle) in [(4.0f64, 0.3f64), (8.0, 1.2), (14.0, 2.5)] {
        let mut drawing = Drawing::mosaic(800, 800);
        drawing.half_trail = Point { x: 0.5 * length * angle.cos(), y: 0.5 * length * angle.sin() };
        let truth = star_field(&drawing, 50.0, 17, |index| 0.15 + 0.6 * (index % 7) as f64);
        let measured = measure(&drawing.draw(&truth, 8));
        let mut errors = Vec::new();
        let mut bound = 0.0;
        for star in &truth {
            let found = nearest(&measured.stars, star.center, 3.0);
            let found = found.unwrap_or_else(|| panic!("lost the star at {:?}, trail {length} px", star.center));
            // Errors in units of what the noise allows, so that bright stars show a bias that faint ones hide.
            let least = least_variance(&drawing, star).sqrt();
            errors.push(((found.centroid.x - star.center.x) / least, (found.centroid.y - star.center.y) / least));
            bound += least / truth.len() as f64;
        }
        let n = errors.len() as f64;
        let bias = errors.iter().fold((0.0, 0.0), |sum, error| (sum.0 + error.0 / n, sum.1 + error.1 / n));
        let rms = (errors.iter().map(|error| 0.5 * (error.0.powi(2) + error.1.powi(2))).sum::<f64>() / n).sqrt();
        let report = format!("trail {length} px: bias {bias:.3?}, rms {rms:.3} of the bound, {bound:.4} px");
        assert!(bias.0.hypot(bias.1) < 4.0 * rms / n.sqrt(), "{report}");
        // An ellipse is not a bar: along a long trail its ends are used less well than they could be.
        assert!(rms < 1.7, "{report}");
        assert_eq!(measured.stars.len(), truth.len(), "one star a trail of {length} px");
        let trail = f64::from(measured.trail_px.expect("stars"));
        assert!((trail - length).abs() < 0.05 * length + 0.1, "a trail of {length} px is measured as {trail:.2}");
    }
}

#[test]
fn round_stars_have_no_trail() {
    let drawing = Drawing::mosaic(720, 720);
    let truth = star_field(&drawing, 30.0, 4, |index| 0.05 + 0.1 * (index % 9) as f64);
    let measured = measure(&drawing.draw(&truth, 21));
    let trail = measured.trail_px.expect("stars");
    assert!(trail < 0.5, "trail {trail:.2} px");
    let fwhm = measured.fwhm_px.expect("stars");
    // The pixel adds a twelfth of a square pixel to the variance of the profile.
    let expected = 2.3548 * (0.95f32 * 0.95 + 1.0 / 12.0).sqrt();
    assert!((fwhm - expected).abs() < 0.02 * expected, "FWHM {fwhm:.3}, expected {expected:.3}");
}

#[test]
fn saturated_stars_are_flagged_and_centred() {
    let drawing = Drawing::mosaic(600, 600);
    let truth = star_field(&drawing, 60.0, 9, |index| 10.0 * 2f64.powi(index as i32 % 6));
    let stars = measure(&drawing.draw(&truth, 5)).stars;
    for star in &truth {
        let found = nearest(&stars, star.center, 3.0).unwrap_or_else(|| panic!("lost a star of flux {:?}", star.flux));
        let error = found.centroid.distance(star.center);
        assert!(error < 0.1, "a star of flux {:.0} is off by {error:.3} px", star.flux[1]);
        let peak =
            star.flux[1] * drawing.share(star.center, star.center.x.round() as usize, star.center.y.round() as usize);
        assert!(found.saturated || peak < 1.5, "a star of peak {peak:.1} is not flagged");
    }
    assert_eq!(stars.len(), truth.len(), "one star each, however bright");
}

#[test]
fn hot_pixels_are_no_stars() {
    let drawing = Drawing::mosaic(720, 720);
    let truth = star_field(&drawing, 45.0, 2, |index| 0.05 + 0.02 * (index % 9) as f64);
    let mut frame = drawing.draw(&truth, 6);
    let mut random = ChaCha8Rng::seed_from_u64(77);
    let hot: Vec<Point> = (0..600)
        .map(|_| {
            let (x, y) = (random.random_range(8..712), random.random_range(8..712));
            let value = frame.planes[0].at(x, y) + random.random_range(0.02f32..0.6);
            frame.planes[0].set(x, y, value);
            Point { x: x as f64, y: y as f64 }
        })
        .collect();
    let stars = measure(&frame).stars;
    let fooled = stars.iter().filter(|star| nearest_truth(&truth, star.centroid) > 4.0).count();
    assert!(fooled <= hot.len() / 200, "{fooled} of {} hot pixels taken for stars", hot.len());
    // A hot pixel within a star's reach spoils it: calibration has repaired those of a real frame.
    let clean: Vec<&TrueStar> =
        truth.iter().filter(|star| hot.iter().all(|pixel| pixel.distance(star.center) > 9.0)).collect();
    let found = clean.iter().filter(|star| nearest(&stars, star.center, 1.0).is_some()).count();
    assert!(found * 100 >= clean.len() * 98, "{found} of {} stars among the hot pixels", clean.len());
}

fn nearest_truth(truth: &[TrueStar], place: Point) -> f64 {
    truth.iter().map(|star| star.center.distance(place)).fold(f64::INFINITY, f64::min)
}

#[test]
fn a_satellite_is_no_row_of_stars() {
    let drawing = Drawing::mosaic(720, 720);
    let truth = star_field(&drawing, 36.0, 12, |index| 0.06 + 0.05 * (index % 9) as f64);
    for strength in [0.01f32, 0.03, 0.2] {
        let mut frame = drawing.draw(&truth, 13);
        for y in 0..720 {
            for x in 0..720 {
                let across = (0.6 * x as f32 - 0.8 * y as f32 + 100.0) / 0.95;
                let light = strength * (-0.5 * across * across).exp();
                let value = frame.planes[0].at(x, y) + light;
                frame.planes[0].set(x, y, value);
            }
        }
        let stars = measure(&frame).stars;
        let fooled = stars.iter().filter(|star| nearest_truth(&truth, star.centroid) > 3.0).count();
        assert!(fooled <= 1, "{fooled} false stars on a line of height {strength}");
    }
}

#[test]
fn even_sky_has_no_stars() {
    for layout in [Layout::Mosaic(Cfa::RGGB), Layout::Rgb] {
        let mut drawing = Drawing::mosaic(1024, 1024);
        drawing.layout = layout;
        let measured = measure(&drawing.draw(&[], 99));
        assert!(measured.stars.len() <= 1, "{} stars in noise", measured.stars.len());
        for (level, sky) in measured.sky_level.into_iter().zip(drawing.sky) {
            assert!((f64::from(level) - sky).abs() < 2e-5, "sky {sky} measured as {level}");
        }
    }
}

#[test]
fn every_phase_of_the_mosaic_gives_the_same_stars() {
    use CfaColor::{Blue, Green, Red};
    let cfas = [
        [[Red, Green], [Green, Blue]],
        [[Green, Red], [Blue, Green]],
        [[Green, Blue], [Red, Green]],
        [[Blue, Green], [Green, Red]],
    ];
    for cfa in cfas {
        let mut drawing = Drawing::mosaic(401, 303);
        drawing.layout = Layout::Mosaic(Cfa(cfa));
        let truth = star_field(&drawing, 30.0, 31, |_| 0.3);
        let stars = measure(&drawing.draw(&truth, 14)).stars;
        let mut flux: Vec<f64> = stars.iter().map(|star| star.flux).collect();
        flux.sort_by(f64::total_cmp);
        let middle = flux[flux.len() / 2];
        // (0.6 + 2 + 0.7) / 4 of the green flux, whatever the phase.
        assert!((middle - 0.2475).abs() < 0.01, "{cfa:?}: flux {middle:.4}");
        assert_eq!(stars.len(), truth.len(), "{cfa:?}");
    }
}

#[test]
fn foreground_has_no_stars_and_no_part_in_the_sky() {
    let drawing = Drawing::mosaic(640, 640);
    let truth = star_field(&drawing, 40.0, 51, |_| 0.3);
    let mut frame = drawing.draw(&truth, 15);
    let mut foreground = Mask::empty(drawing.size);
    for y in 400..640 {
        for x in 0..640 {
            foreground.0.set(x, y, true);
            // Bright snow with rocks.
            let value = if (x / 5 + y / 3) % 3 == 0 { 0.3 } else { 0.05 };
            frame.planes[0].set(x, y, value);
        }
    }
    let measured = measure_frame(&frame, Some(&foreground), &DetectSettings::default());
    assert!(measured.stars.iter().all(|star| star.centroid.y < 402.0), "no star in the land");
    let level = measured.background.level[1].at(Point { x: 320.0, y: 620.0 });
    assert!((level - 0.04).abs() < 1e-3, "the sky goes on behind the land, {level}");
    let above = truth.iter().filter(|star| star.center.y < 390.0);
    assert!(above.clone().all(|star| nearest(&measured.stars, star.center, 1.0).is_some()), "stars above the land");
}

#[test]
fn any_number_of_threads_finds_the_same() {
    let drawing = Drawing::mosaic(512, 512);
    let truth = star_field(&drawing, 25.0, 61, |index| 0.02 + 0.05 * (index % 9) as f64);
    let frame = drawing.draw(&truth, 16);
    let with_threads = |count| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(count).build().expect("threads");
        pool.install(|| measure(&frame))
    };
    assert_eq!(with_threads(1), with_threads(3), "one thread and three");
}

#[test]
fn frames_without_any_sky_are_measured_without_stars() {
    for (width, height) in [(1, 1), (2, 2), (7, 3), (40, 9)] {
        let frame = Drawing::mosaic(width, height).draw(&[], 1);
        let measured = measure(&frame);
        assert_eq!(measured.stars.len(), 0, "{width} × {height}");
        assert_eq!(measured.fwhm_px, None, "{width} × {height}");
    }
    let size = Size { width: 64, height: 64 };
    let black = CalibratedFrame {
        layout: Layout::Mosaic(Cfa::RGGB),
        planes: vec![Plane::filled(size, 0.0)],
        saturated: Mask::empty(size),
    };
    assert_eq!(measure(&black).stars.len(), 0, "a black frame");
}
