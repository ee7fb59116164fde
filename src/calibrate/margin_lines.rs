//! What masked margins tell of row and column noise.
//!
//! Two halves of the masked pixels beside a line share the line's offset and nothing else: their covariance is the
//! variance of the offsets, and it counts where it is many standard errors above zero. No light reaches the margins,
//! so they tell offsets that stand still from a level horizon, which the picture cannot.

use crate::calibrate::banding::{LineNoise, SIGNIFICANT, mean_of, without_smooth};

/// Means of two halves of the masked pixels beside each line, 1.0 at the white level.
pub(super) type Halves = [Vec<f32>; 2];

/// Offsets of the lines of one direction, of one set or of one for each frame.
#[derive(Clone, Debug)]
pub(super) struct Told {
    pub(super) noise: LineNoise,
    /// Of the offsets as they are measured.
    pub(super) variance: f64,
    /// Variance of the error of each measured offset.
    pub(super) error: f64,
    /// Offsets of a variance beyond this would have been seen.
    pub(super) limit: f64,
    /// By set, then by line.
    offsets: Vec<Vec<f32>>,
}

impl Told {
    /// `kept` is the share of the variance that the preparation has left.
    fn of(sets: &[Halves], kept: f64) -> Self {
        let pairs = || sets.iter().flat_map(|[a, b]| a.iter().zip(b)).map(|(a, b)| (f64::from(*a), f64::from(*b)));
        let n = pairs().count().max(1) as f64;
        let mean = |of: fn((f64, f64)) -> f64| pairs().map(of).sum::<f64>() / n;
        let (together, first, second) = (mean(|(a, b)| a * b), mean(|(a, _)| a * a), mean(|(_, b)| b * b));
        // The standard error of a covariance of what does not hang together.
        let standard_error = (first * second / (n * kept)).sqrt();
        let significance = if standard_error > 0.0 { together / standard_error } else { 0.0 };
        let variance = together.max(0.0);
        let noise = LineNoise {
            sigma: (variance / kept).sqrt(),
            significance,
            removed: significance >= SIGNIFICANT,
            by_margins: true,
        };
        let error = (0.25 * (first + second + 2.0 * together) - variance).max(1e-3 * variance);
        let middle = |[a, b]: &Halves| a.iter().zip(b).map(|(a, b)| 0.5 * (a + b)).collect();
        let limit = variance + SIGNIFICANT * standard_error;
        Self { noise, variance, error, limit, offsets: sets.iter().map(middle).collect() }
    }

    /// The best estimate of an offset from the margin and, where it is known, from the picture with its error.
    pub(super) fn offset(&self, set: usize, line: usize, of_picture: Option<(f32, f64)>) -> f32 {
        let (own, own_weight) = (f64::from(self.offsets[set][line]), 1.0 / self.error);
        let (other, weight) = of_picture.map_or((0.0, 0.0), |(value, error)| (f64::from(value), 1.0 / error));
        let total = own_weight + weight + 1.0 / self.variance;
        ((own * own_weight + other * weight) / total) as f32
    }

    pub(super) fn n_lines(&self) -> usize {
        self.offsets.first().map_or(0, Vec::len)
    }
}

/// What changes from frame to frame, and what stands still in all frames.
pub(super) fn moving_and_still(frames: &[&Halves]) -> (Told, Told) {
    let mean = |half: usize| mean_of(frames.iter().map(|halves| halves[half].as_slice()));
    let still = [mean(0), mean(1)];
    let less = |own: &[f32], still: &[f32]| {
        without_smooth(&own.iter().zip(still).map(|(own, still)| own - still).collect::<Vec<_>>())
    };
    let moving: Vec<Halves> = frames.iter().map(|[a, b]| [less(a, &still[0]), less(b, &still[1])]).collect();
    let kept = (frames.len() - 1) as f64 / frames.len() as f64;
    (Told::of(&moving, kept), Told::of(&[still.map(|half| without_smooth(&half))], 1.0))
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    use super::*;

    /// Six frames of 400 lines: offsets that stand still, offsets that do not, and an error of each half.
    fn frames(still: f32, moving: f32) -> Vec<Halves> {
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let mut draw = |sigma: f32| sigma * random.sample::<f32, _>(StandardNormal);
        let fixed: Vec<f32> = (0..400).map(|_| draw(still)).collect();
        (0..6)
            .map(|_| {
                let common: Vec<f32> = fixed.iter().map(|fixed| fixed + draw(moving)).collect();
                [0, 1].map(|_| common.iter().map(|common| common + draw(1.0)).collect())
            })
            .collect()
    }

    #[test]
    fn offsets_that_stand_still_and_those_that_do_not_are_told_apart() {
        let frames = frames(1.0, 0.5);
        let (moving, still) = moving_and_still(&frames.iter().collect::<Vec<_>>());
        assert!(moving.noise.removed && (moving.noise.sigma / 0.5 - 1.0).abs() < 0.1, "{:?}", moving.noise);
        // The mean of six frames holds a sixth of the other's variance.
        assert!(still.noise.removed && (still.noise.sigma / 1.02 - 1.0).abs() < 0.1, "{:?}", still.noise);
        // Two halves of error 1 have a mean of error 0.7.
        assert!((moving.error / 0.5 - 1.0).abs() < 0.2, "variance of the error: {}", moving.error);
    }

    #[test]
    fn halves_without_a_common_offset_tell_none() {
        let frames = frames(0.0, 0.0);
        let (moving, still) = moving_and_still(&frames.iter().collect::<Vec<_>>());
        assert!(!moving.noise.removed && !still.noise.removed, "{:?}, {:?}", moving.noise, still.noise);
    }
}
