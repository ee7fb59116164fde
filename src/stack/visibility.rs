//! Where in a light frame the sky is clean: far enough from the foreground for the kernels, rising gently.

use rayon::prelude::*;

use crate::demosaic::{Pixel, Window};
use crate::foreground::ForegroundMask;
use crate::pixels::{Plane, Point, Size};
use crate::resample::Grid;

/// More foreground than this is no sky.
const BLOCKED_ABOVE: f32 = 0.02;
/// Pixels next to the foreground that the kernels of demosaic (2) and resampling (3) may mix with it.
const KERNELS_PX: u8 = 5;
/// Pixels over which a frame's weight rises from nothing to all of it: no frame begins with an edge.
const FEATHER_PX: u8 = 8;

/// Weight of the sky in a light frame, 0 to 255.
#[derive(Clone, Debug)]
pub(super) struct Visibility(Plane<u8>);

impl Visibility {
    pub(super) fn new(mask: &ForegroundMask) -> Self {
        let size = mask.size();
        let across = distance_across(&mask.0);
        let mut weight = Plane::filled(size, 0u8);
        let reach = usize::from(KERNELS_PX + FEATHER_PX);
        weight.samples_mut().par_chunks_mut(size.width).enumerate().for_each(|(y, target)| {
            let mut distance = vec![u8::MAX; size.width];
            for row in y.saturating_sub(reach)..(y + reach + 1).min(size.height) {
                let rows_away = row.abs_diff(y) as u8;
                for (distance, &here) in distance.iter_mut().zip(across.row(row)) {
                    *distance = (*distance).min(here.max(rows_away));
                }
            }
            for (target, distance) in target.iter_mut().zip(distance) {
                *target = weight_at(distance);
            }
        });
        Self(weight)
    }

    /// The weight at the pixel next to a place; that of the border outside the frame.
    pub(super) fn nearest(&self, place: Point) -> u8 {
        let Size { width, height } = self.0.size();
        // Casts saturate at 0.
        let pixel = |position: f64, len: usize| ((position + 0.5) as usize).min(len - 1);
        self.0.at(pixel(place.x, width), pixel(place.y, height))
    }

    /// Writes the weight into the fourth lane of the pixels of a window; outside the frame that of its border.
    pub(super) fn write(&self, window: Window, pixels: &mut [Pixel]) {
        self.each(window, |place, weight| pixels[place][3] = weight);
    }

    /// As [`Self::write`], for a frame whose pixels lie at other places of the mask: `grid` tells where. Where it
    /// does not tell, nothing is clean.
    pub(super) fn write_through(&self, grid: &Grid, window: Window, pixels: &mut [Pixel]) {
        pixels.iter_mut().for_each(|pixel| pixel[3] = 0.0);
        self.each_through(grid, window, |place, weight| pixels[place][3] = weight);
    }

    /// As [`Self::write_plane`], for such a frame.
    pub(super) fn write_plane_through(&self, grid: &Grid, window: Window, weights: &mut Vec<f32>) {
        weights.clear();
        weights.resize(window.size.area(), 0.0);
        self.each_through(grid, window, |place, weight| weights[place] = weight);
    }

    /// The weight rises over many pixels: that of the nearest one will do, and beyond the frame the border's.
    fn each_through(&self, grid: &Grid, window: Window, mut write: impl FnMut(usize, f32)) {
        for row in 0..window.size.height {
            grid.each_position(row, |column, x, y| {
                let weight = self.nearest(Point { x, y });
                write(row * window.size.width + column, f32::from(weight) * (1.0 / 255.0));
            });
        }
    }

    /// Writes the weights of a window.
    pub(super) fn write_plane(&self, window: Window, weights: &mut Vec<f32>) {
        weights.resize(window.size.area(), 0.0);
        self.each(window, |place, weight| weights[place] = weight);
    }

    fn each(&self, window: Window, mut write: impl FnMut(usize, f32)) {
        let Size { width, height } = self.0.size();
        for row in 0..window.size.height {
            let y = (window.y + row as isize).clamp(0, height as isize - 1) as usize;
            let weights = self.0.row(y);
            for column in 0..window.size.width {
                let x = (window.x + column as isize).clamp(0, width as isize - 1) as usize;
                write(row * window.size.width + column, f32::from(weights[x]) * (1.0 / 255.0));
            }
        }
    }
}

/// Distance along the row to the next blocked pixel, at most one more than the reach.
fn distance_across(mask: &Plane<f32>) -> Plane<u8> {
    let size = mask.size();
    let far = KERNELS_PX + FEATHER_PX + 1;
    let mut across = Plane::filled(size, far);
    across.samples_mut().par_chunks_mut(size.width).enumerate().for_each(|(y, distances)| {
        let blocked = mask.row(y);
        let mut last = far;
        for (distance, &foreground) in distances.iter_mut().zip(blocked) {
            last = if foreground > BLOCKED_ABOVE { 0 } else { (last + 1).min(far) };
            *distance = last;
        }
        last = far;
        for distance in distances.iter_mut().rev() {
            last = (last + 1).min(far).min(*distance);
            *distance = last;
        }
    });
    across
}

fn weight_at(distance: u8) -> u8 {
    let rise = u16::from(distance.saturating_sub(KERNELS_PX).min(FEATHER_PX));
    (rise * 255 / u16::from(FEATHER_PX)) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A knock of 20 pixels to the right: what lies at 30 in the mask is seen at 50.
    #[test]
    fn the_foreground_of_a_knocked_frame_is_found_at_its_own_place() {
        use crate::pixels::{Homography, Transform};
        let size = Size { width: 90, height: 41 };
        let mut mask = Plane::filled(size, 0.0);
        mask.set(30, 20, 1.0);
        let visibility = Visibility::new(&ForegroundMask(mask));
        let mask_from_light = Homography([[1.0, 0.0, -20.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);
        let warp = crate::resample::Warp::new(&Transform::Homography(mask_from_light), size);
        let window = Window { x: 40, y: 15, size: Size { width: 30, height: 11 } };
        let mut pixels = vec![[0.5; 4]; window.size.area()];
        visibility.write_through(&warp.grid(window), window, &mut pixels);
        let at = |x: usize, y: usize| pixels[(y - 15) * 30 + x - 40][3];
        assert_eq!(at(50, 20), 0.0, "the foreground itself");
        assert!((at(44, 20) - 31.0 / 255.0).abs() < 1e-6, "6 px beside it: {}", at(44, 20));
        assert!((at(63, 20) - 1.0).abs() < 1e-6, "13 px beside it: {}", at(63, 20));
    }

    #[test]
    fn weight_rises_from_the_reach_of_the_kernels_over_the_feather() {
        let size = Size { width: 60, height: 41 };
        let mut mask = Plane::filled(size, 0.0);
        mask.set(30, 20, 0.5);
        let visibility = Visibility::new(&ForegroundMask(mask));
        assert_eq!(visibility.0.at(25, 20), 0, "5 px beside it");
        assert_eq!(visibility.0.at(30, 15), 0, "5 px above it");
        assert_eq!(visibility.0.at(24, 20), 31, "an eighth at 6 px");
        assert_eq!(visibility.0.at(18, 33), 255, "all of it at 13 px");
        assert_eq!(visibility.0.at(0, 0), 255, "far away");
    }
}
