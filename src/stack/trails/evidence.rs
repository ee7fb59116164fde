//! Cells of one frame against the same cells of the others: what stands out along a line.

use pulp::{Arch, NullaryFnOnce};

use crate::pixels::Size;
use crate::pixels::statistics::SIGMA_PER_MAD;
use crate::stack::clip::neighbors_of_middle;

/// Half the cells of a line.
const REACH: usize = 6;
/// Cells of a line.
const TAPS: usize = 2 * REACH + 1;
/// Directions of lines, evenly over half a turn.
const N_DIRECTIONS: usize = 24;
/// Half the edge of the square whose mean is taken off.
const BROAD_CELLS: usize = 8;
/// Cells around a block that its evidence is made from.
pub(super) const HALO_CELLS: usize = REACH + BROAD_CELLS + 1;
/// A sum along a line of so many standard deviations is left out: of the noise of a frame this takes a few cells in
/// ten thousand, which cost nothing, and of faint trails it leaves little.
const LINE_SIGMA: f32 = 4.5;
/// No noise makes a line of so many standard deviations.
const SURE_SIGMA: f32 = 8.0;
/// A single cell that stands out so far: a flash, or what is left of a hot pixel.
const CELL_SIGMA: f32 = 9.0;
/// Beside what was found, cells that stand out so far belong to it.
const FLANK_SIGMA: f32 = 1.2;
/// Cells that it grows sidewards.
const FLANK_CELLS: usize = 2;
/// A cell counts no more than this along a line, so that no star makes one; and no less than this.
const HELD: [f32; 2] = [-1.5, 3.0];
/// Share of the contrast to neighbouring cells that frames may differ by: stars between the places of the means.
const CONTRAST_SHARE: f32 = 0.3;
/// Fewer cells say nothing about the noise.
const MIN_CELLS: usize = 64;

/// The middle of all frames in each cell of a block with its halo.
pub(super) struct Center {
    size: Size,
    /// Samples around the middle: see [`neighbors_of_middle`].
    sorted: [Vec<f32>; 3],
    /// Variance that the contrast to neighbouring cells explains.
    tolerance: Vec<f32>,
}

/// The middle of the frames' levels.
pub(super) fn prepare(levels: &[Vec<f32>], size: Size) -> Center {
    let sorted = neighbors_of_middle(levels);
    let middle = &sorted[1];
    let tolerance = (0..size.area()).map(|cell| {
        let (x, y) = (cell % size.width, cell / size.width);
        let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
        for row in y.saturating_sub(1)..(y + 2).min(size.height) {
            for &level in &middle[row * size.width + x.saturating_sub(1)..row * size.width + (x + 2).min(size.width)] {
                if level < f32::INFINITY {
                    (low, high) = (low.min(level), high.max(level));
                }
            }
        }
        if high > low { (CONTRAST_SHARE * (high - low)).powi(2) } else { 0.0 }
    });
    let tolerance = tolerance.collect();
    Center { size, sorted, tolerance }
}

impl Center {
    /// The median of the frames other than the one that shows `level`; `None` where there is no other.
    fn of_others(&self, cell: usize, level: f32) -> Option<f32> {
        let [before, middle, after] = self.sorted.each_ref().map(|plane| plane[cell]);
        let other = if before == middle {
            // An even number of frames.
            if level <= middle { after } else { middle }
        } else if level < middle {
            0.5 * (middle + after)
        } else if level > middle {
            0.5 * (before + middle)
        } else {
            0.5 * (before + after)
        };
        (level < f32::INFINITY && other < f32::INFINITY).then_some(other)
    }

