//! Median and spread of the samples of each pixel: where clipping starts.

use pulp::{Arch, NullaryFnOnce};

use crate::pixels::statistics::SIGMA_PER_MAD;
use crate::stack::lanes::{Aligned, LANES, Lanes, each, group, higher, lower};
use crate::stack::samples::Samples;
use crate::stack::sorting::SortingNetwork;

/// Median, spread and number of the samples of each pixel of a tile with its halo.
#[derive(Default)]
pub(in crate::stack) struct Centers {
    /// By channel; infinite where nothing was seen.
    pub(in crate::stack) median: [Vec<f32>; 3],
    /// Scaled median absolute deviation.
    pub(super) spread: [Vec<f32>; 3],
    /// Samples seen: of each channel, or of all alike.
    n_seen: Vec<Vec<f32>>,
}

impl Centers {
    /// Samples of a channel that were seen.
    #[inline]
    pub(in crate::stack) fn n_seen(&self, channel: usize) -> &[f32] {
        &self.n_seen[channel.min(self.n_seen.len() - 1)]
    }
}

/// Finds the centers of every pixel of a tile with its halo.
pub(in crate::stack) fn find_centers(samples: &Samples, n_frames: usize, centers: &mut Centers) {
    let stride = samples.stride();
    centers.n_seen.resize(samples.n_weights(), Vec::new());
    // Every place is written below.
    let planes = centers.median.iter_mut().chain(&mut centers.spread).chain(&mut centers.n_seen);
    planes.for_each(|plane| plane.resize(stride, 0.0));
    let network = SortingNetwork::new(n_frames);
    let column = vec![Aligned::default(); n_frames];
    Arch::new().dispatch(FindCenters { samples, network, column, centers });
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct FindCenters<'a> {
    samples: &'a Samples,
    network: SortingNetwork,
    column: Vec<Aligned>,
    centers: &'a mut Centers,
}

impl NullaryFnOnce for FindCenters<'_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        for start in (0..self.samples.stride()).step_by(LANES) {
            centers_of_group(self.samples, &self.network, &mut self.column, start, self.centers);
        }
    }
}

#[inline(always)]
fn centers_of_group(
    samples: &Samples,
    network: &SortingNetwork,
    column: &mut [Aligned],
    start: usize,
    centers: &mut Centers,
) {
    let n_all = column.len() as f32;
    let mut n_seen = [0.0; LANES];
    let mut all_seen = false;
    for channel in 0..3 {
        if channel < samples.n_weights() {
            n_seen = [0.0; LANES];
            for slot in 0..column.len() {
                let weight = group(samples.weight(slot, channel), start);
                n_seen = each(|lane| n_seen[lane] + if weight[lane] > 0.0 { 1.0 } else { 0.0 });
            }
            centers.n_seen[channel][start..start + LANES].copy_from_slice(&n_seen);
            all_seen = n_seen.iter().all(|&count| count == n_all);
        }
        for (slot, sample) in column.iter_mut().enumerate() {
            let value = group(samples.lane(slot, channel), start);
            let weight = group(samples.weight(slot, channel), start);
            sample.0 = each(|lane| if weight[lane] > 0.0 { value[lane] } else { f32::INFINITY });
        }
        network.sort(column);
        let (median, deviation);
        if all_seen {
            let n_samples = column.len();
            let (low, high) = (column[(n_samples - 1) / 2].0, column[n_samples / 2].0);
            median = each(|lane| 0.5 * (low[lane] + high[lane]));
            deviation = median_deviation(column, &median);
        } else {
            median = middle(column, &n_seen);
            for sample in column.iter_mut() {
                sample.0 = each(|lane| (sample.0[lane] - median[lane]).abs());
            }
            network.sort(column);
            deviation = middle(column, &n_seen);
        }
        centers.median[channel][start..start + LANES].copy_from_slice(&median);
        centers.spread[channel][start..start + LANES].copy_from_slice(&each(|lane| SIGMA_PER_MAD * deviation[lane]));
    }
}

/// Median absolute deviation of sorted samples from their median.
///
/// The k samples nearest to the median stand side by side once sorted, so the k-th smallest deviation is the
/// least, over all k samples in a row, of the greater deviation of their ends.
#[inline(always)]
fn median_deviation(sorted: &[Aligned], median: &Lanes) -> Lanes {
    let count = sorted.len();
    let upper = reach_of(sorted, median, count / 2 + 1);
    if count % 2 == 1 {
        return upper;
    }
    let nearer = reach_of(sorted, median, count / 2);
    each(|lane| 0.5 * (nearer[lane] + upper[lane]))
}

