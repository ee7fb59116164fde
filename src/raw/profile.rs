//! The ICC profile of a developed picture: its curves undone, its primaries as the colour of the frame.
//!
//! Source: ICC.1:2022, the three-component matrix model (annex F) and the curve types (10.6, 10.18). Samples become
//! codes of the sRGB transfer function, 16 bits each, which is fine enough for any curve made for the eye, and for
//! linear light to half a code. The connection space has the white of D50; it is brought to D65 by Bradford's method.

use std::panic::{AssertUnwindSafe, catch_unwind};

use moxcms::{ColorProfile, DataColorSpace, ToneReprCurve, Xyzd};
use nalgebra::{Matrix3, Vector3};

use crate::raw::adapters::camera_color;
use crate::raw::error::Refusal;
use crate::raw::frame::RawFrame;

/// CIE XYZ of the white of the connection space, as ICC.1:2022 rounds it, and of D65 (CIE 15, 2° observer).
const D50_XYZ: [f64; 3] = [0.9642, 1.0, 0.8249];
const D65_XYZ: [f64; 3] = [0.950_47, 1.0, 1.088_83];

/// Bradford's cone responses from XYZ (as in ICC.1:2022, annex E).
const CONES_FROM_XYZ: [f64; 9] = [0.8951, 0.2664, -0.1614, -0.7502, 1.7135, 0.0367, 0.0389, -0.0685, 1.0296];

/// Gives a picture's samples and colour the meaning that its profile states.
pub(super) fn apply_profile(frame: &mut RawFrame, profile: &[u8]) -> Result<(), Refusal> {
    let Meaning { curves, color_from_xyz } = meaning_of(profile)?;
    let white = frame.white_level;
    for (plane, curve) in frame.planes.iter_mut().zip(&curves) {
        let codes: Vec<u16> =
            (0..=white).map(|code| srgb_code(light(curve, f64::from(code) / f64::from(white)))).collect();
        plane.samples_mut().iter_mut().for_each(|sample| *sample = codes[usize::from((*sample).min(white))]);
    }
    frame.white_level = u16::MAX;
    if let Some(matrix) = color_from_xyz {
        frame.color = camera_color(Some(matrix), Some([1.0; 3]));
    }
    Ok(())
}

struct Meaning {
    curves: [ToneReprCurve; 3],
    /// `None` for a grey picture, whose primaries do not matter.
    color_from_xyz: Option<Matrix3<f64>>,
}

fn meaning_of(profile: &[u8]) -> Result<Meaning, Refusal> {
    let damaged = || {
        Refusal::malformed(
            "the color profile within the picture is damaged: export it again, in sRGB or without a profile",
        )
    };
    // The parser may panic on a damaged profile; that is one more way to be damaged.
    let parsed = catch_unwind(AssertUnwindSafe(|| ColorProfile::new_from_slice(profile)));
    let profile = parsed.ok().and_then(Result::ok).ok_or_else(damaged)?;
    let checked = |curve: Option<ToneReprCurve>| curve.filter(is_sound).ok_or_else(damaged);
    match profile.color_space {
        DataColorSpace::Gray => {
            let curve = checked(profile.gray_trc)?;
            Ok(Meaning { curves: [curve.clone(), curve.clone(), curve], color_from_xyz: None })
        }
        DataColorSpace::Rgb if profile.red_trc.is_some() => {
            let columns = [profile.red_colorant, profile.green_colorant, profile.blue_colorant];
            let columns = columns.map(|Xyzd { x, y, z }| Vector3::new(x, y, z));
            let xyz_from_color = d65_from_d50() * Matrix3::from_columns(&columns);
            let color_from_xyz = xyz_from_color.try_inverse().ok_or_else(damaged)?;
            let curves = [checked(profile.red_trc)?, checked(profile.green_trc)?, checked(profile.blue_trc)?];
            Ok(Meaning { curves, color_from_xyz: Some(color_from_xyz) })
        }
        DataColorSpace::Rgb => Err(Refusal::unsupported(
            "the picture's color profile is one of tables: profiles of primaries and curves are read; export it in sRGB",
        )),
        other => Err(Refusal::unsupported(format!(
            "the picture's color profile is for {other:?}: RGB and grey are read; export it in sRGB"
        ))),
    }
}

