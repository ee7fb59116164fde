//! One flag a pixel.

use crate::pixels::geometry::Size;
use crate::pixels::plane::Plane;

/// A set of pixels.
#[derive(Clone, Debug, PartialEq)]
pub struct Mask(pub Plane<bool>);

impl Mask {
    /// The mask without any pixel.
    #[must_use]
    pub fn empty(size: Size) -> Self {
        Self(Plane::filled(size, false))
    }

    /// Width by height.
    #[must_use]
    pub fn size(&self) -> Size {
        self.0.size()
    }

    /// Whether the pixel at column `x` of row `y` belongs to the mask.
    #[must_use]
    #[inline]
    pub fn contains(&self, x: usize, y: usize) -> bool {
        self.0.at(x, y)
    }

    /// Number of pixels in the mask.
    #[must_use]
    pub fn count(&self) -> usize {
        self.0.samples().iter().filter(|&&inside| inside).count()
    }

    /// Pixels in either mask; panics where sizes differ.
    #[must_use]
    pub fn union(&self, other: &Self) -> Self {
        assert_eq!(self.size(), other.size(), "masks of one frame have one size");
        let samples = self.0.samples().iter().zip(other.0.samples()).map(|(&a, &b)| a || b).collect();
        Self(Plane::from_vec(self.size(), samples).expect("a union keeps the number of pixels"))
    }

    /// All pixels within `radius_px` along both axes of a pixel in the mask (a square neighbourhood).
    #[must_use]
    pub fn grow(&self, radius_px: usize) -> Self {
        let size = self.size();
        let mut across = Self::empty(size);
        for y in 0..size.height {
            spread(self.0.row(y), radius_px, across.0.row_mut(y));
        }
        let mut grown = Self::empty(size);
        let mut column = vec![false; size.height];
        let mut spread_column = vec![false; size.height];
        for x in 0..size.width {
            for (y, inside) in column.iter_mut().enumerate() {
                *inside = across.contains(x, y);
            }
            spread(&column, radius_px, &mut spread_column);
            for (y, &inside) in spread_column.iter().enumerate() {
                grown.0.set(x, y, inside);
            }
        }
        grown
    }
}

/// Marks every place within `radius` of a marked one.
fn spread(source: &[bool], radius: usize, target: &mut [bool]) {
    let mut reach = 0;
    for (place, &inside) in source.iter().enumerate().take(radius) {
        if inside {
            reach = place + radius + 1;
        }
    }
    for (place, marked) in target.iter_mut().enumerate() {
        if source.get(place + radius) == Some(&true) {
            reach = place + 2 * radius + 1;
        }
        *marked = place < reach;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn growing_a_single_pixel_gives_a_square_that_stops_at_the_border() {
        let mut mask = Mask::empty(Size { width: 6, height: 5 });
        mask.0.set(1, 3, true);
        let grown = mask.grow(2);
        for y in 0..5 {
            for x in 0..6 {
                let expected = x <= 3 && y >= 1;
                assert_eq!(grown.contains(x, y), expected, "pixel ({x}, {y})");
            }
        }
    }
}
