//! Green along the direction in which samples change least, red and blue by their difference to it.
//!
//! Source: J. F. Hamilton and J. E. Adams, "Adaptive color plan interpolation in single sensor color electronic
//! camera", US patent 5,629,734, 1997 (expired).

use crate::demosaic::Pixel;
use crate::demosaic::patch::Patch;
use crate::pixels::CfaColor;

/// Samples on each side that a pixel is made from.
pub(super) const REACH_PX: usize = 3;
/// Samples that green alone is made from.
const GREEN_REACH_PX: usize = 2;

/// The pixels of a patch inside [`REACH_PX`].
pub(super) fn demosaic(patch: &Patch<'_>, pixels: &mut [Pixel]) {
    let width = patch.size.width;
    let at = |place: usize| patch.mosaic[place];
    let mut colors = patch.own_colors();
    for place in patch.inner(GREEN_REACH_PX).filter(|&place| patch.color_at(place) != CfaColor::Green) {
        let change = |step: usize| {
            let second = 2.0 * at(place) - at(place - 2 * step) - at(place + 2 * step);
            (at(place - step) - at(place + step)).abs() + second.abs()
        };
        let (across, down) = (change(1), change(width));
        let green = |step: usize| patch.green_along(step, place);
        colors.planes[1][place] = match across.total_cmp(&down) {
            std::cmp::Ordering::Less => green(1),
            std::cmp::Ordering::Greater => green(width),
            std::cmp::Ordering::Equal => 0.5 * (green(1) + green(width)),
        };
    }
    colors.fill_at_green(patch, REACH_PX);
    for place in patch.inner(REACH_PX) {
        let own = patch.color_at(place);
        if own == CfaColor::Green {
            continue;
        }
        let channel = 2 - own as usize;
        let change = |step: usize| {
            let green = &colors.planes[1];
            (at(place - step) - at(place + step)).abs()
                + (2.0 * green[place] - green[place - step] - green[place + step]).abs()
        };
        let (falling, rising) = (change(width + 1), change(width - 1));
        let along = |step: usize| colors.by_difference(channel, 1, step, place);
        colors.planes[channel][place] = match falling.total_cmp(&rising) {
            std::cmp::Ordering::Less => along(width + 1),
            std::cmp::Ordering::Greater => along(width - 1),
            std::cmp::Ordering::Equal => 0.5 * (along(width + 1) + along(width - 1)),
        };
    }
    colors.write(REACH_PX, pixels);
}
