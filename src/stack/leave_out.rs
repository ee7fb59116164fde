//! Takes the samples of crossed cells out of a tile before it is combined, and counts them as left out.

use crate::demosaic::Window;
use crate::stack::clip::Combined;
use crate::stack::samples::Samples;
use crate::stack::trails::{CELL_PX, Trails};

/// What was taken out of the pixels of a tile with its halo.
#[derive(Default)]
pub(super) struct LeftOut {
    n_crossed: Vec<f32>,
    n_left_out: Vec<f32>,
    weight: Vec<f32>,
}

impl LeftOut {
    /// Sets the weight of crossed samples to 0 where another frame saw the pixel; `false` where there are none.
    pub(super) fn take(&mut self, trails: &Trails, numbers: &[usize], target: Window, samples: &mut Samples) -> bool {
        let crossed: Vec<Vec<usize>> = numbers.iter().map(|&number| crossed_pixels(trails, number, target)).collect();
        if crossed.iter().all(Vec::is_empty) {
            return false;
        }
        let n_pixels = target.size.area();
        for plane in [&mut self.n_crossed, &mut self.n_left_out, &mut self.weight] {
            plane.clear();
            plane.resize(n_pixels, 0.0);
        }
        let n_weights = samples.n_weights();
        let is_seen = |samples: &Samples, slot: usize, pixel: usize| {
            (0..n_weights).any(|channel| samples.weight(slot, channel)[pixel] > 0.0)
        };
        for (slot, pixels) in crossed.iter().enumerate() {
            for &pixel in pixels.iter().filter(|&&pixel| is_seen(samples, slot, pixel)) {
                self.n_crossed[pixel] += 1.0;
            }
        }
        for (slot, pixels) in crossed.iter().enumerate() {
            for &pixel in pixels {
                let n_seen = (0..numbers.len()).filter(|&slot| is_seen(samples, slot, pixel)).count();
                // Counted down to the frames that are still there.
                let others = n_seen as f32 > self.n_crossed[pixel] - self.n_left_out[pixel];
                if others && is_seen(samples, slot, pixel) {
                    let (_, weights) = samples.lanes_mut(slot);
                    let share = 1.0 / n_weights as f32;
                    for weight in weights {
                        self.weight[pixel] += share * weight[pixel];
                        weight[pixel] = 0.0;
                    }
                    self.n_left_out[pixel] += 1.0;
                }
            }
        }
        true
    }

    /// Counts what was taken among what was seen and left out; `width` is that of the tile without its halo.
    pub(super) fn count(&self, width: usize, combined: &mut Combined) {
        for pixel in 0..combined.n_seen.len() {
            let place = (pixel / width + 1) * (width + 2) + pixel % width + 1;
            combined.n_seen[pixel] += self.n_left_out[place];
            combined.n_rejected[pixel] += self.n_left_out[place];
            combined.weight[pixel] += self.weight[place];
        }
    }
}

/// Pixels of the target window in crossed cells of a frame, row by row.
fn crossed_pixels(trails: &Trails, number: usize, target: Window) -> Vec<usize> {
    let cell = |position: isize| position.div_euclid(CELL_PX as isize).max(0) as usize;
    let end = |start: isize, len: usize| start + len as isize;
    let columns = cell(target.x)..cell(end(target.x, target.size.width) - 1) + 1;
    let mut pixels = Vec::new();
    for row in 0..target.size.height {
        let y = target.y + row as isize;
        if y < 0 {
            continue;
        }
        for column in trails.columns_of(number, columns.clone(), cell(y)) {
            let first = ((column * CELL_PX) as isize).max(target.x);
            let last = end((column * CELL_PX) as isize, CELL_PX).min(end(target.x, target.size.width));
            pixels.extend((first..last).map(|x| row * target.size.width + (x - target.x) as usize));
        }
    }
    pixels
}