/// How far from the median the nearest `count` samples lie.
#[inline(always)]
fn reach_of(sorted: &[Aligned], median: &Lanes, count: usize) -> Lanes {
    let mut least = [f32::INFINITY; LANES];
    for (Aligned(first), Aligned(last)) in sorted.iter().zip(&sorted[count - 1..]) {
        least = each(|lane| lower(higher(median[lane] - first[lane], last[lane] - median[lane]), least[lane]));
    }
    least
}

/// The mean of the middle one or two of the first `n_seen` sorted samples; infinite where there is none.
#[inline(always)]
fn middle(sorted: &[Aligned], n_seen: &Lanes) -> Lanes {
    // Twice the place of the middle: an odd number of samples has one, an even number two beside it.
    let (mut low, mut high) = ([f32::INFINITY; LANES], [f32::INFINITY; LANES]);
    for (place, Aligned(samples)) in sorted.iter().enumerate() {
        let twice = 2.0 * place as f32;
        low = each(|lane| {
            let here = twice == n_seen[lane] - 1.0 || twice == n_seen[lane] - 2.0;
            if here { samples[lane] } else { low[lane] }
        });
        high = each(|lane| {
            let here = twice == n_seen[lane] - 1.0 || twice == n_seen[lane];
            if here { samples[lane] } else { high[lane] }
        });
    }
    each(|lane| 0.5 * (low[lane] + high[lane]))
}

/// For each place of the planes, three samples around the middle of those seen, sorted: the one before the middle,
/// the middle one and the one after it; of an even number the two in the middle, the first of them twice.
///
/// A sample that was not seen is infinite; the planes are as long as a multiple of [`LANES`].
pub(in crate::stack) fn neighbors_of_middle(planes: &[Vec<f32>]) -> [Vec<f32>; 3] {
    let len = planes.first().map_or(0, Vec::len);
    let network = SortingNetwork::new(planes.len());
    let column = vec![Aligned::default(); planes.len()];
    Arch::new().dispatch(Neighbors { planes, network, column, found: std::array::from_fn(|_| vec![0.0; len]) })
}

struct Neighbors<'a> {
    planes: &'a [Vec<f32>],
    network: SortingNetwork,
    column: Vec<Aligned>,
    found: [Vec<f32>; 3],
}

impl NullaryFnOnce for Neighbors<'_> {
    type Output = [Vec<f32>; 3];

    #[inline(always)]
    fn call(mut self) -> Self::Output {
        let len = self.found[0].len();
        for start in (0..len).step_by(LANES) {
            let mut n_seen = [0.0; LANES];
            for (sample, plane) in self.column.iter_mut().zip(self.planes) {
                sample.0 = group(plane, start);
                n_seen = each(|lane| n_seen[lane] + if sample.0[lane] < f32::INFINITY { 1.0 } else { 0.0 });
            }
            self.network.sort(&mut self.column);
            let mut found = [[f32::INFINITY; LANES]; 3];
            for (place, Aligned(samples)) in self.column.iter().enumerate() {
                let twice = 2.0 * place as f32;
                for lane in 0..LANES {
                    // Places (n − 1) / 2 and its neighbours of an odd number, n / 2 − 1 twice and n / 2 of an even one.
                    let from_middle = twice - (n_seen[lane] - 1.0);
                    found[0][lane] =
                        if from_middle == -2.0 || from_middle == -1.0 { samples[lane] } else { found[0][lane] };
                    found[1][lane] =
                        if from_middle == 0.0 || from_middle == -1.0 { samples[lane] } else { found[1][lane] };
                    found[2][lane] =
                        if from_middle == 2.0 || from_middle == 1.0 { samples[lane] } else { found[2][lane] };
                }
            }
            for (plane, found) in self.found.iter_mut().zip(found) {
                plane[start..start + LANES].copy_from_slice(&found);
            }
        }
        self.found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_samples_stand_around_the_middle_of_those_seen() {
        let check = |samples: &[f32], expected: [f32; 3]| {
            let planes: Vec<Vec<f32>> = samples.iter().map(|&sample| vec![sample; LANES]).collect();
            assert_eq!(neighbors_of_middle(&planes).map(|plane| plane[7]), expected, "of {samples:?}");
        };
        check(&[5.0, 1.0, 3.0], [1.0, 3.0, 5.0]);
        check(&[5.0, 1.0, 3.0, 9.0], [3.0, 3.0, 5.0]);
        check(&[5.0, f32::INFINITY, 3.0, 9.0, 4.0, 1.0], [3.0, 4.0, 5.0]);
        check(&[2.0, 1.0], [1.0, 1.0, 2.0]);
    }
}
