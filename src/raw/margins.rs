//! What the masked margins of a sensor show: pixels that no light reaches, read out with the rows and columns of the
//! picture, so that they carry the offsets of these and nothing else.
//!
//! Of each row (and column) of the visible area two means are kept, each of half of the masked pixels beside it: what
//! the halves have in common is the line's.

use std::ops::Range;

use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{Rect, Size};

/// Fewer masked pixels beside a line tell too little.
const MIN_PX: usize = 8;
/// A masked pixel may be hot: it is held this many standard deviations from the middle of its line.
const HOLD_SIGMA: f32 = 4.0;

/// Means beside the lines of the visible area, in data numbers over black.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Margins {
    /// One for each row of the frame.
    pub rows: Option<LineMeans>,
    /// One for each column.
    pub columns: Option<LineMeans>,
}

/// Means of two halves of the masked pixels beside each line.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LineMeans {
    /// Line by line.
    pub halves: [Vec<f32>; 2],
}

/// The samples of a whole sensor, row by row, and what is visible of it.
pub(super) struct Sensor<'a> {
    pub(super) samples: &'a [u16],
    pub(super) stored: Size,
    pub(super) visible: Rect,
    /// By position of the visible area, `2 * (y % 2) + x % 2`.
    pub(super) black_level: [f32; 4],
}

impl Sensor<'_> {
    /// What the masked areas tell; parts of them that lie beside no line, or in the visible area, count for nothing.
    pub(super) fn margins(&self, masked: &[Rect]) -> Margins {
        let Rect { x, y, size } = self.visible;
        let (columns, rows) = (x..x + size.width, y..y + size.height);
        let beside = |along: &Range<usize>, is_row: bool| -> Vec<usize> {
            let spans = |area: &&Rect| {
                let (start, len) = if is_row { (area.y, area.size.height) } else { (area.x, area.size.width) };
                start <= along.start && start.saturating_add(len) >= along.end
            };
            let places = |area: &Rect| {
                if is_row {
                    area.x..area.x.saturating_add(area.size.width)
                } else {
                    area.y..area.y.saturating_add(area.size.height)
                }
            };
            let (own, end) = if is_row { (&columns, self.stored.width) } else { (&rows, self.stored.height) };
            let mut found: Vec<usize> = masked
                .iter()
                .filter(spans)
                .flat_map(|area| {
                    let places = places(area);
                    places.start.min(end)..places.end.min(end)
                })
                .filter(|place| !own.contains(place))
                .collect();
            found.sort_unstable();
            found.dedup();
            found
        };
        let value = |x: usize, y: usize| {
            // The pattern of the visible area goes on in the margins.
            let phase = |at: usize, start: usize| (at + start) % 2;
            let black = self.black_level[2 * phase(y, rows.start) + phase(x, columns.start)];
            f32::from(self.samples[y * self.stored.width + x]) - black
        };
        let of_rows = beside(&rows, true);
        let of_columns = beside(&columns, false);
        Margins {
            rows: means(rows.clone(), &of_rows, |row, place| value(place, row)),
            columns: means(columns.clone(), &of_columns, value),
        }
    }
}

fn means(lines: Range<usize>, places: &[usize], value: impl Fn(usize, usize) -> f32) -> Option<LineMeans> {
    if places.len() < MIN_PX {
        return None;
    }
    let middle = |line: usize, buffer: &mut Vec<f32>| {
        buffer.clear();
        buffer.extend(places.iter().map(|&place| value(line, place)));
        median(buffer).unwrap_or(0.0)
    };
    let mut buffer = Vec::with_capacity(places.len());
    let middles: Vec<f32> = lines.clone().map(|line| middle(line, &mut buffer)).collect();
    let mut distances: Vec<f32> = lines
        .clone()
        .zip(&middles)
        .flat_map(|(line, middle)| places.iter().map(move |&place| (line, place, *middle)))
        .map(|(line, place, middle)| (value(line, place) - middle).abs())
        .collect();
    // Whole numbers of a quiet sensor may all be the same: then nothing is held.
    let reach = (HOLD_SIGMA * SIGMA_PER_MAD * median(&mut distances).unwrap_or(0.0)).max(HOLD_SIGMA);
    let mut halves = [Vec::with_capacity(lines.len()), Vec::with_capacity(lines.len())];
    for (line, middle) in lines.zip(middles) {
        let (mut sums, mut counts) = ([0.0_f32; 2], [0.0_f32; 2]);
        for (index, &place) in places.iter().enumerate() {
            // Pairs take turns, so that both halves hold both columns of the mosaic.
            let half = index / 2 % 2;
            sums[half] += (value(line, place) - middle).clamp(-reach, reach);
            counts[half] += 1.0;
        }
        for (half, means) in halves.iter_mut().enumerate() {
            means.push(middle + sums[half] / counts[half]);
        }
    }
    Some(LineMeans { halves })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 12 masked columns left of 40 × 30 visible pixels, 10 masked rows above, black level by position, a hot pixel.
    fn sensor_samples(stored: Size) -> Vec<u16> {
        let sample = |x: usize, y: usize| {
            let black = [100, 110, 120, 130][2 * (y % 2) + x % 2];
            let (row, column) =
                (if y >= 10 { 3 * (y % 5) as u16 } else { 0 }, if x >= 12 { 2 * (x % 7) as u16 } else { 0 });
            black + row + column + if (x, y) == (3, 20) { 5000 } else { 0 }
        };
        (0..stored.area()).map(|index| sample(index % stored.width, index / stored.width)).collect()
    }

    #[test]
    fn masked_pixels_tell_their_line_and_a_hot_one_hardly_counts() {
        let stored = Size { width: 52, height: 40 };
        let samples = sensor_samples(stored);
        let visible = Rect { x: 12, y: 10, size: Size { width: 40, height: 30 } };
        let sensor = Sensor { samples: &samples, stored, visible, black_level: [100.0, 110.0, 120.0, 130.0] };
        let left = Rect { x: 0, y: 0, size: Size { width: 12, height: 40 } };
        let top = Rect { x: 0, y: 0, size: Size { width: 52, height: 10 } };
        let margins = sensor.margins(&[left, top]);
        let rows = margins.rows.expect("12 columns");
        for (y, pair) in rows.halves[0].iter().zip(&rows.halves[1]).enumerate() {
            let expected = 3.0 * ((y + 10) % 5) as f32;
            let off = (pair.0 - expected).abs().max((pair.1 - expected).abs());
            assert!(off < if y == 10 { 0.8 } else { 1e-3 }, "row {y} is off by {off}");
        }
        let columns = margins.columns.expect("10 rows");
        assert!((columns.halves[1][5] - 2.0 * (17 % 7) as f32).abs() < 1e-3, "the sixth visible column");
        assert_eq!(sensor.margins(&[]), Margins::default(), "no masked area, no margin");
        let beyond = Rect { x: usize::MAX - 3, y: 0, size: Size { width: 100, height: 40 } };
        assert_eq!(sensor.margins(&[beyond]), Margins::default(), "an area outside the sensor");
    }
}
