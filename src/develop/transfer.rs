//! Transfer functions and their inverses: light, 0.0 to 1.0, to an encoded value, 0.0 to 1.0.
//!
//! Sources: IEC 61966-2-1:1999 (sRGB); ITU-R BT.2020-2 (10/2015), table 4, with the exact constants
//! that its two conditions give.

use crate::pixels::Transfer;

/// The α of ITU-R BT.2020 table 4: the solution of α = 1 + 5.5 β, 4.5 β = α β^0.45 − (α − 1).
pub const REC2020_ALPHA: f64 = 1.099_296_826_809_443;

/// The β of ITU-R BT.2020 table 4, with [`REC2020_ALPHA`].
pub const REC2020_BETA: f64 = 0.018_053_968_510_807_8;

/// The encoded value of an amount of light.
#[must_use]
pub fn encode(transfer: Transfer, light: f64) -> f64 {
    match transfer {
        Transfer::Linear => light,
        Transfer::Srgb if light <= 0.003_130_8 => 12.92 * light,
        Transfer::Srgb => 1.055 * light.powf(1.0 / 2.4) - 0.055,
        Transfer::Rec2020 if light < REC2020_BETA => 4.5 * light,
        Transfer::Rec2020 => REC2020_ALPHA * light.powf(0.45) - (REC2020_ALPHA - 1.0),
    }
}

/// The amount of light of an encoded value.
#[must_use]
pub fn decode(transfer: Transfer, encoded: f64) -> f64 {
    match transfer {
        Transfer::Linear => encoded,
        Transfer::Srgb if encoded <= 0.040_45 => encoded / 12.92,
        Transfer::Srgb => ((encoded + 0.055) / 1.055).powf(2.4),
        Transfer::Rec2020 if encoded < 4.5 * REC2020_BETA => encoded / 4.5,
        Transfer::Rec2020 => ((encoded + (REC2020_ALPHA - 1.0)) / REC2020_ALPHA).powf(1.0 / 0.45),
    }
}

/// A transfer function as a table of 16-bit codes: within a fifth of a code, with no power to compute.
#[derive(Clone, Debug, PartialEq)]
pub struct TransferTable(Box<[[f32; 2]; N_STEPS + 1]>);

/// Steps of the table over the square root of the light, where the curves are nearly straight.
const N_STEPS: usize = 2048;

impl TransferTable {
    /// The table of a transfer function.
    #[must_use]
    pub fn new(transfer: Transfer) -> Self {
        let code = |step: usize| {
            let root = step.min(N_STEPS) as f64 / N_STEPS as f64;
            (65535.0 * encode(transfer, root * root)) as f32
        };
        Self(Box::new(std::array::from_fn(|step| [code(step), code(step + 1) - code(step)])))
    }

    /// The code of an amount of light, 0.0 to 65535.0, not yet rounded; clips at both ends.
    #[must_use]
    #[inline]
    pub fn code(&self, light: f32) -> f32 {
        self.code_at(Self::position(light))
    }

    /// Where an amount of light is found in a table.
    #[must_use]
    #[inline(always)]
    #[allow(clippy::manual_clamp, reason = "clamp would let not-a-number through")]
    pub(super) fn position(light: f32) -> f32 {
        light.max(0.0).min(1.0).sqrt() * N_STEPS as f32
    }

    /// The code at a position: the step's own and a share of the way to the next.
    #[must_use]
    #[inline(always)]
    pub(super) fn code_at(&self, position: f32) -> f32 {
        let step = position as u32;
        let [code, rise] = self.0[step as usize];
        code + (position - step as f32) * rise
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, tolerance: f64, what: &str) {
        assert!((found - expected).abs() <= tolerance, "{what}: {found} instead of {expected}");
    }

    #[test]
    fn the_curves_meet_at_their_knees_as_the_standards_say() {
        // IEC 61966-2-1: 0.0031308 and 0.04045 belong together to the rounding of the printed constants.
        close(encode(Transfer::Srgb, 0.003_130_8), 0.04045, 1e-6, "sRGB at the end of its straight part");
        close(1.055 * 0.003_130_8_f64.powf(1.0 / 2.4) - 0.055, 0.04045, 1e-6, "sRGB at the start of its curved part");
        // ITU-R BT.2020: α and β are rounded to 1.0993 and 0.0181 for 12 bits.
        close(REC2020_ALPHA, 1.0993, 5e-5, "alpha for 12 bits");
        close(REC2020_BETA, 0.0181, 5e-5, "beta for 12 bits");
        close(REC2020_ALPHA, 1.0 + 5.5 * REC2020_BETA, 1e-14, "equal slopes at the knee");
        let curved = REC2020_ALPHA * REC2020_BETA.powf(0.45) - (REC2020_ALPHA - 1.0);
        close(curved, 4.5 * REC2020_BETA, 1e-14, "equal values at the knee");
    }

    #[test]
    fn decoding_undoes_encoding() {
        for transfer in [Transfer::Linear, Transfer::Srgb, Transfer::Rec2020] {
            for step in 0..=1000 {
                let light = f64::from(step) / 1000.0;
                // The printed constants of sRGB leave a gap of 4e-8 at its knee.
                close(decode(transfer, encode(transfer, light)), light, 1e-7, "light there and back");
            }
        }
    }

    #[test]
    fn the_table_is_within_a_fifth_of_a_code_and_clips_at_both_ends() {
        for transfer in [Transfer::Linear, Transfer::Srgb, Transfer::Rec2020] {
            let table = TransferTable::new(transfer);
            for step in 0..=200_000 {
                let light = step as f32 / 200_000.0;
                let exact = 65535.0 * encode(transfer, f64::from(light));
                close(f64::from(table.code(light)), exact, 0.2, "a code of the table");
            }
            assert_eq!(table.code(-0.5), 0.0, "negative noise is black");
            assert_eq!(table.code(7.0), 65535.0, "too much light is white");
            assert_eq!(table.code(f32::NAN), 0.0, "no number is black");
        }
    }
}
