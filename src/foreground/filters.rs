//! Blurs, discs and connected parts on planes of one size: the small tools of the mask.
//!
//! Outside the frame a blur sees the nearest row or column inside it.

use rayon::prelude::*;

use crate::job::{Cancelled, Monitor};
use crate::pixels::{Mask, Plane, Size};

/// Why work that nobody watches has a result.
const UNWATCHED: &str = "nobody cancels what nobody watches";

/// Fills a plane row by row on all cores; `fill(y, row)` sees one row at a time.
pub(super) fn by_rows<T: Copy + Send>(size: Size, value: T, fill: impl Fn(usize, &mut [T]) + Sync) -> Plane<T> {
    try_by_rows(&Monitor::silent(), size, value, fill).expect(UNWATCHED)
}

/// As [`by_rows`]; ends between two rows once it should.
pub(super) fn try_by_rows<T: Copy + Send>(
    monitor: &Monitor,
    size: Size,
    value: T,
    fill: impl Fn(usize, &mut [T]) + Sync,
) -> Result<Plane<T>, Cancelled> {
    let mut plane = Plane::filled(size, value);
    let width = size.width.max(1);
    plane.samples_mut().par_chunks_mut(width).enumerate().try_for_each(|(y, row)| {
        monitor.check()?;
        fill(y, row);
        Ok::<_, Cancelled>(())
    })?;
    Ok(plane)
}

/// Normal blur, cut off at three standard deviations.
pub(super) fn blur(plane: &Plane<f32>, sigma_px: f32) -> Plane<f32> {
    try_blur(&Monitor::silent(), plane, sigma_px).expect(UNWATCHED)
}

/// As [`blur`]; ends between two rows once it should.
pub(super) fn try_blur(monitor: &Monitor, plane: &Plane<f32>, sigma_px: f32) -> Result<Plane<f32>, Cancelled> {
    let reach = (3.0 * sigma_px).ceil().max(1.0) as usize;
    let kernel: Vec<f32> = (0..=reach).map(|d| (-0.5 * (d as f32 / sigma_px).powi(2)).exp()).collect();
    let sum = kernel[0] + 2.0 * kernel[1..].iter().sum::<f32>();
    let kernel: Vec<f32> = kernel.iter().map(|weight| weight / sum).collect();
    let size = plane.size();
    let down = try_by_rows(monitor, size, 0.0_f32, |y, row| {
        for (d, &weight) in kernel.iter().enumerate() {
            let above = plane.row(y.saturating_sub(d));
            let below = plane.row((y + d).min(size.height - 1));
            let weight = if d == 0 { 0.5 * weight } else { weight };
            for ((sample, above), below) in row.iter_mut().zip(above).zip(below) {
                *sample += weight * (above + below);
            }
        }
    })?;
    try_by_rows(monitor, size, 0.0_f32, |y, row| {
        let padded = padded(down.row(y), reach);
        let middle = reach..reach + size.width;
        for (d, &weight) in kernel.iter().enumerate() {
            let left = &padded[middle.start - d..middle.end - d];
            let right = &padded[middle.start + d..middle.end + d];
            let weight = if d == 0 { 0.5 * weight } else { weight };
            for ((sample, left), right) in row.iter_mut().zip(left).zip(right) {
                *sample += weight * (left + right);
            }
        }
    })
}

fn padded(row: &[f32], reach: usize) -> Vec<f32> {
    let (first, last) = (row[0], row[row.len() - 1]);
    let mut padded = vec![first; reach];
    padded.extend_from_slice(row);
    padded.extend(std::iter::repeat_n(last, reach));
    padded
}

/// Mean over a square of `2 * reach + 1` pixels.
pub(super) fn box_mean(plane: &Plane<f32>, reach: usize) -> Plane<f32> {
    let size = plane.size();
    let n = (2 * reach + 1) as f32;
    let across = by_rows(size, 0.0_f32, |y, row| {
        let padded = padded(plane.row(y), reach);
        // Sums in f64 do not drift along the row.
        let mut sum: f64 = padded[..2 * reach + 1].iter().map(|&sample| f64::from(sample)).sum();
        for (x, sample) in row.iter_mut().enumerate() {
            *sample = (sum / f64::from(n)) as f32;
            if x + 2 * reach + 1 < padded.len() {
                sum += f64::from(padded[x + 2 * reach + 1]) - f64::from(padded[x]);
            }
        }
    });
    let last = size.height - 1;
    let band_rows = 64;
    let mut mean = Plane::filled(size, 0.0_f32);
    mean.samples_mut().par_chunks_mut(size.width * band_rows).enumerate().for_each(|(band_idx, band)| {
        let first = band_idx * band_rows;
        let mut sums = vec![0.0_f64; size.width];
        for d in 0..=2 * reach {
            let row = across.row((first + d).saturating_sub(reach).min(last));
            sums.iter_mut().zip(row).for_each(|(sum, &sample)| *sum += f64::from(sample));
        }
        for (idx, row) in band.chunks_mut(size.width).enumerate() {
            let y = first + idx;
            row.iter_mut().zip(&sums).for_each(|(sample, sum)| *sample = (*sum / f64::from(n)) as f32);
            let leaving = across.row(y.saturating_sub(reach));
            let entering = across.row((y + reach + 1).min(last));
            for ((sum, &leaving), &entering) in sums.iter_mut().zip(leaving).zip(entering) {
                *sum += f64::from(entering) - f64::from(leaving);
            }
        }
    });
    mean
}

