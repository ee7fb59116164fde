//! One exposure of a burst: how much light falls on each pixel, before any noise.

use nalgebra::Rotation3;
use rayon::prelude::*;

use crate::pixels::{Plane, Point, Size};
use crate::synthetic::burst::{Burst, FWHM_PER_SIGMA, TrueStar};
use crate::synthetic::land::{LandKind, LandSample};
use crate::synthetic::scene::{Scene, Shake};
use crate::synthetic::sensor;
use crate::synthetic::sky::SkyGrid;
use crate::synthetic::stars::DAYLIGHT;
use crate::synthetic::streak::{Canvas, MoverKind, Step, Streak};

/// Rows rendered at a time.
const BAND_ROWS: usize = 32;

/// A star's path is drawn in steps of at most this length.
const STEP_PX: f64 = 0.3;

impl Burst {
    /// Mean electrons of light frame `idx` before noise, dark signal included.
    #[must_use]
    pub fn light_electrons(&self, idx: usize) -> Plane<f32> {
        let scene = &self.scene;
        let knock = self.knock(idx);
        let shake = self.shake_path(idx);
        let sky = SkyGrid::new(scene, &self.camera, &self.band, idx, &knock);
        let streaks = self.streaks(idx, &shake);
        let mirrored = self.mirrored_streaks(idx);
        let in_front = self.mover_streaks(idx, |kind| kind == MoverKind::Torch);
        let moved = (knock != Rotation3::identity() || shake.len() > 1).then(|| self.land_planes(&shake, &knock));
        let (alpha, land) =
            moved.as_ref().map_or((&self.foreground, &self.land_electrons), |planes| (&planes.0, &planes.1));
        let land_light = (1.0 + 0.5 * (scene.glow_strength(idx) - 1.0)) as f32;
        let canvas = self.canvas();
        let width = scene.size.width;
        let mut electrons = vec![0.0_f32; scene.size.area()];
        electrons.par_chunks_mut(width * BAND_ROWS).enumerate().for_each(|(band_index, band)| {
            let first_row = band_index * BAND_ROWS;
            draw_all(&streaks, band, first_row, &canvas);
            let mut reflection = if mirrored.is_empty() { Vec::new() } else { vec![0.0; band.len()] };
            if !mirrored.is_empty() {
                draw_all(&mirrored, &mut reflection, first_row, &canvas);
            }
            let mut sky_row = vec![[0.0; 3]; width];
            for (row, samples) in band.chunks_mut(width).enumerate() {
                let y = first_row + row;
                sky.row(y, &mut sky_row);
                let light = self.vignetting_row(y);
                let row_land = alpha.row(y).iter().zip(land.row(y));
                for (x, (sample, (&alpha, &land))) in samples.iter_mut().zip(row_land).enumerate() {
                    let background = sky_row[x][scene.cfa.color_at(x, y) as usize] * light(x);
                    *sample = (*sample + background) * (1.0 - alpha) + alpha * land * land_light * light(x);
                }
                for (x, (sample, reflected)) in
                    samples.iter_mut().zip(reflection.chunks(width).nth(row).unwrap_or(&[])).enumerate()
                {
                    if *reflected > 0.0 {
                        *sample += reflected * self.land.at(x as f64, y as f64).mirror;
                    }
                }
                sensor::add_dark_signal(scene, &self.hot, y, scene.exposure_secs, samples);
            }
            draw_all(&in_front, band, first_row, &canvas);
        });
        Plane::from_vec(scene.size, electrons).expect("one sample a pixel")
    }

    /// Where the picture lies during the exposure, at even times: one place, or many in a shaken frame.
    fn shake_path(&self, idx: usize) -> Vec<(f64, f64)> {
        match self.scene.shakes.iter().find(|shake| shake.frame == idx) {
            Some(shake) => jolt(*shake),
            None => vec![(0.0, 0.0)],
        }
    }

    fn canvas(&self) -> Canvas {
        Canvas {
            width: self.scene.size.width,
            cfa: self.scene.cfa,
            center: self.camera.center,
            lateral_scale: self.scene.lens.lateral_scale,
        }
    }

