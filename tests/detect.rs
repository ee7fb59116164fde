//! Stars and verdicts on whole frames: against sep on one field, against the truth of invented bursts.

use std::fs;
use std::path::PathBuf;

use nightsheaf::detect::{DetectSettings, FrameMeasure, Star, Verdict, judge, measure_frame};
use nightsheaf::pixels::{CalibratedFrame, Cfa, Layout, Mask, Plane, Point, Size};
use nightsheaf::synthetic::{Burst, Scene, TrueStar};

fn reference(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference/detect").join(name)
}

/// Rows of numbers below a heading.
fn table(name: &str) -> Vec<Vec<f64>> {
    let text = fs::read_to_string(reference(name)).expect("a table beside its script");
    let row = |line: &str| line.split(',').map(|cell| cell.parse().expect("a number")).collect();
    text.lines().skip(1).map(row).collect()
}

fn reference_frame() -> CalibratedFrame {
    let picture = image::open(reference("field.png")).expect("a PNG").into_luma16();
    let size = Size { width: picture.width() as usize, height: picture.height() as usize };
    let samples = picture.into_raw().into_iter().map(|code| f32::from(code) / 65535.0).collect();
    let plane = Plane::from_vec(size, samples).expect("a sample a pixel");
    CalibratedFrame { layout: Layout::Rgb, planes: vec![plane; 3], saturated: Mask::empty(size) }
}

fn measure(frame: &CalibratedFrame, foreground: Option<&Mask>) -> FrameMeasure {
    measure_frame(frame, foreground, &DetectSettings::default())
}

fn nearest(stars: &[Star], place: Point) -> Option<&Star> {
    stars.iter().min_by(|a, b| a.centroid.distance(place).total_cmp(&b.centroid.distance(place)))
}

/// Compares one layout of the reference field; `flux_scale` is what its luminance makes of a sum of codes.
fn check_against_sep(frame: &CalibratedFrame, flux_scale: f64) {
    let measured = measure(frame, None);
    let expected = table("sep.csv");
    let (mut places, mut sums, mut total, mut expected_total) = (0.0, 0.0, 0.0, 0.0);
    for row in &expected {
        let place = Point { x: row[0], y: row[1] };
        let star = nearest(&measured.stars, place).expect("stars");
        let distance = star.centroid.distance(place);
        assert!(distance < 0.5, "sep has a star at {place:?}, the nearest is {distance:.2} px away");
        places += 0.5 * (distance / star.centroid_sigma_px).powi(2);
        sums += ((star.flux / flux_scale - row[2]) / row[3]).powi(2);
        total += star.flux / flux_scale;
        expected_total += row[2];
    }
    let n = expected.len() as f64;
    let (places, sums) = ((places / n).sqrt(), (sums / n).sqrt());
    assert!(places < 0.6, "centroids differ by {places:.2} standard errors");
    assert!(sums < 1.3, "fluxes differ by {sums:.2} of sep's errors");
    let ratio = total / expected_total;
    assert!((ratio - 1.0).abs() < 0.01, "all stars together have {ratio:.4} of sep's flux");
    for row in table("sep-background.csv") {
        let place = Point { x: row[0], y: row[1] };
        let level = f64::from(measured.background.level[1].at(place)) * 65535.0;
        assert!((level - row[2]).abs() < 6.0, "sky {level:.1} at {place:?}, by sep {:.1}", row[2]);
    }
}

#[test]
fn a_grey_picture_gives_the_stars_that_sep_finds() {
    check_against_sep(&reference_frame(), 1.0 / 65535.0);
}

/// Found stars and false ones of the reference field, by its truth.
fn found_and_false(places: &[Point]) -> (usize, usize) {
    let truth: Vec<Point> = table("truth.csv").iter().map(|row| Point { x: row[0], y: row[1] }).collect();
    let is_near = |place: &Point, others: &[Point]| others.iter().any(|other| other.distance(*place) < 2.0);
    let found = truth.iter().filter(|place| is_near(place, places)).count();
    (found, places.iter().filter(|place| !is_near(place, &truth)).count())
}

#[test]
fn as_many_true_stars_are_found_as_sep_finds_and_no_more_false_ones() {
    let of_sep: Vec<Point> = table("sep-filtered.csv").iter().map(|row| Point { x: row[0], y: row[1] }).collect();
    let ours: Vec<Point> = measure(&reference_frame(), None).stars.iter().map(|star| star.centroid).collect();
    let (sep_found, sep_false) = found_and_false(&of_sep);
    assert_eq!((sep_found, sep_false), (139, 0), "the table is that of the field");
    let (found, n_false) = found_and_false(&ours);
    assert!(found >= sep_found && n_false <= sep_false + 1, "{found} of 169 found, {n_false} false; sep {sep_found}");
}

