//! Interpolation with fixed weights, 7 × 7 samples a pixel at most, pixels side by side in vector lanes.
//!
//! Samples as far along each axis count alike; [`Weights`] has one weight for each such group.

use pulp::{Arch, NullaryFnOnce};

use crate::calibrate::NoiseModel;
use crate::demosaic::{Pixel, floor};
use crate::pixels::{Cfa, CfaColor, Size};

/// Samples on each side that a pixel is made from.
pub(super) const REACH_PX: usize = 3;
/// Rows, and columns, from the pixel of each group at a green sample, in its row's color; for the third color they
/// change places.
pub(super) const AT_GREEN: [(usize, usize); 13] =
    [(0, 0), (0, 1), (0, 2), (0, 3), (1, 0), (2, 0), (3, 0), (1, 1), (1, 2), (2, 1), (1, 3), (3, 1), (2, 2)];
/// The same at a red or blue sample, where rows and columns count alike.
pub(super) const AT_COLOR: [(usize, usize); 8] = [(0, 0), (0, 1), (0, 2), (0, 3), (1, 1), (1, 2), (1, 3), (2, 2)];
/// Weights of the groups.
#[derive(Clone, Debug)]
pub(super) struct Weights {
    /// At a green sample the color that shares its row; with rows and columns changed, the third.
    pub(super) at_green: [f32; AT_GREEN.len()],
    /// At a red or blue sample green.
    pub(super) green: [f32; AT_COLOR.len()],
    /// There the third color.
    pub(super) other: [f32; AT_COLOR.len()],
}

/// `cfa` is seen from the first pixel; `mosaic` has [`REACH_PX`] more samples on each side of the pixels. With the noise
/// of a sample, no color comes out further below the samples around it than noise can bring it.
pub(super) fn demosaic(
    weights: &Weights,
    noise: Option<NoiseModel>,
    cfa: Cfa,
    size: Size,
    mosaic: &[f32],
    pixels: &mut [Pixel],
) {
    let unbounded = NoiseModel { read_variance: f32::INFINITY, photon_variance_per_unit: 0.0 };
    let colors = RowColors::new(size.width);
    let noise = noise.unwrap_or(unbounded);
    Arch::new().dispatch(Demosaic { weights, noise, cfa, size, mosaic, pixels, colors });
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct Demosaic<'a> {
    weights: &'a Weights,
    noise: NoiseModel,
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
            let rows = std::array::from_fn(|row| &self.mosaic[(y + row) * stride..(y + row + 1) * stride]);
            let first_is_green = self.cfa.color_at(0, y) == CfaColor::Green;
            self.colors.fill(self.weights, self.noise, &rows, first_is_green);
            let row_color = self.cfa.color_at(usize::from(first_is_green), y);
            self.colors.write(row_color == CfaColor::Red, target);
        }
    }
}

/// The colors of one row: `sampled` is the one that shares the row with green, `other` the third.
struct RowColors {
    sampled: Vec<f32>,
    green: Vec<f32>,
    other: Vec<f32>,
}

impl RowColors {
    fn new(width: usize) -> Self {
        Self { sampled: vec![0.0; width], green: vec![0.0; width], other: vec![0.0; width] }
    }

    /// Every sum at every place and a choice by parity: cheaper in vectors than steps of two.
    #[inline(always)]
    fn fill(&mut self, weights: &Weights, noise: NoiseModel, rows: &[&[f32]; 2 * REACH_PX + 1], first_is_green: bool) {
        let width = self.green.len();
        let at = |down: usize, across: usize| &rows[down][across..across + width];
        let row = |down: usize| -> [&[f32]; 2 * REACH_PX + 1] { std::array::from_fn(|across| at(down, across)) };
        let (up3, up2, up, own, down, down2, down3) = (row(0), row(1), row(2), row(3), row(4), row(5), row(6));
        let sampled = &mut self.sampled[..width];
        let green = &mut self.green[..width];
        let other = &mut self.other[..width];
        let green_parity = u32::from(!first_is_green);
        let [a00, a01, a02, a03, a10, a20, a30, a11, a12, a21, a13, a31, a22] = weights.at_green;
        for x in 0..width {
            let across = |row: &[&[f32]; 7], reach: usize| row[3 - reach][x] + row[3 + reach][x];
            let own0 = own[3][x];
            let (own1, own2, own3) = (across(&own, 1), across(&own, 2), across(&own, 3));
            let (near0, near1) = (up[3][x] + down[3][x], across(&up, 1) + across(&down, 1));
            let (near2, near3) = (across(&up, 2) + across(&down, 2), across(&up, 3) + across(&down, 3));
            let (far0, far1) = (up2[3][x] + down2[3][x], across(&up2, 1) + across(&down2, 1));
            let far2 = across(&up2, 2) + across(&down2, 2);
            let (rim0, rim1) = (up3[3][x] + down3[3][x], across(&up3, 1) + across(&down3, 1));
            // What rows and columns have in common.
            let common = a00 * own0 + a11 * near1 + a22 * far2;
            let sampled_at_green = (common + a01 * own1 + a02 * own2 + a03 * own3)
                + (a10 * near0 + a20 * far0 + a30 * rim0)
                + (a12 * near2 + a21 * far1 + a13 * near3 + a31 * rim1);
            let other_at_green = (common + a01 * near0 + a02 * far0 + a03 * rim0)
                + (a10 * own1 + a20 * own2 + a30 * own3)
                + (a12 * far1 + a21 * near2 + a13 * rim1 + a31 * near3);
            let groups = [own0, own1 + near0, own2 + far0, own3 + rim0, near1, near2 + far1, near3 + rim1, far2];
            let of_groups = |weights: &[f32; 8]| {
                let [a, b, c, d, e, f, g, h] = *weights;
                (a * groups[0] + b * groups[1] + c * groups[2] + d * groups[3])
                    + (e * groups[4] + f * groups[5] + g * groups[6] + h * groups[7])
            };
            let (green_at_color, other_at_color) = (of_groups(&weights.green), of_groups(&weights.other));
            let darker_across = own[2][x].min(own[4][x]);
            let darker_along = up[3][x].min(down[3][x]);
            let darkest_diagonal = up[2][x].min(up[4][x]).min(down[2][x].min(down[4][x]));
            let is_green = x as u32 & 1 == green_parity;
            sampled[x] = if is_green { sampled_at_green.max(floor(noise, darker_across)) } else { own0 };
            green[x] = if is_green { own0 } else { green_at_color.max(floor(noise, darker_across.min(darker_along))) };
            other[x] = if is_green {
                other_at_green.max(floor(noise, darker_along))
            } else {
                other_at_color.max(floor(noise, darkest_diagonal))
            };
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