    /// How far each cell of a frame stands above the others, in standard deviations, and without its broad part,
    /// held back; 0 where it was not seen.
    fn deviations(&self, levels: &[f32]) -> Option<(Vec<f32>, Vec<f32>)> {
        let differences: Vec<Option<f32>> =
            (0..self.size.area()).map(|cell| Some(levels[cell] - self.of_others(cell, levels[cell])?)).collect();
        let mut sizes: Vec<f32> =
            differences.iter().step_by(3).filter_map(|found| Some(found.as_ref()?.abs())).collect();
        if sizes.len() < MIN_CELLS {
            return None;
        }
        let half = sizes.len() / 2;
        let (_, median, _) = sizes.select_nth_unstable_by(half, f32::total_cmp);
        let variance = (SIGMA_PER_MAD * *median).powi(2);
        let in_sigma = |(difference, tolerance): (&Option<f32>, &f32)| {
            difference.map_or(0.0, |difference| difference / (variance + tolerance).sqrt().max(f32::MIN_POSITIVE))
        };
        let plain: Vec<f32> = differences.iter().zip(&self.tolerance).map(in_sigma).collect();
        let held: Vec<f32> = plain.iter().map(|sigma| sigma.clamp(HELD[0], HELD[1])).collect();
        let broad = square_means(&held, self.size);
        let fine = plain.iter().zip(&broad).map(|(sigma, broad)| sigma - broad).collect();
        let held = held.iter().zip(&broad).zip(&differences);
        let held = held.map(|((sigma, broad), seen)| if seen.is_some() { sigma - broad } else { 0.0 }).collect();
        Some((fine, held))
    }
}

/// What crossed a block of a frame.
#[derive(Default)]
pub(super) struct Crossed {
    /// Places of its cells in the block with its halo.
    pub(super) cells: Vec<(usize, usize)>,
    /// Middles of lines that no noise makes.
    pub(super) n_sure: usize,
}

/// Finds the cells of a frame that something crossed.
pub(super) fn find_cells(levels: &[f32], center: &Center, inner: Size) -> Crossed {
    let Some((fine, held)) = center.deviations(levels) else { return Crossed::default() };
    let Size { width, height } = center.size;
    let mut crossed = vec![false; center.size.area()];
    let (mut any, mut n_sure) = (false, 0);
    let lines = line_sums(&held, center.size, inner);
    for (place, (&sum, &direction)) in lines.sums.iter().zip(&lines.directions).enumerate() {
        let (x, y) = (place % inner.width + HALO_CELLS, place / inner.width + HALO_CELLS);
        if sum > LINE_SIGMA * (TAPS as f32).sqrt() {
            any = true;
            n_sure += usize::from(sum > SURE_SIGMA * (TAPS as f32).sqrt());
            for (dx, dy) in taps(direction as usize) {
                crossed[y.wrapping_add_signed(dy) * width + x.wrapping_add_signed(dx)] = true;
            }
        }
        if fine[y * width + x] > CELL_SIGMA {
            (any, crossed[y * width + x]) = (true, true);
        }
    }
    if !any {
        return Crossed::default();
    }
    for _ in 0..FLANK_CELLS {
        let core = crossed.clone();
        for y in 1..height - 1 {
            for x in 1..width - 1 {
                let cell = y * width + x;
                let near = |cell: usize| core[cell - 1] || core[cell] || core[cell + 1];
                crossed[cell] |= fine[cell] > FLANK_SIGMA && (near(cell - width) || near(cell) || near(cell + width));
            }
        }
    }
    let cells = (0..crossed.len()).filter(|&cell| crossed[cell]).map(|cell| (cell % width, cell / width)).collect();
    Crossed { cells, n_sure }
}

/// Steps from the middle of a line to its cells, one a column or one a row.
fn taps(direction: usize) -> impl Iterator<Item = (isize, isize)> {
    let (sine, cosine) = (std::f64::consts::PI * direction as f64 / N_DIRECTIONS as f64).sin_cos();
    (-(REACH as isize)..=REACH as isize).map(move |step| {
        // A few cells at most.
        let other = |slope: f64| (step as f64 * slope).round() as isize;
        if cosine.abs() >= sine.abs() { (step, other(sine / cosine)) } else { (other(cosine / sine), step) }
    })
}

/// The largest sum along a line through each inner cell, and the line's direction.
struct Lines {
    sums: Vec<f32>,
    directions: Vec<f32>,
}

