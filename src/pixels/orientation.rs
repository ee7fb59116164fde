//! How a stored picture is turned to be upright.
//!
//! The numbers are those of the orientation tag of TIFF 6.0 and EXIF 2.32 (tag 274).

use crate::pixels::geometry::{Point, Size};
use crate::pixels::plane::Plane;

/// How the stored picture is turned to be upright: the EXIF orientation tag (1 to 8).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Orientation {
    /// 1: as stored.
    #[default]
    Normal,
    /// 2: mirrored left to right.
    FlipHorizontal,
    /// 3: turned by half.
    Rotate180,
    /// 4: mirrored top to bottom.
    FlipVertical,
    /// 5: mirrored about the main diagonal.
    Transpose,
    /// 6: to be turned clockwise by a quarter.
    Rotate90,
    /// 7: mirrored about the other diagonal.
    Transverse,
    /// 8: to be turned counter-clockwise by a quarter.
    Rotate270,
}

impl Orientation {
    /// The orientation of an EXIF tag value; `None` outside 1 to 8.
    #[must_use]
    pub fn from_tag(value: u16) -> Option<Self> {
        Self::ALL.get(usize::from(value).checked_sub(1)?).copied()
    }

    /// The EXIF tag value, 1 to 8.
    #[must_use]
    pub fn tag(self) -> u16 {
        self as u16 + 1
    }

    const ALL: [Self; 8] = [
        Self::Normal,
        Self::FlipHorizontal,
        Self::Rotate180,
        Self::FlipVertical,
        Self::Transpose,
        Self::Rotate90,
        Self::Transverse,
        Self::Rotate270,
    ];

    /// Whether rows become columns.
    #[must_use]
    pub fn swaps_axes(self) -> bool {
        matches!(self, Self::Transpose | Self::Rotate90 | Self::Transverse | Self::Rotate270)
    }

    /// Size of the upright picture of a stored picture of size `stored`.
    #[must_use]
    pub fn upright_size(self, stored: Size) -> Size {
        if self.swaps_axes() { Size { width: stored.height, height: stored.width } } else { stored }
    }

    /// The place in the upright picture of a stored place; pixel centres as everywhere.
    #[must_use]
    pub fn upright_point(self, point: Point, stored: Size) -> Point {
        let right = stored.width as f64 - 1.0;
        let bottom = stored.height as f64 - 1.0;
        let Point { x, y } = point;
        let at = |x, y| Point { x, y };
        match self {
            Self::Normal => at(x, y),
            Self::FlipHorizontal => at(right - x, y),
            Self::Rotate180 => at(right - x, bottom - y),
            Self::FlipVertical => at(x, bottom - y),
            Self::Transpose => at(y, x),
            Self::Rotate90 => at(bottom - y, x),
            Self::Transverse => at(bottom - y, right - x),
            Self::Rotate270 => at(y, right - x),
        }
    }

    /// Where the upright pixel (x, y) stands in a stored picture of size `stored`.
    #[must_use]
    pub fn stored_from_upright(self, x: usize, y: usize, stored: Size) -> (usize, usize) {
        let right = stored.width - 1;
        let bottom = stored.height - 1;
        match self {
            Self::Normal => (x, y),
            Self::FlipHorizontal => (right - x, y),
            Self::Rotate180 => (right - x, bottom - y),
            Self::FlipVertical => (x, bottom - y),
            Self::Transpose => (y, x),
            Self::Rotate90 => (y, bottom - x),
            Self::Transverse => (right - y, bottom - x),
            Self::Rotate270 => (right - y, x),
        }
    }

    /// The orientation that turns an upright picture back to how it was stored.
    #[must_use]
    pub fn inverse(self) -> Self {
        match self {
            Self::Rotate90 => Self::Rotate270,
            Self::Rotate270 => Self::Rotate90,
            other => other,
        }
    }

    /// The upright picture of a stored plane.
    #[must_use]
    pub fn upright<T: Copy>(self, stored: &Plane<T>) -> Plane<T> {
        let size = stored.size();
        Plane::from_fn(self.upright_size(size), |x, y| {
            let (stored_x, stored_y) = self.stored_from_upright(x, y, size);
            stored.at(stored_x, stored_y)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_turn_clockwise_brings_the_left_column_to_the_top() {
        let stored = Plane::from_vec(Size { width: 2, height: 3 }, vec!['a', 'b', 'c', 'd', 'e', 'f']).expect("six");
        let upright = Orientation::Rotate90.upright(&stored);
        assert_eq!(upright.row(0), &['e', 'c', 'a'], "read from the bottom of the left column");
        assert_eq!(upright.row(1), &['f', 'd', 'b'], "then the right column");
    }

    #[test]
    fn every_orientation_is_undone_by_its_inverse() {
        let stored = Plane::from_fn(Size { width: 4, height: 3 }, |x, y| 10 * y + x);
        for orientation in Orientation::ALL {
            let (x, y) = orientation.stored_from_upright(1, 2, Size { width: 9, height: 7 });
            let point = Point { x: x as f64, y: y as f64 };
            let upright = orientation.upright_point(point, Size { width: 9, height: 7 });
            assert_eq!(upright, Point { x: 1.0, y: 2.0 }, "a point under {orientation:?}");
            let back = orientation.inverse().upright(&orientation.upright(&stored));
            assert_eq!(back, stored, "{orientation:?} and back");
            assert_eq!(Orientation::from_tag(orientation.tag()), Some(orientation), "tag of {orientation:?}");
        }
    }
}
