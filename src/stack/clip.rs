//! Which samples of a pixel agree, and the mean of those.
//!
//! Sigma clipping, 16 pixels side by side, each channel on its own:
//! - It starts at the median, with the scaled median absolute deviation of the samples.
//! - A burst is short, and the samples' own spread says little about seven of them: one outlier among n
//!   stands out of k σ around the mean only if n / √(n − 1) > k. So the noise model sets the least σ, and the
//!   spread of the samples counts against it like [`PRIOR_SAMPLES`] samples that had the model's noise.
//! - At the flanks of stars samples differ by more than noise: a share of the contrast in the median picture
//!   is added in squares. Otherwise clipping would bite the cores of stars.
//! - Up to [`MAX_TURNS`] turns; each leaves out more, from the mean and spread of those still kept.
//! - Of two samples, the brighter one is the suspect: what passes through a night sky shines.
//!
//! Without a noise model it is the classic form, and agrees with astropy (tests/reference/clip).

use pulp::{Arch, NullaryFnOnce};

use crate::calibrate::NoiseModel;
use crate::pixels::Size;
use crate::pixels::statistics::SIGMA_PER_MAD;
use crate::stack::gather::Samples;
use crate::stack::sorting::{LANES, Lanes, SortingNetwork};

/// Samples that the noise model is worth against the spread of a pixel's own samples.
const PRIOR_SAMPLES: f32 = 8.0;
/// Share of the contrast to neighbouring pixels that samples may differ by: a quarter of a pixel of
/// misregistration, or a tenth of the star's width, shows about as much of the contrast at its flank.
const CONTRAST_SHARE: f32 = 0.15;
/// Turns of clipping.
const MAX_TURNS: usize = 3;

/// What decides which samples are kept.
#[derive(Clone, Debug)]
pub(super) struct ClipRule {
    pub(super) drop_below_sigma: f32,
    pub(super) drop_above_sigma: f32,
    pub(super) noise: Option<NoiseModel>,
    /// Variance of each frame's samples by channel, in units of the noise model.
    pub(super) variances: [Vec<f32>; 3],
}

/// Median, spread and number of the samples of each pixel of a tile with its halo.
#[derive(Default)]
pub(super) struct Centers {
    /// By channel; infinite where nothing was seen.
    pub(super) median: [Vec<f32>; 3],
    /// Scaled median absolute deviation.
    spread: [Vec<f32>; 3],
    /// Samples seen.
    pub(super) n_seen: Vec<f32>,
}

/// Means of the samples kept, of the pixels inside the halo.
#[derive(Clone, Debug, Default)]
pub(super) struct Combined {
    pub(super) colors: [Vec<f32>; 3],
    pub(super) n_seen: Vec<f32>,
    /// In the channel where most were left out.
    pub(super) n_rejected: Vec<f32>,
    /// Sum of the weights of all samples seen.
    pub(super) weight: Vec<f32>,
}

impl Combined {
    pub(super) fn reset(&mut self, n_pixels: usize) {
        for plane in self.colors.iter_mut().chain([&mut self.n_seen, &mut self.n_rejected, &mut self.weight]) {
            plane.clear();
            plane.resize(n_pixels, 0.0);
        }
    }
}

