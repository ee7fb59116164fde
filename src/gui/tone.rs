//! From linear samples to the colours of the screen, one tile at a time.

use eframe::egui::{Color32, ColorImage};

use crate::job::{Cancelled, Monitor};
use crate::pipeline::{DevelopSettings, Development, OutputSpace};
use crate::gui::pyramid::{Pyramid, TileKey};

/// How the picture is developed for the screen.
pub struct Tone {
    development: Development,
}

impl Tone {
    /// Measures what the settings need to know, on a reduced copy of the picture: the view needs no more.
    pub fn prepare(monitor: &Monitor, pyramid: &Pyramid, settings: &DevelopSettings) -> Result<Self, Cancelled> {
        monitor.check()?;
        // The screen shows sRGB whatever the file will hold.
        let settings = DevelopSettings { space: OutputSpace::Srgb, ..settings.clone() };
        let level = pyramid.level(pyramid.n_levels().saturating_sub(1).min(2));
        Ok(Self { development: Development::prepare(level, &pyramid.picture.color, &settings) })
    }

    /// The colours of one tile; `None` outside the picture.
    #[must_use]
    pub fn tile(&self, pyramid: &Pyramid, key: TileKey) -> Option<ColorImage> {
        let rect = pyramid.tile_rect(key)?;
        let level = pyramid.level(key.level);
        let columns = rect.x..rect.x + rect.size.width;
        let mut pixels = Vec::with_capacity(rect.size.area());
        let mut encoded = vec![[0.0; 3]; rect.size.width];
        for y in rect.y..rect.y + rect.size.height {
            let rows = std::array::from_fn(|channel| &level.planes[channel].row(y)[columns.clone()]);
            self.development.row(rows, &mut encoded);
            pixels.extend(encoded.iter().map(|&color| color32(color)));
        }
        Some(ColorImage::new([rect.size.width, rect.size.height], pixels))
    }
}

fn color32(color: [f32; 3]) -> Color32 {
    // A float cast saturates at both ends.
    let [red, green, blue] = color.map(|value| (value * 255.0 + 0.5) as u8);
    Color32::from_rgb(red, green, blue)
}
