//! The field check against what is true of invented frames: focus, trails, lens faults, light, and a folder
//! into which frames come.
#![allow(clippy::print_stdout, reason = "the measured agreement is what docs/field-check.md quotes")]

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;
use std::time::{Duration, Instant};

use nightsheaf::error::Error;
use nightsheaf::job::{CancelToken, Monitor};
use nightsheaf::pipeline::{
    CameraHint, FieldCheck, Focus, FrameFinding, LensPattern, MIDDLE_ZONE, MeasureRequest, Shape, TrailVerdict,
    Verdict, field_check, focus_drift, measure, watch,
};
use nightsheaf::pixels::Size;
use nightsheaf::plan::Aim;
use nightsheaf::synthetic::dng::write_cfa_dng;
use nightsheaf::synthetic::{Burst, LandKind, Lens, LensFault, Pointing, Projection, Scene, Shake};

/// Sky alone through a lens without distortion, stars alike from the middle to the corners.
fn scene() -> Scene {
    Scene {
        n_lights: 1,
        n_stars: 4000,
        zero_point_electrons_per_sec: 18_000.0,
        exposure_secs: 8.0,
        lens: Lens {
            projection: Projection::Rectilinear,
            focal_mm: 9.0,
            sensor_width_mm: 13.2,
            distortion: [0.0; 2],
            lateral_scale: [1.0; 3],
            center_offset_px: [0.0; 2],
        },
        psf_growth: 0.0,
        n_hot_pixels: 60,
        amplifier_glow_electrons_per_sec: 0.0,
        land: LandKind::None,
        size: Size { width: 900, height: 600 },
        ..Scene::small()
    }
}

fn request() -> MeasureRequest {
    MeasureRequest {
        decoder_program: Some(PathBuf::from(env!("CARGO_BIN_EXE_nightsheaf-cli"))),
        ..MeasureRequest::default()
    }
}

fn new_folder() -> tempfile::TempDir {
    tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written")
}

/// Writes the first light of a scene.
fn written(folder: &Path, name: &str, scene: &Scene) -> PathBuf {
    let path = folder.join(name);
    write_cfa_dng(&path, &Burst::new(scene.clone()).light(0)).expect("room for a small frame");
    path
}

fn measured(scenes: &[Scene], hint: CameraHint) -> Vec<FrameFinding> {
    let folder = new_folder();
    let name = |index: usize| format!("night-{index:03}.dng");
    let lights = scenes.iter().enumerate().map(|(index, scene)| written(folder.path(), &name(index), scene)).collect();
    measure(&Monitor::silent(), &MeasureRequest { lights, hint, ..request() }, |_, _| {}).expect("readable frames")
}

fn checked(findings: &[FrameFinding], idx: usize) -> FieldCheck {
    let all: Vec<&FrameFinding> = findings.iter().collect();
    field_check(&all, idx).expect("a measured frame")
}

fn pattern(findings: &[FrameFinding]) -> LensPattern {
    findings[0].field.as_ref().and_then(|facts| facts.pattern).expect("hundreds of stars")
}

fn pointing(scene: &Scene) -> CameraHint {
    let aim = Aim::Horizon { azimuth_deg: scene.pointing.azimuth_deg, altitude_deg: scene.pointing.altitude_deg };
    CameraHint { aim: Some((aim, scene.latitude_deg)), ..CameraHint::default() }
}

/// High above the horizon and its haze, through a larger lens: clear stars everywhere.
fn high(scene: Scene) -> Scene {
    let pointing = Pointing { altitude_deg: 50.0, ..scene.pointing };
    Scene { pointing, zero_point_electrons_per_sec: 100_000.0, ..scene }
}

/// The lens draws a Gaussian, the pixels widen it by their own 1/12 in variance: √(F² + 0.68²).
#[test]
fn the_star_width_is_that_of_the_focus() {
    for psf_fwhm_px in [1.8, 2.6, 3.6] {
        let findings = measured(&[high(Scene { psf_fwhm_px, exposure_secs: 2.0, ..scene() })], CameraHint::default());
        let found = f64::from(checked(&findings, 0).width_px.expect("stars"));
        let expected = psf_fwhm_px.hypot(0.68);
        println!("focus of {psf_fwhm_px} px: {found:.3} px across, expected {expected:.3}");
        assert!((found / expected - 1.0).abs() < 0.04, "{found} px for {expected} px");
        for (idx, zone) in findings[0].field.as_ref().expect("measured").zones.iter().enumerate() {
            let width = f64::from(zone.ellipse.expect("stars in every zone").fwhm_px);
            assert!((width / expected - 1.0).abs() < 0.08, "zone {idx}: {width} px for {expected} px");
        }
    }
}

