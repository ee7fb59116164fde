//! Errors of similarity, homography and camera model against the truth of invented bursts, as a table.
//!
//! `cargo run --release --no-default-features --example registration_table` prints the table of
//! `docs/registration.md`.

#[path = "../tests/support/nights.rs"]
mod nights;
#[path = "../tests/support/star_lists.rs"]
mod star_lists;

use std::io::Write;
use std::time::Instant;

use nights::{Night, Pointing, center_and_corner_rms};
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{Point, Size};
use nightsheaf::register::{
    BurstRegistration, FrameStars, Optics, RegisterSettings, fit_homography, fit_similarity, register_burst,
};
use star_lists::TrueCamera;

const SIZE: Size = Size { width: 6000, height: 4000 };
const SENSOR_WIDTH_MM: f64 = 23.5;
const N_FRAMES: usize = 16;

fn main() -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "| focal | corner shift | span | similarity | homography | camera | model | seconds |")?;
    writeln!(out, "| --- | --- | --- | --- | --- | --- | --- | --- |")?;
    for (span_secs, air) in [(300.0, false), (300.0, true), (3600.0, false), (3600.0, true)] {
        for focal_mm in [10.0, 14.0, 24.0, 50.0] {
            for shift_px in [-90.0, -500.0] {
                row(&mut out, focal_mm, shift_px, span_secs, air)?;
            }
        }
    }
    Ok(())
}

fn row(out: &mut impl Write, focal_mm: f64, shift_px: f64, span_secs: f64, air: bool) -> std::io::Result<()> {
    let focal_px = focal_mm / SENSOR_WIDTH_MM * SIZE.width as f64;
    let half = 0.5 * (SIZE.width as f64).hypot(SIZE.height as f64);
    let mut camera = TrueCamera::with_corner_shift(SIZE, 1.013 * focal_px, shift_px / half, -0.25);
    camera.principal = Point { x: camera.principal.x + 11.0, y: camera.principal.y - 7.0 };
    let night = Night::new(camera, Pointing::SOUTH, 300, 1);
    let mut night = if air { night.with_air() } else { night };
    let times: Vec<f64> = (0..N_FRAMES).map(|n| span_secs * n as f64 / (N_FRAMES - 1) as f64).collect();
    let reference = N_FRAMES / 2;
    let zero = times[reference];
    let lists: Vec<_> = times.iter().map(|&secs| night.list_at(secs - zero)).collect();
    let frames: Vec<FrameStars> = (lists.iter().zip(&times))
        .map(|(stars, &secs)| FrameStars { stars, capture_time_secs: Some(secs.round()) })
        .collect();
    let optics = Optics { size: SIZE, focal_px: Some(focal_px), profile: None };
    let begun = Instant::now();
    let burst = register_burst(&Monitor::silent(), &frames, reference, &optics, &RegisterSettings::default())
        .map_err(std::io::Error::other)?;
    let seconds = begun.elapsed().as_secs_f64();
    let mut columns = Vec::new();
    for model in ["similarity", "homography", "camera"] {
        columns.push(burst_rms(&burst, &night, &lists, &times, reference, model));
    }
    let model = burst.frames[0].as_ref().map_or_else(ToString::to_string, |frame| format!("{:?}", frame.model));
    let cells: Vec<String> = columns.iter().map(|(center, corner)| format!("{center:.3} / {corner:.3}")).collect();
    let air_name = if air { ", air" } else { "" };
    writeln!(
        out,
        "| {focal_mm:.0} mm | {:.0} px | {:.0} min{air_name} | {} | {model} | {seconds:.2} |",
        -shift_px,
        span_secs / 60.0,
        cells.join(" | ")
    )?;
    for note in &burst.notes {
        writeln!(out, "<!-- {note} -->")?;
    }
    Ok(())
}

/// Root mean square over all frames but the reference, in the middle and in the corners.
fn burst_rms(
    burst: &BurstRegistration,
    night: &Night,
    lists: &[Vec<nightsheaf::detect::Star>],
    times: &[f64],
    reference: usize,
    model: &str,
) -> (f64, f64) {
    let (mut center, mut corner) = (Vec::new(), Vec::new());
    for frame in (0..lists.len()).filter(|&frame| frame != reference) {
        let Ok(registration) = &burst.frames[frame] else { continue };
        let pairs: Vec<(Point, Point)> = (burst.matches[frame].iter())
            .map(|pair| (lists[frame][pair.light].centroid, lists[reference][pair.reference].centroid))
            .collect();
        let truth = night.truth(times[frame] - times[reference]);
        let plane = match model {
            "similarity" => fit_similarity(&pairs),
            "homography" => fit_homography(&pairs),
            _ => None,
        };
        let rms = center_and_corner_rms(SIZE, &truth, |point| match &plane {
            Some(map) => map.apply(point),
            None => registration.reference_from_light.apply(point),
        });
        center.push(rms.0);
        corner.push(rms.1);
    }
    let mean_square = |values: &[f64]| (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt();
    (mean_square(&center), mean_square(&corner))
}
