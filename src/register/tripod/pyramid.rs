//! A picture at halves of halves of its scale.

use crate::pixels::{Plane, Size};

/// No level is narrower.
const LEAST_WIDTH: usize = 120;

/// Pixels of the frame along the edge of a pixel of a level.
pub(super) fn frame_px(level: usize) -> f64 {
    f64::from(2_u32 << level)
}

/// The grey picture of a frame, from fine to coarse, each level a little blurred so that its gradients hold for
/// a pixel around.
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

/// Binomial weights of the blur: a standard deviation of one pixel.
const WEIGHTS: [f32; 5] = [0.0625, 0.25, 0.375, 0.25, 0.0625];

/// By [`WEIGHTS`] along both axes.
fn blurred(plane: &Plane<f32>) -> Plane<f32> {
    let Size { width, height } = plane.size();
    let near = |place: usize, step: usize, len: usize| (place + step).saturating_sub(2).min(len - 1);
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
