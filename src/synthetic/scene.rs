//! What an invented burst shows, and with which camera.

use serde::{Deserialize, Serialize};

use crate::pixels::{Cfa, Orientation, Point, Size};
use crate::synthetic::camera::{Lens, Pointing, Projection};
use crate::synthetic::land::LandKind;
use crate::synthetic::streak::{Mover, MoverKind};

/// One invented burst. Start from a preset and change what a test is about.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scene {
    /// Pixels of a frame as stored.
    pub size: Size,
    /// Light frames in the burst.
    pub n_lights: usize,
    /// Every random choice follows from it.
    pub seed: u64,
    /// Shutter time of lights and darks.
    pub exposure_secs: f64,
    /// From one opening of the shutter to the next.
    pub interval_secs: f64,

    /// Optics.
    pub lens: Lens,
    /// Where the camera looks.
    pub pointing: Pointing,
    /// Of the place, degrees north.
    pub latitude_deg: f64,
    /// Whether air bends the light near the horizon (Bennett 1982).
    pub refraction: bool,
    /// Light lost to the corner, 0 to 1; grows with the square of the radius.
    pub vignetting: f64,
    /// Full width at half maximum of a star in the middle of the frame.
    pub psf_fwhm_px: f64,
    /// Growth of that width from the middle to the corner, as a share; with the square of the radius.
    pub psf_growth: f64,
    /// Share of a star's light in a halo four times as wide as its core.
    pub halo_fraction: f64,
    /// What is wrong with the lens beyond that.
    #[serde(default, skip_serializing_if = "LensFault::is_none")]
    pub lens_fault: LensFault,

    /// Filters over the sensor.
    pub cfa: Cfa,
    /// Level of no light, by position `2 * (y % 2) + x % 2`.
    pub black_level: [u16; 4],
    /// Level at which a sample is saturated.
    pub white_level: u16,
    /// Electrons of one data number.
    pub electrons_per_dn: f64,
    /// Standard deviation of reading one pixel.
    pub read_noise_electrons: f64,
    /// Mean dark signal of a good pixel.
    pub dark_electrons_per_sec: f64,
    /// Dark signal added in the lower right corner by a warm amplifier.
    pub amplifier_glow_electrons_per_sec: f64,
    /// Pixels with a strong dark signal.
    pub n_hot_pixels: usize,
    /// What the camera says of its temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_celsius: Option<f64>,
    /// Standard deviation of an offset that each row has anew in each frame.
    #[serde(default, skip_serializing_if = "is_none")]
    pub row_noise_electrons: f64,
    /// Standard deviation of an offset that each column has in all frames.
    #[serde(default, skip_serializing_if = "is_none")]
    pub column_noise_electrons: f64,
    /// Columns on the left and rows on top that no light reaches; an even number, 0 for none. The frame lies beside
    /// them: they count in no other length.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub masked_px: usize,
    /// How the picture is held upright.
    pub orientation: Orientation,

    /// Stars in the frame at mid-burst, those behind the land counted.
    pub n_stars: usize,
    /// Magnitude of the faintest star drawn; the law is N(< m) ∝ 10^(0.42 m).
    pub faintest_magnitude: f64,
    /// Green electrons a second of a star of magnitude 0 at the zenith.
    pub zero_point_electrons_per_sec: f64,
    /// Green electrons a second and pixel of the dark sky at the zenith.
    pub sky_electrons_per_sec: f64,
    /// Brightness of the galaxy's band over that of the dark sky.
    pub band: f64,
    /// Brightness of a distant town's glow at the horizon over that of the dark sky.
    pub glow: f64,
    /// Change of that glow from the first to the last light frame, as a share.
    pub glow_drift: f64,
    /// Light of a rising Moon in the last light frame over that of the dark sky, on the side where it rises.
    #[serde(default, skip_serializing_if = "is_none")]
    pub moonlight: f64,

    /// What stands in front of the sky.
    pub land: LandKind,
    /// Brightness of the land over that of the dark sky.
    pub land_brightness: f64,

    /// Things that cross the frame.
    pub movers: Vec<Mover>,
    /// Frames in which the camera shook.
    pub shakes: Vec<Shake>,
    /// Frames seen through thin cloud.
    pub clouds: Vec<Cloud>,
    /// Frames whose capture time is wrong.
    pub clock_errors: Vec<ClockError>,
    /// A knock against the tripod.
    pub knock: Option<Knock>,
}

