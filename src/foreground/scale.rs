//! What a reduced burst showed, used on its frames at full size, and the way back.

use crate::foreground::ForegroundMask;
use crate::pixels::{Plane, Size};

impl ForegroundMask {
    /// The mask of a burst reduced by `factor`, for its frames at their full `size`: bilinear.
    #[must_use]
    pub fn enlarged(&self, factor: usize, size: Size) -> Self {
        let reduced = self.size();
        let along = |position: usize, len: usize| {
            let exact = ((position as f32 + 0.5) / factor as f32 - 0.5).clamp(0.0, len as f32 - 1.0);
            // Clamped to the axis, so the cast rounds down.
            let first = exact as usize;
            (first, (first + 1).min(len - 1), exact - first as f32)
        };
        Self(Plane::from_fn(size, |x, y| {
            let (x0, x1, fx) = along(x, reduced.width);
            let (y0, y1, fy) = along(y, reduced.height);
            let upper = self.0.at(x0, y0) * (1.0 - fx) + self.0.at(x1, y0) * fx;
            let lower = self.0.at(x0, y1) * (1.0 - fx) + self.0.at(x1, y1) * fx;
            upper * (1.0 - fy) + lower * fy
        }))
    }

    /// The mask for frames reduced by `factor`: means of its squares; what is left over at the edges is dropped.
    #[must_use]
    pub fn reduced(&self, factor: usize) -> Self {
        let Size { width, height } = self.size();
        let size = Size { width: (width / factor).max(1), height: (height / factor).max(1) };
        let share = 1.0 / (factor * factor) as f32;
        Self(Plane::from_fn(size, |x, y| {
            let rows = y * factor..((y + 1) * factor).min(height);
            let columns = x * factor..((x + 1) * factor).min(width);
            rows.map(|row| self.0.row(row)[columns.clone()].iter().sum::<f32>()).sum::<f32>() * share
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reduced_mask_serves_the_full_size() {
        let below = |size: Size, row: usize| ForegroundMask(Plane::from_fn(size, |_, y| if y >= row { 1.0 } else { 0.0 }));
        let full = below(Size { width: 201, height: 161 }, 100);
        let half = full.reduced(2);
        assert_eq!(half, below(Size { width: 100, height: 80 }, 50), "half of it, the odd rest dropped");
        let again = half.enlarged(2, full.size());
        assert_eq!(again.size(), full.size(), "as large as the frames");
        let wrong = again.0.samples().iter().zip(full.0.samples()).filter(|(a, b)| (**a - **b).abs() > 0.3).count();
        assert_eq!(wrong, 0, "the edge is soft by a pixel and where it was");
    }
}