/// The value between pixels; beyond the border that of the border.
pub(super) fn bilinear(plane: &Plane<f32>, x: f32, y: f32) -> f32 {
    let Size { width, height } = plane.size();
    let (x, y) = (x.clamp(0.0, (width - 1) as f32), y.clamp(0.0, (height - 1) as f32));
    // Clamped to the plane, so the casts round down.
    let (left, top) = (x as usize, y as usize);
    let (right, bottom) = ((left + 1).min(width - 1), (top + 1).min(height - 1));
    let (fx, fy) = (x - left as f32, y - top as f32);
    let upper = plane.at(left, top) + fx * (plane.at(right, top) - plane.at(left, top));
    let lower = plane.at(left, bottom) + fx * (plane.at(right, bottom) - plane.at(left, bottom));
    upper + fy * (lower - upper)
}

/// 1 inside, 0 outside.
pub(super) fn as_weights(mask: &Mask) -> Plane<f32> {
    mask.0.map(|inside| if inside { 1.0 } else { 0.0 })
}

/// The pixels outside.
pub(super) fn complement(mask: &Mask) -> Mask {
    Mask(mask.0.map(|inside| !inside))
}

/// Distance to the nearest pixel of the mask, exact up to `limit_px` and infinite beyond.
pub(super) fn distance_px(mask: &Mask, limit_px: f32) -> Plane<f32> {
    try_distance_px(&Monitor::silent(), mask, limit_px).expect(UNWATCHED)
}

/// As [`distance_px`]; ends between two rows once it should.
pub(super) fn try_distance_px(monitor: &Monitor, mask: &Mask, limit_px: f32) -> Result<Plane<f32>, Cancelled> {
    let size = mask.size();
    let reach = limit_px.ceil().max(0.0) as usize;
    let far = 2 * reach + 2;
    // Rows to the nearest inside pixel of the same column, counted down and then up.
    let mut rows = Plane::filled(size, far as f32);
    for y in 0..size.height {
        monitor.check()?;
        let above = if y > 0 { rows.row(y - 1).to_vec() } else { vec![far as f32; size.width] };
        for ((steps, &inside), above) in rows.row_mut(y).iter_mut().zip(mask.0.row(y)).zip(above) {
            *steps = if inside { 0.0 } else { (above + 1.0).min(far as f32) };
        }
    }
    for y in (0..size.height.saturating_sub(1)).rev() {
        monitor.check()?;
        let below = rows.row(y + 1).to_vec();
        rows.row_mut(y).iter_mut().zip(below).for_each(|(steps, below)| *steps = steps.min(below + 1.0));
    }
    try_by_rows(monitor, size, 0.0_f32, |y, row| {
        let squares: Vec<f32> = rows.row(y).iter().map(|steps| steps * steps).collect();
        let beyond = (far * far) as f32;
        let mut padded = vec![beyond; reach];
        padded.extend_from_slice(&squares);
        padded.resize(squares.len() + 2 * reach, beyond);
        row.copy_from_slice(&squares);
        for d in 1..=reach {
            let step = (d * d) as f32;
            let left = &padded[reach - d..][..squares.len()];
            let right = &padded[reach + d..][..squares.len()];
            for ((best, &left), &right) in row.iter_mut().zip(left).zip(right) {
                *best = best.min(left.min(right) + step);
            }
        }
        for best in row.iter_mut() {
            *best = if *best <= limit_px * limit_px { best.sqrt() } else { f32::INFINITY };
        }
    })
}

/// All pixels within `radius_px` of the mask.
pub(super) fn dilate(mask: &Mask, radius_px: f32) -> Mask {
    Mask(distance_px(mask, radius_px).map(|distance| distance <= radius_px))
}

/// The pixels of the mask farther than `radius_px` from everything else; the frame's border is no edge.
pub(super) fn erode(mask: &Mask, radius_px: f32) -> Mask {
    complement(&dilate(&complement(mask), radius_px))
}

/// What remains of the mask where a disc fits into it.
pub(super) fn open(mask: &Mask, radius_px: f32) -> Mask {
    dilate(&erode(mask, radius_px), radius_px)
}

/// The connected parts of a mask, numbered from 1; 0 is outside.
#[derive(Clone, Debug)]
pub(super) struct Parts {
    pub(super) label: Plane<u32>,
    /// Parts and one for the outside.
    pub(super) n: usize,
}

/// Which pixels touch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Touching {
    /// Those that share an edge.
    Edges,
    /// Those that share a corner, too.
    Corners,
}

