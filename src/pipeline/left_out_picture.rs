//! What clipping left out of the picture, to look at: trails of satellites show as lines, a bitten star as a dot.

use std::path::Path;

use crate::error::Error;
use crate::job::Monitor;
use crate::pipeline::mask_file::save_grey;
use crate::pipeline::run::Outcome;
use crate::pixels::Plane;
use crate::stack::Stack;

/// The root of the share of the frames that were left out of each pixel, 255 for all of them: one of sixteen is a
/// quarter of white.
pub(super) fn left_out_shares(stack: &Stack) -> Plane<u8> {
    let share = |x: usize, y: usize| {
        let (used, left_out) = (f32::from(stack.n_used.at(x, y)), f32::from(stack.n_rejected.at(x, y)));
        // Between 0 and 255.
        if left_out > 0.0 { (255.0 * (left_out / (used + left_out)).sqrt()).round() as u8 } else { 0 }
    };
    Plane::from_fn(stack.n_used.size(), share)
}

/// Writes what was left out as a grey PNG, upright as the picture: black where all frames count, brighter the more
/// of them do not.
///
/// An error where nothing can be left out, because the samples were not clipped.
pub fn save_left_out_picture(monitor: &Monitor, outcome: &Outcome, path: &Path) -> Result<(), Error> {
    let Some(left_out) = &outcome.left_out else { return Err(nothing_clipped()) };
    let codes = Plane::from_fn(left_out.size(), |x, y| u16::from(left_out.at(x, y)) * 257);
    save_grey(monitor, path, &outcome.picture.orientation.upright(&codes))
}

/// Why there is no such picture.
#[must_use]
pub fn nothing_clipped() -> Error {
    Error::Settings { what: "only a clipped mean leaves samples out: combine by clipped-mean to see which" }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{LinearImage, Size};

    #[test]
    fn one_frame_of_sixteen_is_a_quarter_of_white() {
        let size = Size { width: 3, height: 1 };
        let plane = |counts: [u16; 3]| Plane::from_vec(size, counts.to_vec()).expect("three pixels");
        let stack = Stack {
            image: LinearImage::black(size),
            n_used: plane([16, 15, 0]),
            n_rejected: plane([0, 1, 2]),
            n_without_sky: 0,
            noise_gain: 1.0,
        };
        assert_eq!(left_out_shares(&stack).samples(), [0, 64, 255], "none, one of sixteen, all");
    }
}
