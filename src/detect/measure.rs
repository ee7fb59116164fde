//! From a peak to a star: gathers the samples around it, subtracts the local sky, fits, and asks whether what
//! was found looks like a star at all.

use crate::detect::background::Sky;
use crate::detect::evidence::Evidence;
use crate::detect::fit::{ColorPlace, Fit, Sample, Start, Window, color_places, fit_star};
use crate::detect::peaks::Peak;
use crate::detect::shape::Shape;
use crate::detect::{ColorShift, Star};
use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{CalibratedFrame, Layout, Plane, Point};

/// Luminance of a colour: the mean of a 2 × 2 block of a mosaic.
pub(super) const LUMINANCE: [f64; 3] = [0.25, 0.5, 0.25];

/// Samples within this many standard deviations of the profile are fitted.
const WINDOW_SIGMA: f64 = 3.0;

/// The local sky is read between these distances beyond the window, in pixels.
const ANNULUS_PX: (f64, f64) = (1.5, 5.5);

/// Spread of the widths (as variances) of the stars over a frame.
const SHAPE_SPREAD: f64 = 0.5;

/// Of the widths of stars whose core is missing, of which the wings alone must tell.
const LOOSE_SPREAD: f64 = 3.0;

/// The sharpest star that can still be told from a hot pixel before the common shape is known.
const SHARP_SIGMA_PX: f64 = 0.7;

/// What this many times the common shape in variance is no star: its neighbour, a cloud edge, a lit window.
const MAX_LONG_VARIANCE: f64 = 9.0;
const MAX_SHORT_VARIANCE: f64 = 5.0;
/// And what is this much narrower along both axes has not come through the lens.
const MIN_VARIANCE: f64 = 0.2;

/// Everything a star is measured on.
pub(super) struct Scene<'a> {
    pub(super) frame: &'a CalibratedFrame,
    pub(super) sky: &'a Sky,
    pub(super) owners: &'a Plane<u16>,
    /// Common shape of the stars.
    pub(super) shape: Shape,
    /// Typical amplitudes of a star, for telling it from a hot pixel.
    pub(super) neutral: [f64; 3],
    /// Height over the noise from which a star is one.
    pub(super) threshold_sigma: f32,
}

/// Buffers that live longer than one star.
#[derive(Default)]
pub(super) struct Workspace {
    window: Window,
    annulus: [Vec<f32>; 3],
}

/// A star and what its fit found, or `None` where there is none.
pub(super) fn measure_star(scene: &Scene, peak: &Peak, owner: u16, workspace: &mut Workspace) -> Option<Star> {
    let core = saturated_core(scene, peak);
    let (center, extent) = match &core {
        Some(core) => (core.center, core.radius_px),
        None => (peak.place, 0.0),
    };
    workspace.gather(scene, center, owner, scene.shape, extent);
    let shape_spread = if core.is_some() { LOOSE_SPREAD } else { SHAPE_SPREAD };
    let start = start(scene, scene.shape, shape_spread);
    let fit = fit_star(&workspace.window, &start).filter(|fit| is_near(fit, scene.shape, extent));
    let fit = match (fit, &core) {
        (Some(fit), _) => fit,
        (None, Some(core)) => return Some(core_alone(scene, core)),
        (None, None) => return None,
    };
    if core.is_none() && !(is_star_shaped(&fit) && is_positive(&fit) && scene.is_star(&workspace.window, &fit)) {
        return None;
    }
    Some(star(scene, &fit, center, core.as_ref()))
}

/// A bright star that tells what stars look like in this frame.
#[derive(Clone, Debug)]
pub(super) struct Pilot {
    pub(super) fit: Fit,
    place: Point,
    owner: u16,
}

/// The fit of a bright star with a shape of its own.
pub(super) fn measure_pilot(scene: &Scene, peak: &Peak, owner: u16, workspace: &mut Workspace) -> Option<Pilot> {
    let region = peak.region?;
    if saturated_core(scene, peak).is_some() {
        return None;
    }
    // Above half height there are the inner 1.18 σ of the filtered profile, of which the moments are 0.35 σ².
    let shape = region.scaled(4.0 * 2.0, 0.3);
    workspace.gather(scene, peak.place, owner, shape, 0.0);
    let sharp = Evidence::of(&workspace.window, Point::default(), Shape::round(SHARP_SIGMA_PX), scene.neutral);
    if sharp.is_hot_pixel() {
        return None;
    }
    let fit = fit_star(&workspace.window, &start(scene, shape, LOOSE_SPREAD))?;
    let has_width = fit.shape.axes().1 > 0.1;
    (has_width && is_near(&fit, shape, 0.0) && is_positive(&fit)).then_some(())?;
    Some(Pilot { fit, place: peak.place, owner })
}

