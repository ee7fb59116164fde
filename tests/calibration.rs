//! Calibration against the truth about invented nights: what the frames are, what is taken from them, and what the
//! report says of it.

#![allow(clippy::print_stdout, reason = "the figures of docs/calibration.md")]

#[path = "calibration/defects.rs"]
mod defects;
#[path = "calibration/flats_and_darks.rs"]
mod flats_and_darks;
#[path = "calibration/kept.rs"]
mod kept;
#[path = "calibration/light.rs"]
mod light;
#[path = "calibration/lines.rs"]
mod lines;
#[path = "calibration/memory.rs"]
mod memory;
#[path = "calibration/night.rs"]
mod night;
#[path = "calibration/sorting.rs"]
mod sorting;
