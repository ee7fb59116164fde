//! Random walks with priors: each pixel's chance that a walk from it ends on land.
//!
//! A walk crosses to a neighbour the more easily the more alike both are, and ends at a pixel by the trust
//! put into what is already held there. The chances minimise
//! Σ w (xᵢ − xⱼ)² + Σ t (xᵢ − pᵢ)² (Grady 2005 and 2006), solved by conjugate gradients with the diagonal
//! as preconditioner. Against a minimum cut it has the merits that matter here: one smooth solution that
//! changes little with a small change, so that a stroke is answered by solving again from where one was,
//! and no short cuts through thin parts.

use rayon::prelude::*;

use crate::job::{Cancelled, Monitor};
use crate::pixels::{Plane, Size};

/// A walk crosses even the hardest edge now and then; keeps every pixel connected.
const LEAST_WEIGHT: f32 = 0.002;
/// Steps of the solver at most, and the share of the first residual at which it ends.
const MOST_STEPS: usize = 300;
const RESIDUAL: f64 = 1e-3;
/// Pixels that a core takes at a time; their sums are added in order, so that the number of cores changes nothing.
const PIECE: usize = 16_384;

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
    pub(super) fn solve(&self, monitor: &Monitor, start: &Plane<f32>) -> Result<Plane<f32>, Cancelled> {
        let diagonal = self.diagonal();
        let mut x = start.samples().to_vec();
        let mut product = vec![0.0; x.len()];
        self.multiply(&diagonal, &x, &mut product);
        let held = self.trust.samples().iter().zip(self.prior.samples());
        let mut rest: Vec<f32> = held.zip(&product).map(|((t, p), product)| t * p - product).collect();
        let mut direction: Vec<f32> = rest.iter().zip(&diagonal).map(|(r, d)| r / d).collect();
        let mut energy: f64 = rest.iter().zip(&direction).map(|(&r, &z)| f64::from(r) * f64::from(z)).sum();
        let enough = energy * RESIDUAL * RESIDUAL;
        for _ in 0..MOST_STEPS {
            monitor.check()?;
            if energy <= enough || energy <= 0.0 {
                break;
            }
            let step = (energy / self.multiply(&diagonal, &direction, &mut product)) as f32;
            let moved = (
                x.par_chunks_mut(PIECE),
                rest.par_chunks_mut(PIECE),
                direction.par_chunks(PIECE),
                product.par_chunks(PIECE),
                diagonal.par_chunks(PIECE),
            );
            let energies: Vec<f64> = moved
                .into_par_iter()
                .map(|(x, rest, direction, product, diagonal)| {
                    x.iter_mut().zip(direction).for_each(|(x, d)| *x += step * d);
                    rest.iter_mut().zip(product).for_each(|(r, p)| *r -= step * p);
                    rest.iter().zip(diagonal).map(|(&r, &d)| f64::from(r) * f64::from(r / d)).sum()
                })
                .collect();
            let next: f64 = energies.iter().sum();
            let share = (next / energy) as f32;
            let turned = (direction.par_chunks_mut(PIECE), rest.par_chunks(PIECE), diagonal.par_chunks(PIECE));
            turned.into_par_iter().for_each(|(direction, rest, diagonal)| {
                for ((direction, r), d) in direction.iter_mut().zip(rest).zip(diagonal) {
                    *direction = r / d + share * *direction;
                }
            });
            energy = next;
        }
        Ok(Plane::from_vec(self.size, x).expect("one chance a pixel"))
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

    /// The product with `x`, and the sum of its products with `x` in turn.
    fn multiply(&self, diagonal: &[f32], x: &[f32], product: &mut [f32]) -> f64 {
        let width = self.size.width;
        let subtract = |row: &mut [f32], ease: &[f32], x: &[f32]| {
            row.iter_mut().zip(ease).zip(x).for_each(|((value, ease), x)| *value -= ease * x);
        };
        let sums: Vec<f64> = product
            .par_chunks_mut(width)
            .enumerate()
            .map(|(y, row)| {
                let own = y * width..(y + 1) * width;
                let (here, right) = (&x[own.clone()], &self.right[own.clone()]);
                let inner = width - 1;
                for ((value, diagonal), x) in row.iter_mut().zip(&diagonal[own.clone()]).zip(here) {
                    *value = diagonal * x;
                }
                subtract(&mut row[..inner], &right[..inner], &here[1..]);
                subtract(&mut row[1..], &right[..inner], &here[..inner]);
                if own.end < x.len() {
                    subtract(row, &self.down[own.clone()], &x[own.end..own.end + width]);
                }
                if y > 0 {
                    let above = own.start - width..own.start;
                    subtract(row, &self.down[above.clone()], &x[above]);
                }
                here.iter().zip(&*row).map(|(&x, &value)| f64::from(x) * f64::from(value)).sum()
            })
            .collect();
        // In a fixed order: the same on any number of cores.
        sums.iter().sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn solved(walk: Walk, start: &Plane<f32>) -> Plane<f32> {
        walk.solve(&Monitor::silent(), start).expect("nobody cancels")
    }

    /// Between two ends that are held, even steps give the straight line: the chance of a fair walk.
    #[test]
    fn an_even_walk_between_two_ends_is_a_straight_line() {
        let size = Size { width: 11, height: 1 };
        let end = |x: usize| x == 0 || x == 10;
        let prior = Plane::from_fn(size, |x, _| if x == 10 { 1.0 } else { 0.0 });
        let trust = Plane::from_fn(size, |x, _| if end(x) { 1e4 } else { 0.0 });
        let chances = solved(Walk::new(prior, trust, 1.0, |_, _| 0.0), &Plane::filled(size, 0.5));
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
        let walk = Walk::new(prior, trust, 9.0, |a, b| f32::powi(side(a) - side(b), 2));
        let chances = solved(walk, &Plane::filled(size, 0.5));
        assert!(chances.at(5, 2) < 0.1 && chances.at(6, 2) > 0.9, "{} {}", chances.at(5, 2), chances.at(6, 2));
    }
}
