//! The sky between the stars: a plane fitted around each cell to the sky found so far.
//!
//! Weighted least squares with a normal window (local polynomial regression, Cleveland 1979), by cells.
//! It tells what the sky looks like a little beyond the sky that is known.

use crate::foreground::evidence::cells_of;
use crate::foreground::filters::by_rows;
use crate::pixels::{Mask, Plane, Size};

/// The window is this many standard deviations wide to each side.
const WINDOW_SIGMAS: f32 = 3.0;

/// Colour of the sky by cells.
#[derive(Clone, Debug)]
pub(super) struct SkyModel {
    /// Pixels of the evidence in a cell, across and down.
    cell: usize,
    /// Red, green, blue in the middle of each cell.
    colors: [Plane<f32>; 3],
    /// Cells near enough to known sky.
    pub(super) known: Plane<bool>,
}

/// Least share of a cell that is sky for its neighbours to be told by it.
const LEAST_SHARE: f32 = 0.1;
/// Weight of a pixel at the edge of the sky: a branch may have part in it.
const EDGE_WEIGHT: f32 = 0.05;
/// Cells from known sky to the last that is told.
const REACH_CELLS: usize = 2;

impl SkyModel {
    /// Fits the pixels `sky` of `colors` with a window of `sigma_cells`.
    pub(super) fn fit(colors: &[Plane<f32>; 3], sky: &Mask, cell: usize, sigma_cells: f32) -> Self {
        let cells = cells_of(sky.size(), cell);
        let sums = cell_sums(colors, sky, cells, cell);
        let area = (cell * cell) as f32;
        let share = sums.map(|[count, ..]| count / area);
        let known = Mask(share.map(|share| share > LEAST_SHARE)).grow(REACH_CELLS).0;
        let fitted = fit_planes(&sums, &known, sigma_cells);
        Self { cell, colors: std::array::from_fn(|channel| fitted.map(|color| color[channel])), known }
    }

    /// Whether the sky is known at a pixel.
    #[inline]
    pub(super) fn knows(&self, x: usize, y: usize) -> bool {
        self.known.at(x / self.cell, y / self.cell)
    }

    /// Fills `row` with the sky at row `y` of the evidence.
    pub(super) fn row(&self, y: usize, row: &mut [[f32; 3]]) {
        let cells = self.known.size();
        let (first, next, down) = neighbours(y as f32, self.cell, cells.height);
        for channel in 0..3 {
            let (upper, lower) = (self.colors[channel].row(first), self.colors[channel].row(next));
            for (x, color) in row.iter_mut().enumerate() {
                let (left, right, across) = neighbours(x as f32, self.cell, cells.width);
                let top = upper[left] + across * (upper[right] - upper[left]);
                let bottom = lower[left] + across * (lower[right] - lower[left]);
                color[channel] = top + down * (bottom - top);
            }
        }
    }

    /// The sky at a place between pixels of the evidence.
    #[inline]
    pub(super) fn at(&self, x: f32, y: f32) -> [f32; 3] {
        let cells = self.known.size();
        let (left, right, across) = neighbours(x, self.cell, cells.width);
        let (first, next, down) = neighbours(y, self.cell, cells.height);
        std::array::from_fn(|channel| {
            let (upper, lower) = (self.colors[channel].row(first), self.colors[channel].row(next));
            let top = upper[left] + across * (upper[right] - upper[left]);
            let bottom = lower[left] + across * (lower[right] - lower[left]);
            top + down * (bottom - top)
        })
    }
}

/// The two cells whose middles enclose a place, and how far it is from the first to the second.
#[inline]
fn neighbours(place: f32, cell: usize, n: usize) -> (usize, usize, f32) {
    let exact = ((place + 0.5) / cell as f32 - 0.5).clamp(0.0, (n - 1) as f32);
    // Clamped to the axis, so the cast rounds down.
    let first = exact as usize;
    (first, (first + 1).min(n - 1), exact - first as f32)
}

/// Weight of the sky in each cell and the sums of their colours.
fn cell_sums(colors: &[Plane<f32>; 3], sky: &Mask, cells: Size, cell: usize) -> Plane<[f32; 4]> {
    let size = sky.size();
    by_rows(cells, [0.0_f32; 4], |cell_y, row| {
        for y in cell_y * cell..((cell_y + 1) * cell).min(size.height) {
            let inside = sky.0.row(y);
            let (above, below) = (sky.0.row(y.saturating_sub(1)), sky.0.row((y + 1).min(size.height - 1)));
            let [red, green, blue] = colors.each_ref().map(|plane| plane.row(y));
            for (cell_x, sums) in row.iter_mut().enumerate() {
                for x in cell_x * cell..((cell_x + 1) * cell).min(size.width) {
                    if inside[x] {
                        let edge =
                            [x > 0 && !inside[x - 1], x + 1 < size.width && !inside[x + 1], !above[x], !below[x]];
                        let weight = if edge.contains(&true) { EDGE_WEIGHT } else { 1.0 };
                        sums[0] += weight;
                        sums[1] += weight * red[x];
                        sums[2] += weight * green[x];
                        sums[3] += weight * blue[x];
                    }
                }
            }
        }
    })
}

