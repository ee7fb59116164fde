//! How much wider stars are in a stack than in one frame, aligned by similarity, homography and camera model, as a
//! table.
//!
//! `cargo run --release --no-default-features --example stack_width_table` prints the table of
//! `docs/registration.md`. Frames are drawn where the stack reads them: two strips of each, not 24 megapixels.

#[path = "../tests/support/nights.rs"]
mod nights;
#[path = "../tests/support/star_lists.rs"]
mod star_lists;

use std::f64::consts::LN_2;
use std::io::Write;
use std::ops::Range;

use nights::{Night, Pointing};
use nightsheaf::calibrate::NoiseModel;
use nightsheaf::demosaic::demosaic;
use nightsheaf::detect::{DetectSettings, Star, measure_frame};
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{CalibratedFrame, Cfa, Layout, LinearImage, Mask, Plane, Point, Rect, Size, Transform};
use nightsheaf::register::{FrameStars, Optics, RegisterSettings, fit_homography, fit_similarity, register_burst};
use nightsheaf::stack::{CombineRule, MosaicRows, StackError, StackFrame, StackRequest, stack_rows};
use star_lists::TrueCamera;

const SIZE: Size = Size { width: 6000, height: 4000 };
const SENSOR_WIDTH_MM: f64 = 23.5;
const N_FRAMES: usize = 16;
const SPAN_SECS: f64 = 300.0;
const N_STARS: usize = 3000;
const FWHM_PX: f64 = 2.25;
const SKY: f32 = 0.05;
const SIGMA: f32 = 0.004;
/// Light of a star of flux 1 at its middle, by color, and the brightest that is drawn.
const COLOR: [f64; 3] = [0.012, 0.02, 0.014];
const BRIGHTEST: f64 = 0.6;
/// Rows through the middle and along the upper edge.
const MIDDLE_ROWS: Range<usize> = 1900..2100;
const EDGE_ROWS: Range<usize> = 0..300;

fn main() -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "| focal | corner shift | similarity | homography | camera |")?;
    writeln!(out, "| --- | --- | --- | --- | --- |")?;
    for focal_mm in [10.0, 14.0, 24.0, 50.0] {
        for shift_px in [-90.0, -500.0] {
            let cells = row(focal_mm, shift_px).map_err(std::io::Error::other)?;
            writeln!(out, "| {focal_mm:.0} mm | {:.0} px | {} |", -shift_px, cells.join(" | "))?;
        }
    }
    Ok(())
}

fn row(focal_mm: f64, shift_px: f64) -> Result<Vec<String>, Box<dyn std::error::Error + Send + Sync>> {
    let focal_px = focal_mm / SENSOR_WIDTH_MM * SIZE.width as f64;
    let half = 0.5 * (SIZE.width as f64).hypot(SIZE.height as f64);
    let mut camera = TrueCamera::with_corner_shift(SIZE, 1.013 * focal_px, shift_px / half, -0.25);
    camera.principal = Point { x: camera.principal.x + 11.0, y: camera.principal.y - 7.0 };
    let mut night = Night::new(camera, Pointing::SOUTH, N_STARS, 1).with_air();
    let reference = N_FRAMES / 2;
    let times: Vec<f64> =
        (0..N_FRAMES).map(|n| SPAN_SECS * (n as f64 - reference as f64) / (N_FRAMES - 1) as f64).collect();
    let lists: Vec<Vec<Star>> = times.iter().map(|&secs| night.list_at(secs)).collect();
    let frames: Vec<FrameStars<'_>> = (lists.iter().zip(&times))
        .map(|(stars, &secs)| FrameStars { stars, capture_time_secs: Some(secs.round()) })
        .collect();
    let optics = Optics { size: SIZE, focal_px: Some(focal_px), profile: None };
    let burst = register_burst(&Monitor::silent(), &frames, reference, &optics, &RegisterSettings::default())?;
    let drawn = DrawnNight::new(&night, &times);
    let single: Vec<Vec<Star>> = [MIDDLE_ROWS, EDGE_ROWS].map(|rows| drawn.stars_of_one(reference, rows)).into();
    let mut cells = Vec::new();
    for model in ["similarity", "homography", "camera"] {
        let transform = |frame: usize| {
            let pairs: Vec<(Point, Point)> = (burst.matches[frame].iter())
                .map(|pair| (lists[frame][pair.light].centroid, lists[reference][pair.reference].centroid))
                .collect();
            let reference_from_light = match model {
                _ if frame == reference => Transform::Identity,
                "similarity" => Transform::Homography(fit_similarity(&pairs)?),
                "homography" => Transform::Homography(fit_homography(&pairs)?),
                _ => burst.frames[frame].as_ref().ok()?.reference_from_light.clone(),
            };
            reference_from_light.inverse()
        };
        let sky: Vec<StackFrame> = (0..N_FRAMES)
            .filter_map(|frame| {
                let light_from_reference = transform(frame)?;
                Some(StackFrame::plain(frame, light_from_reference))
            })
            .collect();
        let request = StackRequest {
            sky,
            combine: CombineRule::ClippedMean { drop_below_sigma: 3.0, drop_above_sigma: 3.0 },
            noise: Some(NoiseModel { read_variance: SIGMA * SIGMA, photon_variance_per_unit: 0.0 }),
            trails: None,
            between: Vec::new(),
            colors: nightsheaf::stack::ColorRule::default(),
            memory_bytes: 1 << 30,
            ..StackRequest::default()
        };
        let mut ratios = Vec::new();
        for (rows, single) in [MIDDLE_ROWS, EDGE_ROWS].into_iter().zip(&single) {
            let image = stack_rows(&Monitor::silent(), &drawn, &request, rows.clone())?.image;
            ratios.push(width_ratio(single, &stars_of(&image, rows.start)));
        }
        cells.push(ratios.join(" / "));
    }
    Ok(cells)
}

