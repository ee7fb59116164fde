//! Light made even over the frame: what the lens has lost towards the corners, and the glow of the sky.

use crate::develop::falloff::{Falloff, scales};
use crate::develop::gradient::SkyGradient;
use crate::develop::settings::GradientRemoval;
use crate::develop::sky::SkyCell;
use crate::foreground::ForegroundMask;
use crate::pixels::{Plane, Size};

/// Pixels that go through each step together, so that the arithmetic runs side by side.
pub(super) const BLOCK: usize = 64;

/// Red, green and blue of a block of pixels.
pub(super) type Block = [[f32; BLOCK]; 3];

/// Where the pixels of a row lie in the frame, in fractions of its width and height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RowPlace {
    /// Middle of the first pixel.
    pub start: [f32; 2],
    /// From each pixel to the next.
    pub step: [f32; 2],
}

impl RowPlace {
    /// A row of a picture of this size that shows the whole frame, from column `x` on.
    #[must_use]
    pub fn of_row(size: Size, x: usize, y: usize) -> Self {
        let [width, height] = [size.width as f32, size.height as f32];
        Self { start: [(x as f32 + 0.5) / width, (y as f32 + 0.5) / height], step: [1.0 / width, 0.0] }
    }

    #[inline(always)]
    pub(super) fn at(&self, idx: usize) -> [f32; 2] {
        [self.start[0] + idx as f32 * self.step[0], self.start[1] + idx as f32 * self.step[1]]
    }
}

/// A falloff to make up for, over frames of one shape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lift {
    terms: [f32; 3],
    scales: [f32; 2],
}

/// Sky glow, and the landscape's share of each pixel, which keeps its light.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Glow {
    pub(super) surface: SkyGradient,
    pub(super) sky_share: Option<Plane<u8>>,
}

impl Lift {
    pub(super) fn new(falloff: &Falloff, size: Size) -> Self {
        Self { terms: falloff.terms.map(|term| term as f32), scales: scales(size).map(|scale| scale as f32) }
    }

    #[inline(always)]
    pub(super) fn apply(&self, block: &mut Block, place: RowPlace, start: usize) {
        let [a, b, c] = self.terms;
        let mut gains = [1.0; BLOCK];
        for (idx, gain) in gains.iter_mut().enumerate() {
            let [x, y] = place.at(start + idx).map(|fraction| fraction - 0.5);
            let r2 = self.scales[0] * x * x + self.scales[1] * y * y;
            *gain = 1.0 / (1.0 + r2 * (a + r2 * (b + r2 * c)));
        }
        for channel in block {
            channel.iter_mut().zip(gains).for_each(|(value, gain)| *value *= gain);
        }
    }
}

impl Glow {
    /// The glow of the sky, where it is to be taken away and can be told.
    pub(super) fn find(
        cells: &[SkyCell],
        foreground: Option<&ForegroundMask>,
        choice: GradientRemoval,
    ) -> Option<Self> {
        let GradientRemoval::On { strength } = choice else { return None };
        let surface = SkyGradient::fit(cells, strength.clamp(0.0, 1.0))?;
        let sky_share = foreground
            .filter(|mask| mask.size().area() > 0)
            // The clamp makes the cast exact.
            .map(|mask| mask.0.map(|weight| ((1.0 - weight.clamp(0.0, 1.0)) * 255.0 + 0.5) as u8));
        Some(Self { surface, sky_share })
    }

    #[inline(always)]
    pub(super) fn remove(&self, block: &mut Block, place: RowPlace, start: usize) {
        let mut share = [1.0; BLOCK];
        if let Some(plane) = &self.sky_share {
            for (idx, share) in share.iter_mut().enumerate() {
                *share = sample(plane, place.at(start + idx));
            }
        }
        let [red, green, blue] = block;
        for idx in 0..BLOCK {
            let glow = self.surface.at(place.at(start + idx));
            red[idx] -= share[idx] * glow[0];
            green[idx] -= share[idx] * glow[1];
            blue[idx] -= share[idx] * glow[2];
        }
    }
}

/// The share, 0 to 1, at a place; the nearest sample, which is the pixel's own at the same size.
#[inline]
pub(super) fn sample(share: &Plane<u8>, place: [f32; 2]) -> f32 {
    let index = |fraction: f32, len: usize| ((fraction * len as f32) as usize).min(len - 1);
    f32::from(share.at(index(place[0], share.width()), index(place[1], share.height()))) * (1.0 / 255.0)
}
