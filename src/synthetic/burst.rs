//! A prepared scene: renders its frames and tells the truth about them.

use nalgebra::{Rotation3, Vector3};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::pixels::{Layout, Plane, Point};
use crate::raw::frame::{CaptureTime, Metadata, RawFrame, TransferFunction};
use crate::synthetic::camera::Camera;
use crate::synthetic::land::{Land, LandKind, LandSample};
use crate::synthetic::noise::Use;
use crate::synthetic::scene::{Scene, Shake};
use crate::synthetic::sensor::{self, HotPixel};
use crate::synthetic::sky::{Band, SkyGrid};
use crate::synthetic::stars::{self, CatalogStar, DAYLIGHT};
use crate::synthetic::streak::{Canvas, Step, Streak, TrailSegment};

/// Full width at half maximum of a normal distribution over its standard deviation: 2 √(2 ln 2).
pub(super) const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// Rows rendered at a time.
const BAND_ROWS: usize = 32;

/// A star's path is drawn in steps of at most this length.
const STEP_PX: f64 = 0.3;

/// First opening of the shutter on the camera's clock: 2027-03-11 22:14:07.25.
const FIRST_OPENING_SECS: f64 = 1_804_803_247.25;

/// A star as it is in one light frame.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueStar {
    /// The same star has the same number in every frame; brighter stars have smaller ones.
    pub id: usize,
    /// In the middle of the exposure, through the green filter; a shake is not counted.
    pub position: Point,
    /// Electrons that red, green or blue pixels alone would collect of it, vignetting included.
    pub flux_electrons: [f64; 3],
    /// Share of the light that vignetting leaves at this place.
    pub vignetting: f64,
    /// Length of its path during the exposure.
    pub trail_px: f64,
    /// Full width at half maximum of its core across the trail.
    pub fwhm_px: f64,
    /// Share of it behind the land, 0 to 1.
    pub hidden: f32,
}

/// A scene made ready to be photographed.
#[derive(Clone, Debug)]
pub struct Burst {
    scene: Scene,
    camera: Camera,
    band: Band,
    stars: Vec<CatalogStar>,
    hot: Vec<HotPixel>,
    land: Land,
    foreground: Plane<f32>,
    /// Mean electrons of the land before vignetting, in the mosaic of the unknocked camera.
    land_electrons: Plane<f32>,
}

impl Burst {
    /// Prepares a scene: stars, hot pixels, land.
    #[must_use]
    pub fn new(scene: Scene) -> Self {
        let camera = Camera::new(scene.size, scene.lens, scene.pointing, scene.latitude_deg, scene.refraction);
        let band = Band::across(&scene, &camera);
        let stars = stars::catalog(&scene, &camera, &band);
        let land = Land::new(&scene, &camera);
        let mut burst = Self {
            hot: sensor::hot_pixels(&scene),
            foreground: Plane::filled(scene.size, 0.0),
            land_electrons: Plane::filled(scene.size, 0.0),
            scene,
            camera,
            band,
            stars,
            land,
        };
        (burst.foreground, burst.land_electrons) = burst.land_planes(&[(0.0, 0.0)], &Rotation3::identity());
        burst
    }

    /// What is shown.
    #[must_use]
    pub fn scene(&self) -> &Scene {
        &self.scene
    }

    /// Exact weight of the land in the frames before any knock: 0.0 sky, 1.0 land.
    #[must_use]
    pub fn foreground(&self) -> &Plane<f32> {
        &self.foreground
    }

    /// Pixels with a strong dark signal, by row and column.
    #[must_use]
    pub fn hot_pixels(&self) -> &[HotPixel] {
        &self.hot
    }

    /// Paths of satellites and aircraft in light frame `idx`.
    #[must_use]
    pub fn trails_in(&self, idx: usize) -> Vec<TrailSegment> {
        let Scene { size, interval_secs, exposure_secs, .. } = self.scene;
        self.scene.movers.iter().filter_map(|mover| mover.segment(idx, size, interval_secs, exposure_secs)).collect()
    }

