//! [`RawFrame`] and master frames in, [`CalibratedFrame`] out: linear, 0.0 at black, 1.0 at the white level.
//!
//! A light frame is (sample − black) / (white − black), less the master dark or bias on the same scale,
//! over the master flat. Negative noise is kept. Files with the sRGB transfer function are made linear
//! first (IEC 61966-2-1).

pub mod agreement;
pub mod banding;
pub mod content;
pub mod defects;
pub mod finder;
mod kernels;
pub mod line_profile;
mod margin_lines;
pub mod masters;
mod neighbours;
pub mod noise;
#[cfg(test)]
mod scene;
pub mod transfer;

pub use agreement::{MasterKind, Masters, Mismatch, Setup};
pub use banding::{Banding, LineNoise};
pub use content::{Content, ContentMeasure};
pub use defects::{DefectPixel, Defects};
pub use finder::{DefectFinder, Suspects};
pub use line_profile::LineProfile;
pub use masters::{Built, Master, master_bias, master_dark, master_flat};
pub use noise::NoiseModel;
pub use transfer::PhotonTransfer;

use rayon::prelude::*;

use crate::calibrate::kernels::{divide_row, linear_row, mark_saturated, subtract_row, subtract_scaled_row};
use crate::pixels::{CalibratedFrame, Layout, Mask, Plane};
use crate::raw::{RawFrame, TransferFunction};

/// Rows that one task works on: long enough to pay for the task.
const ROWS_PER_TASK: usize = 32;

/// The frame with the camera's own marks taken off; panics where a master has another size or layout.
///
/// [`Masters::for_lights`] checks that once for the whole burst.
#[must_use]
pub fn calibrate(raw: &RawFrame, masters: &Masters) -> CalibratedFrame {
    let size = raw.size();
    let pedestal = masters.pedestal(raw.metadata.exposure_secs);
    let mut saturated = Mask::empty(size);
    let mut planes = Vec::with_capacity(raw.planes.len());
    for (channel, source) in raw.planes.iter().enumerate() {
        let curve = Curve::of(raw, channel);
        let flat = masters.flat().map(|flat| &flat.planes[channel]);
        let mut plane = Plane::filled(size, 0.0);
        let band = ROWS_PER_TASK * size.width;
        let bands = plane.samples_mut().par_chunks_mut(band).zip(saturated.0.samples_mut().par_chunks_mut(band));
        bands.enumerate().for_each(|(index, (target, full))| {
            let rows = target.chunks_exact_mut(size.width).zip(full.chunks_exact_mut(size.width));
            for (y, (target, full)) in (index * ROWS_PER_TASK..).zip(rows) {
                let samples = source.row(y);
                curve.apply(samples, y, target);
                mark_saturated(samples, raw.white_level, full);
                pedestal.subtract(channel, y, target);
                if let Some(flat) = flat {
                    divide_row(target, flat.row(y));
                }
            }
        });
        planes.push(plane);
    }
    CalibratedFrame { layout: raw.layout, planes, saturated }
}

/// From data numbers to linear light.
enum Curve {
    /// In proportion: black level by position of row and column, and one over the range.
    Linear { black: [[f32; 2]; 2], scale: f32 },
    /// One entry for each data number up to the white level.
    Table(Vec<f32>),
}

impl Curve {
    fn of(raw: &RawFrame, channel: usize) -> Self {
        let white = f32::from(raw.white_level);
        match (raw.transfer, raw.layout) {
            (TransferFunction::Linear, Layout::Mosaic(_)) => {
                // One scale for all positions keeps the ratio of the colours.
                let mean_black = raw.black_level.iter().sum::<f32>() / 4.0;
                let [a, b, c, d] = raw.black_level;
                Self::Linear { black: [[a, b], [c, d]], scale: 1.0 / (white - mean_black) }
            }
            (TransferFunction::Linear, Layout::Rgb) => {
                let black = raw.black_level[channel];
                Self::Linear { black: [[black; 2]; 2], scale: 1.0 / (white - black) }
            }
            (TransferFunction::Srgb, _) => Self::Table(
                (0..=raw.white_level)
                    .map(|code| linear_from_srgb(f64::from(code) / f64::from(raw.white_level)) as f32)
                    .collect(),
            ),
        }
    }

