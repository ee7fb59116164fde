//! Finds hot and dead pixels in the burst itself, or in a master dark.
//!
//! A defect stands out from its neighbours of the same colour in most frames, while the stars that stand
//! out move on. A sharp light in the landscape stands out in all frames too; but its light passes through
//! a lens and reaches the pixels around, of every colour, and a defect's does not (common practice, no
//! source). So in each frame the excess of a suspect over its colour two pixels away is compared with the
//! excess of the four pixels beside it and of its four neighbours of the same colour. One of these eight may
//! be a defect itself, and a star may pass in some frames: the greatest is left out, and most frames decide.
//! Beside a faint defect the noise of the eight hides in every second frame that they have no part in it: then the
//! mean over the frames decides, in which no star beside the defect counts for more than its frame.

use rayon::prelude::*;

use crate::calibrate::defects::{DefectPixel, Defects};
use crate::calibrate::masters::Master;
use crate::calibrate::neighbours::{Surroundings, row_suspects, surroundings};
use crate::calibrate::noise::NoiseModel;
use crate::pixels::{CalibratedFrame, Layout, Plane, Size};

/// A suspect differs this much from its second most similar neighbour: some thousand in 24 megapixels of noise.
const SUSPECT_SIGMA: f32 = 4.0;
/// A defect is a suspect in at least this share of the frames.
const MIN_SHARE: f32 = 0.6;
/// With fewer frames a star that has not moved could pass for a defect.
const MIN_FRAMES: usize = 3;
/// Light around a defect, relative to its own excess: seven of the eight pixels around a point of white light in
/// a sharp lens (FWHM 2 px) have 1.75, of pure red light, of which a tenth passes the other filters, 0.39.
const MAX_SPREAD: f32 = 0.3;
/// The same for the mean over all frames, which is farther from the red light and has less noise.
const MAX_MEAN_SPREAD: f32 = 0.2;
/// What the sum of eight normal deviates loses without the greatest of them, on average.
const GREATEST_OF_EIGHT: f32 = 1.4236;
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
    sigma: f32,
    /// Light around it, in each frame no more and no less than its excess.
    spread: f32,
    /// Frames in which it was alone.
    n_alone: u32,
}

impl Seen {
    /// Whether the light stays in the one pixel.
    fn is_alone(&self) -> bool {
        2 * self.n_alone > self.n || self.spread <= MAX_MEAN_SPREAD * self.excess
    }
}

/// A pixel that stands out in one frame.
#[derive(Clone, Copy, Debug)]
struct Suspect {
    y: u32,
    x: u32,
    /// Over the median of its neighbours of the same colour.
    excess: f32,
    /// How much more the pixels around have, in its own direction.
    spread: f32,
    /// Standard deviation of a sample at the level of the neighbours.
    sigma: f32,
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
                sigma: suspect.sigma,
                spread: suspect.spread.clamp(-suspect.excess.abs(), suspect.excess.abs()),
                n_alone: u32::from(suspect.spread <= MAX_SPREAD * suspect.excess.abs()),
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
        let is_defect =
            |seen: &&Seen| seen.n >= needed && seen.is_alone() && seen.excess >= MIN_EXCESS_SIGMA * seen.sigma;
        Defects::from_pixels(layout, self.seen.iter().filter(is_defect).map(|seen| seen.pixel).collect())
    }
}

impl Defects {
    /// Pixels of a master dark that its subtraction cannot mend: too noisy, too bright, or dead.
    ///
    /// `scale` is what the dark is multiplied by for the lights.
    #[must_use]
    pub fn from_dark(dark: &Master, scale: f32, noise: &NoiseModel) -> Self {
        let layout = dark.setup.layout;
        let max_dark = MAX_DARK_VARIANCE * noise.read_variance / noise.photon_variance_per_unit.max(f32::MIN_POSITIVE);
        let max_dark = max_dark.max(DEAD_SIGMA * noise.read_variance.sqrt());
        let mut pixels = Vec::new();
        for (plane, samples) in (0..).zip(&dark.planes) {
            let suspects = plane_suspects(samples, noise);
            let bad = suspects.into_iter().filter(|suspect| {
                let level = scale * samples.at(suspect.x as usize, suspect.y as usize);
                scale * suspect.excess > max_dark
                    || suspect.excess < -DEAD_SIGMA * noise.sigma(0.0)
                    || level > MAX_DARK_LEVEL
            });
            pixels.extend(bad.map(|suspect| DefectPixel { plane, y: suspect.y, x: suspect.x }));
        }
        Self::from_pixels(layout, pixels)
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
                    sigma: a.sigma + b.sigma,
                    spread: a.spread + b.spread,
                    n_alone: a.n_alone + b.n_alone,
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
            found.extend(columns.iter().filter_map(|&x| suspect_at(plane, x, y, noise)));
        }
        found
    });
    found.collect::<Vec<_>>().concat()
}