    /// Every star inside light frame `idx`, those behind the land too, brightest first.
    #[must_use]
    pub fn stars_in(&self, idx: usize) -> Vec<TrueStar> {
        let stars = self.stars.par_iter().enumerate();
        stars
            .filter_map(|(id, star)| self.true_star(id, star, idx))
            .filter(|star| self.is_inside(star.position))
            .collect()
    }

    /// Where the piece of sky at a pixel of one light frame is in another, both in the middle of the exposure.
    ///
    /// `None` where the lens does not draw it. The land is not asked.
    #[must_use]
    pub fn carry(&self, from_idx: usize, to_idx: usize, point: Point) -> Option<Point> {
        let seen = self.camera.direction(point, &self.knock(from_idx))?;
        let at_start = self.camera.at_start(&seen, self.middle_secs(from_idx));
        self.camera.pixel(&self.camera.apparent(&at_start, self.middle_secs(to_idx)), &self.knock(to_idx))
    }

    /// Where the piece of land at a pixel of one light frame is in another; moves only with a knock.
    #[must_use]
    pub fn carry_land(&self, from_idx: usize, to_idx: usize, point: Point) -> Option<Point> {
        let direction = self.camera.direction(point, &self.knock(from_idx))?;
        self.camera.pixel(&direction, &self.knock(to_idx))
    }

    /// Light frame `idx`, counted from 0.
    #[must_use]
    pub fn light(&self, idx: usize) -> RawFrame {
        let electrons = self.light_electrons(idx);
        self.frame(sensor::read_out(&self.scene, &electrons, Use::LightNoise, idx), self.metadata(idx))
    }

