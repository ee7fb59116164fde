//! Invented night skies with known truth: the one place that makes frames no camera took.
//!
//! A [`Scene`] says what is seen, a [`Burst`] renders its frames and tells the truth about them.
//! The geometry here is written on its own, apart from the registration that is checked against it.
//!
//! Conventions: directions are unit vectors east, north, up; camera rays are right, down, forward;
//! times are seconds since the first light frame opened; light is counted in photo-electrons.
//! The same scene gives the same frames on every run and on any number of threads.

mod burst;
mod camera;
pub mod dng;
mod exposure;
mod land;
mod noise;
mod scene;
mod sensor;
mod sky;
mod stars;
mod streak;
mod terrain;
mod trees;
mod truth;

#[cfg(test)]
mod tests;

pub use burst::{Burst, TrueStar};
pub use camera::{Lens, Pointing, Projection};
pub use land::LandKind;
pub use scene::{ClockError, Cloud, CloudBank, Knock, LensFault, Scene, Shake};
pub use sensor::HotPixel;
pub use streak::{Mover, MoverKind, TrailSegment};