    /// Alpha and mean electrons of the land, averaged over the places that the picture took and drawn by the lens.
    ///
    /// Alpha is soft from the start; its own light alone is spread, so that no sky is mixed in.
    pub(super) fn land_planes(&self, path: &[(f64, f64)], knock: &Rotation3<f64>) -> (Plane<f32>, Plane<f32>) {
        let scene = &self.scene;
        let mut samples = vec![(0.0_f32, 0.0_f32); scene.size.area()];
        if scene.land != LandKind::None {
            let dark = scene.land_brightness * scene.sky_electrons_per_sec * scene.exposure_secs;
            let light = DAYLIGHT.map(|channel| (dark * channel) as f32);
            let still = *knock == Rotation3::identity();
            let at = |x: usize, y: usize| {
                let place = |&(dx, dy): &(f64, f64)| -> LandSample {
                    let pixel = Point { x: x as f64 - dx, y: y as f64 - dy };
                    let place = if still { Some(pixel) } else { self.camera.before_knock(pixel, knock) };
                    place.map_or_else(LandSample::default, |place| self.land.at(place.x, place.y))
                };
                path.iter().map(place).fold([0.0; 4], |[r, g, b, alpha], land| {
                    let [red, green, blue] = land.color.map(|channel| land.alpha * channel);
                    [r + red, g + green, b + blue, alpha + land.alpha]
                })
            };
            let weights = lens_weights(scene.psf_fwhm_px / FWHM_PER_SIGMA);
            let Size { width, height } = scene.size;
            samples.par_chunks_mut(width * BAND_ROWS).enumerate().for_each(|(band_index, band)| {
                let first_row = band_index * BAND_ROWS;
                let from = first_row.saturating_sub(LENS_REACH_PX);
                let to = (first_row + band.len() / width + LENS_REACH_PX).min(height);
                let sharp: Vec<Vec<[f32; 4]>> = (from..to).map(|y| (0..width).map(|x| at(x, y)).collect()).collect();
                for (row, samples) in band.chunks_mut(width).enumerate() {
                    let y = first_row + row;
                    let drawn = along_rows(&down_columns(&sharp, y - from, &weights), &weights);
                    for (x, (sample, drawn)) in samples.iter_mut().zip(drawn).enumerate() {
                        let share = sharp[y - from][x][3] / path.len() as f32;
                        let channel = scene.cfa.color_at(x, y) as usize;
                        *sample = (share, if share > 0.0 { drawn[channel] / drawn[3] * light[channel] } else { 0.0 });
                    }
                }
            });
        }
        let plane = |part: fn(&(f32, f32)) -> f32| {
            Plane::from_vec(scene.size, samples.iter().map(part).collect()).expect("one sample a pixel")
        };
        (plane(|sample| sample.0), plane(|sample| sample.1))
    }

    /// Everything that shines in light frame `idx`.
    fn streaks(&self, idx: usize, shake: &[(f64, f64)]) -> Vec<Streak> {
        let knock = self.knock(idx);
        let stars = self.stars.par_iter().enumerate();
        let mut streaks: Vec<Streak> = stars
            .filter_map(|(id, star)| {
                let place = |secs| self.camera.pixel(&self.camera.apparent(&star.at_start, secs), &knock);
                self.star_streak(&self.true_star(id, star, idx)?, idx, shake, place)
            })
            .flatten()
            .collect();
        streaks.extend(self.mover_streaks(idx, |kind| kind != MoverKind::Torch));
        streaks
    }

    /// What crosses the frame, of the kinds asked for.
    fn mover_streaks(&self, idx: usize, wanted: impl Fn(MoverKind) -> bool) -> Vec<Streak> {
        let Scene { size, interval_secs, exposure_secs, .. } = self.scene;
        let sigma_px = self.scene.psf_fwhm_px / FWHM_PER_SIGMA;
        let movers = self.scene.movers.iter().filter(|mover| wanted(mover.kind));
        movers
            .filter_map(|mover| {
                let segment = mover.segment(idx, size, interval_secs, exposure_secs)?;
                Some(mover.streak(&segment, sigma_px, exposure_secs))
            })
            .collect()
    }

    /// The stars as still water shows them: below the horizon as deep as they stand above it.
    fn mirrored_streaks(&self, idx: usize) -> Vec<Streak> {
        if self.scene.land != LandKind::Lake {
            return Vec::new();
        }
        let knock = self.knock(idx);
        let stars = self.stars.par_iter().enumerate();
        stars
            .filter_map(|(id, star)| {
                let place = |secs| {
                    let mut seen = self.camera.apparent(&star.at_start, secs);
                    seen.z = -seen.z;
                    self.camera.pixel(&seen, &knock)
                };
                self.star_streak(&self.true_star(id, star, idx)?, idx, &[(0.0, 0.0)], place)
            })
            .flatten()
            .collect()
    }

