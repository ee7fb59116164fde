//! Samples of sites along a row, read so that vectors can.

use std::ops::Range;

use crate::stack::lateral::{TAPS, Taps};

/// The samples at even and at odd places.
#[inline(always)]
pub(super) fn part(line: &[f32], halves: &mut [Vec<f32>; 2]) {
    let [even, odd] = halves;
    even.resize(line.len().div_ceil(2), 0.0);
    odd.resize(line.len() / 2, 0.0);
    for ((even, odd), pair) in even.iter_mut().zip(odd.iter_mut()).zip(line.chunks_exact(2)) {
        (*even, *odd) = (pair[0], pair[1]);
    }
    if let [.., last] = line
        && line.len() % 2 == 1
    {
        even[line.len() / 2] = *last;
    }
}

/// Sums of four samples at each place, each place with weights of its own.
#[inline(always)]
pub(super) fn weigh_each(samples: [&[f32]; TAPS], weights: [&[f32]; TAPS], sums: &mut [f32]) {
    let n = sums.len();
    let [p, q, r, s] = [&samples[0][..n], &samples[1][..n], &samples[2][..n], &samples[3][..n]];
    let [a, b, c, d] = [&weights[0][..n], &weights[1][..n], &weights[2][..n], &weights[3][..n]];
    for x in 0..n {
        sums[x] = (a[x] * p[x] + b[x] * q[x]) + (c[x] * r[x] + d[x] * s[x]);
    }
}

/// Sites along a row whose samples follow each other evenly, so that vectors can read them.
pub(super) struct Runs {
    weights: [Vec<f32>; TAPS],
    /// The sites, and the place of the first sample of the first of them.
    pub(super) runs: Vec<(Range<usize>, usize)>,
}

impl Runs {
    /// `first_tap` tells the place of a site's first sample; from site to site it is `step` further on, mostly.
    pub(super) fn new(sites: &[(isize, Taps)], step: usize, first_tap: impl Fn(isize, &Taps) -> isize) -> Self {
        let mut runs: Vec<(Range<usize>, usize)> = Vec::new();
        for (site, (place, taps)) in sites.iter().enumerate() {
            let tap = first_tap(*place, taps) as usize;
            match runs.last_mut() {
                Some((run, first)) if *first + step * run.len() == tap => run.end = site + 1,
                _ => runs.push((site..site + 1, tap)),
            }
        }
        let weights = std::array::from_fn(|tap| sites.iter().map(|(_, taps)| taps.weights[tap]).collect());
        Self { weights, runs }
    }

    #[inline(always)]
    pub(super) fn weights(&self, run: &Range<usize>) -> [&[f32]; TAPS] {
        let [a, b, c, d] = &self.weights;
        [&a[run.clone()], &b[run.clone()], &c[run.clone()], &d[run.clone()]]
    }
}