/// What is wrong with a lens: stars that are wider on one side, or drawn out towards the corners.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LensFault {
    /// Growth of the star width from the middle to the right and to the lower edge, as a share; as much is lost
    /// on the other side.
    pub tilt: [f64; 2],
    /// Length of the bar into which a star in the corner is drawn out along the radius, or across it where
    /// negative; grows with the square of the radius.
    pub radial_px: f64,
}

impl LensFault {
    fn is_none(&self) -> bool {
        *self == Self::default()
    }
}

/// Whether there is no margin.
#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde hands over a reference")]
fn is_zero(value: &usize) -> bool {
    *value == 0
}

/// Whether a noise is not there at all.
#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde hands over a reference")]
fn is_none(sigma: &f64) -> bool {
    *sigma == 0.0
}

/// A frame in which the camera shook.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shake {
    /// Light frame, counted from 0.
    pub frame: usize,
    /// How far the picture jumped.
    pub amplitude_px: f64,
}

/// A frame seen through thin cloud.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cloud {
    /// Light frame, counted from 0.
    pub frame: usize,
    /// Share of starlight that comes through.
    pub transparency: f64,
    /// Light of the cloud itself over that of the dark sky.
    pub veil: f64,
    /// Where it lies in the picture; all over it where none is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bank: Option<CloudBank>,
}

impl Cloud {
    /// As it is at one place of a picture.
    #[must_use]
    pub fn at(&self, pixel: Point, size: Size) -> Self {
        let share = self.bank.map_or(1.0, |bank| bank.share(pixel, size));
        Self { transparency: 1.0 - share * (1.0 - self.transparency), veil: share * self.veil, ..*self }
    }
}

/// A bank of cloud with one straight, soft edge across the picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CloudBank {
    /// Where the edge crosses the middle row, as a share of the width: cloud to the right of it.
    pub edge: f64,
    /// How far the edge leans: its way to the right from the top to the bottom, as a share of the width.
    pub lean: f64,
    /// From clear to cloud, as a share of the width.
    pub softness: f64,
}

impl CloudBank {
    fn share(&self, pixel: Point, size: Size) -> f64 {
        let (across, down) = (pixel.x / size.width as f64, pixel.y / size.height as f64 - 0.5);
        let inside = (across - self.edge - self.lean * down) / self.softness + 0.5;
        let inside = inside.clamp(0.0, 1.0);
        inside * inside * (3.0 - 2.0 * inside)
    }
}

/// A frame whose capture time is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClockError {
    /// Light frame, counted from 0.
    pub frame: usize,
    /// What the camera adds to the right time.
    pub error_secs: f64,
}

/// A knock that turns the camera a little, from one frame on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Knock {
    /// First light frame in the new position, counted from 0.
    pub from_frame: usize,
    /// Rotation of the camera about its right, down and forward axes.
    pub rotation_deg: [f64; 3],
}

impl Scene {
    /// The sample frames: 1080 × 720, eleven lights of a toothed ridge above a tarn, with one satellite,
    /// one aircraft, one shaken frame and a drifting glow.
    #[must_use]
    pub fn sample() -> Self {
        let satellite = Mover {
            kind: MoverKind::Satellite,
            frame: 3,
            start: [0.02, 0.42],
            width_per_sec: [0.021, -0.0085],
            electrons_per_px: 800.0,
        };
        let aircraft = Mover {
            kind: MoverKind::Aircraft,
            frame: 7,
            start: [0.98, 0.13],
            width_per_sec: [-0.014, 0.0022],
            electrons_per_px: 600.0,
        };
        Self {
            movers: vec![satellite, aircraft],
            shakes: vec![Shake { frame: 5, amplitude_px: 6.0 }],
            n_hot_pixels: 130,
            glow_drift: 0.25,
            halo_fraction: 0.05,
            ..Self::plain(Size { width: 1080, height: 720 })
        }
    }

    /// A small clean burst for quick tests: 480 × 320, four lights, no movers, a ridge along the bottom.
    #[must_use]
    pub fn small() -> Self {
        let size = Size { width: 480, height: 320 };
        Self { n_lights: 4, n_stars: 2200, n_hot_pixels: 30, glow_drift: 0.0, ..Self::plain(size) }
    }

