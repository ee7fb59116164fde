//! What surrounds the picture. A panel shows values and returns what was asked; it changes nothing.

pub mod column;
pub mod file;
pub mod foot;
pub mod foreground;
pub mod frames;
pub mod histogram;
pub mod keeping;
pub mod keys;
pub mod landscape;
pub mod night_line;
pub mod picture;
pub mod plan;
pub mod preferences;
pub mod sky;
pub mod strips;
pub mod welcome;