#[test]
fn the_focus_is_judged_by_the_best_of_the_burst_and_alone_it_is_said_so() {
    let widths = [2.2, 2.6, 3.6, 2.25];
    let findings = measured(&widths.map(|psf_fwhm_px| Scene { psf_fwhm_px, ..scene() }), CameraHint::default());
    let verdicts: Vec<Focus> = (0..4).map(|idx| checked(&findings, idx).focus).collect();
    assert_eq!(verdicts, [Focus::Sharp, Focus::Soft, Focus::OutOfFocus, Focus::Sharp], "by width");
    let soft = checked(&findings, 2);
    assert_eq!(soft.best.as_ref().map(|best| best.1.as_str()), Some("night-000.dng"), "the sharpest");
    assert!(soft.suggestion.starts_with("Focus anew"), "{}: {:?}", soft.suggestion, soft.lines);
    let alone = checked(&findings[..1], 0);
    assert_eq!((alone.focus, &alone.best), (Focus::Alone, &None), "nothing to compare with");
    assert!(alone.lines.iter().any(|(_, line)| line.contains("one frame cannot tell")), "{:?}", alone.lines);
    let wide = measured(&[Scene { psf_fwhm_px: 6.5, ..scene() }], CameraHint::default());
    assert_eq!(checked(&wide, 0).focus, Focus::WideAlone, "{:?}", checked(&wide, 0).lines);
}

/// Truth: the path of the stars near the middle, and the fastest corner, by the generator's own geometry.
#[test]
fn trails_are_as_long_as_they_are_and_as_predicted() {
    for exposure_secs in [12.0, 24.0] {
        let scene = Scene { exposure_secs, refraction: false, ..scene() };
        let stars = Burst::new(scene.clone()).stars_in(0);
        let near = stars.iter().filter(|star| star.position.distance(scene.size.center()) < 100.0);
        let lengths: Vec<f64> = near.map(|star| star.trail_px).collect();
        let truth = lengths.iter().sum::<f64>() / lengths.len() as f64;
        let findings = measured(std::slice::from_ref(&scene), pointing(&scene));
        let check = checked(&findings, 0);
        let found = f64::from(check.trail_px.expect("stars"));
        let predicted = findings[0].field.as_ref().and_then(|facts| facts.predicted).expect("all is known");
        println!("{exposure_secs} s: {truth:.2} px, measured {found:.2}, predicted {:.2}", predicted.middle_px);
        assert!((predicted.middle_px / truth - 1.0).abs() < 0.01, "predicted {predicted:?} for {truth}");
        assert!((found - truth).abs() < 0.25 + 0.08 * truth, "measured {found} px for {truth} px");
        let expected = if truth > 3.0 { TrailVerdict::Long } else { TrailVerdict::Short };
        assert_eq!(check.trail, expected, "{:?}", check.lines);
        let unknown = measured(&[scene], CameraHint::default());
        let at_most = unknown[0].field.as_ref().and_then(|facts| facts.predicted).expect("the camera is known");
        assert!(at_most.middle_px >= predicted.middle_px, "the equator is the most: {at_most:?}");
        assert_ne!(checked(&unknown, 0).trail, TrailVerdict::Shaken, "{:?}", checked(&unknown, 0).lines);
    }
}

#[test]
fn a_jolt_is_longer_than_the_sky_explains() {
    let shaken = Scene { shakes: vec![Shake { frame: 0, amplitude_px: 6.0 }], ..scene() };
    let check = checked(&measured(&[shaken], CameraHint::default()), 0);
    assert_eq!(check.trail, TrailVerdict::Shaken, "{:?}", check.lines);
    assert!(check.suggestion.starts_with("Steady the tripod"), "{}", check.suggestion);
}

