//! A block of a mosaic with what the slower methods share: plain loops over the block, a margin less at each step.

use crate::demosaic::Pixel;
use crate::pixels::{Cfa, CfaColor, Size};

/// The samples of a block and the filters as seen from its first one.
pub(super) struct Patch<'a> {
    pub(super) cfa: Cfa,
    pub(super) size: Size,
    pub(super) mosaic: &'a [f32],
}

/// Red, green and blue at every place of a block; each is right a margin away from the border.
pub(super) struct Colors {
    pub(super) size: Size,
    pub(super) planes: [Vec<f32>; 3],
}

impl Patch<'_> {
    pub(super) fn color_at(&self, place: usize) -> CfaColor {
        self.cfa.color_at(place % self.size.width, place / self.size.width)
    }

    /// Places at least `margin` away from the border.
    pub(super) fn inner(&self, margin: usize) -> impl Iterator<Item = usize> + use<> {
        let Size { width, height } = self.size;
        (margin..height - margin).flat_map(move |y| (margin..width - margin).map(move |x| y * width + x))
    }

    /// The samples in their own planes, 0 elsewhere.
    pub(super) fn own_colors(&self) -> Colors {
        let mut planes: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; self.mosaic.len()]);
        for (place, &sample) in self.mosaic.iter().enumerate() {
            planes[self.color_at(place) as usize][place] = sample;
        }
        Colors { size: self.size, planes }
    }

    /// Green along an axis (`step` 1 for the row, the width for the column) where it was not sampled: the mean of
    /// the neighbors, corrected by the second difference of the color that was.
    pub(super) fn green_along(&self, step: usize, place: usize) -> f32 {
        let at = |place: usize| self.mosaic[place];
        let second = 2.0 * at(place) - at(place - 2 * step) - at(place + 2 * step);
        0.5 * (at(place - step) + at(place + step)) + 0.25 * second
    }
}

impl Colors {
    /// `channel` where it lies between two known places along an axis, by its mean difference to another channel.
    pub(super) fn by_difference(&self, channel: usize, to: usize, step: usize, place: usize) -> f32 {
        let difference = |place: usize| self.planes[channel][place] - self.planes[to][place];
        self.planes[to][place] + 0.5 * (difference(place - step) + difference(place + step))
    }

    /// Red and blue where green was sampled: along the axis on which their samples lie.
    pub(super) fn fill_at_green(&mut self, patch: &Patch<'_>, margin: usize) {
        let width = self.size.width;
        for place in patch.inner(margin).filter(|&place| patch.color_at(place) == CfaColor::Green) {
            let beside = patch.color_at(place - 1) as usize;
            self.planes[beside][place] = self.by_difference(beside, 1, 1, place);
            let above = 2 - beside;
            self.planes[above][place] = self.by_difference(above, 1, width, place);
        }
    }

    /// The pixels inside a margin.
    pub(super) fn write(&self, margin: usize, pixels: &mut [Pixel]) {
        let width = self.size.width - 2 * margin;
        for (y, row) in pixels.chunks_exact_mut(width).enumerate() {
            let start = (y + margin) * self.size.width + margin;
            for (x, pixel) in row.iter_mut().enumerate() {
                let [red, green, blue] = self.planes.each_ref().map(|plane| plane[start + x]);
                *pixel = [red, green, blue, 1.0];
            }
        }
    }
}
