//! Registration against the truth of invented nights, whose geometry is written apart from the program's.

#[path = "support/nights.rs"]
mod nights;
#[path = "support/star_lists.rs"]
mod star_lists;

use nights::{Night, Pointing, center_and_corner_rms};
use nightsheaf::detect::Star;
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{Point, Size};
use nightsheaf::register::{
    AlignError, BurstRegistration, FrameStars, Model, Optics, RegisterSettings, register_burst, register_pair,
};
use star_lists::{Shape, TrueCamera, false_star, random, trial, turn, unrelated};

const SIZE: Size = Size { width: 6000, height: 4000 };

fn focal_px(focal_mm: f64) -> f64 {
    focal_mm / 23.5 * SIZE.width as f64
}

fn optics(focal_mm: f64) -> Optics {
    Optics { size: SIZE, focal_px: Some(focal_px(focal_mm)), profile: None }
}

/// A camera whose focal length is 1.3 % and whose principal point is 13 px from what is stated.
fn camera(focal_mm: f64, corner_shift_px: f64) -> TrueCamera {
    let half = 0.5 * (SIZE.width as f64).hypot(SIZE.height as f64);
    let mut camera = TrueCamera::with_corner_shift(SIZE, 1.013 * focal_px(focal_mm), corner_shift_px / half, -0.25);
    camera.principal = Point { x: camera.principal.x + 11.0, y: camera.principal.y - 7.0 };
    camera
}

struct Burst {
    lists: Vec<Vec<Star>>,
    times: Vec<f64>,
    clocks: Vec<Option<f64>>,
    reference: usize,
}

impl Burst {
    /// Frames at the given seconds, by clocks that show whole seconds.
    fn new(night: &mut Night, times: &[f64], reference: usize) -> Self {
        let lists = times.iter().map(|&secs| night.list_at(secs - times[reference])).collect();
        let clocks = times.iter().map(|secs| Some(secs.round())).collect();
        Self { lists, times: times.to_vec(), clocks, reference }
    }

    fn register(&self, optics: &Optics) -> BurstRegistration {
        let frames: Vec<FrameStars<'_>> = (self.lists.iter().zip(&self.clocks))
            .map(|(stars, &capture_time_secs)| FrameStars { stars, capture_time_secs })
            .collect();
        register_burst(&Monitor::silent(), &frames, self.reference, optics, &RegisterSettings::default())
            .expect("the reference has stars")
    }

    /// The worst error of any frame in the middle and in the corners.
    fn worst_rms(&self, night: &Night, burst: &BurstRegistration) -> (f64, f64) {
        let (mut center, mut corner) = (0.0_f64, 0.0_f64);
        for (frame, registration) in burst.frames.iter().enumerate() {
            let registration = registration.as_ref().unwrap_or_else(|reason| panic!("frame {frame}: {reason}"));
            let truth = night.truth(self.times[frame] - self.times[self.reference]);
            let rms = center_and_corner_rms(SIZE, &truth, |point| registration.reference_from_light.apply(point));
            (center, corner) = (center.max(rms.0), corner.max(rms.1));
        }
        (center, corner)
    }
}

fn every(step_secs: f64, n: usize) -> Vec<f64> {
    (0..n).map(|frame| step_secs * frame as f64).collect()
}

fn check(what: &str, (center, corner): (f64, f64), most: (f64, f64)) {
    assert!(center <= most.0, "{what}: {center:.3} px in the middle, {} allowed", most.0);
    assert!(corner <= most.1, "{what}: {corner:.3} px in the corners, {} allowed", most.1);
}

/// What the aim of the program allows; centroids scatter by 0.1 px here.
const AIM: (f64, f64) = (0.05, 0.10);
/// What must be.
const MUST: (f64, f64) = (0.15, 0.30);