    fn apply(&self, samples: &[u16], y: usize, target: &mut [f32]) {
        match self {
            Self::Linear { black, scale } => linear_row(samples, black[y % 2], *scale, target),
            Self::Table(table) => {
                let last = table.len() - 1;
                for (target, &sample) in target.iter_mut().zip(samples) {
                    *target = table[usize::from(sample).min(last)];
                }
            }
        }
    }
}

/// The inverse of the sRGB transfer function (IEC 61966-2-1:1999, 5.2) for values from 0 to 1.
#[must_use]
pub fn linear_from_srgb(value: f64) -> f64 {
    if value <= 0.040_45 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
}

/// What is subtracted from a light frame.
enum Pedestal<'a> {
    Nothing,
    Plain(&'a Master),
    /// Bias plus the dark's own signal, in proportion to the exposure.
    Scaled {
        bias: &'a Master,
        dark: &'a Master,
        exposure_ratio: f32,
    },
}

impl Masters {
    /// Whether what stands still without light is taken off the lights, the offsets of rows and columns among it.
    #[must_use]
    pub fn takes_pedestal(&self) -> bool {
        self.bias().is_some() || self.dark().is_some()
    }

    /// The dark as it is where exposures agree or the bias is unknown; scaled where it can be; else the bias.
    fn pedestal(&self, exposure_secs: Option<f64>) -> Pedestal<'_> {
        match (self.bias(), self.dark()) {
            (None, None) => Pedestal::Nothing,
            (Some(bias), None) => Pedestal::Plain(bias),
            (None, Some(dark)) => Pedestal::Plain(dark),
            (Some(bias), Some(dark)) => match self.dark_scale(exposure_secs) {
                Some(ratio) => Pedestal::Scaled { bias, dark, exposure_ratio: ratio as f32 },
                None => Pedestal::Plain(dark),
            },
        }
    }
}

