//! Weights of the Lanczos kernel with three lobes, tabled by sub-pixel phase.
//!
//! w(t) = sinc(t) · sinc(t / 3) for |t| < 3 (C. Lanczos; the usual windowed sinc), normalised so that the
//! six weights of a phase add up to one: a constant stays what it is.

use std::f64::consts::PI;

/// Samples along each axis that one output sample is made from.
pub const TAPS: usize = 6;
/// The sample of the whole-pixel position among the taps.
pub(super) const CENTER_TAP: usize = 2;
/// Sub-pixel positions tabled; the position is off by at most half of one in this many.
pub(super) const PHASES: usize = 256;

/// Weights of the taps, then their sum of squares (what they leave of the variance of white noise).
pub(super) type Weights = [f32; 8];
/// Place of the sum of squares.
pub(super) const SQUARES: usize = TAPS;

/// The weights of each phase; the first one is a whole pixel.
#[derive(Clone, Debug)]
pub struct Kernel {
    pub(super) phases: Box<[Weights; PHASES]>,
}

impl Kernel {
    /// The table.
    #[must_use]
    pub fn new() -> Self {
        Self { phases: Box::new(std::array::from_fn(|phase| weights(phase as f64 / PHASES as f64))) }
    }

    /// What is left of the variance of white noise, averaged over all sub-pixel positions of both axes.
    #[must_use]
    pub fn mean_noise_gain(&self) -> f32 {
        let sum: f32 = self.phases.iter().map(|weights| weights[SQUARES]).sum();
        (sum / PHASES as f32).powi(2)
    }
}

impl Default for Kernel {
    fn default() -> Self {
        Self::new()
    }
}

fn weights(phase: f64) -> Weights {
    let raw: [f64; TAPS] = std::array::from_fn(|tap| lanczos(tap as f64 - CENTER_TAP as f64 - phase));
    let sum: f64 = raw.iter().sum();
    let squares: f64 = raw.iter().map(|weight| (weight / sum).powi(2)).sum();
    std::array::from_fn(|place| match place {
        0..TAPS => (raw[place] / sum) as f32,
        SQUARES => squares as f32,
        _ => 0.0,
    })
}

fn lanczos(distance: f64) -> f64 {
    if distance == distance.round() {
        // The exact zeros matter: a whole-pixel shift must not touch its neighbours.
        f64::from(u8::from(distance == 0.0))
    } else if distance.abs() < 3.0 {
        sinc(distance) * sinc(distance / 3.0)
    } else {
        0.0
    }
}

fn sinc(x: f64) -> f64 {
    (PI * x).sin() / (PI * x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_of_every_phase_add_up_to_one_and_no_shift_copies() {
        let kernel = Kernel::new();
        for weights in kernel.phases.iter() {
            let sum: f32 = weights[..TAPS].iter().sum();
            assert!((sum - 1.0).abs() < 1e-6, "weights {weights:?} add up to {sum}");
        }
        assert_eq!(kernel.phases[0][..TAPS], [0.0, 0.0, 1.0, 0.0, 0.0, 0.0], "no shift");
    }

    /// At half a pixel: sinc(1/2) sinc(1/6) = 2/π · 3/π, and so on; by hand and normalised.
    #[test]
    fn the_half_pixel_weights_are_those_of_the_formula() {
        let expected = [0.024_457, -0.135_870, 0.611_413, 0.611_413, -0.135_870, 0.024_457];
        for (weight, expected) in Kernel::new().phases[PHASES / 2].iter().zip(expected) {
            assert!((weight - expected).abs() < 1e-4, "{weight} for {expected}");
        }
    }
}
