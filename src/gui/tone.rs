//! From linear samples to the colours of the screen, one tile at a time.

use std::sync::Arc;

use eframe::egui::{Color32, ColorImage};

use crate::gui::pyramid::{Pyramid, TileKey};
use crate::job::{Cancelled, Monitor};
use crate::pipeline::{DevelopSettings, Development, ForegroundMask, OutputSpace, RowPlace};

/// How the picture is developed for the screen.
#[derive(Debug)]
pub struct Tone {
    development: Development,
    histogram: Arc<Histogram>,
    /// Instead of the picture the glow is shown that is taken away, so many times brighter.
    glow_scale: Option<f32>,
}

/// What is shown of a development.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Aspect {
    /// The developed picture.
    #[default]
    Picture,
    /// The sky glow that is taken away.
    Glow,
}

/// Steps of brightness that are told apart.
pub const BINS: usize = 96;

/// How the developed values are spread, by channel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Histogram {
    /// Share of the pixels in each step of brightness, dark to bright.
    pub shares: [Vec<f32>; 3],
    /// Share of the pixels that are cut at black.
    pub black: [f32; 3],
    /// Share of the pixels that are cut at white.
    pub white: [f32; 3],
}

/// Longer edge of the copy on which the sky is measured for the view.
const MEASURED_EDGE_PX: usize = 1024;

/// Pixels that the histogram is made of at most, in whole rows spread over the picture.
const COUNTED_PX: usize = 1_500_000;

/// Brightness of the brightest glow when the glow is shown, in linear light.
const SHOWN_GLOW: f32 = 0.4;

impl Tone {
    /// Measures what the settings need to know, on a reduced copy of the picture: the view needs no more.
    pub fn prepare(
        monitor: &Monitor,
        pyramid: &Pyramid,
        foreground: Option<&ForegroundMask>,
        settings: &DevelopSettings,
        aspect: Aspect,
    ) -> Result<Self, Cancelled> {
        monitor.check()?;
        // The screen shows sRGB whatever the file will hold.
        let settings = DevelopSettings { space: OutputSpace::Srgb, ..settings.clone() };
        let small = |level: &usize| {
            let size = pyramid.level(*level).size();
            size.width.max(size.height) <= MEASURED_EDGE_PX
        };
        let level = (pyramid.first_level()..pyramid.n_levels()).find(small).unwrap_or(pyramid.first_level());
        let picture = pyramid.picture();
        let (stats, falloff) = (pyramid.level(level), picture.falloff.as_ref());
        let development = Development::prepare_through(falloff, stats, &picture.color, foreground, &settings);
        monitor.check()?;
        let histogram = Arc::new(Histogram::of(pyramid, &development));
        monitor.check()?;
        let brightest = development.brightest_glow();
        let glow_scale = (aspect == Aspect::Glow).then(|| if brightest > 0.0 { SHOWN_GLOW / brightest } else { 0.0 });
        Ok(Self { development, histogram, glow_scale })
    }

    /// How the developed values are spread.
    #[must_use]
    pub fn histogram(&self) -> &Arc<Histogram> {
        &self.histogram
    }

    /// Whether any glow is taken away.
    #[must_use]
    pub fn takes_glow_away(&self) -> bool {
        self.development.gradient().is_some()
    }

    /// The colours of one tile; `None` outside the picture.
    #[must_use]
    pub fn tile(&self, pyramid: &Pyramid, key: TileKey) -> Option<ColorImage> {
        let rect = pyramid.tile_rect(key)?;
        let level = pyramid.level(key.level);
        let columns = rect.x..rect.x + rect.size.width;
        let mut pixels = Vec::with_capacity(rect.size.area());
        let mut codes = vec![[0; 3]; rect.size.width];
        for y in rect.y..rect.y + rect.size.height {
            let place = RowPlace::of_row(level.size(), rect.x, y);
            match self.glow_scale {
                Some(scale) => self.development.glow_row_for_screen(place, scale, &mut codes),
                None => {
                    let rows = std::array::from_fn(|channel| &level.planes[channel].row(y)[columns.clone()]);
                    self.development.row_for_screen(rows, place, &mut codes);
                }
            }
            pixels.extend(codes.iter().map(|&[red, green, blue]| Color32::from_rgb(red, green, blue)));
        }
        Some(ColorImage::new([rect.size.width, rect.size.height], pixels))
    }
}