    /// Core and halo of a star along its path.
    fn star_streak(
        &self,
        star: &TrueStar,
        idx: usize,
        shake: &[(f64, f64)],
        place: impl Fn(f64) -> Option<Point>,
    ) -> Option<Vec<Streak>> {
        let along = (star.trail_px / STEP_PX).ceil().max(1.0) as usize;
        let n_steps = if shake.len() > 1 { shake.len().max(along) } else { along };
        let opening = self.scene.opening_secs(idx);
        let bar = self.lens_bar(star.position);
        let n_along_bar = (bar.x.hypot(bar.y) / STEP_PX).ceil().max(1.0) as usize;
        let mut path = Vec::with_capacity(n_steps * n_along_bar);
        for step in 0..n_steps {
            let t = (step as f64 + 0.5) / n_steps as f64;
            let at = place(opening + t * self.scene.exposure_secs)?;
            let (dx, dy) = shake[(t * shake.len() as f64) as usize];
            for part in 0..n_along_bar {
                let share = (part as f64 + 0.5) / n_along_bar as f64 - 0.5;
                path.push(Point { x: at.x + dx + share * bar.x, y: at.y + dy + share * bar.y });
            }
        }
        let halo = self.scene.halo_fraction;
        let part = |share: f64, widening: f64| Streak {
            sigma_px: widening * star.fwhm_px / FWHM_PER_SIGMA,
            steps: path
                .iter()
                .map(|&position| Step {
                    position,
                    electrons: star.flux_electrons.map(|channel| (share * channel / path.len() as f64) as f32),
                })
                .collect(),
        };
        let core = part(1.0 - halo, 1.0);
        Some(if halo > 0.0 { vec![core, part(halo, 4.0)] } else { vec![core] })
    }
}

fn draw_all(streaks: &[Streak], band: &mut [f32], first_row: usize, canvas: &Canvas) {
    let last_row = first_row + band.len() / canvas.width;
    for streak in streaks {
        let rows = streak.rows();
        if rows.end >= first_row as f64 && rows.start <= last_row as f64 {
            streak.draw(band, first_row, canvas);
        }
    }
}

/// Still, then a jump to another place that dies down there: stars drawn double, joined by a wiggle.
fn jolt(shake: Shake) -> Vec<(f64, f64)> {
    const N: usize = 24;
    let place = |step: usize| {
        let t = step as f64 / N as f64;
        if t < 0.40 {
            return (0.0, 0.0);
        }
        let swing = (-(t - 0.40) / 0.12).exp() * (50.0 * (t - 0.40)).cos();
        (shake.amplitude_px * (1.0 - swing), shake.amplitude_px * (0.45 - 0.8 * swing))
    };
    (0..N).map(place).collect()
}

/// How far the lens spreads the light of a point of the land.
const LENS_REACH_PX: usize = 3;

/// Shares of a point's light that the pixels beside it get along one axis.
fn lens_weights(sigma_px: f64) -> [f32; 2 * LENS_REACH_PX + 1] {
    let share = |px: f64| (-0.5 * (px / sigma_px).powi(2)).exp();
    let shares: [f64; 2 * LENS_REACH_PX + 1] = std::array::from_fn(|step| share(step as f64 - LENS_REACH_PX as f64));
    let sum: f64 = shares.iter().sum();
    shares.map(|share| (share / sum) as f32)
}

fn down_columns(rows: &[Vec<[f32; 4]>], row: usize, weights: &[f32]) -> Vec<[f32; 4]> {
    let near = |step: usize| &rows[(row + step).saturating_sub(LENS_REACH_PX).min(rows.len() - 1)];
    (0..rows[row].len()).map(|x| mixed(weights, |step| near(step)[x])).collect()
}

fn along_rows(row: &[[f32; 4]], weights: &[f32]) -> Vec<[f32; 4]> {
    let near = |x: usize, step: usize| row[(x + step).saturating_sub(LENS_REACH_PX).min(row.len() - 1)];
    (0..row.len()).map(|x| mixed(weights, |step| near(x, step))).collect()
}

fn mixed(weights: &[f32], near: impl Fn(usize) -> [f32; 4]) -> [f32; 4] {
    let mut sum = [0.0; 4];
    for (step, weight) in weights.iter().enumerate() {
        for (sum, part) in sum.iter_mut().zip(near(step)) {
            *sum += weight * part;
        }
    }
    sum
}