/// A colour known to no better than this says nothing of lateral colour.
const MAX_COLOR_SIGMA_PX: f64 = 0.3;

/// Window of a star that colours are sought in, in variances of the common shape: they lie beside the middle of it.
const COLOR_WINDOW: f64 = 1.5;

/// How far red and blue lie from green; a frame of luminance alone has no colours to tell apart.
///
/// With the common shape of the frame's stars: a star's own is made of its place among the samples, and with a shape
/// that is wrong in step with the place, colours sampled every other pixel lie 3 to 12 per cent too close together.
pub(super) fn color_shifts(scene: &Scene, pilot: &Pilot, workspace: &mut Workspace) -> Vec<ColorShift> {
    let peak = pilot.place;
    workspace.gather(scene, peak, pilot.owner, scene.shape.scaled(COLOR_WINDOW, 0.0), 0.0);
    let fit = Fit { shape: scene.shape, ..pilot.fit.clone() };
    let [red, green, blue] = color_places(&workspace.window, &fit, scene.sky.variance_per_level);
    let Some(green) = green else { return Vec::new() };
    let shift = |channel: usize, place: Option<ColorPlace>| {
        let place = place?;
        let sigma_px = (place.variance + green.variance).sqrt();
        (sigma_px < MAX_COLOR_SIGMA_PX).then_some(ColorShift {
            channel,
            green: Point { x: peak.x + green.x, y: peak.y + green.y },
            shift: Point { x: place.x - green.x, y: place.y - green.y },
            sigma_px,
        })
    };
    [shift(0, red), shift(2, blue)].into_iter().flatten().collect()
}

fn start(scene: &Scene, shape: Shape, shape_spread: f64) -> Start {
    Start { x: 0.0, y: 0.0, shape, shape_spread, variance_per_level: scene.sky.variance_per_level }
}

impl Workspace {
    /// Fills the window with the samples around `center`, relative to it, less the local sky.
    fn gather(&mut self, scene: &Scene, center: Point, owner: u16, shape: Shape, extent_px: f64) {
        self.window.colors.iter_mut().for_each(Vec::clear);
        self.annulus.iter_mut().for_each(Vec::clear);
        let size = scene.frame.size();
        let widened = |margin_px: f64| {
            let (long, short) = shape.axes();
            // Widen both axes by about the margin.
            let grow = (WINDOW_SIGMA * short.sqrt() + margin_px) / (WINDOW_SIGMA * short.sqrt());
            let along = (WINDOW_SIGMA * long.sqrt() + margin_px) / (WINDOW_SIGMA * long.sqrt());
            stretch(shape, along, grow).scaled(WINDOW_SIGMA * WINDOW_SIGMA, 0.0)
        };
        let inside = widened(0.7 + 1.5 * extent_px).inverse();
        let gap = widened(ANNULUS_PX.0 + 1.5 * extent_px).inverse();
        let outer = widened(ANNULUS_PX.1 + 1.5 * extent_px);
        let (outside, reach) = (outer.inverse(), outer.reach(1.0));
        let background = scene.background_at(center);
        let range = |middle: f64, reach: f64, len: usize| {
            let first = (middle - reach).ceil().clamp(0.0, len as f64) as usize;
            let last = (middle + reach).floor().clamp(-1.0, len as f64 - 1.0) + 1.0;
            first..last as usize
        };
        let columns = range(center.x, reach.x, size.width);
        for y in range(center.y, reach.y, size.height) {
            let row = Row::new(scene, y);
            for x in columns.clone() {
                let (dx, dy) = (x as f64 - center.x, y as f64 - center.y);
                if outside.form(dx, dy) > 1.0 || row.saturated[x] || row.is_foreign(x, owner) {
                    continue;
                }
                let (channel, value) = row.sample(x);
                let value = value - background.level[channel];
                if inside.form(dx, dy) <= 1.0 {
                    let variance = background.variance[channel];
                    self.window.colors[channel].push(Sample { x: dx as f32, y: dy as f32, value, variance });
                } else if gap.form(dx, dy) > 1.0 {
                    self.annulus[channel].push(value);
                }
            }
        }
        self.subtract_local_sky(&background);
    }

