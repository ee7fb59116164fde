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

/// Pieces of rows: every step is a loop of its own over one, which is sure to become vectors; one loop with all steps
/// is too long for that.
type Piece<const N: usize> = [f32; N];

#[inline(always)]
fn zipped<const N: usize>(one: &Piece<N>, other: &Piece<N>, step: impl Fn(f32, f32) -> f32) -> Piece<N> {
    let mut result = [0.0; N];
    for x in 0..N {
        result[x] = step(one[x], other[x]);
    }
    result
}

#[inline(always)]
fn sum<const N: usize>(one: &Piece<N>, other: &Piece<N>) -> Piece<N> {
    zipped(one, other, |a, b| a + b)
}

#[inline(always)]
fn lesser<const N: usize>(one: &Piece<N>, other: &Piece<N>) -> Piece<N> {
    zipped(one, other, |a, b| if a < b { a } else { b })
}

#[inline(always)]
fn greater<const N: usize>(one: &Piece<N>, other: &Piece<N>) -> Piece<N> {
    zipped(one, other, |a, b| if a > b { a } else { b })
}

/// The samples around a piece.
#[derive(Clone, Copy)]
struct Around<'a> {
    rows: &'a Rows<'a>,
    start: usize,
}

impl<'a> Around<'a> {
    #[inline(always)]
    fn at<const N: usize>(self, down: usize, across: usize) -> &'a Piece<N> {
        self.rows[down][self.start + across..self.start + across + N].try_into().expect("as many")
    }

    /// Samples as far on both sides of the middle, of one row.
    #[inline(always)]
    fn pair<const N: usize>(self, down: usize, reach: usize) -> Piece<N> {
        sum(self.at(down, REACH_PX - reach), self.at(down, REACH_PX + reach))
    }

    /// The same of the two rows at a distance.
    #[inline(always)]
    fn pairs<const N: usize>(self, distance: usize, reach: usize) -> Piece<N> {
        sum(&self.pair(REACH_PX - distance, reach), &self.pair(REACH_PX + distance, reach))
    }

    /// Samples in the middle of the two rows at a distance.
    #[inline(always)]
    fn middles<const N: usize>(self, distance: usize) -> Piece<N> {
        sum(self.at(REACH_PX - distance, REACH_PX), self.at(REACH_PX + distance, REACH_PX))
    }
}

/// The sum of pieces, each with its weight.
#[inline(always)]
fn weighed<const N: usize, const TERMS: usize>(weights: [f32; TERMS], pieces: [&Piece<N>; TERMS]) -> Piece<N> {
    let mut total = [0.0; N];
    for x in 0..N {
        let mut sum = 0.0;
        for term in 0..TERMS {
            sum += weights[term] * pieces[term][x];
        }
        total[x] = sum;
    }
    total
}

#[inline(always)]
fn floors<const N: usize>(noise: NoiseModel, darkest: &Piece<N>) -> Piece<N> {
    let mut floors = [0.0; N];
    for x in 0..N {
        floors[x] = floor(noise, darkest[x]);
    }
    floors
}

/// One or the other by parity.
#[inline(always)]
fn chosen<const N: usize>(parity: usize, here: &Piece<N>, elsewhere: &Piece<N>) -> Piece<N> {
    let mut chosen = [0.0; N];
    for x in 0..N {
        chosen[x] = if x & 1 == parity { here[x] } else { elsewhere[x] };
    }
    chosen
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
        let around = Around { rows, start };
        let at = |down: usize, across: usize| -> &Piece<N> { around.at(down, across) };
        let own = at(3, 3);
        let (own1, own2, own3) = (&around.pair(3, 1), &around.pair(3, 2), &around.pair(3, 3));
        let (near0, far0, rim0) = (&around.middles(1), &around.middles(2), &around.middles(3));
        let (near1, near2, near3) = (&around.pairs(1, 1), &around.pairs(1, 2), &around.pairs(1, 3));
        let (far1, far2, rim1) = (&around.pairs(2, 1), &around.pairs(2, 2), &around.pairs(3, 1));
        let [a00, a01, a02, a03, a10, a20, a30, a11, a12, a21, a13, a31, a22] = weights.at_green;
        // What rows and columns have in common.
        let common = weighed([a00, a11, a22], [own, near1, far2]);
        let others = [a01, a02, a03, a10, a20, a30, a12, a21, a13, a31];
        let along = weighed(others, [own1, own2, own3, near0, far0, rim0, near2, far1, near3, rim1]);
        let across = weighed(others, [near0, far0, rim0, own1, own2, own3, far1, near2, rim1, near3]);
        let groups = [
            own,
            &sum(own1, near0),
            &sum(own2, far0),
            &sum(own3, rim0),
            near1,
            &sum(near2, far1),
            &sum(near3, rim1),
            far2,
        ];
        let darker_along = lesser(at(3, 2), at(3, 4));
        let darker_across = lesser(at(2, 3), at(4, 3));
        let darkest_diagonal = lesser(&lesser(at(2, 2), at(2, 4)), &lesser(at(4, 2), at(4, 4)));
        let parity = usize::from(!first_is_green);
        let sampled = greater(&sum(&common, &along), &floors(noise, &darker_along));
        let green = greater(&weighed(weights.green, groups), &floors(noise, &lesser(&darker_along, &darker_across)));
        let other = greater(
            &chosen(parity, &sum(&common, &across), &weighed(weights.other, groups)),
            &floors(noise, &chosen(parity, &darker_across, &darkest_diagonal)),
        );
        self.sampled[start..start + N].copy_from_slice(&chosen(parity, &sampled, own));
        self.green[start..start + N].copy_from_slice(&chosen(parity, own, &green));
        self.other[start..start + N].copy_from_slice(&other);
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
