//! A decoded frame at half its size, for a quick look: no demosaic, a quarter of the samples.
//!
//! A mosaic's square of 2 × 2 becomes one pixel with its own red, blue, and the mean of its two greens; the
//! colours then lie half a small pixel apart. What is left over at the right and lower edge is dropped.

use crate::pixels::{CfaColor, Layout, Plane, Size};
use crate::raw::frame::RawFrame;
use crate::raw::margins::Margins;

/// How large frames are read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FrameScale {
    /// Every sample.
    #[default]
    Full,
    /// Half as wide and half as high.
    Half,
}

impl FrameScale {
    /// Pixels of the file's frame along one pixel.
    #[must_use]
    pub fn factor(self) -> usize {
        match self {
            Self::Full => 1,
            Self::Half => 2,
        }
    }
}

impl RawFrame {
    /// The frame at this scale; metadata and orientation stay.
    #[must_use]
    pub fn at_scale(self, scale: FrameScale) -> Self {
        let Size { width, height } = self.size();
        if scale == FrameScale::Full || width < 2 || height < 2 {
            return self;
        }
        let size = Size { width: width / 2, height: height / 2 };
        match self.layout {
            Layout::Rgb => {
                let planes = self.planes.iter().map(|plane| mean_of(plane, size, &[0, 1, 2, 3])).collect();
                Self { planes, margins: Margins::default(), ..self }
            }
            Layout::Mosaic(cfa) => {
                let places = |color: CfaColor| -> Vec<usize> {
                    (0..4).filter(|&place| cfa.color_at(place % 2, place / 2) == color).collect()
                };
                let colors = [CfaColor::Red, CfaColor::Green, CfaColor::Blue].map(places);
                let planes = colors.iter().map(|places| mean_of(&self.planes[0], size, places)).collect();
                let black = |places: &[usize]| {
                    places.iter().map(|&place| self.black_level[place]).sum::<f32>() / places.len().max(1) as f32
                };
                let [red, green, blue] = colors.each_ref().map(|places| black(places));
                Self {
                    layout: Layout::Rgb,
                    planes,
                    black_level: [red, green, blue, green],
                    margins: Margins::default(),
                    ..self
                }
            }
        }
    }
}

/// Mean of the samples at `places` (2 y + x) of each square of 2 × 2, rounded.
fn mean_of(plane: &Plane<u16>, size: Size, places: &[usize]) -> Plane<u16> {
    let n = places.len().max(1) as u32;
    let mut samples = Vec::with_capacity(size.area());
    for y in 0..size.height {
        let rows = [plane.row(2 * y), plane.row(2 * y + 1)];
        samples.extend((0..size.width).map(|x| {
            let sum: u32 = places.iter().map(|&place| u32::from(rows[place / 2][2 * x + place % 2])).sum();
            // A mean of 16-bit samples is one.
            ((sum + n / 2) / n) as u16
        }));
    }
    Plane::from_vec(size, samples).expect("one sample a pixel")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Cfa, Orientation};
    use crate::raw::{CameraColor, Metadata, TransferFunction};

    fn frame(layout: Layout, planes: Vec<Plane<u16>>) -> RawFrame {
        RawFrame {
            layout,
            planes,
            black_level: [10.0, 20.0, 40.0, 30.0],
            white_level: 1000,
            transfer: TransferFunction::Linear,
            color: CameraColor::SRGB,
            orientation: Orientation::Normal,
            metadata: Metadata::default(),
            margins: Margins::default(),
        }
    }

    #[test]
    fn a_square_of_the_mosaic_is_one_pixel() {
        use CfaColor::{Blue, Green, Red};
        let size = Size { width: 5, height: 3 };
        let mosaic = Plane::from_fn(size, |x, y| (100 * y + x) as u16);
        let half = frame(Layout::Mosaic(Cfa([[Green, Red], [Blue, Green]])), vec![mosaic]).at_scale(FrameScale::Half);
        assert_eq!(half.layout, Layout::Rgb, "three planes");
        assert_eq!(half.planes[0].samples(), &[1, 3], "the red of each square");
        assert_eq!(half.planes[1].samples(), &[51, 53], "0 and 101: 50.5, rounded up");
        assert_eq!(half.planes[2].samples(), &[100, 102], "the blue");
        assert_eq!(half.black_level, [20.0, 20.0, 40.0, 20.0], "red, mean of the greens, blue");
    }

    #[test]
    fn color_is_averaged_and_full_scale_is_the_frame_itself() {
        let plane = Plane::from_fn(Size { width: 2, height: 2 }, |x, y| (10 * (2 * y + x)) as u16);
        let whole = frame(Layout::Rgb, vec![plane.clone(), plane.clone(), plane]);
        assert_eq!(whole.clone().at_scale(FrameScale::Full), whole, "nothing changed");
        assert_eq!(whole.at_scale(FrameScale::Half).planes[1].samples(), &[15], "mean of 0, 10, 20, 30");
    }
}
