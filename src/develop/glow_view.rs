//! The sky glow that is taken away, as a picture to be looked at.

use crate::develop::development::{Development, multiply};
use crate::develop::evenness::{RowPlace, sample};

/// Places along both axes at which the brightest glow is sought.
const GLOW_STEPS: u16 = 48;

impl Development {
    /// The most light that is taken away anywhere, balanced as in the picture; 0 where none is.
    #[must_use]
    pub fn brightest_glow(&self) -> f32 {
        let middle = |step: u16| (f32::from(step) + 0.5) / f32::from(GLOW_STEPS);
        let places = (0..GLOW_STEPS).flat_map(|y| (0..GLOW_STEPS).map(move |x| [middle(x), middle(y)]));
        places.flat_map(|place| self.balanced_glow(place)).fold(0.0, f32::max)
    }

    /// The glow that is taken away along a row, `scale` times brighter, to the 8-bit values of a screen.
    pub fn glow_row_for_screen(&self, place: RowPlace, scale: f32, out: &mut [[u8; 3]]) {
        for (idx, out) in out.iter_mut().enumerate() {
            let light = self.balanced_glow(place.at(idx)).map(|light| (scale * light).clamp(0.0, 1.0));
            // 65535 / 255 = 257: rounded, at most 255.
            *out = light.map(|light| (self.transfer.code(light) * (1.0 / 257.0) + 0.5) as u8);
        }
    }

    /// Light taken away at a place, in output primaries.
    fn balanced_glow(&self, place: [f32; 2]) -> [f32; 3] {
        let Some(glow) = &self.glow else { return [0.0; 3] };
        let share = glow.sky_share.as_ref().map_or(1.0, |plane| sample(plane, place));
        let light = glow.surface.at(place);
        let balanced = std::array::from_fn(|channel| share * self.gains[channel] * light[channel]);
        multiply(&self.output_from_balanced, balanced)
    }
}
