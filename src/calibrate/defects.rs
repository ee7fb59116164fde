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
use crate::pixels::{CalibratedFrame, Layout, Plane, Rect, Size};
use rayon::prelude::*;
use std::ops::Range;

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
/// How far from a defect its repair looks: three times the distance of neighbours of one color.
const REPAIR_REACH_PX: usize = 6;
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
            for pixel in self.rows_of(plane, 0..samples.height()) {
                let (x, y) = (pixel.x as usize, pixel.y as usize);
                let is_good = |x: usize, y: usize| self.is_good(pixel.plane, x, y);
                if let Some(value) = repaired(samples, self.layout, (x, y), is_good) {
                    samples.set(x, y, value);
                }
            }
        }
        if let Layout::Mosaic(_) = self.layout {
            for pixel in &self.pixels {
                frame.saturated.0.set(pixel.x as usize, pixel.y as usize, false);
            }
        }
    }

    /// Repairs a part of one plane, read on its own: `rect` of the frame, row by row. Defects near its border
    /// are given what `around` reads there, so that the value does not depend on how a frame is cut.
    pub fn repair_part<E>(
        &self,
        plane: usize,
        rect: Rect,
        frame: Size,
        samples: &mut [f32],
        mut around: impl FnMut(Rect) -> Result<Vec<f32>, E>,
    ) -> Result<(), E> {
        for pixel in self.rows_of(plane, rect.y..rect.y + rect.size.height) {
            let (x, y) = (pixel.x as usize, pixel.y as usize);
            if !(rect.x..rect.x + rect.size.width).contains(&x) {
                continue;
            }
            let patch = surrounding_patch(x, y, frame);
            let band = Plane::from_vec(patch.size, around(patch)?).expect("a patch has one sample a pixel");
            let is_good = |x: usize, y: usize| self.is_good(pixel.plane, x + patch.x, y + patch.y);
            let layout = self.layout;
            if let Some(value) = repaired(&band, layout, (x - patch.x, y - patch.y), is_good) {
                samples[(y - rect.y) * rect.size.width + x - rect.x] = value;
            }
        }
        Ok(())
    }

    fn rows_of(&self, plane: usize, rows: Range<usize>) -> &[DefectPixel] {
        let place = |pixel: &DefectPixel| (usize::from(pixel.plane), pixel.y as usize);
        let from = self.pixels.partition_point(|pixel| place(pixel) < (plane, rows.start));
        let to = self.pixels.partition_point(|pixel| place(pixel) < (plane, rows.end));
        &self.pixels[from..to]
    }

    fn is_good(&self, plane: u8, x: usize, y: usize) -> bool {
        self.pixels.binary_search(&DefectPixel { plane, y: y as u32, x: x as u32 }).is_err()
    }
}

/// The part of the frame that the repair of a pixel looks at; its origin keeps the phase of the mosaic.
fn surrounding_patch(x: usize, y: usize, frame: Size) -> Rect {
    let along = |at: usize, len: usize| (at.saturating_sub(REPAIR_REACH_PX) & !1, (at + REPAIR_REACH_PX + 1).min(len));
    let ((left, right), (top, bottom)) = (along(x, frame.width), along(y, frame.height));
    Rect { x: left, y: top, size: Size { width: right - left, height: bottom - top } }
}

/// Collects suspects over the frames of a burst; memory grows with the defects, not with the frames.
#[derive(Clone, Debug, Default)]
pub struct DefectFinder {
    frame: Option<(Layout, Size)>,
    n_frames: u32,
    /// Sorted by pixel.
    seen: Vec<Seen>,
}

