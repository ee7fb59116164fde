//! One channel of samples: a row-major two-dimensional array with named axes.

use ndarray::Array2;

use crate::pixels::geometry::{Rect, Size};

/// Samples of one channel, `height` rows of `width`, stored row by row without gaps.
#[derive(Clone, Debug, PartialEq)]
pub struct Plane<T>(Array2<T>);

impl<T: Copy> Plane<T> {
    /// A plane with every sample at `value`.
    #[must_use]
    pub fn filled(size: Size, value: T) -> Self {
        Self(Array2::from_elem((size.height, size.width), value))
    }

    /// A plane from its samples, row by row; `None` unless there is one sample a pixel.
    #[must_use]
    pub fn from_vec(size: Size, samples: Vec<T>) -> Option<Self> {
        Array2::from_shape_vec((size.height, size.width), samples).ok().map(Self)
    }

    /// A plane whose sample at (x, y) is `sample(x, y)`.
    #[must_use]
    pub fn from_fn(size: Size, mut sample: impl FnMut(usize, usize) -> T) -> Self {
        Self(Array2::from_shape_fn((size.height, size.width), |(y, x)| sample(x, y)))
    }

    /// Width by height.
    #[must_use]
    pub fn size(&self) -> Size {
        let (height, width) = self.0.dim();
        Size { width, height }
    }

    /// Samples in a row.
    #[must_use]
    #[inline]
    pub fn width(&self) -> usize {
        self.0.ncols()
    }

    /// Rows.
    #[must_use]
    #[inline]
    pub fn height(&self) -> usize {
        self.0.nrows()
    }

    /// The sample at column `x` of row `y`; panics outside the plane.
    #[must_use]
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> T {
        self.0[(y, x)]
    }

    /// Replaces the sample at column `x` of row `y`; panics outside the plane.
    #[inline]
    pub fn set(&mut self, x: usize, y: usize, value: T) {
        self.0[(y, x)] = value;
    }

    /// Row `y` from left to right.
    #[must_use]
    #[inline]
    pub fn row(&self, y: usize) -> &[T] {
        let width = self.width();
        &self.samples()[y * width..(y + 1) * width]
    }

    /// Row `y` from left to right, to be changed.
    #[inline]
    pub fn row_mut(&mut self, y: usize) -> &mut [T] {
        let width = self.width();
        &mut self.samples_mut()[y * width..(y + 1) * width]
    }

    /// All samples, row by row.
    #[must_use]
    #[inline]
    pub fn samples(&self) -> &[T] {
        self.0.as_slice().expect("a plane is stored row by row")
    }

    /// All samples, row by row, to be changed.
    #[inline]
    pub fn samples_mut(&mut self) -> &mut [T] {
        self.0.as_slice_mut().expect("a plane is stored row by row")
    }

    /// All samples, row by row, given away.
    #[must_use]
    pub fn into_samples(self) -> Vec<T> {
        let (samples, offset) = self.0.into_raw_vec_and_offset();
        debug_assert!(matches!(offset, None | Some(0)), "a plane owns its samples from the first one");
        samples
    }

    /// A copy of the part inside `rect`; panics where `rect` leaves the plane.
    #[must_use]
    pub fn crop(&self, rect: Rect) -> Self {
        let rows = rect.y..rect.y + rect.size.height;
        let columns = rect.x..rect.x + rect.size.width;
        let samples = rows.flat_map(|y| self.row(y)[columns.clone()].iter().copied()).collect();
        Self::from_vec(rect.size, samples).expect("a crop has one sample a pixel")
    }

    /// A plane of the same size with every sample changed by `change`.
    #[must_use]
    pub fn map<U: Copy>(&self, change: impl FnMut(T) -> U) -> Plane<U> {
        let samples = self.samples().iter().copied().map(change).collect();
        Plane::from_vec(self.size(), samples).expect("a map keeps the number of samples")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_crop_keeps_rows_and_columns_apart() {
        let plane = Plane::from_fn(Size { width: 4, height: 3 }, |x, y| 10 * y + x);
        let crop = plane.crop(Rect { x: 1, y: 1, size: Size { width: 2, height: 2 } });
        assert_eq!(crop.samples(), &[11, 12, 21, 22], "columns 1 and 2 of rows 1 and 2");
    }

    #[test]
    fn a_plane_refuses_a_wrong_number_of_samples() {
        assert_eq!(Plane::from_vec(Size { width: 2, height: 2 }, vec![0u8; 3]), None, "three samples for four pixels");
    }
}
