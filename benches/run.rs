//! Wall time of each stage of whole runs, the proposal of the landscape, the check of the tripod and the noise report
//! among them, which have no bench of their own.
//!
//! `cargo bench --bench run --no-default-features`: eight invented frames of 24 megapixels, three runs. With
//! `-- FOLDER RUNS` the frames of a folder, so many times. Prints the least, the median and the largest time of each stage.

use std::path::PathBuf;

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, MaskChoice, MasterCache, Request};
use nightsheaf::synthetic::{Burst, Scene};

const N_FRAMES: usize = 8;
const N_RUNS: usize = 3;

#[allow(clippy::print_stdout, reason = "a bench prints its result")]
fn main() {
    // Cargo adds an option of its own.
    let mut words = std::env::args().skip(1).filter(|word| !word.starts_with('-'));
    let given = words.next().map(PathBuf::from);
    let n_runs = words.next().map_or(N_RUNS, |runs| runs.parse().expect("how many runs is a number"));
    let room = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written");
    let folder = given.unwrap_or_else(|| {
        let burst = Burst::new(Scene::wide_24mpix(N_FRAMES));
        (0..N_FRAMES).for_each(|idx| {
            burst.write_light(&room.path().join(format!("night-{idx:03}.dng")), idx).expect("room for the frames");
        });
        room.path().to_owned()
    });
    let request = Request {
        lights: pipeline::collect_frames(&[folder]).expect("a folder of frames"),
        mask: MaskChoice::Auto,
        master_cache: MasterCache::Off,
        decoder_program: Some(env!("CARGO_BIN_EXE_nightsheaf-cli").into()),
        scratch_folder: Some(env!("CARGO_TARGET_TMPDIR").into()),
        ..Request::default()
    };
    let runs: Vec<Vec<(String, f64)>> = (0..n_runs)
        .map(|_| pipeline::run(&Monitor::silent(), &request).expect("the frames stack").report.seconds.0)
        .collect();
    println!("| stage | least, s | median, s | largest, s |\n| --- | ---: | ---: | ---: |");
    for (place, (stage, _)) in runs[0].iter().enumerate() {
        let mut seconds: Vec<f64> = runs.iter().map(|run| run[place].1).collect();
        seconds.sort_by(f64::total_cmp);
        println!("| {stage} | {:.2} | {:.2} | {:.2} |", seconds[0], seconds[n_runs / 2], seconds[n_runs - 1]);
    }
}