    /// Mean electrons of light frame `idx` before noise, dark signal included.
    #[must_use]
    pub fn light_electrons(&self, idx: usize) -> Plane<f32> {
        let scene = &self.scene;
        let knock = self.knock(idx);
        let shake = self.shake_path(idx);
        let sky = SkyGrid::new(scene, &self.camera, &self.band, idx, &knock);
        let streaks = self.streaks(idx, &shake);
        let mirrored = self.mirrored_streaks(idx);
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
        });
        Plane::from_vec(scene.size, electrons).expect("one sample a pixel")
    }

    /// Dark frame `idx`, counted from 0: as long as a light frame, with no light.
    #[must_use]
    pub fn dark(&self, idx: usize) -> RawFrame {
        let secs = self.scene.exposure_secs;
        let electrons = self.electrons_by_row(|y, row| sensor::add_dark_signal(&self.scene, &self.hot, y, secs, row));
        // Darks are taken after the lights.
        let metadata = self.metadata(self.scene.n_lights + 2 + idx);
        self.frame(sensor::read_out(&self.scene, &electrons, Use::DarkNoise, idx), metadata)
    }

    /// Flat frame `idx`, counted from 0: an evenly lit surface in daylight, green at half of white in the middle.
    #[must_use]
    pub fn flat(&self, idx: usize) -> RawFrame {
        let scene = &self.scene;
        let full = 0.5 * f64::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn;
        let electrons = self.electrons_by_row(|y, row| {
            let light = self.vignetting_row(y);
            for (x, sample) in row.iter_mut().enumerate() {
                *sample = (full * DAYLIGHT[scene.cfa.color_at(x, y) as usize]) as f32 * light(x);
            }
        });
        let metadata =
            Metadata { exposure_secs: Some(0.02), iso: Some(3200), ..self.metadata(scene.n_lights + 20 + idx) };
        self.frame(sensor::read_out(scene, &electrons, Use::FlatNoise, idx), metadata)
    }

    /// Bias frame `idx`, counted from 0: no light and no time.
    #[must_use]
    pub fn bias(&self, idx: usize) -> RawFrame {
        let electrons = Plane::filled(self.scene.size, 0.0);
        let metadata = Metadata { exposure_secs: Some(1.0 / 8000.0), ..self.metadata(self.scene.n_lights + 40 + idx) };
        self.frame(sensor::read_out(&self.scene, &electrons, Use::BiasNoise, idx), metadata)
    }

    fn frame(&self, samples: Plane<u16>, metadata: Metadata) -> RawFrame {
        RawFrame {
            layout: Layout::Mosaic(self.scene.cfa),
            planes: vec![samples],
            black_level: self.scene.black_level.map(f32::from),
            white_level: self.scene.white_level,
            transfer: TransferFunction::Linear,
            color: sensor::camera_color(),
            orientation: self.scene.orientation,
            metadata,
        }
    }

    fn metadata(&self, idx: usize) -> Metadata {
        let scene = &self.scene;
        let errors = scene.clock_errors.iter().filter(|error| error.frame == idx);
        let error_secs: f64 = errors.map(|error| error.error_secs).sum();
        Metadata {
            make: Some("Invented".to_owned()),
            model: Some("Corrie One".to_owned()),
            lens: Some(format!("Invented {} mm f/2", scene.lens.focal_mm)),
            exposure_secs: Some(scene.exposure_secs),
            iso: Some(3200),
            aperture: Some(2.0),
            focal_mm: Some(scene.lens.focal_mm),
            sensor_width_mm: Some(scene.lens.sensor_width_mm),
            capture_time: Some(CaptureTime {
                clock_secs: FIRST_OPENING_SECS + scene.opening_secs(idx) + error_secs,
                utc_offset_minutes: Some(60),
            }),
        }
    }

    fn middle_secs(&self, idx: usize) -> f64 {
        self.scene.opening_secs(idx) + self.scene.exposure_secs / 2.0
    }

    /// Turn of the camera from its first position.
    fn knock(&self, idx: usize) -> Rotation3<f64> {
        match self.scene.knock {
            Some(knock) if idx >= knock.from_frame => {
                Rotation3::new(Vector3::from(knock.rotation_deg.map(f64::to_radians)))
            }
            _ => Rotation3::identity(),
        }
    }

    /// Where the picture lies during the exposure, at even times: one place, or many in a shaken frame.
    fn shake_path(&self, idx: usize) -> Vec<(f64, f64)> {
        match self.scene.shakes.iter().find(|shake| shake.frame == idx) {
            Some(shake) => jolt(*shake),
            None => vec![(0.0, 0.0)],
        }
    }

    fn is_inside(&self, point: Point) -> bool {
        let size = self.scene.size;
        (-0.5..size.width as f64 - 0.5).contains(&point.x) && (-0.5..size.height as f64 - 0.5).contains(&point.y)
    }

    fn vignetting(&self, point: Point) -> f64 {
        (1.0 - self.scene.vignetting * self.camera.radius(point).powi(2)).max(0.0)
    }

    /// [`Self::vignetting`] along a row.
    fn vignetting_row(&self, y: usize) -> impl Fn(usize) -> f32 {
        let center = self.camera.center;
        let unit = self.camera.radius(Point { x: center.x + 1.0, y: center.y });
        let strength = (self.scene.vignetting * unit * unit) as f32;
        let down = (y as f64 - center.y) as f32;
        let middle = center.x as f32;
        move |x| (1.0 - strength * ((x as f32 - middle).powi(2) + down * down)).max(0.0)
    }

    fn canvas(&self) -> Canvas {
        Canvas {
            width: self.scene.size.width,
            cfa: self.scene.cfa,
            center: self.camera.center,
            lateral_scale: self.scene.lens.lateral_scale,
        }
    }

    fn electrons_by_row(&self, fill: impl Fn(usize, &mut [f32]) + Sync) -> Plane<f32> {
        let mut electrons = vec![0.0; self.scene.size.area()];
        electrons.par_chunks_mut(self.scene.size.width).enumerate().for_each(|(y, row)| fill(y, row));
        Plane::from_vec(self.scene.size, electrons).expect("one sample a pixel")
    }

    /// Alpha and mean electrons of the land, averaged over the places that the picture took.
    fn land_planes(&self, path: &[(f64, f64)], knock: &Rotation3<f64>) -> (Plane<f32>, Plane<f32>) {
        let scene = &self.scene;
        let mut samples = vec![(0.0_f32, 0.0_f32); scene.size.area()];
        if scene.land != LandKind::None {
            let dark = scene.land_brightness * scene.sky_electrons_per_sec * scene.exposure_secs;
            let light = DAYLIGHT.map(|channel| (dark * channel) as f32);
            let still = *knock == Rotation3::identity();
            samples.par_chunks_mut(scene.size.width).enumerate().for_each(|(y, row)| {
                for (x, sample) in row.iter_mut().enumerate() {
                    let channel = scene.cfa.color_at(x, y) as usize;
                    let at = |&(dx, dy): &(f64, f64)| -> LandSample {
                        let pixel = Point { x: x as f64 - dx, y: y as f64 - dy };
                        let place = if still { Some(pixel) } else { self.camera.before_knock(pixel, knock) };
                        place.map_or_else(LandSample::default, |place| self.land.at(place.x, place.y))
                    };
                    let (alpha, color) = path.iter().map(at).fold((0.0, 0.0), |(alpha, color), land| {
                        (alpha + land.alpha, color + land.alpha * land.color[channel])
                    });
                    let share = alpha / path.len() as f32;
                    *sample = (share, if alpha > 0.0 { color / alpha * light[channel] } else { 0.0 });
                }
            });
        }
        let plane = |part: fn(&(f32, f32)) -> f32| {
            Plane::from_vec(scene.size, samples.iter().map(part).collect()).expect("one sample a pixel")
        };
        (plane(|sample| sample.0), plane(|sample| sample.1))
    }

    fn true_star(&self, id: usize, star: &CatalogStar, idx: usize) -> Option<TrueStar> {
        let knock = self.knock(idx);
        let place = |secs: f64| self.camera.pixel(&self.camera.apparent(&star.at_start, secs), &knock);
        let opening = self.scene.opening_secs(idx);
        let middle = self.camera.apparent(&star.at_start, self.middle_secs(idx));
        let position = self.camera.pixel(&middle, &knock)?;
        let vignetting = self.vignetting(position);
        let electrons = self.scene.zero_point_electrons_per_sec
            * self.scene.exposure_secs
            * 10_f64.powf(-0.4 * star.magnitude)
            * stars::extinction(&middle)
            * self.scene.cloud(idx).transparency
            * vignetting;
        let before = self.camera.before_knock(position, &knock).unwrap_or(position);
        Some(TrueStar {
            id,
            position,
            flux_electrons: star.color.map(|channel| channel * electrons),
            vignetting,
            trail_px: place(opening)?.distance(place(opening + self.scene.exposure_secs)?),
            fwhm_px: self.scene.psf_fwhm_px * (1.0 + self.scene.psf_growth * self.camera.radius(position).powi(2)),
            hidden: self.land.at(before.x, before.y).alpha,
        })
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
        let sigma_px = self.scene.psf_fwhm_px / FWHM_PER_SIGMA;
        for segment in self.trails_in(idx) {
            for mover in self.scene.movers.iter().filter(|mover| mover.kind == segment.kind) {
                let Scene { size, interval_secs, exposure_secs, .. } = self.scene;
                if mover.segment(idx, size, interval_secs, exposure_secs) == Some(segment) {
                    streaks.push(mover.streak(&segment, sigma_px, exposure_secs));
                }
            }
        }
        streaks
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
        let mut path = Vec::with_capacity(n_steps);
        for step in 0..n_steps {
            let t = (step as f64 + 0.5) / n_steps as f64;
            let at = place(opening + t * self.scene.exposure_secs)?;
            let (dx, dy) = shake[(t * shake.len() as f64) as usize];
            path.push(Point { x: at.x + dx, y: at.y + dy });
        }
        let halo = self.scene.halo_fraction;
        let part = |share: f64, widening: f64| Streak {
            sigma_px: widening * star.fwhm_px / FWHM_PER_SIGMA,
            steps: path
                .iter()
                .map(|&position| Step {
                    position,
                    electrons: star.flux_electrons.map(|channel| (share * channel / n_steps as f64) as f32),
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
