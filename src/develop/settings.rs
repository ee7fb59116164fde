//! What a person can choose about the look of the picture. The defaults are right for most nights.

use serde::{Deserialize, Serialize};

use crate::pixels::Primaries;

/// All choices of the development.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct DevelopSettings {
    /// What counts as colourless.
    pub white_balance: WhiteBalance,
    /// Brightness in stops: twice the light for each.
    pub exposure_ev: f32,
    /// Brightness of the landscape beside the sky, in stops.
    pub land_exposure_ev: f32,
    /// Moves the black point, in parts of the sky's level: 0.1 takes a tenth of the sky more away.
    pub black_offset: f32,
    /// How far faint light is lifted over bright light.
    pub stretch: Stretch,
    /// Whether the corners get the light that the lens has lost.
    pub vignetting: Vignetting,
    /// Whether uneven sky glow is taken away.
    pub gradient: GradientRemoval,
    /// What the numbers of the finished picture mean.
    pub space: OutputSpace,
}

impl Default for DevelopSettings {
    fn default() -> Self {
        Self {
            white_balance: WhiteBalance::AsShot,
            exposure_ev: 0.0,
            land_exposure_ev: 0.0,
            black_offset: 0.0,
            stretch: Stretch::Auto { sky_level: DEFAULT_SKY_LEVEL },
            vignetting: Vignetting::Auto,
            gradient: GradientRemoval::Off,
            space: OutputSpace::Srgb,
        }
    }
}

/// Encoded brightness of the sky background, 0 to 1 in sRGB (dark, with the landscape
/// still seen; common practice, no source).
pub const DEFAULT_SKY_LEVEL: f32 = 0.17;

/// What counts as colourless.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WhiteBalance {
    /// What the camera chose.
    #[default]
    AsShot,
    /// A surface in daylight (CIE illuminant D55).
    Daylight,
    /// A surface in the light of a lamp at 3200 K.
    Tungsten,
    /// The sky background.
    FromSky,
    /// A colour that a person pointed at, in camera RGB.
    Picked([f64; 3]),
}

/// How far faint light is lifted over bright light.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stretch {
    /// As far as it takes to bring the sky background to an encoded brightness, 0 to 1 in sRGB.
    Auto {
        /// The brightness; 0.10 is nearly black, 0.25 dusk.
        sky_level: f32,
    },
    /// By so many stops for the faintest light; 0 keeps the proportions of the light.
    Stops(f32),
}

/// Whether the corners get the light that the lens has lost, beyond what flat frames have given them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Vignetting {
    /// Where a lens profile tells the loss, or the sky does so without doubt.
    #[default]
    Auto,
    /// They stay as they are.
    Off,
}

/// Whether uneven sky glow is taken away.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum GradientRemoval {
    /// The sky stays as it was.
    #[default]
    Off,
    /// A smooth surface through the sky background is levelled.
    On {
        /// The share that is taken away, 0 to 1.
        strength: f32,
    },
}

/// What the numbers of the finished picture mean.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputSpace {
    /// For screens and the web (IEC 61966-2-1).
    #[default]
    Srgb,
    /// A wide space for further editing (ITU-R BT.2020).
    Rec2020,
    /// The stack as measured, for measurement: not developed at all.
    CameraLinear,
}

impl OutputSpace {
    /// The colours of the channels; a camera's own have no standard ones and are shown in sRGB.
    #[must_use]
    pub fn primaries(self) -> Primaries {
        match self {
            Self::Srgb | Self::CameraLinear => Primaries::Srgb,
            Self::Rec2020 => Primaries::Rec2020,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_survive_the_way_through_text_and_missing_ones_take_their_default() {
        let settings = DevelopSettings {
            white_balance: WhiteBalance::Picked([0.5, 1.0, 0.7]),
            stretch: Stretch::Stops(4.5),
            gradient: GradientRemoval::On { strength: 0.8 },
            space: OutputSpace::Rec2020,
            ..DevelopSettings::default()
        };
        let text = toml::to_string(&settings).expect("settings are plain data");
        assert_eq!(toml::from_str::<DevelopSettings>(&text).expect("our own text"), settings, "read back from {text}");
        let sparse: DevelopSettings = toml::from_str("exposure_ev = 0.5").expect("one setting");
        assert_eq!(sparse, DevelopSettings { exposure_ev: 0.5, ..DevelopSettings::default() }, "the rest is default");
    }
}
