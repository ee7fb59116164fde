//! Random walks with priors: each pixel's chance that a walk from it ends on land.
//!
//! A walk crosses to a neighbour the more easily the more alike both are, and ends at a pixel by the trust
//! put into what is already held there. The chances minimise
//! Σ w (xᵢ − xⱼ)² + Σ t (xᵢ − pᵢ)² (Grady 2005 and 2006), solved by conjugate gradients with the diagonal
//! as preconditioner. Against a minimum cut it has the merits that matter here: one smooth solution that
//! changes little with a small change, so that a stroke is answered by solving again from where one was,
//! and no short cuts through thin parts.

use rayon::prelude::*;

use crate::pixels::{Plane, Size};

/// A walk crosses even the hardest edge now and then; keeps every pixel connected.
const LEAST_WEIGHT: f32 = 0.002;
/// Steps of the solver at most, and the share of the first residual at which it ends.
const MOST_STEPS: usize = 300;
const RESIDUAL: f64 = 1e-3;

/// What is held of each pixel, and how alike neighbours are.
#[derive(Clone, Debug)]
pub(super) struct Walk {
    size: Size,
    /// Ease of the step to the right and down.
    right: Vec<f32>,
    down: Vec<f32>,
    /// Held: 0 sky to 1 land.
    pub(super) prior: Plane<f32>,
    /// Trust in it, beside 1.0 for an even step.
    pub(super) trust: Plane<f32>,
}

impl Walk {
    /// `difference(a, b)` is the squared difference of two pixels given by their index, 1.0 for the noise;
    /// `edge_gain` makes edges harder.
    pub(super) fn new(
        prior: Plane<f32>,
        trust: Plane<f32>,
        edge_gain: f32,
        difference: impl Fn(usize, usize) -> f32 + Sync,
    ) -> Self {
        let size = prior.size();
        let ease = |step: usize| -> Vec<f32> {
            let last = if step == 1 { size.width - 1 } else { size.width };
            (0..size.area())
                .into_par_iter()
                .map(|idx| {
                    let inside = idx % size.width < last && idx + step < size.area();
                    if inside { (-edge_gain * difference(idx, idx + step)).exp() + LEAST_WEIGHT } else { 0.0 }
                })
                .collect()
        };
        Self { size, right: ease(1), down: ease(size.width), prior, trust }
    }

    /// The chances, starting from `start`.
    pub(super) fn solve(&self, start: &Plane<f32>) -> Plane<f32> {
        let diagonal = self.diagonal();
        let mut x = start.samples().to_vec();
        let mut product = vec![0.0; x.len()];
        self.multiply(&diagonal, &x, &mut product);
        let held = self.trust.samples().iter().zip(self.prior.samples());
        let mut rest: Vec<f32> = held.zip(&product).map(|((t, p), product)| t * p - product).collect();
        let scaled = |rest: &[f32]| -> Vec<f32> { rest.iter().zip(&diagonal).map(|(r, d)| r / d).collect() };
        let mut z = scaled(&rest);
        let mut direction = z.clone();
        let mut energy = dot(&rest, &z);
        let enough = energy * RESIDUAL * RESIDUAL;
        for _ in 0..MOST_STEPS {
            if energy <= enough || energy <= 0.0 {
                break;
            }
            self.multiply(&diagonal, &direction, &mut product);
            let step = (energy / dot(&direction, &product)) as f32;
            x.iter_mut().zip(&direction).for_each(|(x, d)| *x += step * d);
            rest.iter_mut().zip(&product).for_each(|(r, p)| *r -= step * p);
            z = scaled(&rest);
            let next = dot(&rest, &z);
            let share = (next / energy) as f32;
            direction.iter_mut().zip(&z).for_each(|(d, z)| *d = z + share * *d);
            energy = next;
        }
        Plane::from_vec(self.size, x).expect("one chance a pixel")
    }

    fn diagonal(&self) -> Vec<f32> {
        let mut diagonal = self.trust.samples().to_vec();
        for idx in 0..diagonal.len() {
            diagonal[idx] += self.right[idx] + self.down[idx];
            if self.right[idx] > 0.0 {
                diagonal[idx + 1] += self.right[idx];
            }
            if self.down[idx] > 0.0 {
                diagonal[idx + self.size.width] += self.down[idx];
            }
        }
        diagonal.iter_mut().for_each(|d| *d = d.max(1e-6));
        diagonal
    }

    fn multiply(&self, diagonal: &[f32], x: &[f32], product: &mut [f32]) {
        let width = self.size.width;
        product.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            let first = y * width;
            for (column, value) in row.iter_mut().enumerate() {
                let idx = first + column;
                let mut sum = diagonal[idx] * x[idx];
                if column + 1 < width {
                    sum -= self.right[idx] * x[idx + 1];
                }
                if column > 0 {
                    sum -= self.right[idx - 1] * x[idx - 1];
                }
                if idx + width < x.len() {
                    sum -= self.down[idx] * x[idx + width];
                }
                if idx >= width {
                    sum -= self.down[idx - width] * x[idx - width];
                }
                *value = sum;
            }
        });
    }
}

/// Sums in a fixed order: the same on any number of cores.
fn dot(a: &[f32], b: &[f32]) -> f64 {
    a.iter().zip(b).map(|(&a, &b)| f64::from(a) * f64::from(b)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Between two ends that are held, even steps give the straight line: the chance of a fair walk.
    #[test]
    fn an_even_walk_between_two_ends_is_a_straight_line() {
        let size = Size { width: 11, height: 1 };
        let end = |x: usize| x == 0 || x == 10;
        let prior = Plane::from_fn(size, |x, _| if x == 10 { 1.0 } else { 0.0 });
        let trust = Plane::from_fn(size, |x, _| if end(x) { 1e4 } else { 0.0 });
        let chances = Walk::new(prior, trust, 1.0, |_, _| 0.0).solve(&Plane::filled(size, 0.5));
        for x in 0..11 {
            let expected = x as f32 / 10.0;
            assert!((chances.at(x, 0) - expected).abs() < 2e-3, "place {x}: {}", chances.at(x, 0));
        }
    }

    #[test]
    fn the_chance_jumps_at_the_edge_and_nowhere_else() {
        let size = Size { width: 20, height: 5 };
        let prior = Plane::from_fn(size, |x, _| if x == 19 { 1.0 } else { 0.0 });
        let trust = Plane::from_fn(size, |x, _| if x == 0 || x == 19 { 100.0 } else { 0.0 });
        let side = |idx: usize| if idx % 20 < 6 { 0.0 } else { 1.0 };
        let chances =
            Walk::new(prior, trust, 9.0, |a, b| f32::powi(side(a) - side(b), 2)).solve(&Plane::filled(size, 0.5));
        assert!(chances.at(5, 2) < 0.1 && chances.at(6, 2) > 0.9, "{} {}", chances.at(5, 2), chances.at(6, 2));
    }
}
