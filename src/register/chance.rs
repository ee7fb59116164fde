//! How often chance alone would make two star fields agree as well as they do.
//!
//! The question of Moisan and Stival ("A probabilistic criterion to detect rigid point matches between two
//! images", International Journal of Computer Vision 57, 2004): among all solutions that could have been
//! tried, how many are expected to agree this well if the stars were scattered at random? The tail of the
//! binomial distribution is bounded after Hoeffding (1963), so the answer errs to the side of refusal.

/// A solution is believed when chance would give fewer than one in a million pairs of frames one like it.
pub(crate) const LN_BELIEF: f64 = -13.8;

/// How well two star fields agree under one solution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Agreement {
    /// Stars that fall into the other frame.
    pub(crate) n_candidates: usize,
    /// Those that meet a star there.
    pub(crate) n_agreeing: usize,
    /// Mean probability that a candidate meets a star by chance.
    pub(crate) chance: f64,
}

impl Agreement {
    /// Natural logarithm of the expected number of chance solutions that agree as well, when
    /// `n_seed` pairs always agree because the solution was fitted to them.
    pub(crate) fn ln_false_alarms(&self, n_seed: usize, ln_tries: f64) -> f64 {
        if self.n_agreeing <= n_seed || self.n_candidates <= n_seed {
            return ln_tries;
        }
        let free = (self.n_candidates - n_seed) as f64;
        let share = (self.n_agreeing - n_seed) as f64 / free;
        let chance = self.chance.clamp(1e-9, 1.0 - 1e-9);
        if share <= chance {
            return ln_tries;
        }
        let rest = 1.0 - share;
        let rest_term = if rest > 0.0 { rest * (rest / (1.0 - chance)).ln() } else { 0.0 };
        ln_tries - free * (share * (share / chance).ln() + rest_term)
    }
}

/// Natural logarithm of the number of ways to start a solution from three pairs, for one lens.
pub(crate) fn ln_seeds(n_light: usize, n_reference: usize) -> f64 {
    let falling = |n: usize| (0..3).map(|k| ((n.max(3) - k) as f64).ln()).sum::<f64>();
    falling(n_light) + falling(n_reference) - 6_f64.ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bound_lies_above_the_exact_tail_and_near_it() {
        // 20 candidates, chance 0.01 each, 5 agree: P(X ≥ 5) = Σ C(20, j) 0.01^j 0.99^(20-j) = 1.356e-6.
        let agreement = Agreement { n_candidates: 20, n_agreeing: 5, chance: 0.01 };
        let bound = agreement.ln_false_alarms(0, 0.0).exp();
        assert!(bound > 1.356e-6 && bound < 1.2e-5, "{bound}");
    }

    #[test]
    fn agreement_no_better_than_chance_proves_nothing() {
        let agreement = Agreement { n_candidates: 100, n_agreeing: 10, chance: 0.2 };
        assert_eq!(agreement.ln_false_alarms(3, 5.0), 5.0, "as many as were tried");
    }
}