/// Median width of the stars of the middle or of the corners, whichever these are, over that in one frame.
fn width_ratio(single: &[Star], stacked: &[Star]) -> String {
    let half = 0.5 * (SIZE.width as f64).hypot(SIZE.height as f64);
    let is_asked = |star: &&Star| {
        let radius = star.centroid.distance(SIZE.center()) / half;
        star.snr > 30.0 && !(0.35..0.85).contains(&radius)
    };
    let asked: Vec<&Star> = single.iter().filter(is_asked).collect();
    let mut ratios: Vec<f32> = (asked.iter())
        .filter_map(|star| {
            let same = |other: &&Star| other.snr > 20.0 && other.centroid.distance(star.centroid) < 3.0;
            Some(stacked.iter().find(same)?.fwhm_px / star.fwhm_px)
        })
        .collect();
    ratios.sort_by(f32::total_cmp);
    // Where most of the stars are torn to pieces there is no width.
    if 2 * ratios.len() < asked.len() { "lost".to_owned() } else { format!("{:.3}", ratios[ratios.len() / 2]) }
}

/// Stars of the green picture, with the rows of the whole frame.
fn stars_of(image: &LinearImage, first_row: usize) -> Vec<Star> {
    let frame = CalibratedFrame {
        layout: Layout::Rgb,
        planes: vec![image.planes[1].clone(); 3],
        saturated: Mask::empty(image.size()),
    };
    let mut stars = measure_frame(&frame, None, &DetectSettings::default()).stars;
    stars.iter_mut().for_each(|star| star.centroid.y += first_row as f64);
    stars
}

/// The frames of a burst, drawn where they are read.
struct DrawnNight {
    /// Places and fluxes by frame.
    stars: Vec<Vec<(Point, f64)>>,
}

impl DrawnNight {
    fn new(night: &Night, times: &[f64]) -> Self {
        let seen = |secs: f64| {
            night.stars.iter().filter_map(move |&(direction, flux)| Some((night.seen_at(direction, secs)?, flux)))
        };
        Self { stars: times.iter().map(|&secs| seen(secs).collect()).collect() }
    }

    fn stars_of_one(&self, frame: usize, rows: Range<usize>) -> Vec<Star> {
        let size = Size { width: SIZE.width, height: rows.len() };
        let mut planes = vec![Vec::new()];
        self.draw(frame, Rect { x: 0, y: rows.start, size }, &mut planes[0]);
        let planes = planes.into_iter().map(|samples| Plane::from_vec(size, samples).expect("a sample a pixel"));
        let frame = CalibratedFrame { layout: self.layout(), planes: planes.collect(), saturated: Mask::empty(size) };
        stars_of(&demosaic(&frame), rows.start)
    }

    fn draw(&self, frame: usize, rect: Rect, samples: &mut Vec<f32>) {
        let Rect { x: left, y: top, size } = rect;
        samples.clear();
        let places = (top..top + size.height).flat_map(|y| (left..left + size.width).map(move |x| (x, y)));
        samples.extend(places.map(|(x, y)| SKY + SIGMA * noise(frame, x, y)));
        let reach = 6.0;
        for &(place, flux) in &self.stars[frame] {
            let (x0, x1) = ((place.x - reach).max(left as f64), (place.x + reach).min((left + size.width - 1) as f64));
            let (y0, y1) = ((place.y - reach).max(top as f64), (place.y + reach).min((top + size.height - 1) as f64));
            if x0 > x1 || y0 > y1 {
                continue;
            }
            for y in y0.ceil() as usize..=y1.floor() as usize {
                for x in x0.ceil() as usize..=x1.floor() as usize {
                    let square = (x as f64 - place.x).powi(2) + (y as f64 - place.y).powi(2);
                    let light = (flux * COLOR[Cfa::RGGB.color_at(x, y) as usize]).min(BRIGHTEST);
                    let light = light * (-4.0 * LN_2 * square / (FWHM_PX * FWHM_PX)).exp();
                    samples[(y - top) * size.width + (x - left)] += light as f32;
                }
            }
        }
    }
}

impl MosaicRows for DrawnNight {
    fn layout(&self) -> Layout {
        Layout::Mosaic(Cfa::RGGB)
    }

    fn size(&self) -> Size {
        SIZE
    }

    fn read_rect(&self, frame: usize, rect: Rect, planes: &mut [Vec<f32>]) -> Result<(), StackError> {
        self.draw(frame, rect, &mut planes[0]);
        Ok(())
    }
}

/// About normal, of variance one, and the same whenever a sample is asked for: a sum of four scrambled numbers.
fn noise(frame: usize, x: usize, y: usize) -> f32 {
    let mut state = (frame as u64) << 48 ^ (x as u64) << 24 ^ y as u64;
    let mut sum = 0.0;
    for _ in 0..4 {
        // SplitMix64 (Steele, Lea, Flood 2014).
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        sum += ((mixed ^ (mixed >> 31)) >> 40) as f32 / (1_u64 << 24) as f32 - 0.5;
    }
    // Four even deviates have a variance of a third.
    sum * 3_f32.sqrt()
}
