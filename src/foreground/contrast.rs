//! How the land beside the edge departs from the sky behind it, colour by colour.

use crate::foreground::filters::{Parts, Touching, as_weights, blur, by_rows, erode, open};
use crate::pixels::{Mask, Plane, Size};

/// Windows in which land is looked for, from near to far: solid land, and else branches.
const SOLID_WINDOWS: [f32; 2] = [3.0, 6.0];
const BRANCH_WINDOWS: [f32; 3] = [8.0, 30.0, 100.0];
/// Share of a window that must be land for it to speak.
const SOLID_SHARE: f32 = 0.03;
const BRANCH_SHARE: f32 = 1e-4;
/// A farther window must show so much stronger land to be believed.
const CLEARLY_STRONGER: f32 = 1.1;
/// Land that a disc of this radius fits into, and that is somewhere twice as broad, is no crown of twigs.
const BROAD: f32 = 12.0;

/// Land too broad to be a crown of twigs.
pub(super) fn broad_land(land: &Mask) -> Mask {
    let core = erode(land, 2.0 * BROAD);
    let parts = Parts::of(&open(land, BROAD), Touching::Edges);
    let cores = parts.sums(|idx| if core.0.samples()[idx] { 1.0 } else { 0.0 });
    parts.select(&cores.iter().map(|&n| n > 0.0).collect::<Vec<_>>())
}

/// Departure of solid land from the sky behind each pixel, with the land's mean colour over the first window that
/// holds enough of it; `otherwise` where none does.
pub(super) fn solid_contrast(
    land: &Mask,
    colors: &Plane<[f32; 3]>,
    behind: &Plane<[f32; 3]>,
    strength: &Plane<f32>,
    otherwise: &Plane<[f32; 3]>,
) -> Plane<[f32; 3]> {
    let mut contrast = otherwise.clone();
    let mut found = Mask::empty(land.size());
    for sigma in SOLID_WINDOWS {
        let window = Window::over(land, colors, strength, sigma);
        window.each(land.size(), |x, y, share, mean| {
            if share > SOLID_SHARE && !found.contains(x, y) {
                contrast.set(x, y, less(mean, behind.at(x, y)));
                found.0.set(x, y, true);
            }
        });
    }
    contrast
}

/// The strongest departure that any window around a pixel shows, near ones first.
///
/// Branches are mixed with sky: the more a pixel departs, the more it is wood alone.
pub(super) fn strongest_contrast(
    land: &Mask,
    colors: &Plane<[f32; 3]>,
    behind: &Plane<[f32; 3]>,
    strength: &Plane<f32>,
) -> Plane<[f32; 3]> {
    let cubes = strength.map(|strength| strength.powi(3));
    let mut contrast = Plane::filled(land.size(), [0.0_f32; 3]);
    for sigma in BRANCH_WINDOWS {
        let window = Window::over(land, colors, &cubes, sigma);
        window.each(land.size(), |x, y, share, mean| {
            let found = less(mean, behind.at(x, y));
            if share > BRANCH_SHARE && length(found) > CLEARLY_STRONGER * length(contrast.at(x, y)) {
                contrast.set(x, y, found);
            }
        });
    }
    contrast
}

/// Means of the land's colour over a window around every place; wide windows need no fine detail.
struct Window {
    step: usize,
    share: Plane<f32>,
    weight: Plane<f32>,
    colors: [Plane<f32>; 3],
}

impl Window {
    fn over(land: &Mask, values: &Plane<[f32; 3]>, weight: &Plane<f32>, sigma: f32) -> Self {
        let size = land.size();
        let step = (sigma / 4.0).floor().max(1.0) as usize;
        let small = |plane: &Plane<f32>| blur(&shrink(plane, step), sigma / step as f32);
        let inside = as_weights(land);
        let weighted = |factor: &(dyn Fn(usize, usize) -> f32 + Sync)| {
            by_rows(size, 0.0, |y, row| {
                for (x, value) in row.iter_mut().enumerate() {
                    *value = if land.contains(x, y) { weight.at(x, y) * factor(x, y) } else { 0.0 };
                }
            })
        };
        Self {
            step,
            share: small(&inside),
            weight: small(&weighted(&|_, _| 1.0)),
            colors: std::array::from_fn(|channel| small(&weighted(&|x, y| values.at(x, y)[channel]))),
        }
    }

    /// Hands out the share of land in the window around each pixel and its mean colour.
    fn each(&self, size: Size, mut take: impl FnMut(usize, usize, f32, [f32; 3])) {
        for y in 0..size.height {
            for x in 0..size.width {
                let (column, row) = (x / self.step, y / self.step);
                let total = self.weight.at(column, row);
                if total > 0.0 {
                    let mean = std::array::from_fn(|channel| self.colors[channel].at(column, row) / total);
                    take(x, y, self.share.at(column, row), mean);
                }
            }
        }
    }
}

/// Means over blocks of `step` by `step` pixels.
fn shrink(plane: &Plane<f32>, step: usize) -> Plane<f32> {
    if step == 1 {
        return plane.clone();
    }
    let Size { width, height } = plane.size();
    let size = Size { width: width.div_ceil(step), height: height.div_ceil(step) };
    by_rows(size, 0.0, |y, row| {
        let rows = y * step..((y + 1) * step).min(height);
        for (x, mean) in row.iter_mut().enumerate() {
            let columns = x * step..((x + 1) * step).min(width);
            let sum: f32 = rows.clone().map(|row| plane.row(row)[columns.clone()].iter().sum::<f32>()).sum();
            *mean = sum / (rows.len() * columns.len()) as f32;
        }
    })
}

pub(super) fn less(a: [f32; 3], b: [f32; 3]) -> [f32; 3] {
    std::array::from_fn(|channel| a[channel] - b[channel])
}

pub(super) fn length([red, green, blue]: [f32; 3]) -> f32 {
    (red * red + green * green + blue * blue).sqrt()
}
