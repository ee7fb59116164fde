//! How far apart the samples of a pixel are, and how far apart they may be.

use crate::stack::lanes::{Aligned, LANES, Lanes, each, group, higher, lower};

/// Samples that the noise model is worth against the spread of a pixel's own samples.
const PRIOR_SAMPLES: f32 = 8.0;
/// Up to so many samples the start is their Winsorised deviation: the median absolute deviation of a handful jumps
/// by a factor of two from pixel to pixel.
pub(super) const MAX_WINSORIZED: f32 = 8.0;
/// Deviations beyond this many sigma count as this many (Huber, Robust Statistics, 1981, section 1.7).
const WINSORIZED_AT: f32 = 1.5;
/// Variance of normal noise over that of the same noise so held back: 1 / (1 − 2 (k φ(k) − (k² − 1) Φ(−k))),
/// k = 1.5.
const WINSORIZED_VARIANCE: f32 = 1.284_7;
/// Turns of holding back.
const WINSORIZED_TURNS: usize = 2;

/// Variance of few samples about their median, outliers held back to the edge; of a sample whose frame has variance 1.
///
/// `start` is where the search for it begins, not below the model.
#[inline(always)]
pub(super) fn winsorized_variance(
    values: &[Aligned],
    seen: &[Aligned],
    variances: &[f32],
    median: &Lanes,
    start: &Lanes,
    model: &Lanes,
) -> Lanes {
    let mut variance = each(|lane| higher(start[lane], model[lane]));
    for _ in 0..WINSORIZED_TURNS {
        let mut sum = [0.0; LANES];
        let mut count = [0.0; LANES];
        for ((Aligned(value), Aligned(seen)), frame_variance) in values.iter().zip(seen).zip(variances) {
            let per_variance = 1.0 / frame_variance;
            for lane in 0..LANES {
                let square = (value[lane] - median[lane]).powi(2) * per_variance;
                let held = lower(square, WINSORIZED_AT * WINSORIZED_AT * variance[lane]);
                sum[lane] += if seen[lane] > 0.0 { held } else { 0.0 };
                count[lane] += if seen[lane] > 0.0 { 1.0 } else { 0.0 };
            }
        }
        variance = each(|lane| {
            let own = WINSORIZED_VARIANCE * sum[lane] / higher(count[lane] - 1.0, 1.0);
            higher(own, model[lane])
        });
    }
    variance
}

/// The samples' own variance, tamed by the model: never below it, and not believed when they are few.
#[inline(always)]
pub(super) fn mixed_variance(own: &Lanes, count: &Lanes, model: Option<&Lanes>) -> Lanes {
    match model {
        None => *own,
        Some(model) => each(|lane| {
            let degrees = higher(count[lane] - 1.0, 0.0);
            let mixed = (PRIOR_SAMPLES * model[lane] + degrees * own[lane]) / (PRIOR_SAMPLES + degrees);
            higher(mixed, model[lane])
        }),
    }
}

/// Range of the medians of the nine pixels around, in rows of `width`.
#[inline(always)]
pub(super) fn contrast(medians: &[f32], width: usize, start: usize) -> Lanes {
    let mut brightest = [f32::NEG_INFINITY; LANES];
    let mut darkest = [f32::INFINITY; LANES];
    for row in 0..3 {
        for column in 0..3 {
            let near = group(medians, start + row * width + column - width - 1);
            darkest = each(|lane| lower(near[lane], darkest[lane]));
            // A pixel that no frame saw has an infinite median.
            brightest = each(|lane| {
                let counts = near[lane] > brightest[lane] && near[lane] < f32::INFINITY;
                if counts { near[lane] } else { brightest[lane] }
            });
        }
    }
    each(|lane| higher(brightest[lane] - darkest[lane], 0.0))
}

/// Sums over the samples that agree, about an origin near them.
#[derive(Default)]
pub(super) struct Sums {
    pub(super) n_rejected: Lanes,
    pub(super) weight: Lanes,
    pub(super) deviation: Lanes,
    pub(super) own_weight: Lanes,
    pub(super) own_deviation: Lanes,
    pub(super) own_square: Lanes,
}

impl Sums {
    /// Variance about the mean, of a sample whose frame has variance 1.
    #[inline(always)]
    pub(super) fn own_variance(&self, count: &Lanes) -> Lanes {
        each(|lane| {
            let about_mean =
                self.own_square[lane] - self.own_deviation[lane] * self.own_deviation[lane] / self.own_weight[lane];
            if count[lane] > 1.0 { higher(about_mean, 0.0) / (count[lane] - 1.0) } else { 0.0 }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By numerical integration of the normal density, from the definition.
    #[test]
    fn the_factor_undoes_what_holding_back_takes_from_normal_noise() {
        let step = 1e-3;
        let k = f64::from(WINSORIZED_AT);
        let density = |x: f64| (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt();
        let held = (-8000..8000).map(|place| (f64::from(place) + 0.5) * step);
        let variance: f64 = held.map(|x| x.clamp(-k, k).powi(2) * density(x) * step).sum();
        assert!((f64::from(WINSORIZED_VARIANCE) * variance - 1.0).abs() < 1e-3, "{} expected", 1.0 / variance);
    }

    #[test]
    fn one_far_sample_among_four_hardly_widens_the_spread() {
        let samples = [-1.0, 0.0, 1.0, 1000.0].map(|sample| Aligned([sample; LANES]));
        let ones = [Aligned([1.0; LANES]); 4];
        let found = winsorized_variance(&samples, &ones, &[1.0; 4], &[0.5; LANES], &[1.0; LANES], &[0.5; LANES])[0];
        // Deviations 1.5, 0.5, 0.5 and one held at 1.5 sigma.
        assert!((1.0..6.0).contains(&found), "{found}");
    }
}
