//! From the camera's channels to standard colour.
//!
//! The primaries' matrices are computed from chromaticities (the method of SMPTE RP 177-1993); the
//! way from camera to CIE XYZ is that of the DNG specification 1.4, chapter 6, for one colour
//! matrix: the camera's neutral gives the white of the scene, and Bradford's linear adaptation
//! (ICC.1:2022, annex E) carries that white to D65. Column vectors throughout.

use nalgebra::{Matrix3, Vector3};

use crate::pixels::Primaries;
use crate::raw::CameraColor;

/// A colour without its brightness: CIE 1931 x, y.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chromaticity(pub f64, pub f64);

/// CIE D65 as IEC 61966-2-1 and ITU-R BT.2020 round it.
pub const D65: Chromaticity = Chromaticity(0.3127, 0.3290);

/// CIE D55, photographic daylight (CIE 15:2004, table T.3).
pub const D55: Chromaticity = Chromaticity(0.332_43, 0.347_44);

/// The black body at 3200 K (Planck's law through the CIE 1931 observer; see tests/reference/color).
pub const BLACK_BODY_3200_K: Chromaticity = Chromaticity(0.423_36, 0.398_95);

/// CIE XYZ of the ICC profile connection space, D50 (ICC.1:2022, 7.2.16).
pub const PCS_WHITE: [f64; 3] = [0.9642, 1.0, 0.8249];

/// Cone responses from CIE XYZ for adaptation between whites (Bradford; ICC.1:2022, annex E).
const CONES_FROM_XYZ: Matrix3<f64> =
    Matrix3::new(0.8951, 0.2664, -0.1614, -0.7502, 1.7135, 0.0367, 0.0389, -0.0685, 1.0296);

impl Chromaticity {
    /// CIE XYZ at luminance 1.
    #[must_use]
    pub fn xyz(self) -> Vector3<f64> {
        Vector3::new(self.0 / self.1, 1.0, (1.0 - self.0 - self.1) / self.1)
    }
}

/// CIE XYZ (D65, white at luminance 1) from linear RGB.
#[must_use]
pub fn xyz_from_rgb(primaries: Primaries) -> Matrix3<f64> {
    let [red, green, blue] = chromaticities(primaries).map(Chromaticity::xyz);
    let unscaled = Matrix3::from_columns(&[red, green, blue]);
    let inverse = unscaled.try_inverse().expect("the primaries of a standard are not on one line");
    unscaled * Matrix3::from_diagonal(&(inverse * D65.xyz()))
}

/// Red, green and blue of a standard.
fn chromaticities(primaries: Primaries) -> [Chromaticity; 3] {
    match primaries {
        Primaries::Srgb => [Chromaticity(0.640, 0.330), Chromaticity(0.300, 0.600), Chromaticity(0.150, 0.060)],
        Primaries::Rec2020 => [Chromaticity(0.708, 0.292), Chromaticity(0.170, 0.797), Chromaticity(0.131, 0.046)],
    }
}

/// The map of CIE XYZ that makes `target` of the white `source`; `None` where that is no light.
#[must_use]
pub fn adapt_white(source: &Vector3<f64>, target: &Vector3<f64>) -> Option<Matrix3<f64>> {
    let from = CONES_FROM_XYZ * source;
    let to = CONES_FROM_XYZ * target;
    let least = 1e-3 * from.max();
    (from.min() > least && least > 0.0).then(|| {
        let inverse = CONES_FROM_XYZ.try_inverse().expect("Bradford's matrix has an inverse");
        inverse * Matrix3::from_diagonal(&to.component_div(&from)) * CONES_FROM_XYZ
    })
}

/// Camera RGB of a surface that reflects all colours alike, under a light; green 1.0.
#[must_use]
pub fn neutral_under(color: &CameraColor, light: Chromaticity) -> Option<[f64; 3]> {
    let response = matrix(&color.camera_from_xyz) * light.xyz();
    usable_neutral([response[0] / response[1], 1.0, response[2] / response[1]])
}

/// A neutral scaled to green 1.0; `None` unless its channels are within a factor of 50 of each other.
#[must_use]
pub fn usable_neutral(neutral: [f64; 3]) -> Option<[f64; 3]> {
    let scaled = neutral.map(|channel| channel / neutral[1]);
    let usable = neutral[1] > 0.0 && scaled.iter().all(|channel| (0.02..=50.0).contains(channel));
    usable.then_some(scaled)
}

/// Linear output RGB from camera RGB divided by its neutral: equal channels stay equal.
///
/// A camera matrix that cannot be inverted counts as sRGB; a neutral that no light can give is
/// balanced in the camera's channels with the matrix of D65.
#[must_use]
pub fn output_from_balanced(color: &CameraColor, neutral: [f64; 3], primaries: Primaries) -> [[f32; 3]; 3] {
    let camera_from_xyz = matrix(&color.camera_from_xyz);
    let fallback = xyz_from_rgb(Primaries::Srgb);
    let finite = camera_from_xyz.iter().all(|element| element.is_finite());
    let xyz_from_camera = camera_from_xyz.try_inverse().filter(|_| finite).unwrap_or(fallback);
    let neutral = Vector3::from(neutral);
    let white = xyz_from_camera * neutral;
    let d65 = D65.xyz();
    let xyz_from_balanced = match adapt_white(&white, &d65) {
        Some(adapt) => adapt * xyz_from_camera * Matrix3::from_diagonal(&neutral),
        None => {
            let white_of_d65 = xyz_from_camera.try_inverse().map_or(Vector3::repeat(1.0), |inverse| inverse * d65);
            xyz_from_camera * Matrix3::from_diagonal(&white_of_d65)
        }
    };
    let rgb_from_xyz = xyz_from_rgb(primaries).try_inverse().expect("standard primaries have an inverse");
    let output = rgb_from_xyz * xyz_from_balanced;
    std::array::from_fn(|row| std::array::from_fn(|column| output[(row, column)] as f32))
}

/// A row-major array as a matrix.
fn matrix(rows: &[[f64; 3]; 3]) -> Matrix3<f64> {
    Matrix3::from_fn(|row, column| rows[row][column])
}
