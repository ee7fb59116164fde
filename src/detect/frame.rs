//! One frame in, all that is measured on it out.

use rayon::prelude::*;

use crate::detect::background::measure_sky;
use crate::detect::lines::drop_lines;
use crate::detect::luminance::{Luminance, luminance, matched_filter};
use crate::detect::measure::{Pilot, Scene, Workspace, color_shifts, measure_pilot, measure_star};
use crate::detect::peaks::{Peaks, find_peaks};
use crate::detect::shape::{FWHM_PER_SIGMA, Shape};
use crate::detect::trail::{common_trail_px, doubling_px};
use crate::detect::{Background, DetectSettings, FrameMeasure, Mesh, Star};
use crate::job::{Cancelled, Monitor};
use crate::pixels::statistics::median;
use crate::pixels::{CalibratedFrame, Mask};

/// Width of stars before any is measured: FWHM 2.4 px, a good lens on pixels of its size.
const FIRST_SIGMA_PX: f64 = 1.0;

/// Stars this much larger in area than the filter are looked for again with a filter of their own.
const REFILTER_RATIO: f64 = 1.8;

/// Peaks that tell what stars look like: at most so many from each part of the frame, of so many peaks there,
/// among which there may be more hot pixels than stars.
const MAX_PILOTS: usize = 20;
const MAX_PILOT_PEAKS: usize = 200;
/// Parts along each axis of the frame.
const PILOT_PARTS: usize = 4;
const PILOT_SIGNIFICANCE: f32 = 20.0;

/// Peaks measured before the number of stars is looked at again.
const PEAK_GROUP: usize = 1024;

/// Stars this clear count in the medians of the frame, if there are enough of them.
const CLEAR_SNR: f64 = 15.0;
const ENOUGH_CLEAR: usize = 10;

/// Measures the stars and the sky of one frame; `foreground` is left out of both.
#[must_use]
pub fn measure_frame(frame: &CalibratedFrame, foreground: Option<&Mask>, settings: &DetectSettings) -> FrameMeasure {
    measure_watched(&Monitor::silent(), frame, foreground, settings).expect("nobody cancels")
}

/// The same, until it is to stop: a large frame takes longer than a person waits.
pub fn measure_watched(
    monitor: &Monitor,
    frame: &CalibratedFrame,
    foreground: Option<&Mask>,
    settings: &DetectSettings,
) -> Result<FrameMeasure, Cancelled> {
    monitor.check()?;
    let sky = measure_sky(frame, foreground, settings);
    monitor.check()?;
    let grey = luminance(frame, &sky);
    monitor.check()?;
    let threshold_sigma = settings.threshold_sigma;
    let first = Shape::round(FIRST_SIGMA_PX);
    let mut peaks = peaks_of_shape(&grey, foreground, settings, first);
    let mut scene =
        Scene { frame, sky: &sky, owners: &peaks.owners, shape: first, neutral: [0.6, 1.0, 0.7], threshold_sigma };
    monitor.check()?;
    let pilots = measure_pilots(&scene, &peaks);
    monitor.check()?;
    let (shape, neutral) = typical(&pilots).unwrap_or((first, scene.neutral));
    scene.shape = shape;
    let color_shifts = pilots.par_iter().map_init(Workspace::default, |own, pilot| color_shifts(&scene, pilot, own));
    let color_shifts = color_shifts.collect::<Vec<_>>().concat();
    monitor.check()?;
    if shape.determinant().sqrt() > REFILTER_RATIO * first.determinant().sqrt() {
        peaks = peaks_of_shape(&grey, foreground, settings, shape);
    }
    drop(grey);
    monitor.check()?;
    scene = Scene { frame, sky: &sky, owners: &peaks.owners, shape, neutral, threshold_sigma };
    let stars = measure_stars(&scene, &peaks, settings);
    let clipped = frame.saturated.0.samples().par_chunks(1 << 16).map(count).sum::<usize>();
    let clear = clear_stars(&stars);
    let background = Background { level: sky.level, rms: sky.luminance_sigma };
    Ok(FrameMeasure {
        fwhm_px: median_of(&clear, |star| star.fwhm_px),
        elongation: median_of(&clear, |star| star.elongation),
        trail_px: common_trail_px(&clear).map(|trail_px| trail_px.max(doubling_px(&stars).unwrap_or(0.0))),
        sky_level: background.level.each_ref().map(Mesh::median),
        sky_noise: background.rms.median(),
        clipped_fraction: clipped as f64 / frame.size().area().max(1) as f64,
        color_shifts,
        stars,
        background,
    })
}

