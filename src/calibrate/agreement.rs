//! Which masters can be used with which light frames, and what does not agree, with its numbers.

use serde::{Deserialize, Serialize};

use crate::calibrate::masters::Master;
use crate::pixels::{Layout, Size};
use crate::raw::RawFrame;

/// Exposures that differ by less are the same: cameras round 1/3 stops.
const EXPOSURE_TOLERANCE: f64 = 0.03;
/// Apertures and focal lengths that differ by less are the same: stops are rounded.
const LENS_TOLERANCE: f64 = 0.04;
/// A dark is brought to up to this many times its exposure: more would multiply its noise by as much.
const MOST_EXPOSURE_RATIO: f64 = 4.0;
/// Dark signal doubles every 6 to 8 °C (common practice, no source): this much changes it by half.
const TEMPERATURE_TOLERANCE_CELSIUS: f64 = 4.0;

/// How a frame was taken, as far as a master must agree with it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// What the planes hold.
    pub layout: Layout,
    /// Size of the visible area.
    pub size: Size,
    /// Camera model.
    pub camera: Option<String>,
    /// Sensitivity setting.
    pub iso: Option<u32>,
    /// Shutter time.
    pub exposure_secs: Option<f64>,
    /// The f-number.
    pub aperture: Option<f64>,
    /// Focal length.
    pub focal_mm: Option<f64>,
    /// Of the air or the camera.
    pub temperature_celsius: Option<f64>,
}

impl Setup {
    /// How a frame was taken.
    #[must_use]
    pub fn of(raw: &RawFrame) -> Self {
        Self {
            layout: raw.layout,
            size: raw.size(),
            camera: raw.metadata.model.clone(),
            iso: raw.metadata.iso,
            exposure_secs: raw.metadata.exposure_secs,
            aperture: raw.metadata.aperture,
            focal_mm: raw.metadata.focal_mm,
            temperature_celsius: raw.metadata.temperature_celsius,
        }
    }

    /// What forbids the use of `self` with frames taken as `lights`; what is unknown agrees.
    pub(super) fn obstacle(&self, lights: &Self) -> Option<Mismatch> {
        if self.size != lights.size {
            return Some(Mismatch::Size { found: self.size, needed: lights.size });
        }
        if self.layout != lights.layout {
            return Some(Mismatch::Layout { found: self.layout, needed: lights.layout });
        }
        match (&self.camera, &lights.camera) {
            (Some(found), Some(needed)) if found != needed => {
                Some(Mismatch::Camera { found: found.clone(), needed: needed.clone() })
            }
            _ => None,
        }
    }

    fn iso_mismatch(&self, lights: &Self) -> Option<Mismatch> {
        let (found, needed) = self.iso.zip(lights.iso)?;
        (found != needed).then_some(Mismatch::Iso { found, needed })
    }

    /// What makes a dark a little wrong though it is used.
    fn temperature_mismatch(&self, lights: &Self) -> Option<Mismatch> {
        let (found, needed) = self.temperature_celsius.zip(lights.temperature_celsius)?;
        ((found - needed).abs() > TEMPERATURE_TOLERANCE_CELSIUS).then_some(Mismatch::Temperature { found, needed })
    }

    /// What makes a flat show another falloff than the lights have.
    fn lens_mismatches(&self, lights: &Self) -> Vec<Mismatch> {
        let differ = |found: Option<f64>, needed: Option<f64>| {
            let pair = found.zip(needed)?;
            ((pair.0 / pair.1 - 1.0).abs() > LENS_TOLERANCE).then_some(pair)
        };
        let aperture = differ(self.aperture, lights.aperture);
        let focal = differ(self.focal_mm, lights.focal_mm);
        let aperture = aperture.map(|(found, needed)| Mismatch::Aperture { found, needed });
        let focal = focal.map(|(found, needed)| Mismatch::FocalLength { found, needed });
        aperture.into_iter().chain(focal).collect()
    }

    /// Exposure of a light over that of this frame; `None` where they agree or one is unknown.
    pub(super) fn exposure_ratio(&self, light_secs: Option<f64>) -> Option<f64> {
        let ratio = light_secs? / self.exposure_secs.filter(|&secs| secs > 0.0)?;
        ((ratio - 1.0).abs() > EXPOSURE_TOLERANCE).then_some(ratio)
    }
}

