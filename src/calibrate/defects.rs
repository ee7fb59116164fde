//! Hot and dead pixels and their repair from neighbours of the same colour; found in `finder`.

use std::ops::Range;

use crate::calibrate::neighbours::repaired;
use crate::pixels::{CalibratedFrame, Layout, Plane, Rect, Size};

/// How far from a defect its repair looks: three times the distance of neighbours of one color.
const REPAIR_REACH_PX: usize = 6;

/// Pixels whose value is not that of the light.
#[derive(Clone, Debug, PartialEq)]
pub struct Defects {
    layout: Layout,
    /// Sorted by plane, row, column; no pixel twice.
    pixels: Vec<DefectPixel>,
}

/// One of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DefectPixel {
    /// Plane of the frame.
    pub plane: u8,
    /// Row.
    pub y: u32,
    /// Column.
    pub x: u32,
}

impl Defects {
    /// No defects.
    #[must_use]
    pub fn none(layout: Layout) -> Self {
        Self { layout, pixels: Vec::new() }
    }

    /// These defects, in any order.
    #[must_use]
    pub fn from_pixels(layout: Layout, mut pixels: Vec<DefectPixel>) -> Self {
        pixels.sort_unstable();
        pixels.dedup();
        Self { layout, pixels }
    }

    /// Defects of either; panics where layouts differ.
    #[must_use]
    pub fn union(mut self, other: Self) -> Self {
        assert_eq!(self.layout, other.layout, "defects of one camera have one layout");
        self.pixels.extend(other.pixels);
        Self::from_pixels(self.layout, self.pixels)
    }

    /// How many there are.
    #[must_use]
    pub fn count(&self) -> usize {
        self.pixels.len()
    }

    /// All of them, sorted by plane, row, column.
    #[must_use]
    pub fn pixels(&self) -> &[DefectPixel] {
        &self.pixels
    }

    /// Gives each defect the median of its nearest neighbours of the same colour that are none.
    pub fn repair(&self, frame: &mut CalibratedFrame) {
        for (plane, samples) in frame.planes.iter_mut().enumerate() {
            for pixel in self.rows_of(plane, 0..samples.height()) {
                let (x, y) = (pixel.x as usize, pixel.y as usize);
                let is_good = |x: usize, y: usize| self.is_good(pixel.plane, x, y);
                if let Some(value) = repaired(samples, self.layout, (x, y), is_good) {
                    samples.set(x, y, value);
                }
            }
        }
        if let Layout::Mosaic(_) = self.layout {
            for pixel in &self.pixels {
                frame.saturated.0.set(pixel.x as usize, pixel.y as usize, false);
            }
        }
    }

    /// Repairs a part of one plane, read on its own: `rect` of the frame, row by row. Defects near its border
    /// are given what `around` reads there, so that the value does not depend on how a frame is cut.
    pub fn repair_part<E>(
        &self,
        plane: usize,
        rect: Rect,
        frame: Size,
        samples: &mut [f32],
        mut around: impl FnMut(Rect) -> Result<Vec<f32>, E>,
    ) -> Result<(), E> {
        for pixel in self.rows_of(plane, rect.y..rect.y + rect.size.height) {
            let (x, y) = (pixel.x as usize, pixel.y as usize);
            if !(rect.x..rect.x + rect.size.width).contains(&x) {
                continue;
            }
            let patch = surrounding_patch(x, y, frame);
            let band = Plane::from_vec(patch.size, around(patch)?).expect("a patch has one sample a pixel");
            let is_good = |x: usize, y: usize| self.is_good(pixel.plane, x + patch.x, y + patch.y);
            let layout = self.layout;
            if let Some(value) = repaired(&band, layout, (x - patch.x, y - patch.y), is_good) {
                samples[(y - rect.y) * rect.size.width + x - rect.x] = value;
            }
        }
        Ok(())
    }

    fn rows_of(&self, plane: usize, rows: Range<usize>) -> &[DefectPixel] {
        let place = |pixel: &DefectPixel| (usize::from(pixel.plane), pixel.y as usize);
        let from = self.pixels.partition_point(|pixel| place(pixel) < (plane, rows.start));
        let to = self.pixels.partition_point(|pixel| place(pixel) < (plane, rows.end));
        &self.pixels[from..to]
    }

    fn is_good(&self, plane: u8, x: usize, y: usize) -> bool {
        self.pixels.binary_search(&DefectPixel { plane, y: y as u32, x: x as u32 }).is_err()
    }
}

/// The part of the frame that the repair of a pixel looks at; its origin keeps the phase of the mosaic.
fn surrounding_patch(x: usize, y: usize, frame: Size) -> Rect {
    let along = |at: usize, len: usize| (at.saturating_sub(REPAIR_REACH_PX) & !1, (at + REPAIR_REACH_PX + 1).min(len));
    let ((left, right), (top, bottom)) = (along(x, frame.width), along(y, frame.height));
    Rect { x: left, y: top, size: Size { width: right - left, height: bottom - top } }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::scene::sky;
    use crate::pixels::Cfa;

    const SIZE: Size = Size { width: 400, height: 300 };
    const MOSAIC: Layout = Layout::Mosaic(Cfa::RGGB);

    #[test]
    fn a_repaired_pixel_has_the_level_of_its_good_neighbours() {
        let defects = Defects::from_pixels(
            MOSAIC,
            [(30, 130), (32, 130), (31, 129), (0, 0)].map(|(x, y)| DefectPixel { plane: 0, y, x }).to_vec(),
        );
        // Each color has its own level, each defect 1.0.
        let mut frame = sky(MOSAIC, SIZE, 0.0, 0.0);
        let level = |x: usize, y: usize| 0.1 + 0.2 * Cfa::RGGB.color_at(x, y) as usize as f32;
        frame.planes[0] = Plane::from_fn(SIZE, level);
        let whole = frame.clone();
        for pixel in defects.pixels() {
            frame.planes[0].set(pixel.x as usize, pixel.y as usize, 1.0);
            frame.saturated.0.set(pixel.x as usize, pixel.y as usize, true);
        }
        // Cut so that a defect lies in each corner.
        let rect = Rect { x: 30, y: 129, size: Size { width: 3, height: 2 } };
        let mut part = frame.planes[0].crop(rect).into_samples();
        let broken = frame.planes[0].clone();
        let around = |patch| Ok::<_, std::convert::Infallible>(broken.crop(patch).into_samples());
        defects.repair_part(0, rect, SIZE, &mut part, around).expect("a plane in memory");
        assert_eq!(part, whole.planes[0].crop(rect).into_samples(), "a small part");
        defects.repair(&mut frame);
        assert_eq!(frame, whole, "the frame, and no sample is saturated any more");
    }
}
