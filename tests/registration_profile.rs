//! Lens profiles as starts: used where the stars agree, given up with a reason where they do not.

#[path = "support/nights.rs"]
mod nights;
#[path = "support/star_lists.rs"]
mod star_lists;

use std::sync::OnceLock;

use nights::{Night, Pointing, center_and_corner_rms};
use nightsheaf::detect::Star;
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{Point, Size};
use nightsheaf::register::{
    BurstRegistration, FrameStars, LensFit, LensProfile, Optics, RegisterSettings, register_burst,
};
use proptest::prelude::*;
use star_lists::TrueCamera;

const SIZE: Size = Size { width: 6000, height: 4000 };
const STATED_PX: f64 = 14.0 / 23.5 * 6000.0;

/// 14 mm, 1.3 % longer than stated; the corner is shifted by 500 px.
fn night() -> Night {
    let half = 0.5 * (SIZE.width as f64).hypot(SIZE.height as f64);
    let mut camera = TrueCamera::with_corner_shift(SIZE, 1.013 * STATED_PX, -500.0 / half, -0.25);
    camera.principal = Point { x: camera.principal.x + 11.0, y: camera.principal.y - 7.0 };
    Night::new(camera, Pointing::SOUTH, 300, 121)
}

/// Registers frames that many seconds apart, and says how far off the worst of them is in middle and corners.
fn register(
    night: &mut Night,
    n_frames: usize,
    step_secs: f64,
    profile: Option<&LensProfile>,
) -> (BurstRegistration, (f64, f64)) {
    let reference = n_frames / 2;
    let times: Vec<f64> = (0..n_frames).map(|idx| step_secs * (idx as f64 - reference as f64)).collect();
    let lists: Vec<Vec<Star>> = times.iter().map(|&secs| night.list_at(secs)).collect();
    let frames: Vec<FrameStars<'_>> = (lists.iter().zip(&times))
        .map(|(stars, secs)| FrameStars { stars, capture_time_secs: Some(secs.round()) })
        .collect();
    let optics = Optics { size: SIZE, focal_px: Some(STATED_PX), profile: profile.cloned() };
    let burst = register_burst(&Monitor::silent(), &frames, reference, &optics, &RegisterSettings::default())
        .expect("the reference has stars");
    let (mut center, mut corner) = (0.0_f64, 0.0_f64);
    for (registration, &secs) in burst.frames.iter().zip(&times) {
        let transform = &registration.as_ref().expect("every frame has its stars").reference_from_light;
        let rms = center_and_corner_rms(SIZE, &night.truth(secs), |point| transform.apply(point));
        (center, corner) = (center.max(rms.0), corner.max(rms.1));
    }
    (burst, (center, corner))
}

fn measured(night: &mut Night) -> LensProfile {
    let (burst, _) = register(night, 8, 300.0, None);
    let text = LensProfile::new("invented 14 mm", Some(14.0), SIZE, &burst.lens.expect("a lens")).to_toml();
    LensProfile::from_toml(&text).expect("what was written can be read")
}

fn check((center, corner): (f64, f64)) {
    assert!(center <= 0.05 && corner <= 0.10, "{center:.3} px in the middle, {corner:.3} px in the corners");
}

fn lens_of(burst: BurstRegistration) -> LensFit {
    burst.lens.expect("a lens")
}

#[test]
fn a_profile_of_one_night_serves_the_next() {
    let mut night = night();
    let profile = measured(&mut night);
    for (n_frames, step_secs) in [(4, 4.0), (8, 40.0)] {
        let (burst, rms) = register(&mut night, n_frames, step_secs, Some(&profile));
        check(rms);
        let lens = lens_of(burst);
        assert!(lens.from_profile, "{n_frames} frames begin with the profile: {:?}", lens.profile_refused);
        assert_eq!(lens.profile_refused, None, "and say nothing against it");
    }
}