    /// A burst of `n_lights` frames of 24 million pixels: 12 mm on a 23.5 mm sensor, with barrel distortion.
    #[must_use]
    pub fn wide_24mpix(n_lights: usize) -> Self {
        let lens = Lens {
            projection: Projection::Rectilinear,
            focal_mm: 12.0,
            sensor_width_mm: 23.5,
            distortion: [-0.060, 0.018],
            lateral_scale: [1.000_10, 1.0, 0.999_92],
            center_offset_px: [7.0, -4.5],
        };
        Self {
            n_lights,
            lens,
            n_stars: 14_000,
            faintest_magnitude: 8.6,
            n_hot_pixels: 3000,
            exposure_secs: 10.0,
            interval_secs: 12.0,
            movers: vec![
                Mover {
                    kind: MoverKind::Satellite,
                    frame: 1,
                    start: [0.1, 0.05],
                    width_per_sec: [0.022, 0.012],
                    electrons_per_px: 300.0,
                },
                Mover {
                    kind: MoverKind::Aircraft,
                    frame: 2,
                    start: [0.9, 0.3],
                    width_per_sec: [-0.02, -0.004],
                    electrons_per_px: 400.0,
                },
            ],
            ..Self::plain(Size { width: 6000, height: 4000 })
        }
    }

    /// What the presets share.
    fn plain(size: Size) -> Self {
        Self {
            size,
            n_lights: 11,
            seed: 20_270_317,
            exposure_secs: 16.0,
            interval_secs: 25.0,
            lens: Lens {
                projection: Projection::Rectilinear,
                focal_mm: 9.0,
                sensor_width_mm: 13.2,
                distortion: [-0.045, 0.010],
                lateral_scale: [1.000_25, 1.0, 0.999_80],
                center_offset_px: [1.5, -1.0],
            },
            pointing: Pointing { altitude_deg: 21.0, azimuth_deg: 158.0, roll_deg: 0.6 },
            latitude_deg: 46.5,
            refraction: true,
            vignetting: 0.42,
            psf_fwhm_px: 2.25,
            psf_growth: 0.12,
            halo_fraction: 0.0,
            lens_fault: LensFault::default(),
            cfa: Cfa::RGGB,
            black_level: [512; 4],
            white_level: 16_383,
            electrons_per_dn: 0.8,
            read_noise_electrons: 3.2,
            dark_electrons_per_sec: 0.08,
            amplifier_glow_electrons_per_sec: 0.6,
            n_hot_pixels: 240,
            temperature_celsius: None,
            row_noise_electrons: 0.0,
            column_noise_electrons: 0.0,
            masked_px: 0,
            orientation: Orientation::Normal,
            n_stars: 9000,
            faintest_magnitude: 8.0,
            zero_point_electrons_per_sec: 9000.0,
            sky_electrons_per_sec: 17.0,
            band: 0.8,
            glow: 1.7,
            glow_drift: 0.15,
            moonlight: 0.0,
            land: LandKind::Ridge,
            land_brightness: 1.3,
            movers: Vec::new(),
            shakes: Vec::new(),
            clouds: Vec::new(),
            clock_errors: Vec::new(),
            knock: None,
        }
    }

    /// Seconds from the first opening to the opening of light frame `idx`.
    #[must_use]
    pub fn opening_secs(&self, idx: usize) -> f64 {
        idx as f64 * self.interval_secs
    }

    /// Strength of the town's glow in light frame `idx`, 1 in the first.
    #[must_use]
    pub fn glow_strength(&self, idx: usize) -> f64 {
        1.0 + self.glow_drift * idx as f64 / (self.n_lights.max(2) - 1) as f64
    }

    /// Moonlight in light frame `idx`: nothing in the first, and more and more from then on.
    #[must_use]
    pub fn moonlight_in(&self, idx: usize) -> f64 {
        self.moonlight * (idx as f64 / (self.n_lights.max(2) - 1) as f64).powi(2)
    }

    /// The cloud in front of light frame `idx`; clear air where none is listed.
    #[must_use]
    pub fn cloud(&self, idx: usize) -> Cloud {
        let clear = Cloud { frame: idx, transparency: 1.0, veil: 0.0, bank: None };
        self.clouds.iter().copied().find(|cloud| cloud.frame == idx).unwrap_or(clear)
    }
}