/// The pixel as a suspect, unless all its neighbours together take the suspicion away.
fn suspect_at(plane: &Plane<f32>, x: usize, y: usize, noise: &NoiseModel) -> Option<Suspect> {
    let Surroundings { level, excess, around } = surroundings(plane, x, y)?;
    let sigma = noise.sigma(level);
    if excess.abs() <= SUSPECT_SIGMA * sigma {
        return None;
    }
    let toward = around.map(|around| around * excess.signum());
    let greatest = toward.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let spread = toward.iter().sum::<f32>() - greatest + GREATEST_OF_EIGHT * sigma;
    Some(Suspect { y: y as u32, x: x as u32, excess, spread, sigma })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::agreement::Setup;
    use crate::calibrate::scene::{Light, add_noise, shine, sky};
    use crate::pixels::{Cfa, Point};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    const NOISE: NoiseModel = NoiseModel { read_variance: 1e-6, photon_variance_per_unit: 2e-5 };
    const SIZE: Size = Size { width: 400, height: 300 };
    const MOSAIC: Layout = Layout::Mosaic(Cfa::RGGB);

    /// Hot pixels from 6 to 600 sigma, dead ones, one beside another of its color, and four on the rim.
    fn defects() -> Vec<(usize, usize, f32)> {
        let sigma = NOISE.sigma(0.02);
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let mut all: Vec<(usize, usize, f32)> = (0..60_u32)
            .map(|k| {
                let place = (10 + 38 * (k as usize % 10), 12 + 46 * (k as usize / 10) + random.random_range(0..3));
                (place.0, place.1, sigma * 6.5 * 10_f32.powf(2.0 * k as f32 / 59.0))
            })
            .collect();
        all.extend([(30, 130, 0.3), (32, 130, 0.2), (0, 77, 0.1), (399, 299, 0.1), (205, 1, 0.1), (398, 201, 0.1)]);
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
    fn warm_pixels_are_found_in_a_short_burst_and_faint_lamps_are_not_taken_for_them() {
        let sigma = NOISE.sigma(0.02);
        let warm: Vec<(usize, usize)> = (0..96).map(|k| (9 + 32 * (k % 12), 12 + 33 * (k / 12))).collect();
        let mut finder = DefectFinder::default();
        for k in 0..6 {
            let mut frame = sky(MOSAIC, SIZE, 0.02, 0.02);
            for n in 0..36 {
                // Between the warm pixels, in all places within a pixel, white and pure red.
                let n = f64::from(n);
                let center =
                    Point { x: 25.25 + 32.0 * (n % 11.0) + 0.25 * (n % 4.0), y: 29.0 + 66.0 * (n / 11.0).floor() };
                let peak = [24.0 * sigma, 24.0 * sigma * if n % 2.0 > 0.0 { 0.1 } else { 1.0 }];
                shine(&mut frame, Cfa::RGGB, &Light { center, peak: [peak[0], peak[1], peak[1]], fwhm_px: 2.0 });
            }
            add_noise(&mut frame, &NOISE, 300 + k);
            for &(x, y) in &warm {
                let value = frame.planes[0].at(x, y) + 8.0 * sigma;
                frame.planes[0].set(x, y, value);
            }
            finder.add(&DefectFinder::suspects(&frame, &NOISE));
        }
        let found = finder.finish();
        let is_warm = |pixel: &&DefectPixel| warm.contains(&(pixel.x as usize, pixel.y as usize));
        let n_warm = found.pixels().iter().filter(is_warm).count();
        assert!(n_warm >= warm.len() - 2, "{n_warm} of {} found", warm.len());
        // A pure red lamp in the very middle of a red pixel is hard to tell from a defect in noise.
        assert!(found.count() - n_warm <= 1, "lamps that shine on more than one pixel are taken for defects");
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
    fn a_dark_shows_the_pixels_that_subtraction_cannot_mend() {
        let mut dark = sky(MOSAIC, SIZE, 0.0, 0.0);
        // Shot noise of three times the read noise comes with 3e-6 / 2e-5 = 0.15.
        for (x, excess) in [(100, 0.12), (200, 0.2), (300, 0.6)] {
            dark.planes[0].set(x, 50, excess);
        }
        let setup = Setup {
            layout: MOSAIC,
            size: SIZE,
            camera: None,
            iso: None,
            exposure_secs: None,
            aperture: None,
            focal_mm: None,
            temperature_celsius: None,
        };
        let master = Master { planes: dark.planes, setup, n_frames: 20 };
        let columns = |scale| -> Vec<u32> {
            Defects::from_dark(&master, scale, &NOISE).pixels().iter().map(|pixel| pixel.x).collect()
        };
        assert_eq!(columns(1.0), [200, 300], "0.12 is subtracted and left at that");
        assert_eq!(columns(2.0), [100, 200, 300], "not where the lights are exposed twice as long");
    }
}
