//! Is a decoded picture whole? Decoders return `Ok` for files that hold half of one, or none.
//!
//! What a decoder makes of missing data is regular: rows of one level, or (lossless JPEG fed with zero
//! bits) samples that grow by the same step from column to column of one colour. A sensor's noise is
//! never regular over a whole row, so such rows at the end of a raw are missing data.

use crate::pixels::{Layout, Plane};
use crate::raw::error::Refusal;
use crate::raw::frame::{RawFrame, TransferFunction};

/// Fewer regular rows at the end are let pass: a camera may mask some.
const MIN_MISSING_ROWS: usize = 8;
/// A row needs this many samples of each column parity for its regularity to mean something.
const MIN_ROW: usize = 16;

/// Refuses a frame without signal, and a raw whose last rows are missing.
pub(super) fn check_plausible(frame: &RawFrame) -> Result<(), Refusal> {
    let first = frame.planes[0].samples()[0];
    if frame.planes.iter().all(|plane| plane.samples().iter().all(|&sample| sample == first)) {
        return Err(Refusal::malformed(format!(
            "every sample is {first}: the file holds no picture, only its description; copy it from the card again"
        )));
    }
    // A developed picture may well end in black; a sensor does not.
    if frame.transfer == TransferFunction::Srgb {
        return Ok(());
    }
    let step = match frame.layout {
        Layout::Mosaic(_) => 2,
        Layout::Rgb => 1,
    };
    let height = frame.size().height;
    let whole = frame.planes.iter().map(|plane| rows_with_noise(plane, step)).max().unwrap_or(0);
    if height - whole >= MIN_MISSING_ROWS {
        return Err(Refusal::malformed(format!(
            "the picture ends at row {whole} of {height}: the file is truncated; copy it from the card again"
        )));
    }
    Ok(())
}

/// Rows up to the last that is not regular.
fn rows_with_noise(plane: &Plane<u16>, step: usize) -> usize {
    (0..plane.height()).rev().find(|&y| !is_regular(plane.row(y), step)).map_or(0, |y| y + 1)
}

/// Whether samples of one colour grow by one and the same step along the row.
fn is_regular(row: &[u16], step: usize) -> bool {
    if row.len() < MIN_ROW * step {
        return false;
    }
    (0..step).all(|phase| {
        let growth = row[phase + step].wrapping_sub(row[phase]);
        row.iter()
            .skip(phase)
            .step_by(step)
            .zip(row.iter().skip(phase + step).step_by(step))
            .all(|(&sample, &next)| next.wrapping_sub(sample) == growth)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Cfa, Orientation, Size};
    use crate::raw::frame::{CameraColor, Metadata};

    fn frame(sample: impl FnMut(usize, usize) -> u16) -> RawFrame {
        RawFrame {
            layout: Layout::Mosaic(Cfa::RGGB),
            planes: vec![Plane::from_fn(Size { width: 64, height: 100 }, sample)],
            black_level: [0.0; 4],
            white_level: 16_383,
            transfer: TransferFunction::Linear,
            color: CameraColor::SRGB,
            orientation: Orientation::Normal,
            metadata: Metadata::default(),
            margins: crate::raw::Margins::default(),
        }
    }

    /// Scrambled enough that no row is regular.
    fn noise(x: usize, y: usize) -> u16 {
        ((x * 7919 + y * 104_729) % 9973 % 97) as u16
    }

    #[test]
    fn a_frame_of_one_level_holds_no_picture() {
        let refused = check_plausible(&frame(|_, _| 0)).expect_err("zeros");
        assert!(format!("{refused:?}").contains("every sample is 0"), "says what was found: {refused:?}");
    }

    #[test]
    fn rows_that_grow_by_one_step_are_missing_data() {
        let refused =
            check_plausible(&frame(|x, y| if y < 40 { noise(x, y) } else { (3 * x) as u16 })).expect_err("cut");
        assert!(format!("{refused:?}").contains("row 40 of 100"), "says where: {refused:?}");
    }

    #[test]
    fn a_whole_frame_and_a_few_masked_rows_pass() {
        assert!(check_plausible(&frame(noise)).is_ok(), "noise to the last row");
        assert!(check_plausible(&frame(|x, y| if y < 96 { noise(x, y) } else { 0 })).is_ok(), "four masked rows");
    }
}
