//! Against outside values, and the rules for few samples.
use crate::calibrate::NoiseModel;
use crate::pixels::{CalibratedFrame, Layout, LinearImage, Mask, Plane, Size, Transform};
use crate::stack::{CombineRule, MemoryFrames, StackFrame, StackRequest, stack};

#[derive(serde::Deserialize)]
struct Case {
    below: f32,
    above: f32,
    samples: Vec<f32>,
    mean: f64,
    n_rejected: u16,
}

/// Stacks even grey frames, one of each value.
fn check(samples: &[f32], limits: (f32, f32), noise: Option<NoiseModel>) -> (f32, u16) {
    check_among(samples, 0, limits, noise)
}

/// The same where frames besides show nothing of the pixel.
fn check_among(samples: &[f32], n_unseen: usize, limits: (f32, f32), noise: Option<NoiseModel>) -> (f32, u16) {
    let size = Size { width: 18, height: 3 };
    let even = |&sample: &f32| CalibratedFrame {
        layout: Layout::Rgb,
        planes: vec![Plane::filled(size, sample); 3],
        saturated: Mask::empty(size),
    };
    let frame = |frame| {
        let ceiling = if frame < samples.len() { f32::INFINITY } else { f32::NEG_INFINITY };
        StackFrame { ceiling, ..StackFrame::plain(frame, Transform::Identity) }
    };
    let request = StackRequest {
        sky: (0..samples.len() + n_unseen).map(frame).collect(),
        land: Vec::new(),
        land_reserve: Vec::new(),
        foreground: None,
        combine: CombineRule::ClippedMean { drop_below_sigma: limits.0, drop_above_sigma: limits.1 },
        noise,
        ..StackRequest::default()
    };
    let frames = MemoryFrames(samples.iter().chain(&vec![0.0; n_unseen]).map(even).collect());
    let stack = stack(&crate::job::Monitor::silent(), &frames, &request).expect("in memory");
    let LinearImage { planes } = &stack.image;
    assert!(planes.iter().all(|plane| plane.samples().iter().all(|&v| v == planes[0].at(0, 0))), "all pixels alike");
    let (n_used, n_rejected) = (stack.n_used.at(17, 2), stack.n_rejected.at(17, 2));
    assert_eq!(usize::from(n_used + n_rejected), samples.len(), "every sample is used or rejected");
    (planes[0].at(0, 0), n_rejected)
}

/// Values of astropy; see tests/reference/clip.
#[test]
fn without_a_noise_model_the_clipped_mean_is_that_of_the_reference() {
    let text = include_str!("../../../tests/reference/clip/values.json");
    let cases: Vec<Case> = serde_json::from_str(text).expect("the reference file is well formed");
    for case in cases {
        let (mean, n_rejected) = check(&case.samples, (case.below, case.above), None);
        assert_eq!(n_rejected, case.n_rejected, "left out of {:?}", case.samples);
        assert!((f64::from(mean) - case.mean).abs() < 2e-7, "{mean} is not {} for {:?}", case.mean, case.samples);
    }
}

const MODEL: Option<NoiseModel> = Some(NoiseModel { read_variance: 1.0, photon_variance_per_unit: 0.0 });

#[test]
fn with_a_noise_model_one_bright_sample_among_few_is_left_out() {
    assert_eq!(check(&[0.5, 9.0], (3.0, 3.0), MODEL), (0.5, 1), "of two the brighter");
    assert_eq!(check(&[0.0, 9.0, 1.0], (3.0, 3.0), MODEL), (0.5, 1), "of three");
    assert_eq!(check(&[0.0, 9.0, 1.0, 0.5, -0.5], (3.0, 3.0), MODEL), (0.25, 1), "of five");
}

#[test]
fn with_a_noise_model_samples_within_it_are_kept() {
    assert_eq!(check(&[0.5, 3.5], (3.0, 3.0), MODEL), (2.0, 0), "3 apart, deviation of the difference 1.4");
    assert_eq!(check(&[0.0, 2.5, 0.25], (3.0, 3.0), MODEL).1, 0, "2.25 above the median");
    assert_eq!(check(&[7.0], (3.0, 3.0), MODEL), (7.0, 0), "a single one");
}

#[test]
fn limits_below_and_above_are_apart() {
    let samples = [-6.0, 0.0, 0.25, -0.25, 0.5, -0.5, 6.0, 0.0];
    assert_eq!(check(&samples, (3.0, 30.0), MODEL).1, 1, "only the dark one");
    assert_eq!(check(&samples, (30.0, 3.0), MODEL).1, 1, "only the bright one");
    assert_eq!(check(&samples, (3.0, 3.0), MODEL), (0.0, 2), "both");
}

/// Above the ridge a few frames of a long burst see the sky: their samples are judged as those of a short burst.
#[test]
fn samples_are_few_where_few_frames_see_the_pixel() {
    let limits = (3.0, 3.0);
    for step in 0..200 {
        let far = 0.05 * step as f32;
        let samples = [0.0, far, 0.4 * far, -0.3, 0.2 * far];
        let (alone, among) = (check(&samples, limits, MODEL), check_among(&samples, 11, limits, MODEL));
        assert_eq!(alone.1, among.1, "left out of {samples:?}");
        assert!((alone.0 - among.0).abs() < 1e-5, "{alone:?} alone, {among:?} among unseen ones, of {samples:?}");
    }
}