#[test]
fn five_minutes_align_to_the_corners_at_every_focal_length_and_distortion() {
    for focal_mm in [10.0, 14.0, 24.0, 50.0] {
        for corner_shift_px in [-90.0, -500.0] {
            let mut night = Night::new(camera(focal_mm, corner_shift_px), Pointing::SOUTH, 300, 11);
            let burst = Burst::new(&mut night, &every(40.0, 8), 4);
            let registered = burst.register(&optics(focal_mm));
            let what = format!("{focal_mm} mm, corner shifted by {corner_shift_px} px");
            check(&what, burst.worst_rms(&night, &registered), AIM);
            assert!(
                registered
                    .frames
                    .iter()
                    .flatten()
                    .all(|frame| matches!(frame.model, Model::LensFitted | Model::Reference)),
                "{what}: the lens is fitted: {:?}",
                registered.notes
            );
        }
    }
}

#[test]
fn a_fitted_lens_is_the_true_one_within_its_uncertainty() {
    let truth = camera(14.0, -90.0);
    let mut night = Night::new(truth, Pointing::SOUTH, 300, 21);
    let burst = Burst::new(&mut night, &every(300.0, 8), 4);
    let lens = burst.register(&optics(14.0)).lens.expect("a lens was fitted");
    assert_eq!(lens.zenith, None, "where no air bends the light none is fitted");
    let expected = [truth.focal_px, truth.principal.x, truth.principal.y];
    for (parameter, expected) in [0, 4, 5].map(|idx| &lens.parameters[idx]).into_iter().zip(expected) {
        assert!(parameter.measured, "{} is measured by 35 minutes of sky", parameter.name);
        let sigmas = (parameter.value - expected).abs() / parameter.sigma;
        assert!(sigmas < 4.0, "{} is {} ± {}, in truth {expected}", parameter.name, parameter.value, parameter.sigma);
    }
    assert!((lens.noise_ratio - 1.0).abs() < 0.1, "errors are what the noise explains, times {}", lens.noise_ratio);
}

#[test]
fn two_groups_an_hour_apart_align_below_refracting_air() {
    let mut night =
        Night::new(camera(14.0, -90.0), Pointing { altitude_deg: 15.0, ..Pointing::SOUTH }, 300, 31).with_air();
    let mut times = every(20.0, 5);
    times.extend(every(20.0, 5).iter().map(|secs| secs + 3600.0));
    let burst = Burst::new(&mut night, &times, 2);
    let registered = burst.register(&optics(14.0));
    check("an hour", burst.worst_rms(&night, &registered), MUST);
    let zenith = registered.lens.expect("a lens").zenith.expect("an hour of low sky shows the air");
    let cosine: f64 = zenith.iter().zip(night.zenith).map(|(a, b)| a * b).sum();
    assert!(cosine > 15_f64.to_radians().cos(), "the zenith is found, {:.1}° off", cosine.acos().to_degrees());
}

#[test]
fn the_pole_in_the_frame_aligns_though_stars_near_it_hardly_move() {
    let mut night = Night::new(camera(14.0, -90.0), Pointing::POLE, 300, 41);
    let burst = Burst::new(&mut night, &every(25.0, 8), 4);
    check("the pole", burst.worst_rms(&night, &burst.register(&optics(14.0))), AIM);
}

#[test]
fn two_seconds_of_drift_align_with_a_lens_that_is_held() {
    let mut night = Night::new(camera(14.0, -90.0), Pointing::SOUTH, 300, 51);
    let burst = Burst::new(&mut night, &[0.0, 2.0], 0);
    let registered = burst.register(&optics(14.0));
    check("two seconds", burst.worst_rms(&night, &registered), AIM);
    let frame = registered.frames[1].as_ref().expect("the frame aligns");
    assert_eq!(frame.model, Model::LensHeld, "half a pixel of drift cannot measure a lens");
    assert!(
        registered.notes.iter().any(|note| note.contains("moved too little")),
        "and that is said: {:?}",
        registered.notes
    );
}