/// Trails of 2.5 px in the middle and more in the corners lie over what the lens draws out.
#[test]
fn coma_is_told_from_trails() {
    for (radial_px, shape) in [(0.0, Shape::Even), (4.0, Shape::Outward), (-4.0, Shape::Around)] {
        let scene = Scene { lens_fault: LensFault { radial_px, ..LensFault::default() }, ..scene() };
        for (how, hint) in [("pointing known", pointing(&scene)), ("pointing unknown", CameraHint::default())] {
            let findings = measured(std::slice::from_ref(&scene), hint);
            let bar = pattern(&findings).radial_px;
            println!("bar of {radial_px} px in the corner, {how}: {:.2} ± {:.2} px", bar.value, bar.sigma);
            assert!((bar.value - radial_px).abs() < 0.9, "{how}: {bar:?} for {radial_px}");
            assert_eq!(checked(&findings, 0).shape, shape, "{how}: {:?}", checked(&findings, 0).lines);
        }
    }
}

#[test]
fn a_tilted_sensor_is_wider_on_its_side() {
    let tilted = Scene { lens_fault: LensFault { tilt: [-0.15, 0.0], radial_px: 0.0 }, ..scene() };
    let findings = measured(&[tilted], CameraHint::default());
    let tilt = pattern(&findings).tilt;
    println!("tilt of -0.15 to the right: {:.3} ± {:.3}, down {:.3}", tilt[0].value, tilt[0].sigma, tilt[1].value);
    // A share of the lens's own width, which the pixels dilute.
    assert!((tilt[0].value + 0.137).abs() < 0.03 && tilt[1].value.abs() < 0.03, "{tilt:?}");
    let check = checked(&findings, 0);
    let Shape::OneSided([right, down]) = check.shape else { panic!("{check:?}") };
    assert!(right < -0.95 && down.abs() < 0.3, "to the left: {right}, {down}");
    assert!(check.lines.iter().any(|(_, line)| line.contains("wider towards the left")), "{:?}", check.lines);
}

#[test]
fn a_growth_to_the_corners_is_no_fault_and_a_soft_middle_is() {
    let growing = measured(&[Scene { psf_growth: 0.25, ..scene() }], CameraHint::default());
    assert_eq!(checked(&growing, 0).shape, Shape::Even, "{:?}", checked(&growing, 0).lines);
    let growth = pattern(&growing).corner_growth;
    assert!((growth.value - 0.23).abs() < 0.05, "{growth:?} for 0.25, diluted by the pixels");
    let beside = measured(&[Scene { psf_fwhm_px: 3.2, psf_growth: -0.25, ..scene() }], CameraHint::default());
    assert_eq!(checked(&beside, 0).shape, Shape::MiddleSoft, "{:?}", checked(&beside, 0).lines);
}

/// Truth: the median of the mean green electrons before any noise, less the dark signal of none.
#[test]
fn sky_and_read_noise_are_counted_in_electrons() {
    let scene = Scene { exposure_secs: 16.0, ..scene() };
    let burst = Burst::new(scene.clone());
    let electrons = burst.light_electrons(0);
    let mut green: Vec<f32> = (0..scene.size.area())
        .map(|index| (index % scene.size.width, index / scene.size.width))
        .filter(|&(x, y)| scene.cfa.color_at(x, y) as usize == 1)
        .map(|(x, y)| electrons.at(x, y))
        .collect();
    let truth = f64::from(nightsheaf::pixels::statistics::median(&mut green).expect("a frame has pixels"));
    let findings = measured(std::slice::from_ref(&scene), CameraHint::default());
    let light = findings[0].field.as_ref().and_then(|facts| facts.light).expect("a mosaic");
    let (sky, read) = (light.sky_electrons, light.read_noise_electrons);
    println!("sky {truth:.0} e, measured {sky:.0}; read noise {} e, measured {read:.1}", scene.read_noise_electrons);
    assert!((sky / truth - 1.0).abs() < 0.12, "{sky} electrons for {truth}");
    assert!(read < 2.5 * scene.read_noise_electrons, "read noise {read}");
    let full = f64::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn;
    let level = f64::from(findings[0].measures.expect("measured").sky_level);
    assert!((level * full / truth - 1.0).abs() < 0.05, "{level} of full scale for {}", truth / full);
    let check = checked(&findings, 0);
    let plan = check.burst.expect("camera and light are known");
    assert!(plan.advice.starts_with("More frames help most"), "a bright sky: {}", plan.advice);
}