    /// What the mesh does not know of the sky around the star: subtracted as far as it is more than noise.
    fn subtract_local_sky(&mut self, background: &Local) {
        for (channel, annulus) in self.annulus.iter_mut().enumerate() {
            let n = annulus.len() as f32;
            let Some(level) = median(annulus) else { continue };
            annulus.iter_mut().for_each(|value| *value = (*value - level).abs());
            let scatter = (SIGMA_PER_MAD * median(annulus).unwrap_or(0.0)).powi(2);
            // The median of n values has π / 2 times the variance of their mean.
            let doubt = 1.57 * background.variance[channel] / n;
            let believed = level * level * level / (level * level + 4.0 * doubt);
            let noisy = scatter > 2.0 * background.variance[channel] && n >= 12.0;
            for sample in &mut self.window.colors[channel] {
                sample.value -= believed;
                if noisy {
                    sample.variance = scatter;
                }
            }
        }
    }
}

/// The shape with its axes stretched.
fn stretch(shape: Shape, along: f64, across: f64) -> Shape {
    let (long, short) = shape.axes();
    let (sin, cos) = shape.angle_rad().sin_cos();
    let (long, short) = (long * along * along, short * across * across);
    Shape {
        xx: long * cos * cos + short * sin * sin,
        xy: (long - short) * sin * cos,
        yy: long * sin * sin + short * cos * cos,
    }
}

struct Local {
    level: [f32; 3],
    variance: [f32; 3],
}

impl Scene<'_> {
    fn background_at(&self, place: Point) -> Local {
        let level = self.sky.level.each_ref().map(|mesh| mesh.at(place));
        match self.frame.layout {
            Layout::Mosaic(_) => {
                Local { level, variance: self.sky.sigma.each_ref().map(|mesh| mesh.at(place).powi(2)) }
            }
            Layout::Rgb => {
                let luminance = 0.25 * (level[0] + 2.0 * level[1] + level[2]);
                Local { level: [luminance; 3], variance: [self.sky.luminance_sigma.at(place).powi(2); 3] }
            }
        }
    }

    /// Share of each fitted amplitude in the luminance.
    fn luminance_weights(&self) -> [f64; 3] {
        match self.frame.layout {
            Layout::Mosaic(_) => LUMINANCE,
            Layout::Rgb => [1.0, 0.0, 0.0],
        }
    }
}

/// One row of the frame, and who owns its pixels.
struct Row<'a> {
    planes: [&'a [f32]; 3],
    /// Colours of the even and the odd columns of a mosaic; `None` in an RGB frame.
    colors: Option<[usize; 2]>,
    saturated: &'a [bool],
    owners: &'a [u16],
}

impl<'a> Row<'a> {
    fn new(scene: &Scene<'a>, y: usize) -> Self {
        let frame = scene.frame;
        let last = frame.planes.len() - 1;
        let colors = match frame.layout {
            Layout::Mosaic(cfa) => Some(cfa.0[y % 2].map(|color| color as usize)),
            Layout::Rgb => None,
        };
        let owners = if y / 2 < scene.owners.height() { scene.owners.row(y / 2) } else { &[] };
        let planes = [0, 1, 2].map(|channel: usize| frame.planes[channel.min(last)].row(y));
        Self { planes, colors, saturated: frame.saturated.0.row(y), owners }
    }

    /// Colour and value of a sample; the luminance, as colour 0, of an RGB frame.
    fn sample(&self, x: usize) -> (usize, f32) {
        let [red, green, blue] = self.planes;
        match self.colors {
            Some(colors) => (colors[x % 2], red[x]),
            None => (0, 0.25 * (red[x] + 2.0 * green[x] + blue[x])),
        }
    }

    /// Whether a sample belongs to another peak.
    fn is_foreign(&self, x: usize, owner: u16) -> bool {
        self.owners.get(x / 2).is_some_and(|&other| other != 0 && other != owner)
    }
}

struct Core {
    center: Point,
    radius_px: f64,
}

