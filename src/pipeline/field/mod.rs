//! The field check: what one frame says while the camera still stands on its tripod.
//!
//! [`FieldFacts`] are the figures of a frame by itself; [`field_check`] compares them with the other frames of
//! the burst and with what is predicted, and says what to change.

mod check;
mod drift;
mod pattern;
mod words;

use std::path::Path;

use crate::calibrate::NoiseModel;
use crate::detect::{Ellipse, FrameMeasure, ZONES, Zone, stretches, typical_ellipse, zones};
use crate::error::Error;
use crate::job::Monitor;
use crate::pipeline::measuring::{FrameFinding, MeasureRequest, measure};
use crate::pixels::Size;
use crate::pixels::statistics::median;
use crate::plan::shutter::{WantedTrail, pole_seen_from_level_camera, shutter_limits};
use crate::plan::{Aim, Camera, LightSource, Place};
use crate::raw::Metadata;

pub use check::{FieldCheck, Focus, Shape, TrailVerdict, field_check};
pub use drift::{FocusDrift, focus_drift};
pub use pattern::{Estimate, LensPattern};

/// Aperture reckoned with where the file does not tell it: it enters the light of a plan, not the trails.
const TYPICAL_APERTURE: f64 = 2.8;

/// So many stars tell where the sky is.
const ENOUGH_STARS: usize = 20;

/// Wavelength in the middle of the visible, µm.
const GREEN_UM: f64 = 0.55;

/// Full width at half maximum of the Airy disk over wavelength times f-number (Born and Wolf, chapter 8).
const AIRY_FWHM: f64 = 1.029;

/// Full width at half maximum of the Gaussian with the variance of a pixel, 1/12: 2 √(2 ln 2) / √12.
const PIXEL_FWHM_PX: f64 = 0.68;

/// What is known of the camera beyond the file's own words; it goes before them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CameraHint {
    /// Focal length.
    pub focal_mm: Option<f64>,
    /// Width of the sensor.
    pub sensor_width_mm: Option<f64>,
    /// Where the camera looks, and the latitude of the place (which counts for a direction to the horizon only).
    pub aim: Option<(Aim, f64)>,
}

/// The figures of one frame by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldFacts {
    /// The stars by where they stand, in the frame as stored.
    pub zones: [Zone; ZONES],
    /// The typical star of the whole frame.
    pub typical: Option<Ellipse>,
    /// What the lens does over the frame.
    pub pattern: Option<LensPattern>,
    /// The trail that the sky's turning draws.
    pub predicted: Option<PredictedTrail>,
    /// Width of a star that pixels and diffraction allow at best.
    pub sharpest_px: Option<f64>,
    /// Lens and sensor, where they are known.
    pub camera: Option<Camera>,
    /// Light and noise in electrons, for frames that hold the sensor's own samples.
    pub light: Option<FrameLight>,
}

/// The trail that the sky's turning draws in the time of the exposure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PredictedTrail {
    /// In the middle.
    pub middle_px: f64,
    /// In the corner where stars run fastest.
    pub corner_px: f64,
    /// What it rests on.
    pub basis: TrailBasis,
}

/// What a predicted trail rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TrailBasis {
    /// Nothing is known of the pointing: the most there can be, at the celestial equator.
    AtMost,
    /// The declination of the middle is known.
    Declination,
    /// The direction of the camera is known.
    Pointing,
}

/// Light and noise of a frame by its own noise model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameLight {
    /// Green sky above black where the stars stand, electrons a pixel: a landscape does not count.
    pub sky_electrons: f64,
    /// Electrons.
    pub read_noise_electrons: f64,
    /// Electrons at the white level.
    pub full_scale_electrons: f64,
}

