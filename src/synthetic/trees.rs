//! Bare trees: branching straight pieces, each thinner than the one it grows from.

use crate::pixels::Size;
use crate::synthetic::noise::{hash, normal_share_below, unit};

/// Edge of a square of the frame that knows which pieces touch it.
const CELL_PX: f64 = 32.0;

/// Pixels around the frame in which pieces are kept; a knock may bring them into view.
const MARGIN_PX: f64 = 256.0;

/// Light of a piece reaches this far beyond its edge.
const SOFT_PX: f64 = 8.0;

/// A wood of bare trees.
#[derive(Clone, Debug)]
pub(super) struct Trees {
    pieces: Vec<Piece>,
    columns: usize,
    cells: Vec<Vec<u32>>,
}

/// A straight piece of a branch, pixels.
#[derive(Clone, Copy, Debug)]
struct Piece {
    from: [f64; 2],
    along: [f64; 2],
    width: f64,
}

impl Trees {
    /// Trees that stand on `ground` (a height for each place across, both in widths of the frame).
    pub(super) fn new(size: Size, ground: &dyn Fn(f32) -> f32, seed: u32) -> Self {
        let width = size.width as f64;
        let mut pieces = Vec::new();
        for index in 0..11 {
            let number = |salt: i32| f64::from(unit(hash(index, salt, 0, seed.wrapping_add(800))));
            let u = (f64::from(index) + 0.2 + 0.6 * number(0)) / 11.0;
            let foot = [u * width, (f64::from(ground(u as f32)) + 0.01) * width];
            let height = (0.05 + 0.055 * number(1)) * width;
            grow(
                &mut pieces,
                foot,
                -std::f64::consts::FRAC_PI_2 + 0.12 * (number(2) - 0.5),
                height,
                0.05 * height,
                [index, 1],
                seed,
            );
        }
        let columns = ((width + 2.0 * MARGIN_PX) / CELL_PX) as usize + 1;
        let rows = ((size.height as f64 + 2.0 * MARGIN_PX) / CELL_PX) as usize + 1;
        let mut cells = vec![Vec::new(); columns * rows];
        for (index, piece) in pieces.iter().enumerate() {
            let reach = 0.5 * piece.width + SOFT_PX;
            let span = |axis: usize, n: usize| {
                let ends = [piece.from[axis], piece.from[axis] + piece.along[axis]];
                let cell = |place: f64| (((place + MARGIN_PX) / CELL_PX).max(0.0) as usize).min(n - 1);
                cell(ends[0].min(ends[1]) - reach)..=cell(ends[0].max(ends[1]) + reach)
            };
            for row in span(1, rows) {
                for column in span(0, columns) {
                    cells[row * columns + column].push(index as u32);
                }
            }
        }
        Self { pieces, columns, cells }
    }

    /// Share of a place that is wood, seen through a lens with normal blur.
    pub(super) fn covered(&self, x: f64, y: f64, blur_sigma_px: f64) -> f32 {
        let cell = |place: f64| ((place + MARGIN_PX) / CELL_PX).max(0.0) as usize;
        let column = cell(x).min(self.columns - 1);
        let Some(near) = self.cells.get(cell(y) * self.columns + column) else { return 0.0 };
        let mut open = 1.0;
        for &index in near {
            let piece = &self.pieces[index as usize];
            let distance = piece.distance(x, y);
            if distance < 0.5 * piece.width + SOFT_PX {
                let below = |edge: f64| normal_share_below(edge / blur_sigma_px);
                open *= 1.0 - (below(distance + 0.5 * piece.width) - below(distance - 0.5 * piece.width));
            }
        }
        (1.0 - open) as f32
    }
}

impl Piece {
    fn distance(&self, x: f64, y: f64) -> f64 {
        let (dx, dy) = (x - self.from[0], y - self.from[1]);
        let [along_x, along_y] = self.along;
        let t = ((dx * along_x + dy * along_y) / (along_x * along_x + along_y * along_y)).clamp(0.0, 1.0);
        (dx - t * along_x).hypot(dy - t * along_y)
    }
}

/// Adds a branch and all that grows from it; `name` tells branches of one wood apart.
fn grow(pieces: &mut Vec<Piece>, from: [f64; 2], angle: f64, length: f64, width: f64, name: [i32; 2], seed: u32) {
    let along = [0.45 * length * angle.cos(), 0.45 * length * angle.sin()];
    pieces.push(Piece { from, along, width: width.max(0.35) });
    let generation = 31 - name[1].leading_zeros();
    if length < 6.0 || generation >= 8 {
        return;
    }
    let tip = [from[0] + along[0], from[1] + along[1]];
    let number = |salt: i32| f64::from(unit(hash(name[0], name[1], salt, seed.wrapping_add(810))));
    for (side, sign) in [(0, -1.0), (1, 1.0)] {
        let turn = sign * (0.18 + 0.55 * number(side)) + 0.1 * (number(4) - 0.5);
        let share = 0.66 + 0.22 * number(2 + side);
        grow(pieces, tip, angle + turn, share * length, 0.62 * width, [name[0], 2 * name[1] + side], seed);
    }
}