#[test]
fn too_much_light_is_said_with_its_share() {
    let bright = Scene { sky_electrons_per_sec: 700.0, ..scene() };
    let check = checked(&measured(&[bright], CameraHint::default()), 0);
    assert!(check.suggestion.starts_with("Lower the ISO or shorten the shutter"), "{}", check.suggestion);
}

#[test]
fn a_focus_that_drifts_is_noticed_and_one_that_holds_is_not() {
    let widths = [2.2, 2.2, 2.22, 2.3, 2.45, 2.6, 2.7];
    let night = |widths: &[f64]| {
        let frame = |(idx, &psf_fwhm_px): (usize, &f64)| Scene { psf_fwhm_px, seed: 100 + idx as u64, ..scene() };
        measured(&widths.iter().enumerate().map(frame).collect::<Vec<_>>(), CameraHint::default())
    };
    let findings = night(&widths);
    let drift = focus_drift(&findings.iter().collect::<Vec<_>>()).expect("stars grow by a fifth");
    assert_eq!(drift.best_frame, "night-001.dng", "{drift:?}");
    assert!((drift.now_px / drift.best_px - 1.17).abs() < 0.05, "{drift:?}");
    let steady = night(&[2.2, 2.25, 2.2, 2.22, 2.7]);
    assert_eq!(focus_drift(&steady.iter().collect::<Vec<_>>()), None, "one odd frame is no drift");
}

#[test]
fn zones_without_stars_say_nothing() {
    let ridge = Scene { land: LandKind::Ridge, ..scene() };
    let findings = measured(&[ridge], CameraHint::default());
    let zones = &findings[0].field.as_ref().expect("measured").zones;
    assert!(zones[MIDDLE_ZONE].stars > zones[7].stars, "more stars above the ridge: {zones:?}");
    assert_eq!(checked(&findings, 0).shape, Shape::Even, "{:?}", checked(&findings, 0).lines);
}

/// A frame that is copied in two pieces is waited for, a broken one is named, and the watch ends when asked.
#[test]
fn frames_that_come_into_a_folder_are_measured_once_they_are_whole() {
    let (source, folder) = (new_folder(), new_folder());
    let first = written(source.path(), "night-001.dng", &scene());
    let second = written(source.path(), "night-002.dng", &Scene { seed: 5, ..scene() });
    fs::copy(&first, folder.path().join("night-001.dng")).expect("room for a frame");
    let cancel = CancelToken::default();
    let monitor = Monitor::new(cancel.clone(), |_| {});
    let (sender, heard) = channel();
    let watched = folder.path().to_owned();
    let watcher = std::thread::spawn(move || {
        watch(&monitor, &watched, &request(), |finding| sender.send(finding).expect("the test listens"))
    });
    let patience = Duration::from_secs(120);
    let next = || heard.recv_timeout(patience).expect("a frame within two minutes");
    let known = next();
    assert!(known.path.ends_with("night-001.dng") && known.measures.is_some(), "{known:?}");
    let bytes = fs::read(&second).expect("a frame");
    let (start, rest) = bytes.split_at(bytes.len() / 3);
    let target = folder.path().join("night-002.dng");
    fs::write(&target, start).expect("room for a part");
    let begun = Instant::now();
    std::thread::sleep(Duration::from_millis(700));
    assert!(heard.try_recv().is_err(), "a part is not measured at once");
    let mut file = fs::OpenOptions::new().append(true).open(&target).expect("our own file");
    std::io::Write::write_all(&mut file, rest).expect("room for the rest");
    drop(file);
    let arrived = next();
    assert!(arrived.path.ends_with("night-002.dng") && arrived.measures.is_some(), "{}", arrived.reason);
    assert!(begun.elapsed() > nightsheaf::pipeline::SETTLE, "it stood still for a while first");
    fs::write(folder.path().join("night-003.dng"), b"not a frame").expect("room for a few bytes");
    let broken = next();
    assert_eq!((broken.verdict, broken.measures), (Verdict::SetAside, None), "{broken:?}");
    assert!(!broken.reason.is_empty(), "it says why");
    cancel.cancel();
    let ended = watcher.join().expect("the watch does not panic");
    assert!(matches!(ended, Error::Cancelled(_)), "{ended}");
}