/// The saturated pixels connected to the peak, if there are any.
fn saturated_core(scene: &Scene, peak: &Peak) -> Option<Core> {
    let mask = &scene.frame.saturated;
    let size = mask.size();
    let (px, py) = (peak.place.x.round() as usize, peak.place.y.round() as usize);
    let mut pixels: Vec<(usize, usize)> = Vec::new();
    for y in py.saturating_sub(2)..(py + 3).min(size.height) {
        for x in px.saturating_sub(2)..(px + 3).min(size.width) {
            if mask.contains(x, y) {
                pixels.push((x, y));
            }
        }
    }
    let mut next = 0;
    // In a mosaic a colour that is not saturated lies between those that are: neighbours at two steps count.
    while next < pixels.len() && pixels.len() < 2000 {
        let (cx, cy) = pixels[next];
        next += 1;
        for y in cy.saturating_sub(2)..(cy + 3).min(size.height) {
            for x in cx.saturating_sub(2)..(cx + 3).min(size.width) {
                if mask.contains(x, y) && !pixels.contains(&(x, y)) {
                    pixels.push((x, y));
                }
            }
        }
    }
    if pixels.is_empty() {
        return None;
    }
    let n = pixels.len() as f64;
    let x = pixels.iter().map(|pixel| pixel.0 as f64).sum::<f64>() / n;
    let y = pixels.iter().map(|pixel| pixel.1 as f64).sum::<f64>() / n;
    let radius_px = pixels.iter().map(|pixel| (pixel.0 as f64 - x).hypot(pixel.1 as f64 - y)).fold(0.5, f64::max);
    Some(Core { center: Point { x, y }, radius_px })
}

/// Whether the fit stayed with the peak it began at.
fn is_near(fit: &Fit, shape: Shape, extent_px: f64) -> bool {
    fit.x.hypot(fit.y) < 1.5 * shape.axes().0.sqrt() + 1.0 + 0.5 * extent_px
}

fn is_star_shaped(fit: &Fit) -> bool {
    let (least, largest) = fit.curvature;
    1.0 / least < MAX_LONG_VARIANCE && 1.0 / largest < MAX_SHORT_VARIANCE && 1.0 / least > MIN_VARIANCE
}

fn is_positive(fit: &Fit) -> bool {
    fit.amplitudes.iter().sum::<f64>() > 0.0
}

fn star(scene: &Scene, fit: &Fit, center: Point, core: Option<&Core>) -> Star {
    let centroid = Point { x: center.x + fit.x, y: center.y + fit.y };
    let weights = scene.luminance_weights();
    let amplitude: f64 = (0..3).map(|channel| weights[channel] * fit.amplitudes[channel]).sum();
    let variance: f64 = (0..3)
        .filter(|&channel| fit.amplitude_information[channel] > 0.0)
        .map(|channel| weights[channel].powi(2) / fit.amplitude_information[channel])
        .sum();
    let [variance_x, variance_y] = fit.position_variance;
    Star {
        centroid,
        centroid_sigma_px: (0.5 * (variance_x + variance_y)).sqrt(),
        flux: std::f64::consts::TAU * amplitude * fit.shape.determinant().max(0.0).sqrt(),
        snr: amplitude / variance.sqrt(),
        peak: brightest_block(scene, centroid),
        fwhm_px: fit.shape.fwhm_px() as f32,
        elongation: fit.shape.elongation() as f32,
        angle_rad: fit.shape.angle_rad() as f32,
        saturated: core.is_some(),
    }
}

/// A star of which nothing but saturated pixels is left to measure.
fn core_alone(scene: &Scene, core: &Core) -> Star {
    let peak = brightest_block(scene, core.center);
    let flux = f64::from(peak) * std::f64::consts::PI * core.radius_px.powi(2);
    Star {
        centroid: core.center,
        centroid_sigma_px: 0.25 * core.radius_px.max(1.0),
        flux,
        snr: flux / (f64::from(scene.sky.luminance_sigma.at(core.center)) * core.radius_px.max(1.0)),
        peak,
        fwhm_px: (2.0 * core.radius_px) as f32,
        elongation: 1.0,
        angle_rad: 0.0,
        saturated: true,
    }
}

/// The brightest 2 × 2 block around a place, over the sky: one luminance sample, whatever the phase.
fn brightest_block(scene: &Scene, place: Point) -> f32 {
    let size = scene.frame.size();
    let clamp = |value: f64, len: usize| (value.round().max(2.0) as usize).min(len.saturating_sub(4));
    let (cx, cy) = (clamp(place.x, size.width), clamp(place.y, size.height));
    let background = scene.background_at(place).level;
    let value = |x: usize, y: usize| {
        let (channel, value) = Row::new(scene, y.min(size.height - 1)).sample(x.min(size.width - 1));
        value - background[channel]
    };
    let mut brightest = 0.0f32;
    for y in cy.saturating_sub(2)..=cy + 1 {
        for x in cx.saturating_sub(2)..=cx + 1 {
            let block = match scene.frame.layout {
                Layout::Mosaic(_) => 0.25 * (value(x, y) + value(x + 1, y) + value(x, y + 1) + value(x + 1, y + 1)),
                Layout::Rgb => value(x, y),
            };
            brightest = brightest.max(block);
        }
    }
    brightest
}
