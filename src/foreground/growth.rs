//! The sky grows from the stars over all that looks as the sky around it foretells.

use crate::foreground::components::{self, Gaps};
use crate::foreground::down::Down;
use crate::foreground::evidence::Evidence;
use crate::foreground::filters::{blur, by_rows};
use crate::foreground::moving::MovingLights;
use crate::foreground::sky_model::SkyModel;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{Mask, Plane, Size};

/// The still picture is smoothed this much before it is compared; noise falls to [`SMOOTH_NOISE`] of it.
const SMOOTH_SIGMA: f32 = 0.8;
/// Noise of grey after that smoothing: 1 / (2 √π σ), a little more for the pixels' own width.
const SMOOTH_NOISE: f32 = 0.30;
/// Noise of one colour over that of grey, after smoothing.
const COLOR_NOISE: f32 = 0.675;
/// The sky may differ from a plane through its surroundings by this share.
const SKY_TOLERANCE: f32 = 0.025;
/// Farther from the foretold sky than this, in noise and tolerance together, is not sky.
const SKY_LIMIT: f32 = 3.0;
/// Radius of sky that a star stands for.
const STAR_DISC: usize = 4;
/// Window of the sky model, in cells: wide while the sky is found, then narrow to follow its detail.
const WINDOWS: [f32; 2] = [3.0, 2.0];
/// Most rounds with each window.
const MOST_ROUNDS: usize = 40;
/// Less than this share of the frame gained in a round ends the rounds.
const LEAST_GAIN: f64 = 2e-4;

/// What the growth works on.
#[derive(Debug)]
pub(super) struct Ground<'a> {
    pub(super) evidence: &'a Evidence,
    /// Smoothed colours of the still picture.
    pub(super) smooth: [Plane<f32>; 3],
    /// Their mean.
    pub(super) smooth_grey: Plane<f32>,
    pub(super) lights: &'a MovingLights,
    pub(super) down: Down,
    /// Sky around the stars.
    seeds: Mask,
}

/// The sky that was found.
#[derive(Clone, Debug)]
pub(super) struct Sky {
    pub(super) mask: Mask,
    pub(super) model: SkyModel,
    /// Distance of each pixel from the foretold sky; [`UNKNOWN`] where nothing is foretold.
    pub(super) departure: Plane<f32>,
}

/// Departure where the sky is not known.
pub(super) const UNKNOWN: f32 = 99.0;

impl<'a> Ground<'a> {
    pub(super) fn new(evidence: &'a Evidence, lights: &'a MovingLights, down: Down) -> Self {
        let smooth = evidence.colors.each_ref().map(|plane| blur(plane, SMOOTH_SIGMA));
        let [red, green, blue] = &smooth;
        let smooth_grey = by_rows(evidence.size(), 0.0, |y, row| {
            for (x, grey) in row.iter_mut().enumerate() {
                *grey = (red.at(x, y) + green.at(x, y) + blue.at(x, y)) / 3.0;
            }
        });
        let seeds = seeds(evidence, &smooth_grey, lights);
        Self { evidence, smooth, smooth_grey, lights, down, seeds }
    }

    /// Noise of the smoothed grey at a pixel.
    #[inline]
    pub(super) fn noise(&self, x: usize, y: usize) -> f32 {
        SMOOTH_NOISE * self.evidence.sigma(x, y)
    }

    /// Grows the sky; never over `forbidden`.
    pub(super) fn grow(&self, monitor: &Monitor, forbidden: &Mask) -> Result<Sky, Cancelled> {
        let mut sky = without(&self.seeds, forbidden);
        let mut model = self.fit(&sky, WINDOWS[0]);
        let mut departure = self.departure(&model);
        let least_gain = (LEAST_GAIN * self.evidence.size().area() as f64) as usize;
        for sigma_cells in WINDOWS {
            for _ in 0..MOST_ROUNDS {
                monitor.check()?;
                model = self.fit(&sky, sigma_cells);
                departure = self.departure(&model);
                let like_sky = Mask(
                    Plane::from_vec(
                        sky.size(),
                        departure
                            .samples()
                            .iter()
                            .zip(forbidden.0.samples())
                            .map(|(&d, &no)| d < SKY_LIMIT && !no)
                            .collect(),
                    )
                    .expect("one flag a pixel"),
                );
                let mut grown = flood(&like_sky, &sky);
                add(&mut grown, &self.seeds, forbidden);
                if changed(&grown, &sky) <= least_gain {
                    let gaps = Gaps { ground: self, like_sky: &like_sky, departure: &departure, sky: &grown };
                    let more = components::gaps_of_sky(&gaps);
                    if more.count() <= least_gain {
                        sky = grown.union(&more);
                        break;
                    }
                    grown = grown.union(&more);
                }
                sky = grown;
            }
        }
        Ok(Sky { mask: sky, model, departure })
    }