impl Parts {
    pub(super) fn of(mask: &Mask, touching: Touching) -> Self {
        let size = mask.size();
        let mut label = Plane::filled(size, 0_u32);
        // parents[i] leads towards the smallest number of the part.
        let mut parents: Vec<u32> = vec![0];
        for y in 0..size.height {
            for x in 0..size.width {
                if !mask.contains(x, y) {
                    continue;
                }
                let mut found = 0_u32;
                let mut meet = |other: u32, parents: &mut Vec<u32>| {
                    if other != 0 {
                        let root = root(parents, other);
                        found = if found == 0 { root } else { join(parents, found, root) };
                    }
                };
                if x > 0 {
                    meet(label.at(x - 1, y), &mut parents);
                }
                if y > 0 {
                    meet(label.at(x, y - 1), &mut parents);
                    if touching == Touching::Corners && x > 0 {
                        meet(label.at(x - 1, y - 1), &mut parents);
                    }
                    if touching == Touching::Corners && x + 1 < size.width {
                        meet(label.at(x + 1, y - 1), &mut parents);
                    }
                }
                if found == 0 {
                    found = parents.len() as u32;
                    parents.push(found);
                }
                label.set(x, y, found);
            }
        }
        let mut numbers = vec![0_u32; parents.len()];
        let mut n = 1;
        for idx in 1..parents.len() as u32 {
            let root = root(&mut parents, idx);
            if numbers[root as usize] == 0 {
                numbers[root as usize] = n;
                n += 1;
            }
            numbers[idx as usize] = numbers[root as usize];
        }
        for sample in label.samples_mut() {
            *sample = numbers[*sample as usize];
        }
        Self { label, n: n as usize }
    }

    /// Sum of `value` over each part.
    pub(super) fn sums(&self, value: impl Fn(usize) -> f32) -> Vec<f32> {
        let mut sums = vec![0.0_f64; self.n];
        for (idx, &label) in self.label.samples().iter().enumerate() {
            if label != 0 {
                sums[label as usize] += f64::from(value(idx));
            }
        }
        sums.into_iter().map(|sum| sum as f32).collect()
    }

    /// The pixels of the parts that are wanted.
    pub(super) fn select(&self, wanted: &[bool]) -> Mask {
        Mask(self.label.map(|label| label != 0 && wanted[label as usize]))
    }
}

fn root(parents: &mut [u32], mut idx: u32) -> u32 {
    while parents[idx as usize] != idx {
        parents[idx as usize] = parents[parents[idx as usize] as usize];
        idx = parents[idx as usize];
    }
    idx
}

fn join(parents: &mut [u32], a: u32, b: u32) -> u32 {
    let (low, high) = (a.min(b), a.max(b));
    parents[high as usize] = low;
    low
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 9, height: 7 };

    fn one_pixel(x: usize, y: usize) -> Mask {
        let mut mask = Mask::empty(SIZE);
        mask.0.set(x, y, true);
        mask
    }

    #[test]
    fn distances_are_exact_and_end_at_the_limit() {
        let distances = distance_px(&one_pixel(2, 3), 5.0);
        assert_eq!(distances.at(5, 6), 18.0_f32.sqrt(), "three across, three down");
        assert_eq!(distances.at(7, 3), 5.0, "at the limit");
        assert_eq!(distances.at(8, 3), f32::INFINITY, "beyond it");
    }

    #[test]
    fn a_disc_grows_from_a_pixel_and_shrinks_back_to_it() {
        let disc = dilate(&one_pixel(4, 3), 2.0);
        assert_eq!(disc.count(), 13, "a disc of radius 2 has 13 pixels");
        assert_eq!(erode(&disc, 1.9), one_pixel(4, 3), "only the middle is farther than 1.9 from the outside");
    }

    #[test]
    fn blurs_keep_an_even_plane_and_the_sum_of_a_spike() {
        let mut spike = Plane::filled(Size { width: 41, height: 41 }, 0.0);
        spike.set(20, 20, 1.0);
        let sum: f32 = blur(&spike, 2.0).samples().iter().sum();
        assert!((sum - 1.0).abs() < 1e-4, "sum {sum}");
        let mean = box_mean(&spike, 3);
        assert!((mean.at(23, 17) - 1.0 / 49.0).abs() < 1e-6, "one of 49 pixels");
        assert_eq!(mean.at(24, 17), 0.0, "out of reach");
        let even = Plane::filled(SIZE, 0.3);
        assert!(box_mean(&even, 2).samples().iter().all(|&sample| (sample - 0.3).abs() < 1e-6), "even stays even");
    }

    #[test]
    fn corners_join_parts_only_where_they_count() {
        let mut mask = one_pixel(2, 2);
        mask.0.set(3, 3, true);
        mask.0.set(7, 0, true);
        assert_eq!(Parts::of(&mask, Touching::Edges).n, 4, "three parts and the outside");
        let parts = Parts::of(&mask, Touching::Corners);
        assert_eq!(parts.n, 3, "two parts and the outside");
        assert_eq!(parts.sums(|_| 1.0)[1..], [1.0, 2.0], "the single pixel is met first");
    }
}
