//! Which way is down in a picture that is stored turned.

use crate::foreground::filters::Parts;
use crate::pixels::{Mask, Orientation, Size};

/// Sky is looked for so many pixels of the evidence below a part.
const LOOK_BELOW: usize = 80;

/// One step down, as the picture is held upright.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Down {
    /// To larger rows, as stored.
    Bottom,
    /// To smaller rows.
    Top,
    /// To larger columns.
    Right,
    /// To smaller columns.
    Left,
}

impl Down {
    pub(super) fn of(orientation: Orientation) -> Self {
        match orientation {
            Orientation::Normal | Orientation::FlipHorizontal => Self::Bottom,
            Orientation::Rotate180 | Orientation::FlipVertical => Self::Top,
            Orientation::Rotate90 | Orientation::Transpose => Self::Right,
            Orientation::Rotate270 | Orientation::Transverse => Self::Left,
        }
    }

    fn step(self, (x, y): (usize, usize), n: usize, Size { width, height }: Size) -> Option<(usize, usize)> {
        match self {
            Self::Bottom => (y + n < height).then_some((x, y + n)),
            Self::Top => y.checked_sub(n).map(|y| (x, y)),
            Self::Right => (x + n < width).then_some((x + n, y)),
            Self::Left => x.checked_sub(n).map(|x| (x, y)),
        }
    }

    /// For each part the share of its lower rim that has sky not far below it.
    pub(super) fn shares_above_sky(self, parts: &Parts, sky: &Mask) -> Vec<f32> {
        let size = sky.size();
        let (mut rims, mut above) = (vec![0.0_f32; parts.n], vec![0.0_f32; parts.n]);
        for y in 0..size.height {
            for x in 0..size.width {
                let part = parts.label.at(x, y);
                if part == 0 {
                    continue;
                }
                let next = self.step((x, y), 1, size);
                if next.is_some_and(|(x, y)| parts.label.at(x, y) == part) {
                    continue;
                }
                rims[part as usize] += 1.0;
                let mut below = (1..=LOOK_BELOW).map_while(|n| self.step((x, y), n, size));
                if below.any(|(x, y)| sky.contains(x, y)) {
                    above[part as usize] += 1.0;
                }
            }
        }
        rims.iter().zip(&above).map(|(rim, above)| above / rim.max(1.0)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::foreground::filters::Touching;
    use crate::pixels::Plane;

    #[test]
    fn a_branch_has_sky_below_it_and_a_hill_has_none_in_every_orientation() {
        let upright = Size { width: 30, height: 40 };
        let branch = Plane::from_fn(upright, |x, y| x < 10 && (10..14).contains(&y));
        let hill = Plane::from_fn(upright, |x, y| x >= 20 && y >= 25);
        for tag in 1..=8 {
            let orientation = Orientation::from_tag(tag).expect("a valid tag");
            let stored = |plane: &Plane<bool>| Mask(orientation.inverse().upright(plane));
            let (branch, hill) = (stored(&branch), stored(&hill));
            let sky = Mask(branch.union(&hill).0.map(|land| !land));
            let share =
                |part: &Mask| Down::of(orientation).shares_above_sky(&Parts::of(part, Touching::Edges), &sky)[1];
            assert_eq!((share(&branch), share(&hill)), (1.0, 0.0), "orientation {tag}");
        }
    }
}
