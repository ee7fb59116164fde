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
/// Places that are worked on at once: two vectors of the widest kind.
const LANES: usize = 32;

/// The rows that a row of pixels is made from.
type Rows<'a> = [&'a [f32]; 2 * REACH_PX + 1];

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
            let row = |row: usize| &self.mosaic[(y + row) * stride..(y + row + 1) * stride];
            let rows = [row(0), row(1), row(2), row(3), row(4), row(5), row(6)];
            let first_is_green = self.cfa.color_at(0, y) == CfaColor::Green;
            self.colors.fill(self.weights, self.noise, &rows, first_is_green);
            let row_color = self.cfa.color_at(usize::from(first_is_green), y);
            self.colors.write(row_color == CfaColor::Red, target);
        }
    }
}

#[inline(always)]
fn sum<const N: usize>(one: &[f32; N], other: &[f32; N]) -> [f32; N] {
    let mut sum = [0.0; N];
    for x in 0..N {
        sum[x] = one[x] + other[x];
    }
    sum
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

    /// In pieces of a fixed length, which become vectors; the few places left at the end one by one.
    #[inline(always)]
    fn fill(&mut self, weights: &Weights, noise: NoiseModel, rows: &Rows<'_>, first_is_green: bool) {
        let width = self.green.len();
        let whole = width - width % LANES;
        for start in (0..whole).step_by(LANES) {
            self.fill_piece::<LANES>(weights, noise, rows, start, first_is_green);
        }
        for start in whole..width {
            self.fill_piece::<1>(weights, noise, rows, start, first_is_green == start.is_multiple_of(2));
        }
    }

    /// Every sum at every place and a choice by parity: cheaper in vectors than steps of two.
    #[inline(always)]
    fn fill_piece<const N: usize>(
        &mut self,
        weights: &Weights,
        noise: NoiseModel,
        rows: &Rows<'_>,
        start: usize,
        first_is_green: bool,
    ) {
        let at = |down: usize, across: usize| -> &[f32; N] {
            rows[down][start + across..start + across + N].try_into().expect("as many")
        };
        // Samples as far on both sides of a row, of one row or of two.
        let pair = |down: usize, reach: usize| sum(at(down, 3 - reach), at(down, 3 + reach));
        let pairs = |distance: usize, reach: usize| sum(&pair(3 - distance, reach), &pair(3 + distance, reach));
        let middles = |distance: usize| sum(at(3 - distance, 3), at(3 + distance, 3));
        let own = at(3, 3);
        let (own1, own2, own3) = (pair(3, 1), pair(3, 2), pair(3, 3));
        let (near0, near1, near2, near3) = (middles(1), pairs(1, 1), pairs(1, 2), pairs(1, 3));
        let (far0, far1, far2) = (middles(2), pairs(2, 1), pairs(2, 2));
        let (rim0, rim1) = (middles(3), pairs(3, 1));
        let (left, right, up, down) = (at(3, 2), at(3, 4), at(2, 3), at(4, 3));
        let (up_left, up_right, down_left, down_right) = (at(2, 2), at(2, 4), at(4, 2), at(4, 4));
        let [a00, a01, a02, a03, a10, a20, a30, a11, a12, a21, a13, a31, a22] = weights.at_green;
        let sampled: &mut [f32; N] = (&mut self.sampled[start..start + N]).try_into().expect("as many");
        let green: &mut [f32; N] = (&mut self.green[start..start + N]).try_into().expect("as many");
        let other: &mut [f32; N] = (&mut self.other[start..start + N]).try_into().expect("as many");
        let green_parity = usize::from(!first_is_green);
        for x in 0..N {
            // What rows and columns have in common.
            let common = a00 * own[x] + a11 * near1[x] + a22 * far2[x];
            let sampled_at_green = (common + a01 * own1[x] + a02 * own2[x] + a03 * own3[x])
                + (a10 * near0[x] + a20 * far0[x] + a30 * rim0[x])
                + (a12 * near2[x] + a21 * far1[x] + a13 * near3[x] + a31 * rim1[x]);
            let other_at_green = (common + a01 * near0[x] + a02 * far0[x] + a03 * rim0[x])
                + (a10 * own1[x] + a20 * own2[x] + a30 * own3[x])
                + (a12 * far1[x] + a21 * near2[x] + a13 * rim1[x] + a31 * near3[x]);
            let groups = [
                own[x],
                own1[x] + near0[x],
                own2[x] + far0[x],
                own3[x] + rim0[x],
                near1[x],
                near2[x] + far1[x],
                near3[x] + rim1[x],
                far2[x],
            ];
            let of_groups = |weights: &[f32; 8]| {
                let [a, b, c, d, e, f, g, h] = *weights;
                (a * groups[0] + b * groups[1] + c * groups[2] + d * groups[3])
                    + (e * groups[4] + f * groups[5] + g * groups[6] + h * groups[7])
            };
            let (green_at_color, other_at_color) = (of_groups(&weights.green), of_groups(&weights.other));
            let darker_across = left[x].min(right[x]);
            let darker_along = up[x].min(down[x]);
            let darkest_diagonal = up_left[x].min(up_right[x]).min(down_left[x].min(down_right[x]));
            let is_green = x & 1 == green_parity;
            sampled[x] = if is_green { sampled_at_green.max(floor(noise, darker_across)) } else { own[x] };
            green[x] =
                if is_green { own[x] } else { green_at_color.max(floor(noise, darker_across.min(darker_along))) };
            // One floor for both: which samples it is of depends on the place.
            let (value, darkest) =
                if is_green { (other_at_green, darker_along) } else { (other_at_color, darkest_diagonal) };
            other[x] = value.max(floor(noise, darkest));
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