/// Sums of a weighted fit: weight, x, y, x², xy, y², and for each colour its value alone, times x, times y.
type Moments = [f32; 15];

/// The value in the middle of a plane fitted around each known cell.
fn fit_planes(sums: &Plane<[f32; 4]>, known: &Plane<bool>, sigma_cells: f32) -> Plane<[f32; 3]> {
    let cells = sums.size();
    let reach = (WINDOW_SIGMAS * sigma_cells).ceil() as usize;
    let window: Vec<f32> = (0..=reach).map(|d| (-0.5 * (d as f32 / sigma_cells).powi(2)).exp()).collect();
    // Without enough spread of the samples the slope is held at zero.
    let ridge = 0.05 * sigma_cells * sigma_cells;
    // Places are counted from the middle of the frame, which keeps the products small.
    let place = |cell: usize, n: usize| cell as f32 - 0.5 * n as f32;
    let add = |total: &mut Moments, part: &Moments, weight: f32| {
        total.iter_mut().zip(part).for_each(|(total, part)| *total += weight * part);
    };
    let across = by_rows(cells, [0.0_f32; 15], |y, row| {
        let own: Vec<Moments> =
            (0..cells.width).map(|x| moments(&sums.at(x, y), place(x, cells.width), place(y, cells.height))).collect();
        for (x, total) in row.iter_mut().enumerate() {
            let first = x.saturating_sub(reach);
            for (other, part) in own[first..(x + reach + 1).min(cells.width)].iter().enumerate() {
                add(total, part, window[x.abs_diff(first + other)]);
            }
        }
    });
    by_rows(cells, [0.0_f32; 3], |y, row| {
        let mut totals = vec![[0.0_f32; 15]; cells.width];
        for other in y.saturating_sub(reach)..(y + reach + 1).min(cells.height) {
            for (total, part) in totals.iter_mut().zip(across.row(other)) {
                add(total, part, window[y.abs_diff(other)]);
            }
        }
        for (x, (color, total)) in row.iter_mut().zip(&totals).enumerate() {
            if known.at(x, y) {
                *color = plane_value(total, place(x, cells.width), place(y, cells.height), ridge);
            }
        }
    })
}

fn moments(&[count, red, green, blue]: &[f32; 4], x: f32, y: f32) -> Moments {
    let mut moments = [0.0; 15];
    moments[..6].copy_from_slice(&[count, count * x, count * y, count * x * x, count * x * y, count * y * y]);
    for (channel, sum) in [red, green, blue].into_iter().enumerate() {
        moments[6 + 3 * channel..][..3].copy_from_slice(&[sum, sum * x, sum * y]);
    }
    moments
}

/// The fitted plane at a place.
fn plane_value(moments: &Moments, x: f32, y: f32, ridge: f32) -> [f32; 3] {
    let weight = moments[0];
    if weight <= 1e-6 {
        return [0.0; 3];
    }
    let [mx, my, xx, xy, yy] = std::array::from_fn(|idx| moments[1 + idx] / weight);
    let (vxx, vxy, vyy) = (xx - mx * mx + ridge, xy - mx * my, yy - my * my + ridge);
    let determinant = vxx * vyy - vxy * vxy;
    std::array::from_fn(|channel| {
        let [mean, cx, cy] = std::array::from_fn(|idx| moments[6 + 3 * channel + idx] / weight);
        let (vxc, vyc) = (cx - mx * mean, cy - my * mean);
        let slope_x = (vyy * vxc - vxy * vyc) / determinant;
        let slope_y = (vxx * vyc - vxy * vxc) / determinant;
        mean + slope_x * (x - mx) + slope_y * (y - my)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slope_of_light_is_carried_on_beyond_the_known_sky() {
        let size = Size { width: 160, height: 120 };
        let slope = |x: usize, y: usize| 0.2 + 0.0005 * x as f32 + 0.001 * y as f32;
        let colors = std::array::from_fn(|_| Plane::from_fn(size, slope));
        let sky = Mask(Plane::from_fn(size, |_, y| y < 80));
        let model = SkyModel::fit(&colors, &sky, 8, 3.0);
        assert!(model.knows(80, 90) && !model.knows(80, 110), "two cells beyond are told, four are not");
        let expected = slope(80, 84);
        let told = model.at(80.0, 84.0)[1];
        // The ridge that steadies the fit holds the slope back by a seventh: 0.0035 over the 24 rows to the window's
        // middle.
        assert!((told - expected).abs() < 0.015 * expected, "told {told}, is {expected}");
    }
}
