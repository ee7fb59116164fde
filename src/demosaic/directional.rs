//! Both directions in full, then the one whose colors are smoother around each place.
//!
//! Source: D. Menon, S. Andriani, G. Calvagno, "Demosaicing with directional filtering and a posteriori decision",
//! IEEE Transactions on Image Processing 16, 2007; without the last refinement.

use crate::demosaic::Pixel;
use crate::demosaic::patch::Patch;
use crate::pixels::CfaColor;

/// Samples on each side that a pixel is made from.
pub(super) const REACH_PX: usize = 8;
/// Samples that green along one direction is made from.
const GREEN_REACH_PX: usize = 2;
/// Where directions can be told.
const DECIDED_PX: usize = 6;
/// Steps along and across a direction to the differences that decide, and their weight.
const DECIDING: [(isize, isize, f32); 8] =
    [(0, 0, 3.0), (-2, 0, 3.0), (-1, -1, 1.0), (-1, 1, 1.0), (0, -2, 1.0), (0, 2, 1.0), (-2, -2, 1.0), (-2, 2, 1.0)];

/// The pixels of a patch inside [`REACH_PX`].
pub(super) fn demosaic(patch: &Patch<'_>, pixels: &mut [Pixel]) {
    let width = patch.size.width;
    let directions = [Direction::new(patch, 1), Direction::new(patch, width)];
    let mut colors = patch.own_colors();
    let mut is_across = vec![false; patch.mosaic.len()];
    for place in patch.inner(DECIDED_PX) {
        let [across, down] = directions.each_ref().map(|direction| direction.roughness(place, width));
        is_across[place] = across <= down;
        if patch.color_at(place) != CfaColor::Green {
            colors.planes[1][place] = directions[usize::from(!is_across[place])].green[place];
        }
    }
    colors.fill_at_green(patch, DECIDED_PX + 1);
    for place in patch.inner(REACH_PX) {
        let own = patch.color_at(place);
        if own != CfaColor::Green {
            let step = if is_across[place] { 1 } else { width };
            let (own, other) = (own as usize, 2 - own as usize);
            colors.planes[other][place] = colors.by_difference(other, own, step, place);
        }
    }
    colors.write(REACH_PX, pixels);
}

/// Green interpolated along one direction alone.
struct Direction {
    step: usize,
    green: Vec<f32>,
    /// Change of the color difference from each place to the second next.
    change: Vec<f32>,
}

impl Direction {
    fn new(patch: &Patch<'_>, step: usize) -> Self {
        let mut green = patch.mosaic.to_vec();
        // Zero where green was sampled: the difference of a color to green is known elsewhere only.
        let mut difference = vec![0.0f32; green.len()];
        for place in patch.inner(GREEN_REACH_PX).filter(|&place| patch.color_at(place) != CfaColor::Green) {
            green[place] = patch.green_along(step, place);
            difference[place] = patch.mosaic[place] - green[place];
        }
        let mut change = vec![0.0f32; green.len()];
        for place in patch.inner(GREEN_REACH_PX) {
            change[place] = (difference[place] - difference[place + 2 * step]).abs();
        }
        Self { step, green, change }
    }

    /// Change of color along the direction around a place.
    fn roughness(&self, place: usize, width: usize) -> f32 {
        let across = if self.step == 1 { width } else { 1 };
        let near = |along: isize, aside: isize| {
            place.wrapping_add_signed(along * self.step as isize).wrapping_add_signed(aside * across as isize)
        };
        DECIDING.iter().map(|&(along, aside, weight)| weight * self.change[near(along, aside)]).sum()
    }
}