#[test]
fn a_mosaic_of_the_same_picture_gives_them_too() {
    let mut frame = reference_frame();
    frame.planes.truncate(1);
    frame.layout = Layout::Mosaic(Cfa::RGGB);
    check_against_sep(&frame, 1.0 / 65535.0);
}

/// A light frame as calibration leaves it: black subtracted, white at 1, good pixels only.
fn calibrated(burst: &Burst, idx: usize) -> CalibratedFrame {
    let raw = burst.light(idx);
    let size = raw.size();
    let white = f32::from(raw.white_level);
    let samples = &raw.planes[0];
    let plane = Plane::from_fn(size, |x, y| {
        let black = raw.black_level[2 * (y % 2) + x % 2];
        (f32::from(samples.at(x, y)) - black) / (white - black)
    });
    let saturated = Mask(samples.map(|value| value >= raw.white_level));
    CalibratedFrame { layout: raw.layout, planes: vec![plane], saturated }
}

fn land(burst: &Burst) -> Mask {
    Mask(burst.foreground().map(|weight| weight > 0.0)).grow(4)
}

/// Green electrons of a star that stands out of the sky by this many standard deviations in a matched filter.
fn electrons_at(scene: &Scene, snr: f64) -> f64 {
    let sigma_px = scene.psf_fwhm_px / 2.3548;
    let sky = scene.sky_electrons_per_sec * scene.exposure_secs * (1.0 + scene.glow);
    // Half the pixels are green; red and blue see about as much again.
    snr * (4.0 * std::f64::consts::PI * sigma_px * sigma_px * (sky + scene.read_noise_electrons.powi(2))).sqrt()
}

#[test]
fn clear_stars_of_an_invented_night_are_found_and_little_else() {
    let scene = Scene { n_stars: 2500, ..Scene::sample() };
    let burst = Burst::new(scene);
    let foreground = land(&burst);
    let frame = calibrated(&burst, 1);
    let measured = measure(&frame, Some(&foreground));
    let truth = burst.stars_in(1);
    let size = frame.size();
    let in_view = |star: &&TrueStar| {
        let Point { x, y } = star.position;
        star.hidden < 0.01
            && x > 12.0
            && y > 12.0
            && x < size.width as f64 - 13.0
            && y < size.height as f64 - 13.0
            && !foreground.contains(x.round() as usize, y.round() as usize)
    };
    let alone = |star: &&TrueStar| {
        truth.iter().all(|other| {
            other.id == star.id
                || other.position.distance(star.position) > 12.0
                || other.flux_electrons[1] < 0.05 * star.flux_electrons[1]
        })
    };
    let bright = electrons_at(burst.scene(), 15.0);
    let clear: Vec<&TrueStar> =
        truth.iter().filter(in_view).filter(|star| star.flux_electrons[1] > bright).filter(alone).collect();
    let error =
        |star: &TrueStar| nearest(&measured.stars, star.position).map_or(99.0, |s| s.centroid.distance(star.position));
    let found = clear.iter().filter(|star| error(star) < 1.0).count();
    assert!(found * 100 >= clear.len() * 98, "{found} of {} clear stars found", clear.len());
    let faint = electrons_at(burst.scene(), 1.5);
    let false_stars: Vec<&Star> = measured
        .stars
        .iter()
        .filter(|star| {
            !truth.iter().any(|other| other.flux_electrons[1] > faint && other.position.distance(star.centroid) < 3.0)
        })
        .collect();
    assert!(
        false_stars.len() * 100 <= measured.stars.len(),
        "{} of {} stars are none: {false_stars:?}",
        false_stars.len(),
        measured.stars.len()
    );
    let n = clear.len() as f64;
    let rms = (clear.iter().map(|star| error(star).min(1.0).powi(2)).sum::<f64>() / n).sqrt();
    assert!(rms < 0.15, "{} clear stars are off by {rms:.3} px", clear.len());
}

#[test]
fn of_an_invented_burst_only_the_shaken_frame_is_set_aside() {
    let burst = Burst::new(Scene::sample());
    let foreground = land(&burst);
    let frames: Vec<CalibratedFrame> = (0..burst.scene().n_lights).map(|idx| calibrated(&burst, idx)).collect();
    for mask in [None, Some(&foreground)] {
        let measures: Vec<FrameMeasure> = frames.iter().map(|frame| measure(frame, mask)).collect();
        let measures: Vec<Option<&FrameMeasure>> = measures.iter().map(Some).collect();
        for (idx, judgement) in judge(&measures).into_iter().enumerate() {
            let shaken = burst.scene().shakes.iter().any(|shake| shake.frame == idx);
            let expected = if shaken { Verdict::SetAside } else { Verdict::Use };
            assert_eq!(judgement.verdict, expected, "frame {idx}: {}", judgement.reason);
            assert_eq!(judgement.reason.starts_with("shaken"), shaken, "frame {idx}: {}", judgement.reason);
        }
    }
}