#[test]
fn no_clock_and_wrong_clocks_change_nothing_but_the_notes() {
    let mut night = Night::new(camera(14.0, -90.0), Pointing::SOUTH, 300, 61);
    let mut burst = Burst::new(&mut night, &every(30.0, 8), 4);
    let with_clocks = burst.register(&optics(14.0));
    assert!(with_clocks.notes.iter().all(|note| !note.contains("clock")), "clocks are right: {:?}", with_clocks.notes);
    burst.clocks[6] = Some(9000.0);
    let one_wrong = burst.register(&optics(14.0));
    check("one wrong clock", burst.worst_rms(&night, &one_wrong), AIM);
    let told: Vec<_> = one_wrong.notes.iter().filter(|note| note.contains("clock")).collect();
    assert!(told.len() == 1 && told[0].starts_with("frame 7"), "the wrong clock is told: {:?}", one_wrong.notes);
    burst.clocks = vec![Some(0.0); 8];
    check("stopped clocks", burst.worst_rms(&night, &burst.register(&optics(14.0))), AIM);
    burst.clocks = vec![None; 8];
    check("no clocks", burst.worst_rms(&night, &burst.register(&optics(14.0))), AIM);
}

#[test]
fn an_unknown_focal_length_is_found_from_the_stars() {
    for focal_mm in [10.0, 24.0] {
        let mut night = Night::new(camera(focal_mm, -200.0), Pointing::SOUTH, 300, 71);
        let burst = Burst::new(&mut night, &every(60.0, 8), 4);
        let registered = burst.register(&Optics { size: SIZE, focal_px: None, profile: None });
        check(&format!("unknown {focal_mm} mm"), burst.worst_rms(&night, &registered), AIM);
    }
}

#[test]
fn a_fisheye_aligns_by_its_own_projection() {
    let mut fisheye = camera(8.0, -90.0);
    fisheye.shape = Shape::Fisheye;
    let mut night = Night::new(fisheye, Pointing::SOUTH, 400, 81);
    let burst = Burst::new(&mut night, &every(60.0, 8), 4);
    check("fisheye", burst.worst_rms(&night, &burst.register(&optics(8.0))), AIM);
}

#[test]
fn lights_that_stand_still_do_not_win_against_the_sky() {
    // 120 still lights, brighter than the stars, against 60 stars.
    let mut night = Night::new(camera(14.0, -90.0), Pointing::SOUTH, 60, 91).with_lights(120);
    for step_secs in [8.0, 60.0] {
        let mut burst = Burst::new(&mut night, &every(step_secs, 8), 4);
        check("still lights, clocks", burst.worst_rms(&night, &burst.register(&optics(14.0))), MUST);
        burst.clocks = vec![None; 8];
        check("still lights, no clocks", burst.worst_rms(&night, &burst.register(&optics(14.0))), MUST);
    }
}

/// The lamps move too when the tripod is knocked, all in step, and there are more of them than stars.
#[test]
fn a_knocked_tripod_does_not_make_lamps_into_a_sky() {
    let mut night = Night::new(camera(14.0, -90.0), Pointing::SOUTH, 60, 95).with_lights(120);
    let mut burst = Burst::new(&mut night, &every(40.0, 8), 4);
    night.knock = turn([0.6, 0.8, 0.0], 0.006);
    burst.lists[6] = night.list_at(80.0);
    let registered = burst.register(&optics(14.0));
    let frame = registered.frames[6].as_ref().expect("the knocked frame has its stars");
    let rms = center_and_corner_rms(SIZE, &night.truth(80.0), |point| frame.reference_from_light.apply(point));
    check("knocked", rms, MUST);
    let told = registered.notes.iter().any(|note| note.starts_with("frame 7") && note.contains("tripod"));
    assert!(told, "the knock is told: {:?}", registered.notes);
}

