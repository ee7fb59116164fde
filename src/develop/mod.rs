//! A linear stack in, a picture for the eye out; the only place where light is clipped.
//!
//! Two steps: [`Development::prepare`] measures the sky once and makes the tables; rows are then
//! developed one by one, a whole picture ([`develop`]) or the tiles that a window shows.

mod balance;
pub mod color;
mod development;
mod evenness;
mod falloff;
mod falloff_horizon;
mod glow_view;
mod gradient;
mod lit_land;
mod settings;
mod sky;
mod stretch;
pub mod transfer;

use rayon::prelude::*;

pub use development::{Development, DevelopmentFacts};
pub use evenness::RowPlace;
pub use falloff::{Falloff, SkyFalloff, radius_squared};
pub use falloff_horizon::Hold;
pub use gradient::SkyGradient;
pub use settings::{
    DEFAULT_SKY_LEVEL, DevelopSettings, GradientRemoval, OutputSpace, Stretch, Vignetting, WhiteBalance,
};

use crate::pixels::{EncodedImage, LinearImage, Plane};

/// Develops a whole picture.
#[must_use]
pub fn develop(image: &LinearImage, development: &Development) -> EncodedImage {
    let size = image.size();
    let mut planes: [Plane<u16>; 3] = std::array::from_fn(|_| Plane::filled(size, 0));
    let width = size.width.max(1);
    let [red, green, blue] = &mut planes;
    let rows = red.samples_mut().par_chunks_mut(width);
    let rows = rows.zip(green.samples_mut().par_chunks_mut(width));
    let rows = rows.zip(blue.samples_mut().par_chunks_mut(width));
    rows.enumerate().for_each(|(y, ((red, green), blue))| {
        let camera = [image.planes[0].row(y), image.planes[1].row(y), image.planes[2].row(y)];
        development.row(camera, RowPlace::of_row(size, 0, y), [red, green, blue]);
    });
    EncodedImage { planes, encoding: development.encoding() }
}
