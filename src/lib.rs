//! Nightsheaf turns a burst of night landscape frames from a fixed tripod into one clean picture.
//!
//! The modules stand in reading order; each uses only those above it (`tests/layering.rs` checks).

pub mod pixels;

pub mod system;

pub mod job;

pub mod raw;

pub mod synthetic;

pub mod calibrate;

pub mod demosaic;

pub mod detect;

pub mod register;

pub mod resample;

pub mod foreground;

pub mod stack;

pub mod scratch;

pub mod develop;

pub mod plan;

pub mod export;

pub mod error;

pub mod settings;

pub mod pipeline;

pub mod cli;

#[cfg(feature = "gui")]
pub mod gui;
