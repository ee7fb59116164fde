//! Time to bring the star lists of a burst onto its reference frame: triangles, votes, one camera for all.
//!
//! `cargo bench --no-default-features --bench align`; the lists are those of a lens of 14 mm on 23.5 mm, no air.

#[path = "../tests/support/nights.rs"]
mod nights;
#[path = "../tests/support/star_lists.rs"]
mod star_lists;

use nights::{Night, Pointing};
use nightsheaf::detect::Star;
use nightsheaf::job::Monitor;
use nightsheaf::pixels::Size;
use nightsheaf::register::{FrameStars, Optics, RegisterSettings, register_burst, register_pair};
use star_lists::TrueCamera;

const SIZE: Size = Size { width: 6000, height: 4000 };
const FOCAL_PX: f64 = 14.0 / 23.5 * 6000.0;
const STEP_SECS: f64 = 20.0;

fn main() {
    divan::main();
}

fn lists(n_frames: usize) -> Vec<Vec<Star>> {
    let camera = TrueCamera::with_corner_shift(SIZE, FOCAL_PX, -0.04, -0.25);
    let mut night = Night::new(camera, Pointing::SOUTH, 1500, 1);
    (0..n_frames).map(|frame| night.list_at(STEP_SECS * frame as f64)).collect()
}

fn optics() -> Optics {
    Optics { size: SIZE, focal_px: Some(FOCAL_PX), profile: None }
}

#[divan::bench(args = [8, 16, 60], sample_count = 5, sample_size = 1)]
fn align_burst(bencher: divan::Bencher<'_, '_>, n_frames: usize) {
    let (lists, optics) = (lists(n_frames), optics());
    let frame = |(idx, stars)| FrameStars { stars, capture_time_secs: Some(STEP_SECS * idx as f64) };
    let frames: Vec<FrameStars<'_>> = lists.iter().map(Vec::as_slice).enumerate().map(frame).collect();
    bencher.bench_local(|| {
        let aligned = register_burst(&Monitor::silent(), &frames, n_frames / 2, &optics, &RegisterSettings::default());
        assert!(aligned.is_ok_and(|aligned| aligned.frames.iter().all(Result::is_ok)), "all frames are aligned");
    });
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn align_pair(bencher: divan::Bencher<'_, '_>) {
    let (lists, optics) = (lists(2), optics());
    bencher.bench_local(|| register_pair(&lists[1], &lists[0], &optics).expect("the same sky"));
}