#[test]
fn a_long_burst_with_clouds_aligns_through_its_neighbors() {
    let mut night = Night::new(camera(14.0, -90.0), Pointing::POLE, 200, 97);
    let mut burst = Burst::new(&mut night, &every(120.0, 75), 20);
    let mut random = random(6);
    for frame in [0, 1, 2, 30, 31, 50] {
        burst.lists[frame] = (0..50).map(|_| false_star(SIZE, &mut random)).collect();
    }
    let registered = burst.register(&optics(14.0));
    let refused: Vec<usize> = (0..75).filter(|&frame| registered.frames[frame].is_err()).collect();
    assert_eq!(refused, [0, 1, 2, 30, 31, 50], "the clouded frames and no others");
    for frame in [3, 37, 74] {
        let transform = &registered.frames[frame].as_ref().expect("not clouded").reference_from_light;
        let truth = night.truth(burst.times[frame] - burst.times[20]);
        check(&format!("frame {frame}"), center_and_corner_rms(SIZE, &truth, |point| transform.apply(point)), AIM);
    }
}

#[test]
fn a_wrongly_stated_focal_length_is_found_out() {
    let mut night = Night::new(camera(14.0, -90.0), Pointing::SOUTH, 300, 99);
    let burst = Burst::new(&mut night, &every(60.0, 6), 3);
    let registered = burst.register(&optics(50.0));
    check("50 mm stated, 14 mm true", burst.worst_rms(&night, &registered), AIM);
}

#[test]
fn lights_without_a_sky_are_refused() {
    for clocks in [vec![Some(0.0), Some(600.0)], vec![None, None]] {
        let mut night = Night::new(camera(14.0, -90.0), Pointing::SOUTH, 60, 101).with_lights(80);
        night.stars.clear();
        let mut burst = Burst::new(&mut night, &[0.0, 600.0], 0);
        burst.clocks = clocks;
        let registered = burst.register(&optics(14.0));
        assert!(
            matches!(registered.frames[1], Err(AlignError::StandsStill { .. })),
            "eighty street lamps are no sky: {:?}",
            registered.frames[1]
        );
    }
}

#[test]
fn a_clouded_frame_is_refused_and_the_others_go_on() {
    let mut night = Night::new(camera(14.0, -90.0), Pointing::SOUTH, 300, 111);
    let mut burst = Burst::new(&mut night, &every(30.0, 6), 3);
    let mut random = random(5);
    burst.lists[1] = (0..40).map(|_| false_star(SIZE, &mut random)).collect();
    burst.lists[4].clear();
    let registered = burst.register(&optics(14.0));
    assert_eq!(registered.frames[1], Err(AlignError::NoMatch { stars: 40 }), "noise is no sky");
    assert_eq!(registered.frames[4], Err(AlignError::TooFewStars { found: 0, needed: 6 }), "nothing is no sky");
    assert!([0, 2, 3, 5].iter().all(|&frame| registered.frames[frame].is_ok()), "the others align");
}

/// Right, wrong, or `None` where the pair was refused.
fn outcome(seed: u64) -> Option<bool> {
    let trial = trial(seed);
    let optics = Optics { size: trial.size, focal_px: Some(trial.stated_focal_px), profile: None };
    let registration = register_pair(&trial.pair.light, &trial.pair.reference, &optics).ok()?;
    Some(trial.is_right(|point| registration.reference_from_light.apply(point)))
}

/// The full thousand is `cargo run --release --no-default-features --example pair_trials`.
#[test]
fn random_pairs_are_right_or_refused_and_never_wrong() {
    let outcomes: Vec<Option<bool>> = (0..100).map(outcome).collect();
    let n_refused = outcomes.iter().filter(|outcome| outcome.is_none()).count();
    let wrong: Vec<usize> = (0..outcomes.len()).filter(|&seed| outcomes[seed] == Some(false)).collect();
    assert!(wrong.is_empty(), "wrong transforms were accepted for the seeds {wrong:?}");
    assert!(n_refused <= 1, "{n_refused} of 100 were refused");
}

#[test]
fn unrelated_fields_are_never_accepted() {
    let is_accepted = |seed: &u64| {
        let [light, reference] = unrelated(*seed);
        register_pair(&light, &reference, &optics(14.0)).is_ok()
    };
    let accepted: Vec<u64> = (0..80).filter(is_accepted).collect();
    assert!(accepted.is_empty(), "seeds {accepted:?} were accepted");
}
