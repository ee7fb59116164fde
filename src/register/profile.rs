//! A lens as one burst measured it, kept for the next: plain TOML, one lens at one focal length.

use serde::{Deserialize, Serialize};

use super::LensFit;
use super::lens_prior::{LensPrior, N_LENS};
use crate::pixels::{Lens, Point, Projection, Size};

/// The layout of the text; a reader refuses what is newer.
const VERSION: u32 = 1;

/// One lens at one focal length on one camera.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LensProfile {
    version: u32,
    /// The lens, as its owner or the camera calls it.
    pub lens_name: String,
    /// Focal length as engraved, where known.
    pub focal_mm: Option<f64>,
    /// Width of the sensor that it was measured on, where the camera told: with the size of the frames the pixel
    /// pitch, by which the same lens on another camera is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sensor_width_mm: Option<f64>,
    /// Frames that it was measured on.
    pub frame_size: Size,
    /// How angles spread over the picture.
    pub projection: Projection,
    /// Focal length in pixels and its standard deviation.
    pub focal_px: [f64; 2],
    /// Principal point, pixels, and its standard deviations.
    pub principal_px: [[f64; 2]; 2],
    /// k₁, k₂, k₃ in powers of the radius in focal lengths, and their standard deviations.
    pub radial: [[f64; 2]; 3],
    /// Radial scale of the red, green and blue picture.
    pub channel_scale: [f64; 3],
    /// Light lost towards the corners, where it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub falloff: Option<ProfileFalloff>,
}

/// Light lost towards the corners at one aperture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProfileFalloff {
    /// The f-number, where known.
    pub aperture: Option<f64>,
    /// a₁, a₂, a₃: light left is 1 + a₁ r² + a₂ r⁴ + a₃ r⁶, r = 1 in the corners.
    pub terms: [f64; 3],
}

/// Why a text is no lens profile.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// Not TOML, or not these fields.
    #[error("this is not a lens profile")]
    Malformed(#[from] toml::de::Error),
    /// A number that no lens has.
    #[error("{name} is {value}, which no lens has")]
    OutOfRange {
        /// Which number.
        name: &'static str,
        /// What it is.
        value: f64,
    },
    /// Written by a later version of the program.
    #[error("the profile has version {found}, this program reads up to {VERSION}")]
    Newer {
        /// Version found.
        found: u32,
    },
}

impl LensProfile {
    /// Keeps what a burst told of its lens.
    #[must_use]
    pub fn new(lens_name: &str, focal_mm: Option<f64>, frame_size: Size, fit: &LensFit) -> Self {
        let sigma = |idx: usize| fit.parameters.get(idx).map_or(0.0, |parameter| parameter.sigma);
        let lens = &fit.lens;
        Self {
            version: VERSION,
            lens_name: lens_name.to_owned(),
            focal_mm,
            sensor_width_mm: None,
            frame_size,
            projection: lens.projection,
            focal_px: [lens.focal_px, sigma(0)],
            principal_px: [[lens.principal.x, sigma(4)], [lens.principal.y, sigma(5)]],
            radial: std::array::from_fn(|term| [lens.radial[term], sigma(term + 1)]),
            channel_scale: lens.channel_scale,
            falloff: None,
        }
    }

    /// The same with the sensor that the lens was measured on.
    #[must_use]
    pub fn on_sensor(self, sensor_width_mm: Option<f64>) -> Self {
        Self { sensor_width_mm: sensor_width_mm.filter(|width| width.is_finite() && *width > 0.0), ..self }
    }

