//! A prepared scene: renders its frames and tells the truth about them.

use std::io;
use std::path::Path;

use nalgebra::{Rotation3, Vector3};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::pixels::{Layout, Plane, Point};
use crate::raw::Margins;
use crate::raw::frame::{CaptureTime, Metadata, RawFrame, TransferFunction};
use crate::synthetic::camera::Camera;
use crate::synthetic::dng::{write_cfa_dng, write_sensor_dng};
use crate::synthetic::land::Land;
use crate::synthetic::noise::Use;
use crate::synthetic::scene::Scene;
use crate::synthetic::sensor::{self, HotPixel};
use crate::synthetic::sky::Band;
use crate::synthetic::stars::{self, CatalogStar, DAYLIGHT};
use crate::synthetic::streak::TrailSegment;

/// Full width at half maximum of a normal distribution over its standard deviation: 2 √(2 ln 2).
pub(super) const FWHM_PER_SIGMA: f64 = 2.354_820_045;

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
    pub(super) scene: Scene,
    pub(super) camera: Camera,
    pub(super) band: Band,
    pub(super) stars: Vec<CatalogStar>,
    pub(super) hot: Vec<HotPixel>,
    pub(super) land: Land,
    pub(super) foreground: Plane<f32>,
    /// Mean electrons of the land before vignetting, in the mosaic of the unknocked camera.
    pub(super) land_electrons: Plane<f32>,
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

    /// Dark frame `idx`, counted from 0: as long as a light frame, with no light.
    #[must_use]
    pub fn dark(&self, idx: usize) -> RawFrame {
        let secs = self.scene.exposure_secs;
        let electrons = self.electrons_by_row(|y, row| sensor::add_dark_signal(&self.scene, &self.hot, y, secs, row));
        // Darks are taken after the lights.
        let metadata = self.metadata(self.scene.n_lights + 2 + idx);
        self.frame(sensor::read_out(&self.scene, &electrons, Use::DarkNoise, idx), metadata)
    }

    /// Writes light frame `idx` as a DNG, with the masked margins of the scene.
    pub fn write_light(&self, path: &Path, idx: usize) -> io::Result<()> {
        self.write_frame(path, &self.light(idx), Use::LightNoise, idx)
    }

    /// Writes dark frame `idx` as a DNG, with the masked margins of the scene.
    pub fn write_dark(&self, path: &Path, idx: usize) -> io::Result<()> {
        self.write_frame(path, &self.dark(idx), Use::DarkNoise, idx)
    }

    fn write_frame(&self, path: &Path, frame: &RawFrame, purpose: Use, idx: usize) -> io::Result<()> {
        match self.scene.masked_px {
            0 => write_cfa_dng(path, frame),
            masked_px => {
                let sensor = sensor::with_margins(&self.scene, &frame.planes[0], purpose, idx);
                write_sensor_dng(path, frame, &sensor, masked_px)
            }
        }
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
            margins: Margins::default(),
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
            temperature_celsius: scene.temperature_celsius,
            place: None,
        }
    }

    pub(super) fn middle_secs(&self, idx: usize) -> f64 {
        self.scene.opening_secs(idx) + self.scene.exposure_secs / 2.0
    }

    /// Turn of the camera from its first position.
    pub(super) fn knock(&self, idx: usize) -> Rotation3<f64> {
        match self.scene.knock {
            Some(knock) if idx >= knock.from_frame => {
                Rotation3::new(Vector3::from(knock.rotation_deg.map(f64::to_radians)))
            }
            _ => Rotation3::identity(),
        }
    }

    fn is_inside(&self, point: Point) -> bool {
        let size = self.scene.size;
        (-0.5..size.width as f64 - 0.5).contains(&point.x) && (-0.5..size.height as f64 - 0.5).contains(&point.y)
    }

    /// Of the core of a star, across what the lens or the sky draws it out to.
    fn fwhm_px(&self, point: Point) -> f64 {
        let middle = self.scene.size.center();
        let [right, down] = self.scene.lens_fault.tilt;
        let slope = right * (point.x - middle.x) / middle.x + down * (point.y - middle.y) / middle.y;
        let growth = 1.0 + self.scene.psf_growth * self.camera.radius(point).powi(2);
        self.scene.psf_fwhm_px * growth * (1.0 + slope).max(0.1)
    }

    /// From end to end of the bar into which the lens draws out a star at this place.
    pub(super) fn lens_bar(&self, point: Point) -> Point {
        let center = self.camera.center;
        let (x, y, distance) = (point.x - center.x, point.y - center.y, point.distance(center).max(1e-9));
        let strength = self.scene.lens_fault.radial_px;
        let length = strength.abs() * self.camera.radius(point).powi(2) / distance;
        if strength >= 0.0 { Point { x: length * x, y: length * y } } else { Point { x: -length * y, y: length * x } }
    }

    fn vignetting(&self, point: Point) -> f64 {
        (1.0 - self.scene.vignetting * self.camera.radius(point).powi(2)).max(0.0)
    }

    /// [`Self::vignetting`] along a row.
    pub(super) fn vignetting_row(&self, y: usize) -> impl Fn(usize) -> f32 {
        let center = self.camera.center;
        let unit = self.camera.radius(Point { x: center.x + 1.0, y: center.y });
        let strength = (self.scene.vignetting * unit * unit) as f32;
        let down = (y as f64 - center.y) as f32;
        let middle = center.x as f32;
        move |x| (1.0 - strength * ((x as f32 - middle).powi(2) + down * down)).max(0.0)
    }

    fn electrons_by_row(&self, fill: impl Fn(usize, &mut [f32]) + Sync) -> Plane<f32> {
        let mut electrons = vec![0.0; self.scene.size.area()];
        electrons.par_chunks_mut(self.scene.size.width).enumerate().for_each(|(y, row)| fill(y, row));
        Plane::from_vec(self.scene.size, electrons).expect("one sample a pixel")
    }

    pub(super) fn true_star(&self, id: usize, star: &CatalogStar, idx: usize) -> Option<TrueStar> {
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
            * self.scene.cloud(idx).at(position, self.scene.size).transparency
            * vignetting;
        let before = self.camera.before_knock(position, &knock).unwrap_or(position);
        Some(TrueStar {
            id,
            position,
            flux_electrons: star.color.map(|channel| channel * electrons),
            vignetting,
            trail_px: place(opening)?.distance(place(opening + self.scene.exposure_secs)?),
            fwhm_px: self.fwhm_px(position),
            hidden: self.land.at(before.x, before.y).alpha,
        })
    }
}
