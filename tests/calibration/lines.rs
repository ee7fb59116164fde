//! Row and column noise of whole bursts, with it and without.

use nightsheaf::pipeline::Outcome;
use nightsheaf::pixels::Plane;
use nightsheaf::pixels::statistics::{SIGMA_PER_MAD, median};
use nightsheaf::synthetic::Scene;

use crate::night::{Night, run, scene};

/// Typical step between neighbouring rows (or columns) of the sky's means of a picture.
fn line_noise(plane: &Plane<f32>, rows: bool) -> f32 {
    let sky_rows = 10..plane.height() / 2;
    let value = |line: usize, k: usize| if rows { plane.at(k, line) } else { plane.at(line, k) };
    let (lines, along) = if rows { (sky_rows, 10..plane.width() - 10) } else { (10..plane.width() - 10, sky_rows) };
    let means: Vec<f32> = lines
        .map(|line| median(&mut along.clone().map(|k| value(line, k)).collect::<Vec<_>>()).expect("a long line"))
        .collect();
    let mut steps: Vec<f32> = means.windows(3).map(|m| (m[0] - 2.0 * m[1] + m[2]).abs()).collect();
    SIGMA_PER_MAD * median(&mut steps).expect("many lines") / 6.0_f32.sqrt()
}

fn single(outcome: &Outcome) -> &Plane<f32> {
    &outcome.single.as_ref().expect("asked for").image.planes[1]
}

#[test]
fn banding_is_removed_where_there_is_some() {
    let banded = Scene { row_noise_electrons: 6.0, column_noise_electrons: 6.0, ..scene() };
    let range = f64::from(banded.white_level - banded.black_level[0]) * banded.electrons_per_dn;
    let true_sigma = 6.0 / range;
    let outcome = run(&Night::with_lights(banded).request());
    let banding = outcome.report.banding;
    for (noise, name) in [(banding.rows, "rows"), (banding.columns, "columns")] {
        assert!(noise.removed && noise.significance > 6.0, "{name}: {noise:?}");
        let ratio = noise.sigma / true_sigma;
        assert!((0.85..1.15).contains(&ratio), "{name}: {ratio} of the true size is reported");
    }
    let lines = outcome.report.calibration_lines();
    assert!(lines.iter().any(|line| line.starts_with("row noise of")), "{lines:?}");
    let clean = run(&Night::with_lights(scene()).request());
    for rows in [true, false] {
        let (mended, untouched) = (line_noise(single(&outcome), rows), line_noise(single(&clean), rows));
        let name = if rows { "rows" } else { "columns" };
        assert!(mended < 0.55 * true_sigma as f32, "{name}: {mended} is left of {true_sigma}");
        assert!(untouched < 0.45 * true_sigma as f32, "{name}: the measure sees {untouched} where there is none");
    }
}

#[test]
fn masked_margins_tell_the_offsets_better_than_the_picture_alone() {
    let banded = Scene { row_noise_electrons: 2.5, column_noise_electrons: 2.5, masked_px: 48, ..scene() };
    let range = f64::from(banded.white_level - banded.black_level[0]) * banded.electrons_per_dn;
    let true_sigma = 2.5 / range;
    let left = [48, 0].map(|masked_px| {
        let outcome = run(&Night::with_lights(Scene { masked_px, ..banded.clone() }).request());
        let banding = outcome.report.banding;
        for (noise, name) in [(banding.rows, "rows"), (banding.columns, "columns")] {
            println!("{masked_px} masked pixels, {name}: {noise:?}, {} of the truth", noise.sigma / true_sigma);
            assert_eq!(noise.by_margins, masked_px > 0, "{name}: {noise:?}");
            if masked_px > 0 {
                let ratio = noise.sigma / true_sigma;
                assert!(noise.removed && (0.92..1.08).contains(&ratio), "{name}: {noise:?}, {ratio} of the truth");
            }
        }
        [true, false].map(|rows| line_noise(single(&outcome), rows) / true_sigma as f32)
    });
    let clean = run(&Night::with_lights(scene()).request());
    let clean = [true, false].map(|rows| line_noise(single(&clean), rows) / true_sigma as f32);
    println!("left with margins {:?}, without {:?}; seen where there is none {clean:?}", left[0], left[1]);
    for direction in [0, 1] {
        // Less what the measure sees without any banding.
        let own = |value: f32| (value * value - clean[direction] * clean[direction]).max(0.0).sqrt();
        assert!(own(left[0][direction]) < 0.5, "{} of the offsets are left", own(left[0][direction]));
        assert!(left[0][direction] < 1.05 * left[1][direction], "margins make it no worse: {left:?}");
    }
}

#[test]
fn margins_without_banding_change_nothing() {
    for seed in [3, 4] {
        let outcome = run(&Night::with_lights(Scene { seed, masked_px: 48, ..scene() }).request());
        let banding = outcome.report.banding;
        assert!(!banding.rows.removed && !banding.columns.removed, "seed {seed}: {banding:?}");
    }
}

#[test]
fn where_there_is_no_banding_nothing_changes() {
    // Twice, so that chance of one night does not decide.
    for seed in [3, 4] {
        let night = Night::with_lights(Scene { seed, ..scene() });
        let outcome = run(&night.request());
        let banding = outcome.report.banding;
        assert!(!banding.rows.removed && !banding.columns.removed, "seed {seed}: {banding:?}");
        assert!(!outcome.report.calibration_lines().iter().any(|line| line.contains("noise of")), "not spoken of");
    }
}