/// Where a calibration frame does not agree with the frames it is meant for.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Mismatch {
    /// Not used: pixels do not correspond.
    #[error("{found} pixels where the light frames have {needed}: not used")]
    Size {
        /// Of the calibration frame.
        found: Size,
        /// Of the light frames.
        needed: Size,
    },
    /// Not used: colours do not correspond.
    #[error("samples lie as {found:?} where the light frames have {needed:?}: not used")]
    Layout {
        /// Of the calibration frame.
        found: Layout,
        /// Of the light frames.
        needed: Layout,
    },
    /// Not used: another sensor.
    #[error("taken with {found} where the light frames are from {needed}: not used")]
    Camera {
        /// Of the calibration frame.
        found: String,
        /// Of the light frames.
        needed: String,
    },
    /// Used all the same: hot pixels are where they are at any sensitivity, glow is where it is.
    #[error("taken at ISO {found} where the light frames have ISO {needed}: used, but take new ones at ISO {needed}")]
    Iso {
        /// Of the calibration frame.
        found: u32,
        /// Of the light frames.
        needed: u32,
    },
    /// Used all the same: a falloff that is nearly right is better than none.
    #[error(
        "taken at f/{found} where the light frames have f/{needed}: used, but the corners fall off otherwise; take new ones at f/{needed}"
    )]
    Aperture {
        /// Of the flat.
        found: f64,
        /// Of the light frames.
        needed: f64,
    },
    /// As with the aperture.
    #[error(
        "taken at {found} mm where the light frames have {needed} mm: used, but the corners fall off otherwise; take new ones at {needed} mm"
    )]
    FocalLength {
        /// Of the flat.
        found: f64,
        /// Of the light frames.
        needed: f64,
    },
    /// Used all the same; hot pixels are where they are at any temperature.
    #[error(
        "taken at {found} °C where the light frames have {needed} °C: used, but their dark signal is not that of the lights; take them on the same night"
    )]
    Temperature {
        /// Of the dark.
        found: f64,
        /// Of the light frames.
        needed: f64,
    },
    /// Scaled with the exposure, since the bias is known.
    #[error("exposed {found_secs} s where the light frames have {needed_secs} s: scaled with the help of the bias")]
    ExposureScaled {
        /// Of the dark.
        found_secs: f64,
        /// Of the light frames.
        needed_secs: f64,
    },
    /// Used as it is: scaling would multiply its noise.
    #[error(
        "exposed {found_secs} s where the light frames have {needed_secs} s: used as it is, too short to be scaled; take new ones of {needed_secs} s"
    )]
    ExposureTooShort {
        /// Of the dark.
        found_secs: f64,
        /// Of the light frames.
        needed_secs: f64,
    },
    /// Used as it is: levels of different sensitivities are not subtracted from one another.
    #[error(
        "exposed {found_secs} s where the light frames have {needed_secs} s: used as it is, since dark, bias and light frames differ in ISO; take new ones of {needed_secs} s"
    )]
    ExposureAtOtherIso {
        /// Of the dark.
        found_secs: f64,
        /// Of the light frames.
        needed_secs: f64,
    },
    /// Used as it is: without a bias the part that grows with time is unknown.
    #[error(
        "exposed {found_secs} s where the light frames have {needed_secs} s: used as it is; add bias frames to scale it"
    )]
    Exposure {
        /// Of the dark.
        found_secs: f64,
        /// Of the light frames.
        needed_secs: f64,
    },
}

/// The masters that fit one burst.
#[derive(Clone, Debug, Default)]
pub struct Masters {
    bias: Option<Master>,
    dark: Option<Master>,
    flat: Option<Master>,
    /// Whether the dark may be brought to another exposure.
    scales_dark: bool,
}

/// What kind of master a finding is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MasterKind {
    /// Shortest exposure, no light.
    Bias,
    /// Exposure of the lights, no light.
    Dark,
    /// An evenly lit surface.
    Flat,
}

impl std::fmt::Display for MasterKind {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(match self {
            Self::Bias => "bias",
            Self::Dark => "dark",
            Self::Flat => "flat",
        })
    }
}

