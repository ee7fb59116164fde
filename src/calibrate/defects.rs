//! Hot and dead pixels, found from the burst itself or from a master dark, and their repair.
//!
//! A defect stands out from its neighbours of the same colour in most frames, while the stars that stand
//! out move on. A sharp light in the landscape stands out in all frames too; but its light passes through
//! a lens and reaches the pixels around, of every colour, and a defect's does not (common practice, no
//! source). So of each suspect the excess over the same colour two pixels away is added up over the frames,
//! and so is the excess of the four pixels beside it and of its four neighbours of the same colour.

use crate::calibrate::masters::Master;
use crate::calibrate::neighbours::{repaired, row_suspects, surroundings};
use crate::calibrate::noise::NoiseModel;
use crate::pixels::{CalibratedFrame, Layout, Plane, Size};
use rayon::prelude::*;

/// A suspect differs this much from its second most similar neighbour: some thousand in 24 megapixels of noise.
const SUSPECT_SIGMA: f32 = 4.0;
/// A defect is a suspect in at least this share of the frames.
const MIN_SHARE: f32 = 0.6;
/// With fewer frames a star that has not moved could pass for a defect.
const MIN_FRAMES: usize = 3;
/// Light around a defect, relative to its own excess: a point of white light in a sharp lens (FWHM 2 px) has
/// 2.2, one of pure red light, of which a tenth passes the other filters, 0.45.
const MAX_SPREAD: f32 = 0.35;
/// The mean excess over all frames, in standard deviations of one frame: less is lost in the noise.
const MIN_EXCESS_SIGMA: f32 = 4.0;
/// A suspect that was seen in less than one of this many frames is forgotten.
const FORGET_BELOW: u32 = 4;
/// Frames before any is forgotten.
const REMEMBER_FRAMES: u32 = 6;
/// Rows that one task works on.
const ROWS_PER_TASK: usize = 64;
/// In a master dark: dark signal whose own shot noise is this many times the read noise (in variance).
const MAX_DARK_VARIANCE: f32 = 3.0;
/// In a master dark: signal that leaves too little room below the white level.
const MAX_DARK_LEVEL: f32 = 0.5;
/// In a master dark: below its neighbours by this many standard deviations of one frame.
const DEAD_SIGMA: f32 = 8.0;

/// Pixels whose value is not that of the light.
#[derive(Clone, Debug, PartialEq)]
pub struct Defects {
    layout: Layout,
    /// Sorted by plane, row, column; no pixel twice.
    pixels: Vec<DefectPixel>,
}

/// One of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DefectPixel {
    /// Plane of the frame.
    pub plane: u8,
    /// Row.
    pub y: u32,
    /// Column.
    pub x: u32,
}

impl Defects {
    /// No defects.
    #[must_use]
    pub fn none(layout: Layout) -> Self {
        Self { layout, pixels: Vec::new() }
    }

    /// These defects, in any order.
    #[must_use]
    pub fn from_pixels(layout: Layout, mut pixels: Vec<DefectPixel>) -> Self {
        pixels.sort_unstable();
        pixels.dedup();
        Self { layout, pixels }
    }

    /// Pixels of a master dark that its subtraction cannot mend: too noisy, too bright, or dead.
    #[must_use]
    pub fn from_dark(dark: &Master, noise: &NoiseModel) -> Self {
        let layout = dark.setup.layout;
        let max_dark = MAX_DARK_VARIANCE * noise.read_variance / noise.photon_variance_per_unit.max(f32::MIN_POSITIVE);
        let max_dark = max_dark.max(DEAD_SIGMA * noise.read_variance.sqrt());
        let mut pixels = Vec::new();
        for (plane, samples) in (0..).zip(&dark.planes) {
            let suspects = plane_suspects(samples, noise);
            let bad = suspects.into_iter().filter(|suspect| {
                let level = samples.at(suspect.x as usize, suspect.y as usize);
                suspect.excess > max_dark || suspect.excess < -DEAD_SIGMA * noise.sigma(0.0) || level > MAX_DARK_LEVEL
            });
            pixels.extend(bad.map(|suspect| DefectPixel { plane, y: suspect.y, x: suspect.x }));
        }
        Self::from_pixels(layout, pixels)
    }

    /// Defects of either; panics where layouts differ.
    #[must_use]
    pub fn union(mut self, other: Self) -> Self {
        assert_eq!(self.layout, other.layout, "defects of one camera have one layout");
        self.pixels.extend(other.pixels);
        Self::from_pixels(self.layout, self.pixels)
    }

    /// How many there are.
    #[must_use]
    pub fn count(&self) -> usize {
        self.pixels.len()
    }

    /// All of them, sorted by plane, row, column.
    #[must_use]
    pub fn pixels(&self) -> &[DefectPixel] {
        &self.pixels
    }

    /// Gives each defect the median of its nearest neighbours of the same colour that are none.
    pub fn repair(&self, frame: &mut CalibratedFrame) {
        for (plane, samples) in frame.planes.iter_mut().enumerate() {
            self.repair_rows(plane, 0, samples);
        }
        if let Layout::Mosaic(_) = self.layout {
            for pixel in &self.pixels {
                frame.saturated.0.set(pixel.x as usize, pixel.y as usize, false);
            }
        }
    }

