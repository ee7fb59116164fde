//! The vocabulary of the pipeline: plain data and arithmetic, depending on nothing else here.
//!
//! Conventions, used everywhere: the centre of pixel (0, 0) is the point (0.0, 0.0); x grows to the
//! right, y grows down; a `Size` is width by height. Linear samples have 0.0 at black and 1.0 at the
//! white level, and keep their negative noise until the picture is encoded.

pub mod camera;
pub mod geometry;
pub mod images;
pub mod mask;
pub mod orientation;
pub mod plane;
pub mod refraction;
pub mod statistics;

pub use camera::{CameraTransform, Lens, Projection, Reach};
pub use geometry::{Homography, Point, Rect, Size, Transform};
pub use images::{
    CalibratedFrame, Cfa, CfaColor, ColorEncoding, EncodedImage, Layout, LinearImage, Primaries, Transfer,
};
pub use mask::Mask;
pub use orientation::Orientation;
pub use plane::Plane;
pub use refraction::Refraction;

/// Rounds to the nearest index on an axis of `len` samples; `None` outside it.
#[must_use]
pub fn nearest_index(position: f64, len: usize) -> Option<usize> {
    let rounded = position.round();
    // The range check makes the cast exact.
    (rounded >= 0.0 && rounded < len as f64).then_some(rounded as usize)
}

/// Rounds a linear value to a 16-bit code, clamping at both ends; not-a-number becomes 0.
#[must_use]
#[inline]
pub fn to_code_u16(value: f32) -> u16 {
    // A float cast saturates and turns NaN into 0.
    (value + 0.5) as u16
}
