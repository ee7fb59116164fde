//! What counts as colourless: the camera RGB of the chosen neutral.

use crate::develop::color::{BLACK_BODY_3200_K, D55, neutral_under, usable_neutral};
use crate::develop::settings::WhiteBalance;
use crate::raw::CameraColor;

/// Camera RGB of the neutral, green 1.0. A neutral that cannot be used gives way to the camera's,
/// then to daylight, then to equal channels.
#[must_use]
pub(super) fn neutral(choice: WhiteBalance, color: &CameraColor, sky: Option<[f64; 3]>) -> [f64; 3] {
    let chosen = match choice {
        WhiteBalance::AsShot => usable_neutral(color.as_shot_neutral),
        WhiteBalance::Daylight => neutral_under(color, D55),
        WhiteBalance::Tungsten => neutral_under(color, BLACK_BODY_3200_K),
        WhiteBalance::FromSky => sky.and_then(usable_neutral),
        WhiteBalance::Picked(picked) => usable_neutral(picked),
    };
    chosen.or_else(|| usable_neutral(color.as_shot_neutral)).or_else(|| neutral_under(color, D55)).unwrap_or([1.0; 3])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lamp_is_redder_than_daylight() {
        let daylight = neutral(WhiteBalance::Daylight, &CameraColor::SRGB, None);
        let lamp = neutral(WhiteBalance::Tungsten, &CameraColor::SRGB, None);
        assert!(lamp[0] > 1.5 * daylight[0] && lamp[2] < 0.6 * daylight[2], "lamp {lamp:?}, daylight {daylight:?}");
    }

    #[test]
    fn a_neutral_of_darkness_gives_way_to_the_camera() {
        let camera = CameraColor { as_shot_neutral: [0.5, 1.0, 0.6], ..CameraColor::SRGB };
        for useless in [[0.0; 3], [f64::NAN; 3], [0.1, -1.0, 0.2], [1.0, 1.0, 0.0]] {
            assert_eq!(neutral(WhiteBalance::Picked(useless), &camera, None), [0.5, 1.0, 0.6], "from {useless:?}");
            assert_eq!(neutral(WhiteBalance::FromSky, &camera, Some(useless)), [0.5, 1.0, 0.6], "sky {useless:?}");
        }
        assert_eq!(neutral(WhiteBalance::FromSky, &camera, Some([0.02, 0.04, 0.03])), [0.5, 1.0, 0.75], "a sky");
    }
}
