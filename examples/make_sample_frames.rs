//! Writes the invented sample frames: `cargo run --release --no-default-features --example make_sample_frames`.

use std::path::PathBuf;

use nightsheaf::synthetic::{Burst, Scene};

/// Dark frames beside the lights.
const N_DARKS: usize = 3;

fn main() -> std::io::Result<()> {
    let folder = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("sample-frames"), PathBuf::from);
    Burst::new(Scene::sample()).write(&folder, N_DARKS)
}
