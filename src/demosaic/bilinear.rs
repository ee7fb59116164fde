//! Each color alone: the mean of its nearest samples. The plainest of all, as a baseline.

use crate::demosaic::Pixel;
use crate::demosaic::patch::Patch;
use crate::pixels::CfaColor;

/// Samples on each side that a pixel is made from.
pub(super) const REACH_PX: usize = 1;

/// The pixels of a patch inside [`REACH_PX`].
pub(super) fn demosaic(patch: &Patch<'_>, pixels: &mut [Pixel]) {
    let width = patch.size.width;
    let mean = |places: &[usize]| places.iter().map(|&place| patch.mosaic[place]).sum::<f32>() / places.len() as f32;
    let mut colors = patch.own_colors();
    for place in patch.inner(REACH_PX) {
        let sides = [place - 1, place + 1];
        let ends = [place - width, place + width];
        let cross = [sides[0], sides[1], ends[0], ends[1]];
        let corners = [place - width - 1, place - width + 1, place + width - 1, place + width + 1];
        let color = patch.color_at(place);
        if color == CfaColor::Green {
            let beside = patch.color_at(place - 1) as usize;
            colors.planes[beside][place] = mean(&sides);
            colors.planes[2 - beside][place] = mean(&ends);
        } else {
            colors.planes[1][place] = mean(&cross);
            colors.planes[2 - color as usize][place] = mean(&corners);
        }
    }
    colors.write(REACH_PX, pixels);
}
