//! Sorts the samples of several pixels side by side: a fixed sequence of exchanges, the same for each lane.
//!
//! Source: K. E. Batcher, "Sorting networks and their applications", AFIPS 1968 (odd-even merge sort), in
//! the form that serves any number of samples (Knuth, The Art of Computer Programming 3, 5.2.2, algorithm M).

use crate::stack::lanes::{Aligned, each, higher};

/// The exchanges that sort a number of samples.
#[derive(Clone, Debug, Default)]
pub(super) struct SortingNetwork {
    n_samples: usize,
    exchanges: Vec<(u16, u16)>,
}

impl SortingNetwork {
    pub(super) fn new(n_samples: usize) -> Self {
        Self { n_samples, exchanges: exchanges(n_samples) }
    }

    /// Sorts each lane upwards.
    #[inline(always)]
    pub(super) fn sort(&self, samples: &mut [Aligned]) {
        assert_eq!(samples.len(), self.n_samples, "a network serves one number of samples");
        for &(low, high) in &self.exchanges {
            let (a, b) = (samples[usize::from(low)].0, samples[usize::from(high)].0);
            let greater = each(|lane| higher(b[lane], a[lane]));
            // The other of the two, by its bits: as a choice it would be written under a mask, which what reads it next
            // has to wait for.
            let other = |lane: usize| f32::from_bits(a[lane].to_bits() ^ b[lane].to_bits() ^ greater[lane].to_bits());
            samples[usize::from(low)].0 = each(other);
            samples[usize::from(high)].0 = greater;
        }
    }
}

fn exchanges(n_samples: usize) -> Vec<(u16, u16)> {
    let mut exchanges = Vec::new();
    if n_samples < 2 {
        return exchanges;
    }
    let half = n_samples.next_power_of_two() / 2;
    let mut step = half;
    while step > 0 {
        let (mut q, mut r, mut distance) = (half, 0, step);
        loop {
            for low in 0..n_samples - distance {
                if low & step == r {
                    let code = |place: usize| u16::try_from(place).expect("bursts are shorter than 65536 frames");
                    exchanges.push((code(low), code(low + distance)));
                }
            }
            if q == step {
                break;
            }
            distance = q - step;
            q /= 2;
            r = step;
        }
        step /= 2;
    }
    exchanges
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::lanes::LANES;

    /// A network that sorts every sequence of zeros and ones sorts everything (Knuth 5.3.4, theorem Z).
    #[test]
    fn every_sequence_of_zeros_and_ones_is_sorted() {
        for n_samples in 1..=13 {
            let network = SortingNetwork::new(n_samples);
            for pattern in 0..1u32 << n_samples {
                let bit = |bit: usize| Aligned([(pattern >> bit & 1) as f32; LANES]);
                let mut samples: Vec<Aligned> = (0..n_samples).map(bit).collect();
                network.sort(&mut samples);
                assert!(samples.is_sorted(), "{pattern:b} of {n_samples}");
            }
        }
    }

    #[test]
    fn lanes_do_not_mix() {
        let row = |row: usize| Aligned(each(|lane| ((row * 29 + lane * 7) % 37 + 100 * lane) as f32));
        let mut samples: Vec<Aligned> = (0..37).map(row).collect();
        SortingNetwork::new(37).sort(&mut samples);
        for lane in 0..LANES {
            let column: Vec<f32> = samples.iter().map(|row| row.0[lane]).collect();
            let expected: Vec<f32> = (0..37).map(|place| (place + 100 * lane) as f32).collect();
            assert_eq!(column, expected, "lane {lane}");
        }
    }
}
