//! Trails in bursts of few frames, bright ones and ones too faint for any single sample; stars beside them unharmed.

use nightsheaf::pixels::Size;
use nightsheaf::synthetic::{Mover, MoverKind, Scene, TrailSegment};

use crate::sample::{Sample, mean};
use crate::traces::pieces;
use crate::{green_stars, identified};

/// Three satellites, the last one about as bright as the noise of a sample, and a blinking aircraft.
fn scene(n_lights: usize) -> Scene {
    let satellite = |frame: usize, y: f64, electrons_per_px: f64| Mover {
        kind: MoverKind::Satellite,
        frame,
        start: [0.02, y],
        width_per_sec: [0.05, 0.006],
        electrons_per_px,
    };
    let aircraft = Mover {
        kind: MoverKind::Aircraft,
        frame: 1,
        start: [0.97, 0.30],
        width_per_sec: [-0.03, 0.002],
        electrons_per_px: 600.0,
    };
    Scene {
        n_lights,
        movers: vec![satellite(0, 0.05, 800.0), satellite(1, 0.12, 160.0), satellite(0, 0.19, 70.0), aircraft],
        ..Scene {
            size: Size { width: 720, height: 480 },
            n_stars: 1500,
            zero_point_electrons_per_sec: 18_000.0,
            ..Scene::small()
        }
    }
}

/// Heights of all pieces of all trails, in standard deviations of the stack; the mean of each trail beside.
fn check(n_lights: usize, most: f64, most_of_a_trail: f64) {
    let sample = Sample::made(scene(n_lights), |request| request);
    assert_eq!(sample.used.len(), n_lights, "all frames are used");
    let residual = sample.residual(1);
    let trails: Vec<TrailSegment> = sample.used.iter().flat_map(|&idx| sample.burst.trails_in(idx)).collect();
    let (mut n_pieces, mut highest) = (0, f64::MIN);
    for trail in &trails {
        let heights = pieces(&sample, &residual, trail);
        n_pieces += heights.len();
        highest = heights.iter().copied().fold(highest, f64::max);
        if heights.len() >= 4 {
            let whole = mean(&heights);
            assert!(
                whole.abs() < most_of_a_trail,
                "{:?} of frame {}: {whole} σ of {heights:?}",
                trail.kind,
                trail.frame
            );
        }
    }
    println!("{n_lights} frames: the brightest of {n_pieces} pieces of trail is {highest:.2} σ of the stack");
    assert!(n_pieces >= 30, "{n_pieces} pieces of trail on plain sky");
    assert!(highest < most, "{highest} σ of the stack are left in {n_lights} frames");
    check_stars(&sample);
}

/// The light of stars in the stack against the truth: slope and scatter.
fn check_stars(sample: &Sample) {
    let truth = sample.burst.stars_in(sample.reference);
    let in_single = identified(&green_stars(sample.single()), &truth);
    let pairs = identified(&green_stars(sample.stack()), &truth);
    let bright: Vec<_> = pairs.iter().filter(|(star, _)| star.snr >= 80.0).collect();
    assert!(bright.len() >= 8, "{} bright stars", bright.len());
    let ratios: Vec<f64> = bright.iter().map(|(star, truth)| star.flux / truth.flux_electrons[1]).collect();
    let level = mean(&ratios);
    let single: Vec<f64> = in_single
        .iter()
        .filter(|(_, truth)| bright.iter().any(|(_, other)| other.id == truth.id))
        .map(|(star, truth)| star.flux / truth.flux_electrons[1])
        .collect();
    let slope = level / mean(&single);
    assert!((slope - 1.0).abs() < 0.01, "stars have {slope} times the light of the single frame");
    // Beyond the photons' own noise, which is 1.25 % at most: where a star lies between the samples of a mosaic, which
    // three frames hardly average.
    let scatter = mean(&ratios.iter().map(|ratio| (ratio / level - 1.0).powi(2)).collect::<Vec<_>>()).sqrt();
    assert!(scatter < 0.036, "star light scatters by {scatter}");
}

#[test]
fn three_frames_leave_hardly_a_trail() {
    // Pieces are good to a quarter of a standard deviation.
    check(3, 1.3, 0.6);
}

#[test]
fn five_frames_leave_no_trail() {
    check(5, 1.0, 0.5);
}

#[test]
fn eight_frames_leave_no_trail() {
    check(8, 1.0, 0.5);
}
