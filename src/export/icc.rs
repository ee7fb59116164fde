//! ICC profiles that state a [`ColorEncoding`], computed from the standards' numbers.
//!
//! Display profiles of matrix and curves after ICC.1:2022 (version 4): colorants adapted from D65 to
//! D50 by Bradford's method, parametric curves of type 3. The same encoding gives the same bytes.

use moxcms::{ColorProfile, LocalizableString, Matrix3d, ProfileText, ToneReprCurve, Xyzd};
use nalgebra::{Matrix3, Vector3};

use crate::develop::color::{D65, PCS_WHITE, adapt_white, xyz_from_rgb};
use crate::develop::transfer::{REC2020_ALPHA, REC2020_BETA};
use crate::pixels::{ColorEncoding, Primaries, Transfer};

/// Where the header holds the time of creation (ICC.1:2022, 7.2): 12 bytes.
const CREATION_TIME: std::ops::Range<usize> = 24..36;

/// 1 January 2026, 00:00:00, as six big-endian numbers: a profile of the program, not of the moment.
const CREATED: [u8; 12] = [0x07, 0xEA, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0];

/// The profile of an encoding, as it is embedded in a file.
#[must_use]
pub fn profile(encoding: ColorEncoding) -> Vec<u8> {
    let white = Vector3::from(PCS_WHITE);
    let adaptation = adapt_white(&D65.xyz(), &white).expect("D65 is a light");
    let colorants = adaptation * xyz_from_rgb(encoding.primaries);
    let colorant =
        |column: usize| Xyzd { x: colorants[(0, column)], y: colorants[(1, column)], z: colorants[(2, column)] };
    let curve = curve(encoding.transfer);
    let mut profile = ColorProfile::new_srgb();
    profile.cicp = None;
    profile.red_colorant = colorant(0);
    profile.green_colorant = colorant(1);
    profile.blue_colorant = colorant(2);
    profile.white_point = Xyzd { x: white[0], y: white[1], z: white[2] };
    profile.media_white_point = Some(profile.white_point);
    profile.chromatic_adaptation = Some(rows(&adaptation));
    profile.red_trc = Some(curve.clone());
    profile.green_trc = Some(curve.clone());
    profile.blue_trc = Some(curve);
    profile.description = Some(english(name(encoding)));
    profile.copyright = Some(english("No copyright; free to use"));
    let mut bytes = profile.encode().expect("a profile of matrix and curves can be written");
    // ICC.1:2022, 7.1.2: everything begins and the profile ends on a multiple of four bytes.
    bytes.resize(bytes.len().next_multiple_of(4), 0);
    let size = u32::try_from(bytes.len()).expect("a profile is short");
    bytes[..4].copy_from_slice(&size.to_be_bytes());
    bytes[CREATION_TIME].copy_from_slice(&CREATED);
    bytes
}

/// Light from an encoded value: Y = (a X + b)^g from d on, c X below (ICC.1:2022, 10.18, type 3).
fn curve(transfer: Transfer) -> ToneReprCurve {
    let parameters = match transfer {
        // A curve without entries is the identity.
        Transfer::Linear => return ToneReprCurve::Lut(Vec::new()),
        Transfer::Srgb => [2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.040_45],
        Transfer::Rec2020 => {
            [1.0 / 0.45, 1.0 / REC2020_ALPHA, 1.0 - 1.0 / REC2020_ALPHA, 1.0 / 4.5, 4.5 * REC2020_BETA]
        }
    };
    ToneReprCurve::Parametric(parameters.map(|parameter: f64| parameter as f32).to_vec())
}

/// A name with an even number of letters: the tag after it then begins on a multiple of four bytes.
fn name(encoding: ColorEncoding) -> &'static str {
    match (encoding.primaries, encoding.transfer) {
        (Primaries::Srgb, Transfer::Srgb) => "sRGB (IEC 61966-2-1)",
        (Primaries::Srgb, Transfer::Linear) => "sRGB, linear",
        (Primaries::Srgb, Transfer::Rec2020) => "sRGB, BT2020 curve",
        (Primaries::Rec2020, Transfer::Rec2020) => "Rec.2020 (ITU-R BT.2020)",
        (Primaries::Rec2020, Transfer::Linear) => "Rec.2020, linear",
        (Primaries::Rec2020, Transfer::Srgb) => "Rec.2020, sRGB curve",
    }
}

fn english(text: &str) -> ProfileText {
    ProfileText::Localizable(vec![LocalizableString::new("en".to_owned(), "US".to_owned(), text.to_owned())])
}

fn rows(matrix: &Matrix3<f64>) -> Matrix3d {
    Matrix3d { v: std::array::from_fn(|row| std::array::from_fn(|column| matrix[(row, column)])) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Colorants of the sRGB profile as IEC 61966-2-1:1999 amendment 1 and the ICC's own profile
    /// round them (from memory: Y of 0.2225, 0.7169, 0.0606 for D50).
    #[test]
    fn the_colorants_add_up_to_the_white_of_the_connection_space() {
        let adaptation = adapt_white(&D65.xyz(), &Vector3::from(PCS_WHITE)).expect("a light");
        let colorants = adaptation * xyz_from_rgb(Primaries::Srgb);
        for (row, expected) in PCS_WHITE.into_iter().enumerate() {
            assert!((colorants.row(row).sum() - expected).abs() < 1e-12, "row {row} of {colorants}");
        }
        for (column, expected) in [0.2225, 0.7169, 0.0606].into_iter().enumerate() {
            assert!((colorants[(1, column)] - expected).abs() < 1e-4, "luminance {column} of {colorants}");
        }
    }

    #[test]
    fn the_same_encoding_gives_the_same_bytes() {
        let encoding = ColorEncoding { primaries: Primaries::Rec2020, transfer: Transfer::Rec2020 };
        let bytes = profile(encoding);
        assert_eq!(bytes, profile(encoding), "no clock in a profile");
        assert_eq!(&bytes[36..40], b"acsp", "the signature of an ICC profile");
        let size = u32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]);
        assert_eq!(size as usize, bytes.len(), "the size that the profile states");
    }

    #[test]
    fn every_tag_begins_on_a_multiple_of_four_bytes() {
        for primaries in [Primaries::Srgb, Primaries::Rec2020] {
            for transfer in [Transfer::Linear, Transfer::Srgb, Transfer::Rec2020] {
                let bytes = profile(ColorEncoding { primaries, transfer });
                let number = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().expect("four bytes")) as usize;
                assert_eq!(bytes.len() % 4, 0, "length of {primaries:?} {transfer:?}");
                assert!(number(128) >= 9, "the tags that a matrix profile needs");
                for tag in 0..number(128) {
                    let (offset, len) = (number(132 + 12 * tag + 4), number(132 + 12 * tag + 8));
                    assert!(offset % 4 == 0 && offset + len <= bytes.len(), "tag {tag} at {offset} of {len}");
                }
            }
        }
    }
}
