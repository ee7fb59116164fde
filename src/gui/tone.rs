//! From linear samples to the colours of the screen, one tile at a time.

use eframe::egui::{Color32, ColorImage};

use crate::gui::pyramid::{Pyramid, TileKey};
use crate::job::{Cancelled, Monitor};
use crate::pipeline::{DevelopSettings, Development, ForegroundMask, OutputSpace, RowPlace};

/// How the picture is developed for the screen.
#[derive(Debug)]
pub struct Tone {
    development: Development,
}

/// Longer edge of the copy on which the sky is measured for the view.
const MEASURED_EDGE_PX: usize = 1024;

impl Tone {
    /// Measures what the settings need to know, on a reduced copy of the picture: the view needs no more.
    pub fn prepare(
        monitor: &Monitor,
        pyramid: &Pyramid,
        foreground: Option<&ForegroundMask>,
        settings: &DevelopSettings,
    ) -> Result<Self, Cancelled> {
        monitor.check()?;
        // The screen shows sRGB whatever the file will hold.
        let settings = DevelopSettings { space: OutputSpace::Srgb, ..settings.clone() };
        let small = |level: &usize| {
            let size = pyramid.level(*level).size();
            size.width.max(size.height) <= MEASURED_EDGE_PX
        };
        let level = (0..pyramid.n_levels()).find(small).unwrap_or(0);
        let picture = pyramid.picture();
        let (stats, falloff) = (pyramid.level(level), picture.falloff.as_ref());
        let development = Development::prepare_through(falloff, stats, &picture.color, foreground, &settings);
        monitor.check()?;
        Ok(Self { development })
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
            let rows = std::array::from_fn(|channel| &level.planes[channel].row(y)[columns.clone()]);
            self.development.row_for_screen(rows, RowPlace::of_row(level.size(), rect.x, y), &mut codes);
            pixels.extend(codes.iter().map(|&[red, green, blue]| Color32::from_rgb(red, green, blue)));
        }
        Some(ColorImage::new([rect.size.width, rect.size.height], pixels))
    }
}
