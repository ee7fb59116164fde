//! A picture at halves of halves of its scale.

use crate::pixels::{Plane, Size};

/// No level is narrower.
const LEAST_WIDTH: usize = 120;

/// Pixels of the frame along the edge of a pixel of a level.
pub(super) fn frame_px(level: usize) -> f64 {
    f64::from(2_u32 << level)
}

/// The grey picture of a frame, from fine to coarse.
///
/// Each level holds the coefficients of a cubic B-spline (Unser, "Splines: a perfect fit for signal and image
/// processing", 1999), which shows the picture a little blurred, so that its slopes hold for a pixel around, and
/// which can be looked at between pixels without moving fine detail.
#[derive(Clone, Debug)]
pub struct LandPicture(Vec<Plane<f32>>);

impl LandPicture {
    /// From means of 2 × 2 pixels of the frame.
    #[must_use]
    pub fn new(mut plane: Plane<f32>) -> Self {
        let mut levels = Vec::new();
        while plane.width() >= 2 * LEAST_WIDTH && plane.height() >= 16 {
            let next = halved(&plane);
            levels.push(blurred(&plane));
            plane = next;
        }
        levels.push(blurred(&plane));
        Self(levels)
    }

    pub(super) fn levels(&self) -> &[Plane<f32>] {
        &self.0
    }
}

/// Means of 2 × 2 pixels.
pub(super) fn halved(plane: &Plane<f32>) -> Plane<f32> {
    let size = Size { width: (plane.width() / 2).max(1), height: (plane.height() / 2).max(1) };
    let (right, bottom) = (plane.width() - 1, plane.height() - 1);
    Plane::from_fn(size, |x, y| {
        let (upper, lower) = (plane.row(2 * y), plane.row((2 * y + 1).min(bottom)));
        let beside = (2 * x + 1).min(right);
        0.25 * ((upper[2 * x] + upper[beside]) + (lower[2 * x] + lower[beside]))
    })
}

/// Binomial weights of the blur. With the spline's own the weights of a pixel are 1, 6, 10, 6 and 1 of 24: a standard
/// deviation of 0.91 pixels.
const WEIGHTS: [f32; 3] = [0.25, 0.5, 0.25];
/// Weights of the coefficients about a pixel in its value.
const SPLINE: [f32; 3] = [1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0];

/// Value of a level at a pixel; not on its border.
pub(super) fn value(level: &Plane<f32>, x: usize, y: usize) -> f32 {
    (0..3).map(|step| SPLINE[step] * across(level, x, y + step - 1)).sum()
}

/// Slopes of a level across and down at a pixel; not on its border.
pub(super) fn slopes(level: &Plane<f32>, x: usize, y: usize) -> [f32; 2] {
    let sum = (0..3).map(|step| SPLINE[step] * (level.at(x + 1, y + step - 1) - level.at(x - 1, y + step - 1)));
    [0.5 * sum.sum::<f32>(), 0.5 * (across(level, x, y + 1) - across(level, x, y - 1))]
}

fn across(level: &Plane<f32>, x: usize, y: usize) -> f32 {
    level.row(y)[x - 1..=x + 1].iter().zip(SPLINE).map(|(sample, weight)| sample * weight).sum()
}

/// Value of a level between pixels; `None` where the level does not hold all 4 × 4 coefficients around.
pub(super) fn between(level: &Plane<f32>, x: f32, y: f32) -> Option<f32> {
    let (left, top) = (x.floor(), y.floor());
    let inside = left >= 1.0 && top >= 1.0 && left + 2.0 < level.width() as f32 && top + 2.0 < level.height() as f32;
    inside.then(|| {
        let (across, down) = (spline(x - left), spline(y - top));
        // Inside the picture, so the casts are exact.
        let (first_column, first_row) = (left as usize - 1, top as usize - 1);
        (0..4).fold(0.0, |sum, row| {
            let samples = &level.row(first_row + row)[first_column..first_column + 4];
            let line: f32 = samples.iter().zip(across).map(|(sample, weight)| sample * weight).sum();
            sum + down[row] * line
        })
    })
}

/// Weights of the four coefficients around a place that lies `t` beyond the second.
fn spline(t: f32) -> [f32; 4] {
    let rest = 1.0 - t;
    [
        rest.powi(3) / 6.0,
        2.0 / 3.0 - t * t * (1.0 - 0.5 * t),
        2.0 / 3.0 - rest * rest * (1.0 - 0.5 * rest),
        t.powi(3) / 6.0,
    ]
}

/// By [`WEIGHTS`] along both axes.
fn blurred(plane: &Plane<f32>) -> Plane<f32> {
    let Size { width, height } = plane.size();
    let near = |place: usize, step: usize, len: usize| (place + step).saturating_sub(1).min(len - 1);
    let mut down = vec![0.0; width];
    let mut target = Plane::filled(plane.size(), 0.0);
    for y in 0..height {
        down.fill(0.0);
        for (step, weight) in WEIGHTS.iter().enumerate() {
            for (sum, sample) in down.iter_mut().zip(plane.row(near(y, step, height))) {
                *sum += weight * sample;
            }
        }
        for (x, value) in target.row_mut(y).iter_mut().enumerate() {
            *value = (0..WEIGHTS.len()).map(|step| WEIGHTS[step] * down[near(x, step, width)]).sum();
        }
    }
    target
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_between_pixels_joins_the_pixels_and_moves_no_detail() {
        // As fine as the detail of a level gets: 4.5 pixels from crest to crest.
        let wave = |x: f64| (1.4 * x).sin();
        let level = blurred(&Plane::from_fn(Size { width: 40, height: 12 }, |x, _| wave(x as f64) as f32));
        for x in 5..30 {
            let found = between(&level, x as f32, 6.0).expect("inside");
            assert!((found - value(&level, x, 6)).abs() < 1e-6, "on pixel {x}");
        }
        let shown = |x: f32| f64::from(between(&level, x, 6.0).expect("inside"));
        for shift in [0.1, 0.155, 0.25, 0.4] {
            // Nine pixels hold two turns of the wave.
            let (mut sine, mut cosine) = (0.0, 0.0);
            for x in 6..24 {
                sine += shown((f64::from(x) + shift) as f32) * (1.4 * f64::from(x)).sin();
                cosine += shown((f64::from(x) + shift) as f32) * (1.4 * f64::from(x)).cos();
            }
            let moved = cosine.atan2(sine) / 1.4;
            assert!((moved - shift).abs() < 0.01, "{shift} shows as {moved}");
        }
        assert_eq!(between(&level, 0.9, 6.0), None, "too near to the border");
    }
}
