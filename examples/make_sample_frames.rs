//! Writes an invented burst with its truth:
//! `cargo run --release --no-default-features --example make_sample_frames -- [FOLDER] [--wide FRAMES]`.
//!
//! Without `--wide` it is the burst of `sample-frames`; with it so many frames of 6000 × 4000 pixels.

use std::path::PathBuf;

use nightsheaf::synthetic::{Burst, Scene};

/// Dark frames beside the lights.
const N_DARKS: usize = 3;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut folder = PathBuf::from("sample-frames");
    let mut scene = Scene::sample();
    let mut arguments = std::env::args_os().skip(1);
    while let Some(argument) = arguments.next() {
        if argument == "--wide" {
            let frames = arguments.next().ok_or("--wide needs a number of frames")?;
            let frames = frames.to_str().and_then(|text| text.parse().ok()).ok_or("--wide needs a number of frames")?;
            scene = Scene::wide_24mpix(frames);
        } else {
            folder = PathBuf::from(argument);
        }
    }
    Burst::new(scene).write(&folder, N_DARKS)?;
    Ok(())
}