#[test]
fn a_profile_of_another_focal_length_loses_against_the_one_stated() {
    let mut night = night();
    let good = measured(&mut night);
    for factor in [0.8, 0.9, 1.1, 1.25] {
        let mut wrong = good.clone();
        wrong.focal_px[0] *= factor;
        let (burst, rms) = register(&mut night, 8, 40.0, Some(&wrong));
        check(rms);
        let lens = lens_of(burst);
        assert!(!lens.from_profile, "a focal length {factor} times the true one was kept: {}", lens.lens.focal_px);
        let why = lens.profile_refused.expect("a reason");
        assert!(why.starts_with("the stars agree better"), "{factor}: {why}");
        let error = lens.lens.focal_px / (1.013 * STATED_PX) - 1.0;
        assert!(error.abs() < 0.005, "{factor}: the focal length is {error} off");
    }
}

/// Stars that hardly move tell nothing of the lens: the camera's own word decides.
#[test]
fn where_the_stars_cannot_tell_a_profile_far_from_the_stated_focal_length_is_not_used() {
    let mut night = night();
    let mut wrong = measured(&mut night);
    wrong.focal_px[0] *= 1.25;
    let (burst, _) = register(&mut night, 2, 2.0, Some(&wrong));
    let lens = lens_of(burst);
    assert!(!lens.from_profile, "{:?}", lens.lens);
    let why = lens.profile_refused.expect("a reason");
    assert!(why.contains("1.27 times what the camera states"), "{why}");
}

/// The same lens on a sensor 36 mm wide with as many pixels: each is half as large again.
#[test]
fn a_profile_of_another_camera_is_brought_to_this_sensor() {
    let mut night = night();
    let here = measured(&mut night).on_sensor(Some(23.5));
    let there = here.for_frames(SIZE, Some(36.0));
    let expected = here.focal_px[0] * 23.5 / 36.0;
    assert!((there.focal_px[0] - expected).abs() < 1e-9, "{:?} of {:?}", there.focal_px, here.focal_px);
    assert_eq!(there.radial, here.radial, "distortion in focal lengths is the lens's own");
    let text = there.to_toml();
    assert!(text.contains("sensor_width_mm = 36.0"), "the sensor is told: {text}");
    let there = LensProfile::from_toml(&text).expect("what was written can be read");
    let (burst, rms) = register(&mut night, 4, 4.0, Some(&there.for_frames(SIZE, Some(23.5))));
    check(rms);
    assert!(lens_of(burst).from_profile, "brought back, it is the profile it was");
}

#[test]
fn a_text_that_is_no_profile_is_refused_with_its_reason() {
    let message = |text: &str| LensProfile::from_toml(text).expect_err("not a profile").to_string();
    assert_eq!(message("focal = 'long'"), "this is not a lens profile", "other fields");
    let text = measured(&mut night()).on_sensor(Some(23.5)).to_toml();
    assert!(message(&text.replace("version = 1", "version = 9")).contains("version 9"), "from the future");
    assert!(message(&text.replace("width = 6000", "width = 0")).contains("width of the frame is 0"), "no frame");
    let sensor = text.replace("sensor_width_mm = 23.5", "sensor_width_mm = 0.1");
    assert!(message(&sensor).contains("width of the sensor is 0.1"), "no sensor");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    /// What it takes it can use, and write and read again.
    #[test]
    fn a_damaged_profile_is_a_profile_or_a_message(
        place in any::<prop::sample::Index>(), length in 0_usize..12, replacement in "[0-9e.+\\-=\\[\\]a-z\" \n]{0,12}",
    ) {
        static WHOLE: OnceLock<String> = OnceLock::new();
        let whole = WHOLE.get_or_init(|| measured(&mut night()).on_sensor(Some(23.5)).to_toml());
        let start = place.index(whole.len());
        let end = (start + length).min(whole.len());
        let text = format!("{}{replacement}{}", &whole[..start], &whole[end..]);
        match LensProfile::from_toml(&text) {
            Ok(profile) => {
                let _ = profile.for_frames(SIZE, Some(23.5));
                prop_assert!(LensProfile::from_toml(&profile.to_toml()).is_ok_and(|again| again == profile), "{text}");
            }
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
    }
}