/// Finds the centers of every pixel of a tile with its halo.
pub(super) fn find_centers(samples: &Samples, n_frames: usize, centers: &mut Centers) {
    let stride = samples.stride();
    for plane in centers.median.iter_mut().chain(&mut centers.spread).chain([&mut centers.n_seen]) {
        plane.clear();
        plane.resize(stride, 0.0);
    }
    let network = SortingNetwork::new(n_frames);
    let column = vec![[0.0; LANES]; n_frames];
    Arch::new().dispatch(FindCenters { samples, network, column, centers });
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct FindCenters<'a> {
    samples: &'a Samples,
    network: SortingNetwork,
    column: Vec<Lanes>,
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
    column: &mut [Lanes],
    start: usize,
    centers: &mut Centers,
) {
    let mut n_seen = [0.0; LANES];
    for slot in 0..column.len() {
        let weight = group(samples.lane(slot, 3), start);
        n_seen = each(|lane| n_seen[lane] + if weight[lane] > 0.0 { 1.0 } else { 0.0 });
    }
    centers.n_seen[start..start + LANES].copy_from_slice(&n_seen);
    let n_all = column.len() as f32;
    let all_seen = n_seen.iter().all(|&count| count == n_all);
    for channel in 0..3 {
        for (slot, sample) in column.iter_mut().enumerate() {
            let (value, weight) = (group(samples.lane(slot, channel), start), group(samples.lane(slot, 3), start));
            *sample = each(|lane| if weight[lane] > 0.0 { value[lane] } else { f32::INFINITY });
        }
        network.sort(column);
        let (median, deviation);
        if all_seen {
            let n_samples = column.len();
            let (low, high) = (column[(n_samples - 1) / 2], column[n_samples / 2]);
            median = each(|lane| 0.5 * (low[lane] + high[lane]));
            deviation = median_deviation(column, &median);
        } else {
            median = middle(column, &n_seen);
            for sample in column.iter_mut() {
                *sample = each(|lane| (sample[lane] - median[lane]).abs());
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
fn median_deviation(sorted: &[Lanes], median: &Lanes) -> Lanes {
    let nearest = |count: usize| {
        let mut least = [f32::INFINITY; LANES];
        for (first, last) in sorted.iter().zip(&sorted[count - 1..]) {
            least = each(|lane| {
                let ends = higher(median[lane] - first[lane], last[lane] - median[lane]);
                if ends < least[lane] { ends } else { least[lane] }
            });
        }
        least
    };
    let count = sorted.len();
    let upper = nearest(count / 2 + 1);
    if count % 2 == 1 {
        return upper;
    }
    let lower = nearest(count / 2);
    each(|lane| 0.5 * (lower[lane] + upper[lane]))
}

/// The mean of the middle one or two of the first `n_seen` sorted samples; infinite where there is none.
#[inline(always)]
fn middle(sorted: &[Lanes], n_seen: &Lanes) -> Lanes {
    // Twice the place of the middle: an odd number of samples has one, an even number two beside it.
    let (mut low, mut high) = ([f32::INFINITY; LANES], [f32::INFINITY; LANES]);
    for (place, samples) in sorted.iter().enumerate() {
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

/// The clipped mean of the pixels inside the halo of a tile; `inner` is its size without the halo.
pub(super) fn clipped_mean(
    samples: &Samples,
    centers: &Centers,
    rule: &ClipRule,
    inner: Size,
    combined: &mut Combined,
) {
    combined.reset(inner.area());
    let typical_variance = |variances: &Vec<f32>| variances.iter().sum::<f32>() / variances.len() as f32;
    Arch::new().dispatch(Clip {
        samples,
        centers,
        rule,
        inner,
        kept: vec![[0.0; LANES]; rule.variances[0].len()],
        typical_variances: rule.variances.each_ref().map(typical_variance),
        combined,
    });
}

struct Clip<'a> {
    samples: &'a Samples,
    centers: &'a Centers,
    rule: &'a ClipRule,
    inner: Size,
    kept: Vec<Lanes>,
    /// What the spread of a pixel's samples is measured by, by channel.
    typical_variances: [f32; 3],
    combined: &'a mut Combined,
}

impl NullaryFnOnce for Clip<'_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        let Size { width, height } = self.inner;
        for row in 0..height {
            for column in (0..width).step_by(LANES) {
                let start = (row + 1) * (width + 2) + 1 + column;
                self.group(start, row * width + column, LANES.min(width - column));
            }
        }
    }
}

impl Clip<'_> {
    #[inline(always)]
    fn group(&mut self, start: usize, target: usize, count: usize) {
        let mut most_rejected = [0.0f32; LANES];
        for channel in 0..3 {
            let (mean, n_rejected) = self.channel(channel, start);
            most_rejected = each(|lane| higher(most_rejected[lane], n_rejected[lane]));
            self.combined.colors[channel][target..target + count].copy_from_slice(&mean[..count]);
        }
        let mut weight = [0.0; LANES];
        for slot in 0..self.kept.len() {
            let seen = group(self.samples.lane(slot, 3), start);
            weight = each(|lane| weight[lane] + seen[lane]);
        }
        self.combined.weight[target..target + count].copy_from_slice(&weight[..count]);
        self.combined.n_rejected[target..target + count].copy_from_slice(&most_rejected[..count]);
        let n_seen = &self.centers.n_seen[start..start + count];
        self.combined.n_seen[target..target + count].copy_from_slice(n_seen);
    }

    /// Mean and number left out, of one channel of 16 pixels.
    #[inline(always)]
    fn channel(&mut self, channel: usize, start: usize) -> (Lanes, Lanes) {
        let n_seen = group(&self.centers.n_seen, start);
        let median = group(&self.centers.median[channel], start);
        let spread = group(&self.centers.spread[channel], start);
        for (slot, kept) in self.kept.iter_mut().enumerate() {
            *kept = group(self.samples.lane(slot, 3), start);
        }
        let origin = self.first_center(channel, start, &median, &n_seen);
        let contrast = self.contrast(channel, start);
        let noise = self.rule.noise;
        let tolerance = each(|lane| if noise.is_some() { (CONTRAST_SHARE * contrast[lane]).powi(2) } else { 0.0 });
        let model = noise.map(|noise| each(|lane| noise.variance(origin[lane])));
        let per_variance = 1.0 / self.typical_variances[channel];
        let own = each(|lane| spread[lane] * spread[lane] * per_variance);
        // Half of the spread of two samples says nothing of the noise; their difference has twice its variance.
        let mut variance = self.variance(&own, &n_seen, model.as_ref());
        if let Some(model) = &model {
            variance = each(|lane| if n_seen[lane] <= 2.0 { 2.0 * model[lane] } else { variance[lane] });
        }
        let mut center = origin;
        let mut n_rejected = [0.0; LANES];
        for turn in 1..=MAX_TURNS {
            let sums = self.reject(channel, start, &origin, &center, &variance, &tolerance);
            n_rejected = each(|lane| n_rejected[lane] + sums.n_rejected[lane]);
            center = each(|lane| {
                let mean = origin[lane] + sums.deviation[lane] / sums.weight[lane];
                if sums.weight[lane] > 0.0 { mean } else { median[lane] }
            });
            if turn == MAX_TURNS || sums.n_rejected.iter().all(|&count| count == 0.0) {
                break;
            }
            let n_kept = each(|lane| n_seen[lane] - n_rejected[lane]);
            let own = sums.own_variance(&n_kept);
            variance = self.variance(&own, &n_kept, model.as_ref());
        }
        (each(|lane| if n_seen[lane] > 0.0 { center[lane] } else { 0.0 }), n_rejected)
    }

    /// The median; of two samples the lower one, where the model tells how far apart they may be.
    #[inline(always)]
    fn first_center(&self, channel: usize, start: usize, median: &Lanes, n_seen: &Lanes) -> Lanes {
        let mut center = each(|lane| if n_seen[lane] > 0.0 { median[lane] } else { 0.0 });
        if self.rule.noise.is_some() && n_seen.contains(&2.0) {
            let mut lowest = [f32::INFINITY; LANES];
            for (slot, weight) in self.kept.iter().enumerate() {
                let value = group(self.samples.lane(slot, channel), start);
                lowest = each(|lane| {
                    let seen = weight[lane] > 0.0 && value[lane] < lowest[lane];
                    if seen { value[lane] } else { lowest[lane] }
                });
            }
            center = each(|lane| if n_seen[lane] == 2.0 { lowest[lane] } else { center[lane] });
        }
        center
    }

    /// Range of the medians of the nine pixels around.
    #[inline(always)]
    fn contrast(&self, channel: usize, start: usize) -> Lanes {
        let medians = &self.centers.median[channel];
        let halo_width = self.inner.width + 2;
        let mut brightest = [f32::NEG_INFINITY; LANES];
        let mut darkest = [f32::INFINITY; LANES];
        for row in 0..3 {
            for column in 0..3 {
                let near = group(medians, start + row * halo_width + column - halo_width - 1);
                darkest = each(|lane| if near[lane] < darkest[lane] { near[lane] } else { darkest[lane] });
                // A pixel that no frame saw has an infinite median.
                brightest = each(|lane| {
                    let counts = near[lane] > brightest[lane] && near[lane] < f32::INFINITY;
                    if counts { near[lane] } else { brightest[lane] }
                });
            }
        }
        each(|lane| higher(brightest[lane] - darkest[lane], 0.0))
    }

    /// The samples' own variance, tamed by the model: never below it, and not believed when they are few.
    #[inline(always)]
    fn variance(&self, own: &Lanes, count: &Lanes, model: Option<&Lanes>) -> Lanes {
        match model {
            None => *own,
            Some(model) => each(|lane| {
                let degrees = higher(count[lane] - 1.0, 0.0);
                let mixed = (PRIOR_SAMPLES * model[lane] + degrees * own[lane]) / (PRIOR_SAMPLES + degrees);
                higher(mixed, model[lane])
            }),
        }
    }

    /// Drops kept samples outside the limits around `center`; sums over the others about `origin`.
    #[inline(always)]
    fn reject(
        &mut self,
        channel: usize,
        start: usize,
        origin: &Lanes,
        center: &Lanes,
        variance: &Lanes,
        tolerance: &Lanes,
    ) -> Sums {
        let below = self.rule.drop_below_sigma.powi(2);
        let above = self.rule.drop_above_sigma.powi(2);
        let mut sums = Sums::default();
        for (slot, (kept, &frame_variance)) in self.kept.iter_mut().zip(&self.rule.variances[channel]).enumerate() {
            let value = group(self.samples.lane(slot, channel), start);
            let per_variance = 1.0 / frame_variance;
            for lane in 0..LANES {
                let from_center = value[lane] - center[lane];
                let limit = if from_center > 0.0 { above } else { below };
                let agrees = from_center * from_center <= limit * (variance[lane] * frame_variance + tolerance[lane]);
                let was_kept = kept[lane] > 0.0;
                let weight = if agrees { kept[lane] } else { 0.0 };
                let deviation = value[lane] - origin[lane];
                let own = if weight > 0.0 { per_variance } else { 0.0 };
                sums.n_rejected[lane] += if was_kept && !agrees { 1.0 } else { 0.0 };
                sums.weight[lane] += weight;
                sums.deviation[lane] += weight * deviation;
                sums.own_weight[lane] += own;
                sums.own_deviation[lane] += own * deviation;
                sums.own_square[lane] += own * deviation * deviation;
                kept[lane] = weight;
            }
        }
        sums
    }
}

/// Sums over the samples that agree, about an origin near them.
#[derive(Default)]
struct Sums {
    n_rejected: Lanes,
    weight: Lanes,
    deviation: Lanes,
    own_weight: Lanes,
    own_deviation: Lanes,
    own_square: Lanes,
}

impl Sums {
    /// Variance about the mean, of a sample whose frame has variance 1.
    #[inline(always)]
    fn own_variance(&self, count: &Lanes) -> Lanes {
        each(|lane| {
            let about_mean =
                self.own_square[lane] - self.own_deviation[lane] * self.own_deviation[lane] / self.own_weight[lane];
            if count[lane] > 1.0 { higher(about_mean, 0.0) / (count[lane] - 1.0) } else { 0.0 }
        })
    }
}

#[inline(always)]
fn group(plane: &[f32], start: usize) -> Lanes {
    plane[start..start + LANES].try_into().expect("a group has as many samples")
}

#[inline(always)]
fn each(value: impl Fn(usize) -> f32) -> Lanes {
    std::array::from_fn(value)
}

#[inline(always)]
fn higher(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

#[cfg(test)]
mod tests;
