//! Linear interpolation corrected by the gradient of the sampled colour, 5 × 5 samples a pixel.
//!
//! Source: H. S. Malvar, L. He, R. Cutler, "High-quality linear interpolation for demosaicing of
//! Bayer-patterned color images", ICASSP 2004, figure 2: coefficients in eighths.

use pulp::{Arch, NullaryFnOnce};

use crate::demosaic::Pixel;
use crate::pixels::{Cfa, CfaColor, Size};

/// Samples on each side that a pixel is made from.
pub(super) const REACH_PX: usize = 2;

/// `cfa` is seen from the first pixel; `mosaic` has [`REACH_PX`] more samples on each side of the pixels.
pub(super) fn demosaic(cfa: Cfa, size: Size, mosaic: &[f32], pixels: &mut [Pixel]) {
    let colors = RowColors::new(size.width);
    Arch::new().dispatch(Demosaic { cfa, size, mosaic, pixels, colors });
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct Demosaic<'a> {
    cfa: Cfa,
    size: Size,
    mosaic: &'a [f32],
    pixels: &'a mut [Pixel],
    colors: RowColors,
}

impl NullaryFnOnce for Demosaic<'_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        let stride = self.size.width + 2 * REACH_PX;
        for (y, target) in self.pixels.chunks_exact_mut(self.size.width).enumerate() {
            let row = |row: usize| &self.mosaic[(y + row) * stride..(y + row + 1) * stride];
            let rows = [row(0), row(1), row(2), row(3), row(4)];
            let first_is_green = self.cfa.color_at(0, y) == CfaColor::Green;
            self.colors.fill(&rows, first_is_green);
            let row_color = self.cfa.color_at(usize::from(first_is_green), y);
            self.colors.write(row_color == CfaColor::Red, target);
        }
    }
}

/// The colours of one row: `sampled` is the one that shares the row with green, `other` the third.
struct RowColors {
    sampled: Vec<f32>,
    green: Vec<f32>,
    other: Vec<f32>,
}

impl RowColors {
    fn new(width: usize) -> Self {
        Self { sampled: vec![0.0; width], green: vec![0.0; width], other: vec![0.0; width] }
    }

    /// Every formula at every place and a choice by parity: cheaper in vectors than steps of two.
    #[inline(always)]
    fn fill(&mut self, rows: &[&[f32]; 5], first_is_green: bool) {
        let width = self.green.len();
        let at = |row: usize, column: usize| &rows[row][column..column + width];
        let center = at(2, 2);
        let (left, right, left2, right2) = (at(2, 1), at(2, 3), at(2, 0), at(2, 4));
        let (up, down, up2, down2) = (at(1, 2), at(3, 2), at(0, 2), at(4, 2));
        let (up_left, up_right, down_left, down_right) = (at(1, 1), at(1, 3), at(3, 1), at(3, 3));
        let sampled = &mut self.sampled[..width];
        let green = &mut self.green[..width];
        let other = &mut self.other[..width];
        let green_parity = u32::from(!first_is_green);
        for x in 0..width {
            let c = center[x];
            let across = left[x] + right[x];
            let across2 = left2[x] + right2[x];
            let along = up[x] + down[x];
            let along2 = up2[x] + down2[x];
            let diagonal = (up_left[x] + up_right[x]) + (down_left[x] + down_right[x]);
            let far = across2 + along2;
            let green_at_color = 0.5 * c + 0.25 * (across + along) - 0.125 * far;
            let other_at_color = 0.75 * c + 0.25 * diagonal - 0.1875 * far;
            let sampled_at_green = 0.625 * c + 0.5 * across - 0.125 * (across2 + diagonal) + 0.0625 * along2;
            let other_at_green = 0.625 * c + 0.5 * along - 0.125 * (along2 + diagonal) + 0.0625 * across2;
            let is_green = x as u32 & 1 == green_parity;
            sampled[x] = if is_green { sampled_at_green } else { c };
            green[x] = if is_green { c } else { green_at_color };
            other[x] = if is_green { other_at_green } else { other_at_color };
        }
    }

    #[inline(always)]
    fn write(&self, sampled_is_red: bool, pixels: &mut [Pixel]) {
        let (red, blue) = if sampled_is_red { (&self.sampled, &self.other) } else { (&self.other, &self.sampled) };
        let (red, green, blue) = (&red[..pixels.len()], &self.green[..pixels.len()], &blue[..pixels.len()]);
        for (x, pixel) in pixels.iter_mut().enumerate() {
            *pixel = [red[x], green[x], blue[x], 1.0];
        }
    }
}