fn peaks_of_shape(grey: &Luminance, foreground: Option<&Mask>, settings: &DetectSettings, shape: Shape) -> Peaks {
    let filtered = matched_filter(grey, foreground, shape);
    find_peaks(&filtered, &grey.sigma, foreground, settings.threshold_sigma, shape)
}

/// Fits bright peaks from all parts of the frame with shapes of their own.
fn measure_pilots(scene: &Scene, peaks: &Peaks) -> Vec<Pilot> {
    let size = scene.frame.size();
    let mut parts = vec![Vec::new(); PILOT_PARTS * PILOT_PARTS];
    let part = |value: f64, len: usize| ((value * PILOT_PARTS as f64 / len as f64) as usize).min(PILOT_PARTS - 1);
    for (index, peak) in peaks.peaks.iter().enumerate() {
        let here = &mut parts[part(peak.place.y, size.height) * PILOT_PARTS + part(peak.place.x, size.width)];
        if peak.significance > PILOT_SIGNIFICANCE && here.len() < MAX_PILOT_PEAKS {
            here.push(index);
        }
    }
    let fits = parts.par_iter().map(|part| {
        let mut workspace = Workspace::default();
        let found =
            part.iter().filter_map(|&index| measure_pilot(scene, &peaks.peaks[index], owner_of(index), &mut workspace));
        found.take(MAX_PILOTS).collect::<Vec<Pilot>>()
    });
    fits.collect::<Vec<_>>().concat()
}

fn owner_of(index: usize) -> u16 {
    u16::try_from(index + 1).expect("peaks are numbered in 16 bits")
}

/// Median shape and colour of the pilots; `None` with hardly any.
fn typical(pilots: &[Pilot]) -> Option<(Shape, [f64; 3])> {
    let middle = |of: &dyn Fn(&Pilot) -> f64| {
        median(&mut pilots.iter().map(|pilot| of(pilot) as f32).collect::<Vec<_>>()).map(f64::from)
    };
    let shape = Shape {
        xx: middle(&|pilot| pilot.fit.shape.xx)?,
        xy: middle(&|pilot| pilot.fit.shape.xy)?,
        yy: middle(&|pilot| pilot.fit.shape.yy)?,
    };
    let share = |channel: usize| {
        middle(&|pilot| pilot.fit.amplitudes[channel].max(0.0) / pilot.fit.amplitudes.iter().sum::<f64>())
    };
    let neutral = [share(0)?, share(1)?, share(2)?];
    // Medians of the elements need not be a width.
    (pilots.len() >= 3 && shape.axes().1 > 0.1).then_some((shape, neutral))
}

fn measure_stars(scene: &Scene, peaks: &Peaks, settings: &DetectSettings) -> Vec<Star> {
    let mut found: Vec<Star> = Vec::new();
    // Some of the peaks turn out to be no stars: as many are looked at as it takes.
    for (group, peaks) in peaks.peaks.chunks(PEAK_GROUP).enumerate() {
        let measured = peaks.par_iter().enumerate().map_init(Workspace::default, |workspace, (index, peak)| {
            measure_star(scene, peak, owner_of(group * PEAK_GROUP + index), workspace)
        });
        // What the filter promised, the fit must keep.
        let is_clear = |star: &Star| star.snr >= f64::from(settings.threshold_sigma);
        found.extend(measured.collect::<Vec<_>>().into_iter().flatten().filter(is_clear));
        if found.len() >= settings.max_stars {
            break;
        }
    }
    let mut stars = drop_lines(found, FWHM_PER_SIGMA * scene.shape.axes().0.sqrt());
    stars.sort_by(|a, b| {
        b.flux
            .total_cmp(&a.flux)
            .then(a.centroid.y.total_cmp(&b.centroid.y))
            .then(a.centroid.x.total_cmp(&b.centroid.x))
    });
    stars.truncate(settings.max_stars);
    stars
}

fn count(flags: &[bool]) -> usize {
    // Short sums fit a byte, which vector units add many at a time.
    flags.chunks(255).map(|part| usize::from(part.iter().map(|&flag| u8::from(flag)).sum::<u8>())).sum()
}

/// Unsaturated stars well above the noise, or all unsaturated ones where those are few.
pub(super) fn clear_stars(stars: &[Star]) -> Vec<&Star> {
    let unsaturated: Vec<&Star> = stars.iter().filter(|star| !star.saturated).collect();
    let clear: Vec<&Star> = unsaturated.iter().copied().filter(|star| star.snr >= CLEAR_SNR).collect();
    if clear.len() >= ENOUGH_CLEAR { clear } else { unsaturated }
}

fn median_of(stars: &[&Star], value: impl Fn(&Star) -> f32) -> Option<f32> {
    median(&mut stars.iter().map(|star| value(star)).collect::<Vec<_>>())
}