impl Histogram {
    /// Counts whole pixels of the finest level: means of several would hide what is cut.
    fn of(pyramid: &Pyramid, development: &Development) -> Self {
        let image = &pyramid.picture().image;
        let size = image.size();
        let step = size.area().div_ceil(COUNTED_PX).max(1);
        let mut counts = [[0_u32; BINS]; 3];
        let (mut black, mut white, mut n) = ([0_u32; 3], [0_u32; 3], 0_u32);
        let mut codes = vec![[0_u16; 3]; size.width];
        for y in (step / 2..size.height).step_by(step) {
            let rows = std::array::from_fn(|channel| image.planes[channel].row(y));
            development.row_interleaved(rows, RowPlace::of_row(size, 0, y), &mut codes);
            for pixel in &codes {
                for (channel, &code) in pixel.iter().enumerate() {
                    counts[channel][usize::from(code) * BINS / 65_536] += 1;
                    black[channel] += u32::from(code == 0);
                    white[channel] += u32::from(code == u16::MAX);
                }
            }
            n += codes.len() as u32;
        }
        let share = |count: u32| count as f32 / n.max(1) as f32;
        Self {
            shares: counts.map(|bins| bins.iter().map(|&count| share(count)).collect()),
            black: black.map(share),
            white: white.map(share),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gui::pyramid::Source;
    use crate::pipeline::{CameraColor, GradientRemoval, Picture, Stretch};
    use crate::pixels::{LinearImage, Orientation, Plane, Size};

    fn pyramid(light: impl Fn(usize, usize) -> f32) -> Pyramid {
        let plane = Plane::from_fn(Size { width: 240, height: 160 }, light);
        let image = LinearImage { planes: [plane.clone(), plane.clone(), plane] };
        let picture = Picture { image, color: CameraColor::SRGB, orientation: Orientation::Normal, falloff: None };
        Pyramid::build(&Monitor::silent(), Source::Frame(Arc::new(picture))).expect("nobody cancels")
    }

    fn tone(pyramid: &Pyramid, settings: &DevelopSettings, aspect: Aspect) -> Tone {
        Tone::prepare(&Monitor::silent(), pyramid, None, settings, aspect).expect("nobody cancels")
    }

    #[test]
    fn a_tenth_of_blown_pixels_is_told_as_a_tenth() {
        let pyramid = pyramid(|x, y| if x < 24 { 1.5 } else { 0.02 + 0.001 * ((x * 7 + y * 3) % 5) as f32 });
        let settings = DevelopSettings { stretch: Stretch::Stops(2.0), ..DevelopSettings::default() };
        let histogram = Arc::clone(tone(&pyramid, &settings, Aspect::Picture).histogram());
        assert_eq!(histogram.white, [0.1; 3], "24 of 240 columns");
        assert_eq!(histogram.black, [0.0; 3], "nothing is cut at black");
        let sum: f32 = histogram.shares[1].iter().sum();
        assert!((sum - 1.0).abs() < 1e-4, "every pixel is counted once: {sum}");
    }

    #[test]
    fn the_glow_view_shows_a_glow_on_the_right_and_nothing_where_none_is_taken_away() {
        let pyramid = pyramid(|x, y| 0.02 + 0.0001 * x as f32 + 0.0005 * ((x * 7 + y * 3) % 5) as f32);
        let settings =
            DevelopSettings { gradient: GradientRemoval::On { strength: 1.0 }, ..DevelopSettings::default() };
        let shown = tone(&pyramid, &settings, Aspect::Glow);
        assert!(shown.takes_glow_away(), "a slope is found");
        let tile = shown.tile(&pyramid, pyramid.coarsest()).expect("the only tile");
        let (left, right) = (tile[(4, 80)].g(), tile[(235, 80)].g());
        assert!(left < 60 && right > 140, "dark at the left, bright at the right: {left}, {right}");
        let without = tone(&pyramid, &DevelopSettings::default(), Aspect::Glow);
        let tile = without.tile(&pyramid, pyramid.coarsest()).expect("the only tile");
        assert_eq!(tile[(235, 80)].g(), 0, "nothing is taken away");
    }
}
