//! Writes a burst and the truth about it as files.

use std::io;
use std::path::Path;

use serde::Serialize;

use crate::pixels::{Plane, Size, to_code_u16};
use crate::synthetic::burst::{Burst, TrueStar};
use crate::synthetic::scene::Scene;
use crate::synthetic::sensor::HotPixel;
use crate::synthetic::streak::TrailSegment;

/// Stars told for each frame.
const STARS_TOLD: usize = 300;

/// What is true of a burst, as `truth/truth.json` tells it.
#[derive(Debug, Serialize)]
struct Truth<'a> {
    note: &'static str,
    scene: &'a Scene,
    lights: Vec<TrueFrame>,
    hot_pixels: &'a [HotPixel],
    trails: Vec<TrailSegment>,
}

/// What is true of one light frame.
#[derive(Debug, Serialize)]
struct TrueFrame {
    file: String,
    /// The brightest that the land does not hide.
    stars: Vec<ToldStar>,
}

/// A star of one frame, rounded to be read.
#[derive(Debug, Serialize)]
struct ToldStar {
    id: usize,
    x: f64,
    y: f64,
    green_electrons: f64,
}

impl From<&TrueStar> for ToldStar {
    fn from(star: &TrueStar) -> Self {
        let rounded = |value: f64, places: f64| (value * places).round() / places;
        Self {
            id: star.id,
            x: rounded(star.position.x, 1e4),
            y: rounded(star.position.y, 1e4),
            green_electrons: rounded(star.flux_electrons[1], 10.0),
        }
    }
}

impl Burst {
    /// Writes `night-001.dng` and so on, `darks/dark-001.dng` and so on, `truth/mask.png` and `truth/truth.json`.
    pub fn write(&self, folder: &Path, n_darks: usize) -> io::Result<()> {
        let (darks, truth) = (folder.join("darks"), folder.join("truth"));
        std::fs::create_dir_all(&truth)?;
        for idx in 0..self.scene().n_lights {
            self.write_light(&folder.join(light_name(idx)), idx)?;
        }
        if n_darks > 0 {
            std::fs::create_dir_all(&darks)?;
        }
        for idx in 0..n_darks {
            self.write_dark(&darks.join(format!("dark-{:03}.dng", idx + 1)), idx)?;
        }
        write_mask(&truth.join("mask.png"), self.foreground())?;
        let mut json = serde_json::to_vec(&self.truth()).map_err(io::Error::other)?;
        json.push(b'\n');
        std::fs::write(truth.join("truth.json"), json)
    }

    fn truth(&self) -> Truth<'_> {
        let lights = 0..self.scene().n_lights;
        Truth {
            note: "Invented scene. Pixels: the centre of the first one is (0, 0), y grows down; frames count from 0. \
                   Star positions: middle of the exposure, green filter.",
            scene: self.scene(),
            lights: lights.clone().map(|idx| self.true_frame(idx)).collect(),
            hot_pixels: self.hot_pixels(),
            trails: lights.flat_map(|idx| self.trails_in(idx)).collect(),
        }
    }

    fn true_frame(&self, idx: usize) -> TrueFrame {
        let stars = self.stars_in(idx);
        let seen = stars.iter().filter(|star| star.hidden < 0.01);
        TrueFrame { file: light_name(idx), stars: seen.take(STARS_TOLD).map(ToldStar::from).collect() }
    }
}

fn light_name(idx: usize) -> String {
    format!("night-{:03}.dng", idx + 1)
}

/// A grey picture of 16 bits; white is land.
fn write_mask(path: &Path, mask: &Plane<f32>) -> io::Result<()> {
    let Size { width, height } = mask.size();
    let codes = mask.samples().iter().map(|&alpha| to_code_u16(alpha * 65_535.0)).collect();
    let picture = image::ImageBuffer::<image::Luma<u16>, Vec<u16>>::from_raw(width as u32, height as u32, codes)
        .expect("one sample a pixel");
    picture.save_with_format(path, image::ImageFormat::Png).map_err(io::Error::other)
}
