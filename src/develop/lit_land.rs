//! A landscape that is lit other than the sky, by a factor that follows its share of each pixel.

use crate::develop::evenness::{BLOCK, Block, sample};
use crate::foreground::ForegroundMask;
use crate::pixels::Plane;

/// Stops by which the land is lit other than the sky at most.
const MOST_LAND_EV: f32 = 8.0;

/// A landscape that is lit other than the sky.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct LitLand {
    /// The landscape's share of each pixel, 255 for all of it.
    share: Plane<u8>,
    gain: f32,
}

impl LitLand {
    /// `None` where there is no landscape or it is lit as the sky is.
    pub(super) fn new(foreground: Option<&ForegroundMask>, exposure_ev: f32) -> Option<Self> {
        let mask = foreground.filter(|mask| mask.size().area() > 0 && exposure_ev != 0.0)?;
        // The clamp makes the cast exact.
        let share = mask.0.map(|weight| (weight.clamp(0.0, 1.0) * 255.0 + 0.5) as u8);
        Some(Self { share, gain: exposure_ev.clamp(-MOST_LAND_EV, MOST_LAND_EV).exp2() })
    }

    /// Lights a block of pixels; `place` tells where each lies in the frame.
    #[inline(always)]
    pub(super) fn light(&self, block: &mut Block, place: impl Fn(usize) -> [f32; 2]) {
        let [red, green, blue] = block;
        for idx in 0..BLOCK {
            let factor = 1.0 + sample(&self.share, place(idx)) * (self.gain - 1.0);
            (red[idx], green[idx], blue[idx]) = (factor * red[idx], factor * green[idx], factor * blue[idx]);
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::develop::{DevelopSettings, Development, RowPlace};
    use crate::foreground::ForegroundMask;
    use crate::pixels::{LinearImage, Plane, Size};
    use crate::raw::CameraColor;

    #[test]
    fn a_stop_doubles_the_light_of_the_land_and_leaves_the_sky() {
        let size = Size { width: 64, height: 64 };
        let plane = Plane::filled(size, 0.02);
        let image = LinearImage { planes: [plane.clone(), plane.clone(), plane] };
        let mask = ForegroundMask(Plane::from_fn(size, |_, y| if y >= 32 { 1.0 } else { 0.0 }));
        let light = |land_exposure_ev: f32, y: usize| {
            let settings = DevelopSettings { land_exposure_ev, ..DevelopSettings::default() };
            let development = Development::prepare(&image, &CameraColor::SRGB, Some(&mask), &settings);
            let mut row = vec![[0.0; 3]; size.width];
            let camera = [0, 1, 2].map(|channel| image.planes[channel].row(y));
            development.row_linear(camera, RowPlace::of_row(size, 0, y), &mut row);
            row[10][1]
        };
        assert_eq!(light(1.0, 10), light(0.0, 10), "the sky");
        assert!((light(1.0, 50) / light(0.0, 50) - 2.0).abs() < 1e-3, "the land: {}", light(1.0, 50));
    }
}