/// Whether a curve gives a number everywhere.
fn is_sound(curve: &ToneReprCurve) -> bool {
    match curve {
        ToneReprCurve::Lut(_) => true,
        ToneReprCurve::Parametric(parameters) => {
            [1, 3, 4, 5, 7].contains(&parameters.len())
                && (0..=16).all(|step| light(curve, f64::from(step) / 16.0).is_finite())
        }
    }
}

/// Linear light, 0 to 1, of an encoded value.
fn light(curve: &ToneReprCurve, value: f64) -> f64 {
    match curve {
        ToneReprCurve::Lut(table) => match table.as_slice() {
            [] => value,
            // One entry is an exponent in 256ths.
            [gamma] => value.powf(f64::from(*gamma) / 256.0),
            entries => {
                let place = value * (entries.len() - 1) as f64;
                // Within the table, as the value lies between 0 and 1.
                let below = (place as usize).min(entries.len() - 2);
                let [low, high] = [entries[below], entries[below + 1]].map(|entry| f64::from(entry) / 65535.0);
                low + (high - low) * (place - below as f64)
            }
        },
        ToneReprCurve::Parametric(parameters) => parametric(parameters, value),
    }
}

/// ICC.1:2022, table 70: function types 0 to 4 by the number of their parameters.
fn parametric(parameters: &[f32], x: f64) -> f64 {
    let parameter = |index: usize| f64::from(parameters[index]);
    let power = |above: f64| (parameter(1) * x + parameter(2)).max(0.0).powf(parameter(0)) + above;
    match parameters.len() {
        1 => x.powf(parameter(0)),
        3 => {
            if x >= -parameter(2) / parameter(1) {
                power(0.0)
            } else {
                0.0
            }
        }
        4 => {
            if x >= -parameter(2) / parameter(1) {
                power(parameter(3))
            } else {
                parameter(3)
            }
        }
        5 => {
            if x >= parameter(4) {
                power(0.0)
            } else {
                parameter(3) * x
            }
        }
        _ => {
            if x >= parameter(4) {
                power(parameter(5))
            } else {
                parameter(3) * x + parameter(6)
            }
        }
    }
}

/// IEC 61966-2-1:1999, 5.2.
fn srgb_code(light: f64) -> u16 {
    let light = light.clamp(0.0, 1.0);
    let value = if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
    // Between 0 and 65535.
    (value * 65535.0).round() as u16
}

fn d65_from_d50() -> Matrix3<f64> {
    let cones = Matrix3::from_row_slice(&CONES_FROM_XYZ);
    let [from, to] = [D50_XYZ, D65_XYZ].map(|white| cones * Vector3::from(white));
    let gains = Matrix3::from_diagonal(&to.component_div(&from));
    cones.try_inverse().expect("the published matrix has an inverse") * gains * cones
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curves_of_every_kind_give_light() {
        let close = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-6, "{found} for {expected}");
        close(light(&ToneReprCurve::Lut(vec![]), 0.3), 0.3);
        close(light(&ToneReprCurve::Lut(vec![512]), 0.5), 0.25);
        close(light(&ToneReprCurve::Lut(vec![0, 13_107, 65_535]), 0.75), 0.6);
        close(light(&ToneReprCurve::Lut(vec![0, 13_107, 65_535]), 1.0), 1.0);
        let srgb = [2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.040_45].map(|value: f64| value as f32);
        let srgb = ToneReprCurve::Parametric(srgb.to_vec());
        // IEC 61966-2-1: half the code is 21.404 % of the light.
        close(light(&srgb, 0.5), 0.214_041_14);
        close(light(&srgb, 0.02), 0.02 / 12.92);
    }

    #[test]
    fn white_of_the_connection_space_is_white() {
        let white = d65_from_d50() * Vector3::from(D50_XYZ);
        assert!((white - Vector3::from(D65_XYZ)).amax() < 1e-12, "{white}");
    }

    #[test]
    fn nonsense_is_a_damaged_profile() {
        for bytes in [&b""[..], &[0; 200], &[0xFF; 4000]] {
            let refused = meaning_of(bytes).err().expect("no profile");
            assert!(format!("{refused:?}").contains("damaged"), "{refused:?}");
        }
    }
}