    fn fit(&self, sky: &Mask, sigma_cells: f32) -> SkyModel {
        SkyModel::fit(&self.smooth, sky, self.evidence.cell, sigma_cells)
    }

    /// The sky with another mask, its model fitted to that alone.
    pub(super) fn refit(&self, mask: Mask) -> Sky {
        let model = self.fit(&mask, WINDOWS[1]);
        let departure = self.departure(&model);
        Sky { mask, model, departure }
    }

    /// How far each pixel is from the sky that the model foretells, in noise and tolerance together.
    fn departure(&self, model: &SkyModel) -> Plane<f32> {
        let [red, green, blue] = &self.smooth;
        let width = red.width();
        by_rows(red.size(), UNKNOWN, |y, row| {
            let mut sky = vec![[0.0_f32; 3]; width];
            model.row(y, &mut sky);
            let seen = red.row(y).iter().zip(green.row(y)).zip(blue.row(y));
            for (x, ((departure, sky), ((&r, &g), &b))) in row.iter_mut().zip(&sky).zip(seen).enumerate() {
                if !model.knows(x, y) {
                    continue;
                }
                let noise = COLOR_NOISE * self.evidence.sigma(x, y);
                let part = |seen: f32, sky: f32| {
                    let tolerance = SKY_TOLERANCE * sky.max(0.0);
                    (seen - sky).powi(2) / (noise * noise + tolerance * tolerance)
                };
                *departure = ((part(r, sky[0]) + part(g, sky[1]) + part(b, sky[2])) / 3.0).sqrt();
            }
        })
    }
}

/// Discs around the stars, without what stands out of its surroundings.
fn seeds(evidence: &Evidence, smooth_grey: &Plane<f32>, lights: &MovingLights) -> Mask {
    let Size { width, height } = evidence.size();
    let around = blur(&evidence.grey, 4.0);
    let mut seeds = Mask::empty(evidence.size());
    for &(star_x, star_y) in &lights.seen {
        for y in star_y.saturating_sub(STAR_DISC)..(star_y + STAR_DISC + 1).min(height) {
            for x in star_x.saturating_sub(STAR_DISC)..(star_x + STAR_DISC + 1).min(width) {
                let inside = x.abs_diff(star_x).pow(2) + y.abs_diff(star_y).pow(2) <= STAR_DISC * STAR_DISC;
                let calm = 4.0 * (SMOOTH_NOISE * evidence.sigma(x, y) + 0.006 * around.at(x, y));
                if inside && (smooth_grey.at(x, y) - around.at(x, y)).abs() < calm {
                    seeds.0.set(x, y, true);
                }
            }
        }
    }
    seeds
}

/// The pixels of `allowed` that hang together with those of `from`.
fn flood(allowed: &Mask, from: &Mask) -> Mask {
    let Size { width, height } = allowed.size();
    let mut flooded = vec![false; width * height];
    let allowed = allowed.0.samples();
    let mut waiting: Vec<usize> = Vec::new();
    for (idx, (&inside, &start)) in allowed.iter().zip(from.0.samples()).enumerate() {
        if inside && start {
            flooded[idx] = true;
            waiting.push(idx);
        }
    }
    while let Some(idx) = waiting.pop() {
        let x = idx % width;
        let mut visit = |next: usize| {
            if allowed[next] && !flooded[next] {
                flooded[next] = true;
                waiting.push(next);
            }
        };
        if x > 0 {
            visit(idx - 1);
        }
        if x + 1 < width {
            visit(idx + 1);
        }
        if idx >= width {
            visit(idx - width);
        }
        if idx + width < width * height {
            visit(idx + width);
        }
    }
    Mask(Plane::from_vec(Size { width, height }, flooded).expect("one flag a pixel"))
}

fn without(mask: &Mask, forbidden: &Mask) -> Mask {
    let mut rest = Mask::empty(mask.size());
    add(&mut rest, mask, forbidden);
    rest
}

fn add(target: &mut Mask, more: &Mask, forbidden: &Mask) {
    let more = more.0.samples().iter().zip(forbidden.0.samples());
    target.0.samples_mut().iter_mut().zip(more).for_each(|(inside, (&more, &no))| *inside |= more && !no);
}

fn changed(a: &Mask, b: &Mask) -> usize {
    a.0.samples().iter().zip(b.0.samples()).filter(|(a, b)| a != b).count()
}