    /// Repairs the rows from `first_row` on of one plane; neighbours outside the band take no part.
    pub fn repair_rows(&self, plane: usize, first_row: usize, band: &mut Plane<f32>) {
        let place = |pixel: &DefectPixel| (usize::from(pixel.plane), pixel.y as usize);
        let from = self.pixels.partition_point(|pixel| place(pixel) < (plane, first_row));
        let to = self.pixels.partition_point(|pixel| place(pixel) < (plane, first_row + band.height()));
        for pixel in &self.pixels[from..to] {
            let (x, y) = (pixel.x as usize, pixel.y as usize - first_row);
            let is_good = |x: usize, y: usize| {
                let neighbour = DefectPixel { plane: pixel.plane, y: (y + first_row) as u32, x: x as u32 };
                self.pixels.binary_search(&neighbour).is_err()
            };
            if let Some(value) = repaired(band, self.layout, (x, y), first_row, is_good) {
                band.set(x, y, value);
            }
        }
    }
}

/// Collects suspects over the frames of a burst; memory grows with the defects, not with the frames.
#[derive(Clone, Debug)]
pub struct DefectFinder {
    noise: NoiseModel,
    frame: Option<(Layout, Size)>,
    n_frames: u32,
    /// Sorted by pixel.
    seen: Vec<Seen>,
}

/// What is known of a suspect.
#[derive(Clone, Copy, Debug)]
struct Seen {
    pixel: DefectPixel,
    is_bright: bool,
    n: u32,
    /// Sums over the frames in which it was one.
    excess: f32,
    spread: f32,
    sigma: f32,
}

/// A pixel that stands out in one frame.
#[derive(Clone, Copy, Debug)]
pub(super) struct Suspect {
    pub(super) y: u32,
    pub(super) x: u32,
    /// Over the median of its neighbours of the same colour.
    pub(super) excess: f32,
    /// Sum of the excess of the eight pixels that light would reach.
    pub(super) spread: f32,
    /// Standard deviation of a sample at the level of the neighbours.
    pub(super) sigma: f32,
}

impl DefectFinder {
    /// A finder for frames with this noise.
    #[must_use]
    pub fn new(noise: NoiseModel) -> Self {
        Self { noise, frame: None, n_frames: 0, seen: Vec::new() }
    }

    /// Takes in one frame of the burst; panics where size or layout differ from the first.
    pub fn add(&mut self, frame: &CalibratedFrame) {
        let first = *self.frame.get_or_insert((frame.layout, frame.size()));
        assert_eq!(first, (frame.layout, frame.size()), "frames of one burst have one layout and size");
        let mut found = Vec::new();
        for (plane, samples) in (0..).zip(&frame.planes) {
            found.extend(plane_suspects(samples, &self.noise).into_iter().map(|suspect| Seen {
                pixel: DefectPixel { plane, y: suspect.y, x: suspect.x },
                is_bright: suspect.excess > 0.0,
                n: 1,
                excess: suspect.excess.abs(),
                spread: suspect.spread * suspect.excess.signum(),
                sigma: suspect.sigma,
            }));
        }
        self.n_frames += 1;
        self.seen = merged(&self.seen, &found);
        if self.n_frames >= REMEMBER_FRAMES {
            let n_frames = self.n_frames;
            self.seen.retain(|seen| seen.n * FORGET_BELOW >= n_frames);
        }
    }

    /// The defects; none from fewer than three frames, which cannot tell them from stars.
    #[must_use]
    pub fn finish(&self) -> Defects {
        let Some((layout, _)) = self.frame else { return Defects::none(Layout::Rgb) };
        if (self.n_frames as usize) < MIN_FRAMES {
            return Defects::none(layout);
        }
        let needed = (MIN_SHARE * self.n_frames as f32).ceil() as u32;
        let is_defect = |seen: &&Seen| {
            seen.n >= needed && seen.spread <= MAX_SPREAD * seen.excess && seen.excess >= MIN_EXCESS_SIGMA * seen.sigma
        };
        Defects::from_pixels(layout, self.seen.iter().filter(is_defect).map(|seen| seen.pixel).collect())
    }
}

/// Both sorted lists as one; a pixel that changed sides begins again.
fn merged(old: &[Seen], new: &[Seen]) -> Vec<Seen> {
    let mut all = Vec::with_capacity(old.len() + new.len());
    let (mut old, mut new) = (old.iter().peekable(), new.iter().peekable());
    loop {
        match (old.peek(), new.peek()) {
            (Some(a), Some(b)) if a.pixel == b.pixel => {
                let sum = Seen {
                    n: a.n + b.n,
                    excess: a.excess + b.excess,
                    spread: a.spread + b.spread,
                    sigma: a.sigma + b.sigma,
                    ..**a
                };
                all.push(if a.is_bright == b.is_bright { sum } else { **b });
                old.next();
                new.next();
            }
            (Some(a), Some(b)) if a.pixel > b.pixel => all.extend(new.next().copied()),
            (Some(_), _) => all.extend(old.next().copied()),
            (None, Some(_)) => all.extend(new.next().copied()),
            (None, None) => return all,
        }
    }
}

/// The suspects of one plane, row by row.
fn plane_suspects(plane: &Plane<f32>, noise: &NoiseModel) -> Vec<Suspect> {
    let height = plane.height();
    let tasks: Vec<usize> = (0..height).step_by(ROWS_PER_TASK).collect();
    let found = tasks.par_iter().map(|&first| {
        let mut found = Vec::new();
        let mut columns = Vec::new();
        for y in first..(first + ROWS_PER_TASK).min(height) {
            columns.clear();
            row_suspects(plane, y, noise, SUSPECT_SIGMA, &mut columns);
            found.extend(columns.iter().filter_map(|&x| {
                let (level, excess, spread) = surroundings(plane, x, y)?;
                let sigma = noise.sigma(level);
                (excess.abs() > SUSPECT_SIGMA * sigma).then_some(Suspect {
                    y: y as u32,
                    x: x as u32,
                    excess,
                    spread,
                    sigma,
                })
            }));
        }
        found
    });
    found.collect::<Vec<_>>().concat()
}