impl Masters {
    /// Keeps the masters that can be used with light frames taken as `lights`, and says what does not agree.
    #[must_use]
    pub fn for_lights(
        lights: &Setup,
        bias: Option<Master>,
        dark: Option<Master>,
        flat: Option<Master>,
    ) -> (Self, Vec<(MasterKind, Mismatch)>) {
        let mut findings = Vec::new();
        let mut usable = |kind, master: Option<Master>| {
            let master = master?;
            let obstacle = master.setup.obstacle(lights);
            // A flat shows the lens, whatever its ISO.
            let iso = master.setup.iso_mismatch(lights).filter(|_| kind != MasterKind::Flat);
            let is_usable = obstacle.is_none();
            let others = match kind {
                MasterKind::Dark => master.setup.temperature_mismatch(lights).into_iter().collect(),
                MasterKind::Flat => master.setup.lens_mismatches(lights),
                MasterKind::Bias => Vec::new(),
            };
            let others = if is_usable { others } else { Vec::new() };
            findings.extend(obstacle.or(iso).into_iter().chain(others).map(|mismatch| (kind, mismatch)));
            is_usable.then_some(master)
        };
        let bias = usable(MasterKind::Bias, bias);
        let dark = usable(MasterKind::Dark, dark);
        let flat = usable(MasterKind::Flat, flat);
        let is_of_iso = |master: &Master, setup: &Setup| master.setup.iso_mismatch(setup).is_none();
        let scales_dark = bias.as_ref().zip(dark.as_ref()).is_some_and(|(bias, dark)| {
            is_of_iso(bias, lights) && is_of_iso(dark, lights) && is_of_iso(dark, &bias.setup)
        });
        let masters = Self { bias, dark, flat, scales_dark };
        let exposures = masters.dark().and_then(|dark| dark.setup.exposure_secs).zip(lights.exposure_secs);
        if let (Some(dark), Some((found_secs, needed_secs))) = (masters.dark(), exposures)
            && dark.setup.exposure_ratio(lights.exposure_secs).is_some()
        {
            let mismatch = match (masters.bias(), masters.dark_scale(lights.exposure_secs)) {
                (None, _) => Mismatch::Exposure { found_secs, needed_secs },
                (Some(_), Some(_)) => Mismatch::ExposureScaled { found_secs, needed_secs },
                (Some(_), None) if scales_dark => Mismatch::ExposureTooShort { found_secs, needed_secs },
                (Some(_), None) => Mismatch::ExposureAtOtherIso { found_secs, needed_secs },
            };
            findings.push((MasterKind::Dark, mismatch));
        }
        (masters, findings)
    }

    /// The master bias.
    #[must_use]
    pub fn bias(&self) -> Option<&Master> {
        self.bias.as_ref()
    }

    /// The master dark.
    #[must_use]
    pub fn dark(&self) -> Option<&Master> {
        self.dark.as_ref()
    }

    /// What the dark's part that grows with time is multiplied by for a light; `None` where it is used as it is.
    #[must_use]
    pub fn dark_scale(&self, light_secs: Option<f64>) -> Option<f64> {
        let ratio = self.dark.as_ref()?.setup.exposure_ratio(light_secs)?;
        (self.scales_dark && ratio <= MOST_EXPOSURE_RATIO).then_some(ratio)
    }

    /// The master flat.
    #[must_use]
    pub fn flat(&self) -> Option<&Master> {
        self.flat.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Cfa, Plane};

    const SIZE: Size = Size { width: 64, height: 48 };

    #[test]
    fn what_does_not_agree_is_said_with_numbers() {
        let lights = Setup {
            layout: Layout::Mosaic(Cfa::RGGB),
            size: SIZE,
            camera: Some("Invented One".to_owned()),
            iso: Some(3200),
            exposure_secs: Some(13.0),
            aperture: Some(2.0),
            focal_mm: Some(12.0),
            temperature_celsius: Some(3.0),
        };
        let master = |change: fn(&mut Setup)| {
            let mut setup = lights.clone();
            change(&mut setup);
            Some(Master { planes: vec![Plane::filled(SIZE, 0.01)], setup, n_frames: 1 })
        };
        let (masters, findings) =
            Masters::for_lights(&lights, None, master(|dark| dark.exposure_secs = Some(30.0)), None);
        assert!(masters.dark().is_some(), "used as it is");
        assert_eq!(
            findings[0].1.to_string(),
            "exposed 30 s where the light frames have 13 s: used as it is; add bias frames to scale it",
            "the finding"
        );
        let (masters, findings) =
            Masters::for_lights(&lights, None, master(|dark| dark.camera = Some("Other Two".to_owned())), None);
        assert!(masters.dark().is_none(), "another sensor's dark is of no use");
        assert!(findings[0].1.to_string().contains("Other Two"), "named: {}", findings[0].1);
        let (masters, findings) = Masters::for_lights(&lights, None, master(|dark| dark.iso = Some(1600)), None);
        assert!(masters.dark().is_some() && findings.len() == 1, "used, and said");
        let warm = master(|dark| dark.temperature_celsius = Some(19.5));
        let (masters, findings) = Masters::for_lights(&lights, None, warm, None);
        assert!(masters.dark().is_some() && findings.len() == 1, "used, and said");
        assert!(findings[0].1.to_string().contains("19.5 °C where the light frames have 3 °C"), "{}", findings[0].1);
        let closed = master(|flat| (flat.aperture, flat.exposure_secs, flat.iso) = (Some(8.0), Some(0.02), Some(100)));
        let (masters, findings) = Masters::for_lights(&lights, None, None, closed);
        assert!(masters.flat().is_some() && findings.len() == 1, "exposure and ISO of a flat do not matter");
        assert!(findings[0].1.to_string().contains("f/8 where the light frames have f/2"), "{}", findings[0].1);
    }
}