fn line_sums(held: &[f32], size: Size, inner: Size) -> Lines {
    let lines = Lines { sums: vec![f32::NEG_INFINITY; inner.area()], directions: vec![0.0; inner.area()] };
    let taps = (0..N_DIRECTIONS).map(|direction| taps(direction).collect()).collect();
    Arch::new().dispatch(LineSums { held, size, inner, taps, row: vec![0.0; inner.width], lines })
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct LineSums<'a> {
    held: &'a [f32],
    size: Size,
    inner: Size,
    taps: Vec<Vec<(isize, isize)>>,
    row: Vec<f32>,
    lines: Lines,
}

impl NullaryFnOnce for LineSums<'_> {
    type Output = Lines;

    #[inline(always)]
    fn call(self) -> Lines {
        let Self { held, size, inner, taps, mut row, mut lines } = self;
        let sums = lines.sums.chunks_exact_mut(inner.width);
        for (y, (best, directions)) in sums.zip(lines.directions.chunks_exact_mut(inner.width)).enumerate() {
            for (direction, taps) in taps.iter().enumerate() {
                row.fill(0.0);
                for &(dx, dy) in taps {
                    let start =
                        (y + HALO_CELLS).wrapping_add_signed(dy) * size.width + HALO_CELLS.wrapping_add_signed(dx);
                    row.iter_mut().zip(&held[start..start + inner.width]).for_each(|(sum, held)| *sum += held);
                }
                for ((best, found), &sum) in best.iter_mut().zip(directions.iter_mut()).zip(&row) {
                    *found = if sum > *best { direction as f32 } else { *found };
                    *best = if sum > *best { sum } else { *best };
                }
            }
        }
        lines
    }
}

/// Means of squares around each cell; smaller ones at the border.
fn square_means(values: &[f32], size: Size) -> Vec<f32> {
    let Size { width, height } = size;
    let range = |place: usize, len: usize| place.saturating_sub(BROAD_CELLS)..(place + BROAD_CELLS + 1).min(len);
    let mut across = vec![0.0f32; size.area()];
    for (row, across) in values.chunks_exact(width).zip(across.chunks_exact_mut(width)) {
        for (x, mean) in across.iter_mut().enumerate() {
            let range = range(x, width);
            *mean = row[range.clone()].iter().sum::<f32>() / range.len() as f32;
        }
    }
    let mut means = vec![0.0f32; size.area()];
    for (y, mean) in means.chunks_exact_mut(width).enumerate() {
        let range = range(y, height);
        let share = 1.0 / range.len() as f32;
        for row in range {
            mean.iter_mut().zip(&across[row * width..(row + 1) * width]).for_each(|(mean, row)| *mean += share * row);
        }
    }
    means
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_have_one_cell_a_step_and_pass_through_the_middle() {
        for direction in 0..N_DIRECTIONS {
            let mut cells: Vec<_> = taps(direction).collect();
            assert!(cells.contains(&(0, 0)), "direction {direction}: {cells:?}");
            assert!(cells.iter().all(|&(x, y)| x.abs().max(y.abs()) <= REACH as isize), "{cells:?}");
            cells.dedup();
            assert_eq!(cells.len(), TAPS, "no cell counts twice");
        }
    }

    #[test]
    fn the_median_of_the_others_is_that_without_ones_own() {
        let samples = [3.0f32, 9.0, 1.0, 7.0, 5.0, 4.0];
        for count in 2..=samples.len() {
            let levels: Vec<Vec<f32>> = samples[..count].iter().map(|&sample| vec![sample; 16]).collect();
            let center = prepare(&levels, Size { width: 4, height: 4 });
            for own in 0..count {
                let mut others: Vec<f32> = samples[..count].to_vec();
                others.remove(own);
                others.sort_by(f32::total_cmp);
                let expected = 0.5 * (others[(count - 2) / 2] + others[(count - 1) / 2]);
                assert_eq!(center.of_others(5, samples[own]), Some(expected), "{own} of {count}");
            }
        }
        let alone = prepare(&[vec![3.0; 16]], Size { width: 4, height: 4 });
        assert_eq!(alone.of_others(5, 3.0), None, "there is no other");
    }
}
