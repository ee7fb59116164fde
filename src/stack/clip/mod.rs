//! Which samples of a pixel agree, and the mean of those.
//!
//! Sigma clipping, 16 pixels side by side, each channel on its own:
//! - It starts at the median, with the scaled median absolute deviation of the samples (`centers`); of few
//!   samples, with their Winsorised deviation (`spread`).
//! - A burst is short, and the samples' own spread says little about seven of them: one outlier among n
//!   stands out of k σ around the mean only if n / √(n − 1) > k. So the noise model sets the least σ, and the
//!   spread of the samples counts against it like a few samples that had the model's noise.
//! - At the flanks of stars samples differ by more than noise: a share of the contrast in the median picture
//!   is added in squares. Otherwise clipping would bite the cores of stars.
//! - Up to [`MAX_TURNS`] turns; each leaves out more, from the mean and spread of those still kept.
//! - Of two samples, the brighter one is the suspect: what passes through a night sky shines.
//!
//! Without a noise model it is the classic form, and agrees with astropy (tests/reference/clip).

mod centers;
mod spread;

pub(super) use centers::{Centers, find_centers, neighbors_of_middle};

use pulp::{Arch, NullaryFnOnce};

use crate::calibrate::NoiseModel;
use crate::pixels::Size;
use crate::stack::lanes::{Aligned, LANES, Lanes, each, group, higher};
use crate::stack::samples::Samples;
use spread::{MAX_WINSORIZED, Sums, contrast, mixed_variance, winsorized_variance};

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
    /// Share of the contrast to neighbouring pixels that samples may differ by.
    pub(super) contrast_share: f32,
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
        values: vec![Aligned::default(); rule.variances[0].len()],
        kept: vec![Aligned::default(); rule.variances[0].len()],
        typical_variances: rule.variances.each_ref().map(typical_variance),
        combined,
    });
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct Clip<'a> {
    samples: &'a Samples,
    centers: &'a Centers,
    rule: &'a ClipRule,
    inner: Size,
    /// The samples at hand: all are fetched at once, and then looked at several times.
    values: Vec<Aligned>,
    kept: Vec<Aligned>,
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
        let (weight, n_seen) = self.samples.coverage(self.kept.len(), start);
        self.combined.weight[target..target + count].copy_from_slice(&weight[..count]);
        self.combined.n_rejected[target..target + count].copy_from_slice(&most_rejected[..count]);
        self.combined.n_seen[target..target + count].copy_from_slice(&n_seen[..count]);
    }

    /// Mean and number left out, of one channel of 16 pixels.
    #[inline(always)]
    fn channel(&mut self, channel: usize, start: usize) -> (Lanes, Lanes) {
        let n_seen = group(self.centers.n_seen(channel), start);
        let median = group(&self.centers.median[channel], start);
        let spread = group(&self.centers.spread[channel], start);
        for (slot, (value, kept)) in self.values.iter_mut().zip(&mut self.kept).enumerate() {
            value.0 = group(self.samples.lane(slot, channel), start);
            kept.0 = group(self.samples.weight(slot, channel), start);
        }
        let origin = self.first_center(&median, &n_seen);
        let noise = self.rule.noise;
        let tolerance = if noise.is_some() {
            let contrast = contrast(&self.centers.median[channel], self.inner.width + 2, start);
            each(|lane| (self.rule.contrast_share * contrast[lane]).powi(2))
        } else {
            [0.0; LANES]
        };
        let model = noise.map(|noise| each(|lane| noise.variance(origin[lane])));
        let per_variance = 1.0 / self.typical_variances[channel];
        let mut own = each(|lane| spread[lane] * spread[lane] * per_variance);
        // Of a long burst, too, a pixel above the ridge is seen by a few frames.
        if let Some(model) = &model
            && n_seen.iter().any(|count| (1.0..=MAX_WINSORIZED).contains(count))
        {
            let variances = &self.rule.variances[channel];
            let of_few = winsorized_variance(&self.values, &self.kept, variances, &median, &own, model);
            own = each(|lane| if n_seen[lane] <= MAX_WINSORIZED { of_few[lane] } else { own[lane] });
        }
        let mut variance = mixed_variance(&own, &n_seen, model.as_ref());
        // Half of the spread of two samples says nothing of the noise; their difference has twice its variance.
        if let Some(model) = &model {
            variance = each(|lane| if n_seen[lane] <= 2.0 { 2.0 * model[lane] } else { variance[lane] });
        }
        let mut center = origin;
        let mut n_rejected = [0.0; LANES];
        for turn in 1..=MAX_TURNS {
            let sums = self.reject(channel, &origin, &center, &variance, &tolerance);
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
            variance = mixed_variance(&own, &n_kept, model.as_ref());
        }
        (each(|lane| if n_seen[lane] > 0.0 { center[lane] } else { 0.0 }), n_rejected)
    }

    /// The median; of two samples the lower one, where the model tells how far apart they may be.
    #[inline(always)]
    fn first_center(&self, median: &Lanes, n_seen: &Lanes) -> Lanes {
        let mut center = each(|lane| if n_seen[lane] > 0.0 { median[lane] } else { 0.0 });
        if self.rule.noise.is_some() && n_seen.contains(&2.0) {
            let mut lowest = [f32::INFINITY; LANES];
            for (Aligned(value), Aligned(weight)) in self.values.iter().zip(&self.kept) {
                lowest = each(|lane| {
                    let seen = weight[lane] > 0.0 && value[lane] < lowest[lane];
                    if seen { value[lane] } else { lowest[lane] }
                });
            }
            center = each(|lane| if n_seen[lane] == 2.0 { lowest[lane] } else { center[lane] });
        }
        center
    }

    /// Drops kept samples outside the limits around `center`; sums over the others about `origin`.
    #[inline(always)]
    fn reject(&mut self, channel: usize, origin: &Lanes, center: &Lanes, variance: &Lanes, tolerance: &Lanes) -> Sums {
        let mut sums = Sums::default();
        for first in (0..LANES).step_by(HALF) {
            self.reject_half(channel, first, [origin, center, variance, tolerance], &mut sums);
        }
        sums
    }

    /// Half of the pixels at a time: all sums and limits stay in registers from frame to frame.
    #[inline(always)]
    fn reject_half(&mut self, channel: usize, first: usize, about: [&Lanes; 4], sums: &mut Sums) {
        let below = self.rule.drop_below_sigma.powi(2);
        let above = self.rule.drop_above_sigma.powi(2);
        let (origin, center) = (half(about[0], first), half(about[1], first));
        let (variance, tolerance) = (half(about[2], first), half(about[3], first));
        let mut n_rejected = [0.0; HALF];
        let (mut weights, mut deviations) = ([0.0; HALF], [0.0; HALF]);
        let (mut own_weights, mut own_deviations, mut own_squares) = ([0.0; HALF], [0.0; HALF], [0.0; HALF]);
        let samples = self.values.iter().zip(&mut self.kept).zip(&self.rule.variances[channel]);
        for ((value, kept), &frame_variance) in samples {
            let value = half(&value.0, first);
            let kept: &mut [f32; HALF] = (&mut kept.0[first..first + HALF]).try_into().expect("as many");
            let per_variance = 1.0 / frame_variance;
            for lane in 0..HALF {
                let from_center = value[lane] - center[lane];
                let limit = if from_center > 0.0 { above } else { below };
                let agrees = from_center * from_center <= limit * (variance[lane] * frame_variance + tolerance[lane]);
                let was_kept = kept[lane] > 0.0;
                let weight = if agrees { kept[lane] } else { 0.0 };
                let deviation = value[lane] - origin[lane];
                let own = if weight > 0.0 { per_variance } else { 0.0 };
                n_rejected[lane] += if was_kept && !agrees { 1.0 } else { 0.0 };
                weights[lane] += weight;
                deviations[lane] += weight * deviation;
                own_weights[lane] += own;
                own_deviations[lane] += own * deviation;
                own_squares[lane] += own * deviation * deviation;
                kept[lane] = weight;
            }
        }
        sums.n_rejected[first..first + HALF].copy_from_slice(&n_rejected);
        sums.weight[first..first + HALF].copy_from_slice(&weights);
        sums.deviation[first..first + HALF].copy_from_slice(&deviations);
        sums.own_weight[first..first + HALF].copy_from_slice(&own_weights);
        sums.own_deviation[first..first + HALF].copy_from_slice(&own_deviations);
        sums.own_square[first..first + HALF].copy_from_slice(&own_squares);
    }
}

/// Pixels that one vector of the usual width holds.
const HALF: usize = LANES / 2;

/// Half a group of samples.
#[inline(always)]
fn half(samples: &[f32], first: usize) -> [f32; HALF] {
    samples[first..first + HALF].try_into().expect("half a group")
}

#[cfg(test)]
mod tests;