impl Pedestal<'_> {
    fn subtract(&self, channel: usize, y: usize, target: &mut [f32]) {
        match self {
            Self::Nothing => {}
            Self::Plain(master) => subtract_row(target, master.planes[channel].row(y)),
            Self::Scaled { bias, dark, exposure_ratio } => {
                subtract_scaled_row(target, bias.planes[channel].row(y), dark.planes[channel].row(y), *exposure_ratio)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Cfa, Orientation, Size};
    use crate::raw::{CameraColor, Metadata};

    fn raw(layout: Layout, transfer: TransferFunction, white_level: u16, samples: &[u16]) -> RawFrame {
        let size = Size { width: samples.len() / 2, height: 2 };
        let plane = Plane::from_vec(size, samples.to_vec()).expect("two rows");
        RawFrame {
            layout,
            planes: vec![plane; layout.n_planes()],
            black_level: if transfer == TransferFunction::Srgb { [0.0; 4] } else { [100.0, 200.0, 300.0, 400.0] },
            white_level,
            transfer,
            color: CameraColor::SRGB,
            orientation: Orientation::Normal,
            metadata: Metadata { exposure_secs: Some(10.0), ..Metadata::default() },
            margins: crate::raw::Margins::default(),
        }
    }

    fn master(raw: &RawFrame, exposure_secs: f64, value: f32) -> Master {
        let setup = Setup { exposure_secs: Some(exposure_secs), ..Setup::of(raw) };
        Master { planes: vec![Plane::filled(raw.size(), value)], setup, n_frames: 1 }
    }

    #[test]
    fn each_position_has_its_own_black_level_and_white_is_one() {
        let samples = [100, 200, 1100, 1200, 300, 400, 1300, 50];
        let raw = raw(Layout::Mosaic(Cfa::RGGB), TransferFunction::Linear, 1250, &samples);
        let frame = calibrate(&raw, &Masters::default());
        // White less mean black is 1000.
        assert_eq!(frame.planes[0].row(0), &[0.0, 0.0, 1.0, 1.0], "red and green");
        assert_eq!(frame.planes[0].row(1)[..3], [0.0, 0.0, 1.0], "green and blue");
        let below = frame.planes[0].at(3, 1);
        assert!((below + 0.35).abs() < 1e-6, "50 under a black level of 400 stays negative: {below}");
        assert_eq!(frame.saturated.count(), 1, "1300 alone is beyond the white level of 1250");
        assert!(frame.saturated.contains(2, 1), "third column of the second row");
    }

    /// IEC 61966-2-1 by its own formula: code 128 of 255 is linear 0.215 86 (common tables round to 0.2159).
    #[test]
    fn srgb_codes_become_linear_light() {
        let raw = raw(Layout::Rgb, TransferFunction::Srgb, 255, &[0, 128, 10, 255]);
        let frame = calibrate(&raw, &Masters::default());
        let expected = [0.0, 0.215_860_5, 10.0 / 255.0 / 12.92, 1.0];
        for (found, expected) in frame.planes[1].samples().iter().zip(expected) {
            assert!((found - expected).abs() < 1e-6, "found {found}, expected {expected}");
        }
    }

    #[test]
    fn a_dark_of_half_the_exposure_is_scaled_where_the_bias_is_known() {
        let raw = raw(Layout::Mosaic(Cfa::RGGB), TransferFunction::Linear, 1250, &[600, 700, 800, 900]);
        let (bias, dark) = (master(&raw, 0.001, 0.02), master(&raw, 5.0, 0.05));
        let lights = Setup::of(&raw);
        let (masters, _) = Masters::for_lights(&lights, Some(bias), Some(dark.clone()), None);
        // 0.5 less 0.02 + 2 × 0.03.
        let value = calibrate(&raw, &masters).planes[0].at(0, 0);
        assert!((value - 0.42).abs() < 1e-6, "twice the dark signal: {value}");
        let (masters, _) = Masters::for_lights(&lights, None, Some(dark), None);
        let value = calibrate(&raw, &masters).planes[0].at(0, 0);
        assert!((value - 0.45).abs() < 1e-6, "as it is without a bias: {value}");
    }

    #[test]
    fn a_dark_is_not_scaled_where_levels_or_times_do_not_go_together() {
        let mut raw = raw(Layout::Mosaic(Cfa::RGGB), TransferFunction::Linear, 1250, &[600, 700, 800, 900]);
        raw.metadata.iso = Some(3200);
        let lights = Setup::of(&raw);
        let check = |bias_iso: u32, dark_iso: u32, dark_secs: f64, expected: f32, words: &str| {
            let (mut bias, mut dark) = (master(&raw, 0.001, 0.02), master(&raw, dark_secs, 0.05));
            (bias.setup.iso, dark.setup.iso) = (Some(bias_iso), Some(dark_iso));
            let (masters, findings) = Masters::for_lights(&lights, Some(bias), Some(dark), None);
            let value = calibrate(&raw, &masters).planes[0].at(0, 0);
            assert!((value - expected).abs() < 1e-6, "{words}: {value}");
            assert!(findings.iter().any(|(_, finding)| finding.to_string().contains(words)), "{findings:?}");
        };
        check(3200, 3200, 5.0, 0.42, "scaled with the help of the bias");
        check(3200, 1600, 5.0, 0.45, "differ in ISO");
        check(1600, 3200, 5.0, 0.45, "differ in ISO");
        check(3200, 3200, 1.0, 0.45, "too short to be scaled");
        // 0.5 less 0.02 + 0.03 / 10.
        check(3200, 3200, 100.0, 0.477, "scaled with the help of the bias");
    }

    #[test]
    fn a_flat_lifts_what_it_shows_dark() {
        let raw = raw(Layout::Mosaic(Cfa::RGGB), TransferFunction::Linear, 1250, &[600, 700, 800, 900]);
        let flat = master(&raw, 1.0, 0.8);
        let (masters, _) = Masters::for_lights(&Setup::of(&raw), None, None, Some(flat));
        let value = calibrate(&raw, &masters).planes[0].at(1, 1);
        assert!((value - 0.625).abs() < 1e-6, "0.5 / 0.8: {value}");
    }
}
