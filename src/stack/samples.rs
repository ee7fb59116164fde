//! The samples of the pixels of one tile, frame by frame, each color and weight in a lane of its own.

use crate::stack::lanes::{LANES, Lanes, each, group};

/// How the colors of a pixel are weighted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Weighting {
    /// One weight for all three.
    #[default]
    Shared,
    /// Each has its own: a frame may show one color of a pixel and not another.
    ByChannel,
}

/// Lanes of every frame: red, green, blue, then the weights, 0 where nothing was seen.
#[derive(Default)]
pub(super) struct Samples {
    n_pixels: usize,
    stride: usize,
    weighting: Weighting,
    values: Vec<f32>,
}

impl Samples {
    /// Room for `n_frames` times `n_pixels`, and a group more that is never seen. What a lane held before is still
    /// there: every frame is to be written.
    pub(super) fn reset(&mut self, n_frames: usize, n_pixels: usize, weighting: Weighting) {
        self.n_pixels = n_pixels;
        self.weighting = weighting;
        // One group more than needed: groups may begin anywhere; and lanes do not share cache sets.
        self.stride = n_pixels.next_multiple_of(LANES) + LANES;
        let needed = self.n_lanes() * n_frames * self.stride;
        if self.values.len() < needed {
            self.values.resize(needed, 0.0);
        }
        for lane in self.values[..needed].chunks_exact_mut(self.stride) {
            lane[n_pixels..].fill(0.0);
        }
    }

    fn n_lanes(&self) -> usize {
        3 + self.n_weights()
    }

    /// Lanes of weights: one for all colors or one for each.
    #[inline]
    pub(super) fn n_weights(&self) -> usize {
        match self.weighting {
            Weighting::Shared => 1,
            Weighting::ByChannel => 3,
        }
    }

    /// Samples of a color, padded beyond the last pixel.
    #[inline]
    pub(super) fn lane(&self, slot: usize, lane: usize) -> &[f32] {
        let start = (self.n_lanes() * slot + lane) * self.stride;
        &self.values[start..start + self.stride]
    }

    /// Weights of a color, padded with zeros.
    #[inline]
    pub(super) fn weight(&self, slot: usize, channel: usize) -> &[f32] {
        self.lane(slot, 3 + channel.min(self.n_weights() - 1))
    }

    /// Sum over the frames of the mean weight of the colors, and the frames that showed any, for a group of pixels.
    #[inline(always)]
    pub(super) fn coverage(&self, n_slots: usize, start: usize) -> (Lanes, Lanes) {
        let (mut total, mut count) = ([0.0; LANES], [0.0; LANES]);
        let share = 1.0 / self.n_weights() as f32;
        for slot in 0..n_slots {
            let mut of_frame = [0.0; LANES];
            for lane in 0..self.n_weights() {
                let weight = group(self.weight(slot, lane), start);
                of_frame = each(|lane| of_frame[lane] + weight[lane]);
            }
            total = each(|lane| total[lane] + share * of_frame[lane]);
            count = each(|lane| count[lane] + if of_frame[lane] > 0.0 { 1.0 } else { 0.0 });
        }
        (total, count)
    }

    /// Pixels with the padding.
    pub(super) fn stride(&self) -> usize {
        self.stride
    }

    /// The colors of a frame, then its weights, without the padding.
    pub(super) fn lanes_mut(&mut self, slot: usize) -> ([&mut [f32]; 3], Vec<&mut [f32]>) {
        let (n_pixels, n_lanes, stride) = (self.n_pixels, self.n_lanes(), self.stride);
        let start = n_lanes * slot * stride;
        let mut lanes =
            self.values[start..start + n_lanes * stride].chunks_exact_mut(stride).map(|lane| &mut lane[..n_pixels]);
        let mut color = || lanes.next().expect("three colors come first");
        let colors = [color(), color(), color()];
        (colors, lanes.collect())
    }
}
