//! A sample against its surroundings, and medians of few numbers.
//!
//! Two pixels away along a row or column the colour of a mosaic is the same; in separate planes the same
//! distance is kept, since demosaicing has spread every defect over its direct neighbours.

use pulp::Arch;

use crate::calibrate::noise::NoiseModel;
use crate::pixels::statistics::median;
use crate::pixels::{CfaColor, Layout, Plane};

/// Distance of the nearest pixel of the same colour along a row or column of a mosaic.
const SAME_COLOR_PX: usize = 2;
/// Columns tested together before one is looked at.
const LANES: usize = 32;

/// The eight nearest pixels along rows, columns and diagonals, one pixel away.
const RING: [(isize, isize); 8] = [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)];
/// The nearest pixels of the colour of half of all pixels: diagonals, then two away.
const GREEN_RING: [(isize, isize); 8] = [(-1, -1), (1, -1), (-1, 1), (1, 1), (0, -2), (-2, 0), (2, 0), (0, 2)];

/// Columns of row `y` that differ by `n_sigma` from at least three of their four same-colour neighbours.
///
/// A pixel beside a defect of the same colour is so compared with the others alone. Two rows and columns at
/// the rim have no neighbours on one side and take those of the other side twice.
pub(super) fn row_suspects(plane: &Plane<f32>, y: usize, noise: &NoiseModel, n_sigma: f32, found: &mut Vec<usize>) {
    let (width, height) = (plane.width(), plane.height());
    if width <= 2 * SAME_COLOR_PX || height <= 2 * SAME_COLOR_PX {
        return;
    }
    let row = plane.row(y);
    let above = plane.row(y.checked_sub(SAME_COLOR_PX).unwrap_or(y + SAME_COLOR_PX));
    let below = plane.row(if y + SAME_COLOR_PX < height { y + SAME_COLOR_PX } else { y - SAME_COLOR_PX });
    let test =
        Test { read: noise.read_variance, photon: noise.photon_variance_per_unit, n_sigma_squared: n_sigma * n_sigma };
    let inner = SAME_COLOR_PX..width - SAME_COLOR_PX;
    for x in 0..SAME_COLOR_PX {
        found.extend(test.stands_out(row[x], [row[x + 2], row[x + 2], above[x], below[x]]).then_some(x));
    }
    Arch::new().dispatch(|| {
        let mut x = inner.start;
        while x + LANES <= inner.end {
            let center: &[f32; LANES] = lanes(row, x);
            let (left, right) = (lanes(row, x - SAME_COLOR_PX), lanes(row, x + SAME_COLOR_PX));
            let (above, below) = (lanes(above, x), lanes(below, x));
            let mut any = false;
            for lane in 0..LANES {
                any |= test.stands_out(center[lane], [left[lane], right[lane], above[lane], below[lane]]);
            }
            if any {
                let stands_out = |lane: &usize| {
                    test.stands_out(center[*lane], [left[*lane], right[*lane], above[*lane], below[*lane]])
                };
                found.extend((0..LANES).filter(stands_out).map(|lane| x + lane));
            }
            x += LANES;
        }
        for x in x..inner.end {
            found.extend(test.stands_out(row[x], [row[x - 2], row[x + 2], above[x], below[x]]).then_some(x));
        }
    });
    for x in inner.end..width {
        found.extend(test.stands_out(row[x], [row[x - 2], row[x - 2], above[x], below[x]]).then_some(x));
    }
}

#[inline(always)]
fn lanes(row: &[f32], x: usize) -> &[f32; LANES] {
    row[x..].first_chunk().expect("the caller stays within the row")
}

#[derive(Clone, Copy)]
struct Test {
    read: f32,
    photon: f32,
    n_sigma_squared: f32,
}

impl Test {
    /// Whether the center is beyond the second greatest or second least of its neighbours by the threshold.
    #[inline(always)]
    fn stands_out(self, center: f32, [a, b, c, d]: [f32; 4]) -> bool {
        let (ab_high, ab_low) = (greater(a, b), lesser(a, b));
        let (cd_high, cd_low) = (greater(c, d), lesser(c, d));
        let second_high = greater(lesser(ab_high, cd_high), greater(ab_low, cd_low));
        let second_low = lesser(greater(ab_low, cd_low), lesser(ab_high, cd_high));
        let over = center - second_high;
        let under = second_low - center;
        let beyond = greater(greater(over, under), 0.0);
        // The higher level has the larger variance: the test errs on the safe side.
        let variance = self.read + self.photon * greater(second_high, 0.0);
        beyond * beyond > self.n_sigma_squared * variance
    }
}