/// The pixels of one frame that stand out.
#[derive(Clone, Debug)]
pub struct Suspects {
    frame: (Layout, Size),
    found: Vec<Seen>,
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
    /// The pixels of one frame that stand out, to be added later; frames may be looked at side by side.
    #[must_use]
    pub fn suspects(frame: &CalibratedFrame, noise: &NoiseModel) -> Suspects {
        let mut found = Vec::new();
        for (plane, samples) in (0..).zip(&frame.planes) {
            found.extend(plane_suspects(samples, noise).into_iter().map(|suspect| Seen {
                pixel: DefectPixel { plane, y: suspect.y, x: suspect.x },
                is_bright: suspect.excess > 0.0,
                n: 1,
                excess: suspect.excess.abs(),
                spread: suspect.spread * suspect.excess.signum(),
                sigma: suspect.sigma,
            }));
        }
        Suspects { frame: (frame.layout, frame.size()), found }
    }

    /// Takes in one frame of the burst; panics where size or layout differ from the first.
    pub fn add(&mut self, suspects: &Suspects) {
        let first = *self.frame.get_or_insert(suspects.frame);
        assert_eq!(first, suspects.frame, "frames of one burst have one layout and size");
        self.n_frames += 1;
        self.seen = merged(&self.seen, &suspects.found);
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::masters::Setup;
    use crate::calibrate::scene::{Light, add_noise, shine, sky};
    use crate::pixels::{Cfa, Point};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    const NOISE: NoiseModel = NoiseModel { read_variance: 1e-6, photon_variance_per_unit: 2e-5 };
    const SIZE: Size = Size { width: 400, height: 300 };
    const MOSAIC: Layout = Layout::Mosaic(Cfa::RGGB);

    /// Hot pixels from 6 to 600 sigma, dead ones, one beside another of its color, and two on the rim.
    fn defects() -> Vec<(usize, usize, f32)> {
        let sigma = NOISE.sigma(0.02);
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let mut all: Vec<(usize, usize, f32)> = (0..60_u32)
            .map(|k| {
                let place = (10 + 38 * (k as usize % 10), 12 + 46 * (k as usize / 10) + random.random_range(0..3));
                (place.0, place.1, sigma * 6.5 * 10_f32.powf(2.0 * k as f32 / 59.0))
            })
            .collect();
        all.extend([(30, 130, 0.3), (32, 130, 0.2), (0, 77, 0.1), (399, 299, 0.1)]);
        all
    }

    /// Frame `k` of a burst: stars that move 2.7 px a frame, lights that do not, defects that stay.
    fn frame(k: usize) -> CalibratedFrame {
        let mut frame = sky(MOSAIC, SIZE, 0.01, 0.03);
        let mut random = ChaCha8Rng::seed_from_u64(11);
        for _ in 0..500 {
            let start = Point { x: random.random_range(0.0..400.0), y: random.random_range(0.0..300.0) };
            let peak = 0.004 * 100_f32.powf(random.random::<f32>());
            let center = Point { x: start.x + 2.7 * k as f64, y: start.y + 0.4 * k as f64 };
            shine(&mut frame, Cfa::RGGB, &Light { center, peak: [peak; 3], fwhm_px: 2.0 });
        }
        for light in lamps() {
            shine(&mut frame, Cfa::RGGB, &light);
        }
        add_noise(&mut frame, &NOISE, 100 + k as u64);
        for (x, y, excess) in defects() {
            let value = frame.planes[0].at(x, y) + excess;
            frame.planes[0].set(x, y, value);
        }
        frame
    }

    /// Sharp lamps in windows far away: white, and red of which a tenth passes the other filters.
    fn lamps() -> Vec<Light> {
        (0..40)
            .map(|k| {
                let center = Point { x: 29.0 + 9.25 * f64::from(k), y: 288.0 + 0.25 * f64::from(k % 4) };
                let peak = if k % 2 == 0 { [0.3; 3] } else { [0.3, 0.03, 0.03] };
                Light { center, peak, fwhm_px: 2.0 }
            })
            .collect()
    }

    fn found(n_frames: usize) -> Defects {
        let mut finder = DefectFinder::default();
        (0..n_frames).for_each(|k| finder.add(&DefectFinder::suspects(&frame(k), &NOISE)));
        finder.finish()
    }

    #[test]
    fn the_defects_of_a_burst_are_found_and_its_stars_and_lamps_are_not() {
        let found = found(10);
        let is_true =
            |pixel: &DefectPixel| defects().iter().any(|&(x, y, _)| (x, y) == (pixel.x as usize, pixel.y as usize));
        let false_ones: Vec<_> = found.pixels().iter().filter(|pixel| !is_true(pixel)).collect();
        assert!(false_ones.is_empty(), "light taken for defects: {false_ones:?}");
        let n_true = defects().len();
        // The faintest, of 6.5 to 8 sigma, may hide under passing stars in too many frames.
        assert!(found.count() >= n_true - 3, "{} of {n_true} found", found.count());
        for (x, y, excess) in defects().into_iter().filter(|&(_, _, excess)| excess > 8.0 * NOISE.sigma(0.02)) {
            let pixel = DefectPixel { plane: 0, y: y as u32, x: x as u32 };
            assert!(found.pixels().contains(&pixel), "({x}, {y}) of excess {excess} was missed");
        }
    }

    #[test]
    fn two_frames_cannot_tell_a_defect_from_a_star() {
        assert_eq!(found(2).count(), 0, "no decision");
    }

    #[test]
    fn a_dead_pixel_in_a_bright_sky_is_found() {
        let mut finder = DefectFinder::default();
        for k in 0..4 {
            let mut frame = sky(MOSAIC, SIZE, 0.1, 0.2);
            add_noise(&mut frame, &NOISE, k);
            frame.planes[0].set(200, 150, 0.0);
            finder.add(&DefectFinder::suspects(&frame, &NOISE));
        }
        assert_eq!(finder.finish().pixels(), &[DefectPixel { plane: 0, y: 150, x: 200 }], "it alone");
    }

    #[test]
    fn a_repaired_pixel_has_the_level_of_its_good_neighbours() {
        let defects = Defects::from_pixels(
            MOSAIC,
            [(30, 130), (32, 130), (31, 129), (0, 0)].map(|(x, y)| DefectPixel { plane: 0, y, x }).to_vec(),
        );
        // Each color has its own level, each defect 1.0.
        let mut frame = sky(MOSAIC, SIZE, 0.0, 0.0);
        let level = |x: usize, y: usize| 0.1 + 0.2 * Cfa::RGGB.color_at(x, y) as usize as f32;
        frame.planes[0] = Plane::from_fn(SIZE, level);
        let whole = frame.clone();
        for pixel in defects.pixels() {
            frame.planes[0].set(pixel.x as usize, pixel.y as usize, 1.0);
            frame.saturated.0.set(pixel.x as usize, pixel.y as usize, true);
        }
        // Cut so that a defect lies in each corner.
        let rect = Rect { x: 30, y: 129, size: Size { width: 3, height: 2 } };
        let mut part = frame.planes[0].crop(rect).into_samples();
        let broken = frame.planes[0].clone();
        let around = |patch| Ok::<_, std::convert::Infallible>(broken.crop(patch).into_samples());
        defects.repair_part(0, rect, SIZE, &mut part, around).expect("a plane in memory");
        assert_eq!(part, whole.planes[0].crop(rect).into_samples(), "a small part");
        defects.repair(&mut frame);
        assert_eq!(frame, whole, "the frame, and no sample is saturated any more");
    }

    #[test]
    fn a_dark_shows_the_pixels_that_subtraction_cannot_mend() {
        let mut dark = sky(MOSAIC, SIZE, 0.0, 0.0);
        // Shot noise of three times the read noise comes with 3e-6 / 2e-5 = 0.15.
        for (x, excess) in [(100, 0.12), (200, 0.2), (300, 0.6)] {
            dark.planes[0].set(x, 50, excess);
        }
        let setup = Setup { layout: MOSAIC, size: SIZE, camera: None, iso: None, exposure_secs: None };
        let defects = Defects::from_dark(&Master { planes: dark.planes, setup, n_frames: 20 }, &NOISE);
        let columns: Vec<u32> = defects.pixels().iter().map(|pixel| pixel.x).collect();
        assert_eq!(columns, [200, 300], "0.12 is subtracted and left at that");
    }
}
