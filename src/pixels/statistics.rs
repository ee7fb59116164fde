//! Robust statistics of small and large samples.

/// Standard deviation over median absolute deviation of normal noise: 1 / Φ⁻¹(3/4).
pub const SIGMA_PER_MAD: f32 = 1.482_602_2;

/// The median; reorders the values. Even counts give the mean of the middle two; `None` when empty.
#[must_use]
pub fn median(values: &mut [f32]) -> Option<f32> {
    let middle = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let even = values.len().is_multiple_of(2);
    let (below, &mut upper, _) = values.select_nth_unstable_by(middle, f32::total_cmp);
    if even {
        let lower = below.iter().copied().max_by(f32::total_cmp).expect("an even count has a lower half");
        Some(0.5 * (lower + upper))
    } else {
        Some(upper)
    }
}

/// Median and robust standard deviation (median absolute deviation scaled); reorders and overwrites.
#[must_use]
pub fn median_and_sigma(values: &mut [f32]) -> Option<(f32, f32)> {
    let center = median(values)?;
    for value in values.iter_mut() {
        *value = (*value - center).abs();
    }
    Some((center, SIGMA_PER_MAD * median(values)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_of_an_even_count_lies_between_the_middle_two() {
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(2.5), "between 2 and 3");
        assert_eq!(median(&mut [5.0, 1.0, 3.0]), Some(3.0), "the middle one");
        assert_eq!(median(&mut []), None, "nothing has no median");
    }

    #[test]
    fn one_outlier_does_not_move_the_robust_sigma() {
        let (center, sigma) = median_and_sigma(&mut [1.0, 2.0, 3.0, 4.0, 1000.0]).expect("five values");
        assert_eq!(center, 3.0, "the middle value");
        assert_eq!(sigma, SIGMA_PER_MAD, "deviations 0 1 1 2 997 have median 1");
    }
}