/// Unlike `f32::max` one instruction: which operand a NaN gives does not matter here.
#[inline(always)]
fn greater(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

#[inline(always)]
fn lesser(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// What stands around a pixel.
pub(super) struct Surroundings {
    /// Of the neighbours of the same colour.
    pub(super) level: f32,
    /// Over that level.
    pub(super) excess: f32,
    /// Of the pixels that light would reach, each over its own colour farther out; 0 outside the plane.
    pub(super) around: [f32; 8],
}

/// `None` in planes too small for neighbours.
pub(super) fn surroundings(plane: &Plane<f32>, x: usize, y: usize) -> Option<Surroundings> {
    let level = level_around(plane, x, y, SAME_COLOR_PX as isize, None)?;
    let mut around = [0.0; 8];
    // The four pixels beside, and the four of the same colour.
    let steps = [1, SAME_COLOR_PX as isize].map(|step| [(step, 0), (-step, 0), (0, step), (0, -step)]);
    for (excess, &(dx, dy)) in around.iter_mut().zip(steps.iter().flatten()) {
        let Some((near_x, near_y)) = place(plane, x, y, dx, dy) else { continue };
        // On the rim a pixel may have no neighbour of its colour that the light would not reach as well.
        let background = level_around(plane, near_x, near_y, SAME_COLOR_PX as isize, Some((x, y)));
        let Some(background) = background else { continue };
        *excess = plane.at(near_x, near_y) - background;
    }
    Some(Surroundings { level, excess: plane.at(x, y) - level, around })
}

/// The median of the ring at a distance, without the pixels within two of `apart_from`.
fn level_around(
    plane: &Plane<f32>,
    x: usize,
    y: usize,
    distance: isize,
    apart_from: Option<(usize, usize)>,
) -> Option<f32> {
    let is_apart = |&(x, y): &(usize, usize)| {
        apart_from.is_none_or(|(from_x, from_y)| x.abs_diff(from_x).max(y.abs_diff(from_y)) > SAME_COLOR_PX)
    };
    let ring = RING.iter().filter_map(|&(dx, dy)| place(plane, x, y, distance * dx, distance * dy));
    median_of_few(ring.filter(is_apart).map(|(x, y)| plane.at(x, y)))
}

/// The median of the nearest good pixels of the same colour, nearest ring first; `None` where there are none.
pub(super) fn repaired(
    band: &Plane<f32>,
    layout: Layout,
    (x, y): (usize, usize),
    is_good: impl Fn(usize, usize) -> bool,
) -> Option<f32> {
    let (ring, distance) = match layout {
        Layout::Mosaic(cfa) if cfa.color_at(x, y) == CfaColor::Green => (&GREEN_RING, 1),
        Layout::Mosaic(_) => (&RING, SAME_COLOR_PX as isize),
        Layout::Rgb => (&RING, 1),
    };
    // Twice and three times the distance keep the colour.
    (1..=3).find_map(|times| {
        let places =
            ring.iter().filter_map(|&(dx, dy)| place(band, x, y, times * distance * dx, times * distance * dy));
        median_of_few(places.filter(|&(x, y)| is_good(x, y)).map(|(x, y)| band.at(x, y)))
    })
}

fn place(plane: &Plane<f32>, x: usize, y: usize, dx: isize, dy: isize) -> Option<(usize, usize)> {
    let x = x.checked_add_signed(dx).filter(|&x| x < plane.width())?;
    let y = y.checked_add_signed(dy).filter(|&y| y < plane.height())?;
    Some((x, y))
}

/// The median of at most eight numbers.
fn median_of_few(values: impl Iterator<Item = f32>) -> Option<f32> {
    let mut few = [0.0; 8];
    let n = few.iter_mut().zip(values).map(|(slot, value)| *slot = value).count();
    median(&mut few[..n])
}

/// The median of a measure over at most `n_most` items, evenly spread; 0 where there are none.
pub(super) fn at_stride<T>(items: &[T], n_most: usize, measure: impl Fn(&T) -> f32) -> f32 {
    let stride = items.len().div_ceil(n_most).max(1);
    let mut values: Vec<f32> = items.iter().step_by(stride).map(measure).collect();
    median(&mut values).unwrap_or(0.0)
}

/// The median of some numbers; `None` where there are none.
pub(super) fn median_of(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}