    /// The profile for frames of another size or of another sensor: what the lens draws on a millimeter stays.
    ///
    /// Where one of the sensors is not known they are taken to be as wide as each other.
    #[must_use]
    pub fn for_frames(&self, size: Size, sensor_width_mm: Option<f64>) -> Self {
        let of_sensors = self.sensor_width_mm.zip(sensor_width_mm).map_or(1.0, |(old, new)| old / new);
        let scale = of_sensors * size.width as f64 / self.frame_size.width as f64;
        let (old, new) = (self.frame_size.center(), size.center());
        let [[x, x_sigma], [y, y_sigma]] = self.principal_px;
        Self {
            sensor_width_mm: sensor_width_mm.or(self.sensor_width_mm),
            frame_size: size,
            focal_px: self.focal_px.map(|focal| scale * focal),
            // Sensors are mounted around the same axis: distances from the middle scale.
            principal_px: [
                [new.x + scale * (x - old.x), scale * x_sigma],
                [new.y + scale * (y - old.y), scale * y_sigma],
            ],
            ..self.clone()
        }
    }

    /// Reads a profile from its text.
    pub fn from_toml(text: &str) -> Result<Self, ProfileError> {
        let profile: Self = toml::from_str(text)?;
        if profile.version > VERSION {
            return Err(ProfileError::Newer { found: profile.version });
        }
        let half_diagonal = 0.5 * (profile.frame_size.width as f64).hypot(profile.frame_size.height as f64);
        let in_range = |name, value: f64, low: f64, high: f64| {
            if value >= low && value <= high { Ok(()) } else { Err(ProfileError::OutOfRange { name, value }) }
        };
        in_range("the width of the frame", profile.frame_size.width as f64, 16.0, 1e6)?;
        in_range("the height of the frame", profile.frame_size.height as f64, 16.0, 1e6)?;
        in_range("the width of the sensor", profile.sensor_width_mm.unwrap_or(36.0), 1.0, 200.0)?;
        in_range("the focal length", profile.focal_px[0], 0.2 * half_diagonal, 1e3 * half_diagonal)?;
        for [value, sigma] in profile.radial {
            in_range("a distortion term", value, -1e4, 1e4)?;
            in_range("the deviation of a distortion term", sigma, 0.0, 1e4)?;
        }
        for ([value, sigma], length) in
            profile.principal_px.into_iter().zip([profile.frame_size.width, profile.frame_size.height])
        {
            in_range("the principal point", value, 0.0, length as f64)?;
            in_range("the deviation of the principal point", sigma, 0.0, length as f64)?;
        }
        in_range("the deviation of the focal length", profile.focal_px[1], 0.0, profile.focal_px[0])?;
        for term in profile.falloff.iter().flat_map(|falloff| falloff.terms) {
            in_range("a falloff term", term, -10.0, 10.0)?;
        }
        for scale in profile.channel_scale {
            in_range("the scale of a channel", scale, 0.9, 1.1)?;
        }
        Ok(profile)
    }

    /// The profile as text.
    #[must_use]
    pub fn to_toml(&self) -> String {
        toml::to_string_pretty(self).expect("numbers, arrays and names all have a place in TOML")
    }

    /// What the profile says of a lens on frames of the given size, a little less sure than it was:
    /// the focus ring has been turned since.
    pub(crate) fn prior(&self, size: Size) -> LensPrior {
        let Self { focal_px, principal_px: [[x, x_sigma], [y, y_sigma]], .. } =
            self.for_frames(size, self.sensor_width_mm);
        let lens = Lens {
            projection: self.projection,
            focal_px: focal_px[0],
            principal: Point { x, y },
            radial: self.radial.map(|[value, _]| value),
            channel_scale: self.channel_scale,
        };
        let half_diagonal = 0.5 * (size.width as f64).hypot(size.height as f64);
        let corner = half_diagonal / lens.focal_px;
        let loose = |sigma: f64, least: f64| sigma.hypot(least);
        let mut sigma = [0.0; N_LENS];
        sigma[0] = loose(self.focal_px[1] / self.focal_px[0], 0.005);
        for (term, [_, term_sigma]) in self.radial.into_iter().enumerate() {
            let power = 2 * (i32::try_from(term).unwrap_or(0) + 1);
            sigma[term + 1] = loose(term_sigma, 0.002 / corner.powi(power));
        }
        sigma[4] = loose(x_sigma, 0.001 * half_diagonal);
        sigma[5] = loose(y_sigma, 0.001 * half_diagonal);
        LensPrior { lens, sigma, from_profile: true, is_last_resort: false }
    }
}