impl FieldFacts {
    /// The figures of a measured frame; `noise` is that of the sensor's own samples.
    pub(super) fn new(
        measure: &FrameMeasure,
        size: Size,
        metadata: &Metadata,
        noise: Option<NoiseModel>,
        hint: &CameraHint,
    ) -> Self {
        let camera = camera_of(size, metadata, hint);
        let exposure_secs = metadata.exposure_secs.filter(|secs| *secs > 0.0);
        let pole = match hint.aim {
            Some((Aim::Horizon { azimuth_deg, altitude_deg }, latitude_deg)) => {
                Some(pole_seen_from_level_camera(azimuth_deg, altitude_deg, latitude_deg))
            }
            _ => None,
        };
        let turning = camera.zip(exposure_secs).map(|(camera, exposure_secs)| pattern::Turning {
            focal_px: camera.focal_px(),
            exposure_secs,
            pole,
        });
        Self {
            zones: zones(&measure.stars, size),
            typical: typical_ellipse(&measure.stars),
            pattern: pattern::lens_pattern(&stretches(&measure.stars), size, turning.as_ref()),
            predicted: camera.zip(exposure_secs).map(|(camera, secs)| predicted_trail(&camera, secs, hint)),
            sharpest_px: camera.map(|camera| sharpest_px(&camera, metadata.aperture)),
            camera,
            light: noise.and_then(|noise| FrameLight::new(measure, noise)),
        }
    }

    /// The light of this frame as the start of a plan.
    #[must_use]
    pub fn light_source(&self, metadata: &Metadata) -> Option<LightSource> {
        let FrameLight { sky_electrons, read_noise_electrons, .. } = self.light?;
        let exposure_secs = metadata.exposure_secs.filter(|secs| *secs > 0.0)?;
        Some(LightSource::Measured { sky_electrons, exposure_secs, read_noise_e: read_noise_electrons })
    }
}

impl FrameLight {
    /// `None` where the samples show no photon noise, so that nothing can be counted.
    fn new(measure: &FrameMeasure, noise: NoiseModel) -> Option<Self> {
        let per_electron = f64::from(noise.photon_variance_per_unit);
        (per_electron > 0.0).then(|| Self {
            sky_electrons: f64::from(sky_among_stars(measure)).max(0.0) / per_electron,
            read_noise_electrons: f64::from(noise.read_variance.max(0.0)).sqrt() / per_electron,
            full_scale_electrons: 1.0 / per_electron,
        })
    }
}

/// Median of the green sky at the places of the stars; of the whole frame with hardly any star.
fn sky_among_stars(measure: &FrameMeasure) -> f32 {
    let green = &measure.background.level[1];
    let mut levels: Vec<f32> = measure.stars.iter().map(|star| green.at(star.centroid)).collect();
    median(&mut levels).filter(|_| measure.stars.len() >= ENOUGH_STARS).unwrap_or(measure.sky_level[1])
}

/// Measures one frame by itself, its light and noise included.
pub fn check_one_frame(monitor: &Monitor, path: &Path, hint: CameraHint) -> Result<FrameFinding, Error> {
    let request = MeasureRequest { lights: vec![path.to_owned()], hint, ..MeasureRequest::default() };
    let mut findings = measure(monitor, &request, |_, _| {})?;
    Ok(findings.pop().expect("a measured frame has a finding"))
}

fn camera_of(size: Size, metadata: &Metadata, hint: &CameraHint) -> Option<Camera> {
    let sensor_width_mm = hint.sensor_width_mm.or(metadata.sensor_width_mm)?;
    Some(Camera {
        focal_mm: hint.focal_mm.or(metadata.focal_mm)?,
        aperture: metadata.aperture.unwrap_or(TYPICAL_APERTURE),
        sensor_width_mm,
        sensor_height_mm: Some(sensor_width_mm * size.height as f64 / size.width.max(1) as f64),
        width_px: size.width,
    })
}

fn predicted_trail(camera: &Camera, exposure_secs: f64, hint: &CameraHint) -> PredictedTrail {
    let (aim, latitude_deg) = hint.aim.unwrap_or((Aim::Declination(0.0), 0.0));
    let place = Place { latitude_deg, longitude_deg: 0.0 };
    let limits = shutter_limits(camera, aim, place, WantedTrail::Px(1.0));
    PredictedTrail {
        middle_px: limits.trail_px_per_sec * exposure_secs,
        corner_px: limits.trail_px_per_sec_corner * exposure_secs,
        basis: match hint.aim {
            None => TrailBasis::AtMost,
            Some((Aim::Declination(_), _)) => TrailBasis::Declination,
            Some((Aim::Horizon { .. }, _)) => TrailBasis::Pointing,
        },
    }
}

/// The pixel's and the Airy disk's widths added in squares.
fn sharpest_px(camera: &Camera, aperture: Option<f64>) -> f64 {
    let airy_px = aperture.map_or(0.0, |aperture| AIRY_FWHM * GREEN_UM * aperture / camera.pixel_pitch_um());
    PIXEL_FWHM_PX.hypot(airy_px)
}
