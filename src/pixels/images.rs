//! One type for each state of the signal on its way from the sensor to the picture.

use crate::pixels::geometry::Size;
use crate::pixels::mask::Mask;
use crate::pixels::plane::Plane;

/// Colour of one filter of the colour filter array; the value is the channel index.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum CfaColor {
    /// Channel 0.
    Red = 0,
    /// Channel 1.
    Green = 1,
    /// Channel 2.
    Blue = 2,
}

/// A 2 × 2 Bayer colour filter array: `pattern[y % 2][x % 2]`, at the origin of the frame as stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Cfa(pub [[CfaColor; 2]; 2]);

impl Cfa {
    /// Red at the origin: the pattern that most cameras write.
    pub const RGGB: Self = Self([[CfaColor::Red, CfaColor::Green], [CfaColor::Green, CfaColor::Blue]]);

    /// Colour of the filter over column `x` of row `y`.
    #[must_use]
    #[inline]
    pub fn color_at(self, x: usize, y: usize) -> CfaColor {
        self.0[y % 2][x % 2]
    }
}

/// How the samples of a frame lie in its planes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Layout {
    /// One plane; each sample has the colour of its filter.
    Mosaic(Cfa),
    /// Three planes: red, green, blue.
    Rgb,
}

impl Layout {
    /// Planes of a frame in this layout.
    #[must_use]
    pub fn n_planes(self) -> usize {
        match self {
            Self::Mosaic(_) => 1,
            Self::Rgb => 3,
        }
    }
}

/// A frame after calibration: linear, 0.0 at black, 1.0 at the white level, negatives kept.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibratedFrame {
    /// What the planes hold.
    pub layout: Layout,
    /// One plane (mosaic) or three (red, green, blue), all of one size.
    pub planes: Vec<Plane<f32>>,
    /// Samples that reached the white level in any channel: their value is only a lower bound.
    pub saturated: Mask,
}

impl CalibratedFrame {
    /// Width by height of each plane.
    #[must_use]
    pub fn size(&self) -> Size {
        self.saturated.size()
    }
}

/// Three linear channels in camera RGB on the scale of [`CalibratedFrame`].
#[derive(Clone, Debug, PartialEq)]
pub struct LinearImage {
    /// Red, green, blue.
    pub planes: [Plane<f32>; 3],
}

impl LinearImage {
    /// An image with every sample at 0.
    #[must_use]
    pub fn black(size: Size) -> Self {
        Self { planes: std::array::from_fn(|_| Plane::filled(size, 0.0)) }
    }

    /// Width by height.
    #[must_use]
    pub fn size(&self) -> Size {
        self.planes[0].size()
    }
}

/// The colours that red, green and blue 1.0 stand for; the white of both is CIE D65.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Primaries {
    /// IEC 61966-2-1, the same as ITU-R BT.709.
    Srgb,
    /// ITU-R BT.2020.
    Rec2020,
}

/// How an encoded value grows with light.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Transfer {
    /// In proportion.
    Linear,
    /// By IEC 61966-2-1.
    Srgb,
    /// By ITU-R BT.2020.
    Rec2020,
}

/// What the numbers of a finished picture mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ColorEncoding {
    /// The colours of the channels.
    pub primaries: Primaries,
    /// From light to number.
    pub transfer: Transfer,
}

/// A finished picture: 0 to 65535 after the transfer function.
#[derive(Clone, Debug, PartialEq)]
pub struct EncodedImage {
    /// Red, green, blue.
    pub planes: [Plane<u16>; 3],
    /// What the numbers mean.
    pub encoding: ColorEncoding,
}

impl EncodedImage {
    /// Width by height.
    #[must_use]
    pub fn size(&self) -> Size {
        self.planes[0].size()
    }
}
