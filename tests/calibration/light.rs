//! A passing cloud, a rising Moon: every frame brought to the light of the reference, weighted, and judged.

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, DevelopSettings, ExportSettings, FalloffSource, FileFormat, Outcome, OutputSpace};
use nightsheaf::pipeline::{Request, Vignetting};
use nightsheaf::pixels::statistics::{SIGMA_PER_MAD, median};
use nightsheaf::pixels::{Plane, Point, Size};
use nightsheaf::synthetic::{Burst, Cloud, CloudBank, LandKind, Pointing, Scene};

use crate::night::{Night, run, scene, sky_scene};

const N: usize = 9;

fn clouds() -> Vec<Cloud> {
    vec![
        Cloud { frame: 2, transparency: 0.93, veil: 0.15, bank: None },
        Cloud { frame: 3, transparency: 0.70, veil: 0.6, bank: None },
        Cloud { frame: 4, transparency: 0.30, veil: 1.5, bank: None },
        Cloud { frame: 5, transparency: 0.95, veil: 0.1, bank: None },
    ]
}

fn reference(outcome: &Outcome) -> usize {
    let frames = &outcome.report.frames;
    frames.iter().position(|frame| frame.file.ends_with(&outcome.report.reference)).expect("one of the frames")
}

/// Mean difference between the stack and the true reference frame in cells of the sky, as a share of the level:
/// typical and largest.
fn unevenness(outcome: &Outcome, burst: &Burst) -> (f32, f32) {
    let truth = burst.light_electrons(reference(outcome));
    let scene = burst.scene();
    let range = f32::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn as f32;
    let green = &outcome.picture.image.planes[1];
    let mut errors = Vec::new();
    for top in (16..scene.size.height - 48).step_by(32) {
        for left in (16..scene.size.width - 48).step_by(32) {
            let is_sky = (top..top + 32).all(|y| burst.foreground().row(y)[left..left + 32].iter().all(|&a| a == 0.0));
            if !is_sky {
                continue;
            }
            let mut ratios: Vec<f32> = (0..32 * 32)
                .map(|k| (left + k % 32, top + k / 32))
                .filter(|(x, y)| (x + y) % 2 == 1)
                .map(|(x, y)| green.at(x, y) * range / truth.at(x, y) - 1.0)
                .collect();
            errors.push(median(&mut ratios).expect("green samples"));
        }
    }
    let level = median(&mut errors.clone()).expect("cells of sky");
    let mut sizes: Vec<f32> = errors.iter().map(|error| (error - level).abs()).collect();
    let largest = sizes.iter().copied().fold(0.0, f32::max);
    (SIGMA_PER_MAD * median(&mut sizes).expect("cells of sky"), largest)
}

#[test]
fn thin_cloud_is_weighted_down_and_thick_cloud_is_set_aside_with_the_figure() {
    let night = Night::with_lights(Scene { n_lights: N, clouds: clouds(), ..scene() });
    let outcome = run(&night.request());
    let frames = &outcome.report.frames;
    assert!(!frames[4].used, "thick cloud: {}", frames[4].reason);
    assert!(
        frames[4].reason.contains("clouded") && frames[4].reason.contains("% of the light"),
        "{}",
        frames[4].reason
    );
    assert!(
        frames[3].used && frames[3].reason.contains("clouded"),
        "thin cloud is used with a doubt: {}",
        frames[3].reason
    );
    for idx in [0, 1, 6, 7, 8] {
        assert!(frames[idx].used && frames[idx].reason.is_empty(), "frame {idx}: {}", frames[idx].reason);
    }
    // Seen through cloud of transparency t under a sky of s times the light: inverse variance t²/s, in units of a clear
    // frame; read noise and the land keep it from being exact.
    let clear = frames[0].weight;
    let share = |idx: usize| frames[idx].weight / clear;
    assert!((0.70..0.98).contains(&share(2)), "a veil: {}", share(2));
    assert!((0.18..0.45).contains(&share(3)), "thin cloud: {}", share(3));
    let (typical, largest) = unevenness(&outcome, &night.burst);
    assert!(typical < 0.006 && largest < 0.03, "the sky of the stack is off by {typical}, at most {largest}");
}

/// Green light of a star over its surroundings, or `None` near an edge; samples of the other colors are passed over.
fn starlight(green: &Plane<f32>, at: Point) -> Option<f64> {
    let (column, row) = (at.x.round() as usize, at.y.round() as usize);
    let inside = |place: usize, len: usize| (12..len - 12).contains(&place);
    if !inside(column, green.size().width) || !inside(row, green.size().height) {
        return None;
    }
    let (mut sum, mut n, mut around) = (0.0, 0.0, Vec::new());
    for y in row - 10..=row + 10 {
        for x in (column - 10..=column + 10).filter(|x| (x + y) % 2 == 1) {
            match at.distance(Point { x: x as f64, y: y as f64 }) {
                near if near < 5.0 => (sum, n) = (sum + f64::from(green.at(x, y)), n + 1.0),
                far if far > 7.0 => around.push(green.at(x, y)),
                _ => {}
            }
        }
    }
    Some(sum - n * f64::from(median(&mut around).expect("a ring has samples")))
}

#[test]
fn cloud_over_a_part_of_the_frame_takes_no_light_from_the_stars_behind_it() {
    let bank = |edge| Some(CloudBank { edge, lean: 0.2, softness: 0.3 });
    let cloud = |frame, edge| Cloud { frame, transparency: 0.5, veil: 0.5, bank: bank(edge) };
    let clouds = vec![cloud(1, 0.45), cloud(2, 0.5), cloud(3, 0.55), cloud(6, 0.6)];
    let size = Size { width: 960, height: 640 };
    let stars = Scene { n_stars: 6000, zero_point_electrons_per_sec: 30_000.0, ..sky_scene() };
    let night = Night::with_lights(Scene { n_lights: N, clouds, size, ..stars });
    let outcome = run(&night.request());
    let truth = night.burst.light_electrons(reference(&outcome));
    let scene = night.burst.scene();
    let range = f64::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn;
    let stars = night.burst.stars_in(reference(&outcome));
    let width = scene.size.width as f64;
    let light_of = |part: std::ops::Range<f64>| {
        let mut ratios: Vec<f32> = stars
            .iter()
            .filter(|star| part.contains(&(star.position.x / width)))
            .filter(|star| (3000.0..60_000.0).contains(&star.flux_electrons[1]))
            .filter_map(|star| {
                let stacked = starlight(&outcome.picture.image.planes[1], star.position)?;
                Some((stacked * range / starlight(&truth, star.position)?) as f32)
            })
            .collect();
        (median(&mut ratios).expect("stars"), ratios.len())
    };
    let (clear, clouded) = (light_of(0.0..0.3), light_of(0.7..1.0));
    println!("light of the stars: {clear:?} where it was clear, {clouded:?} behind the cloud");
    let ranges: Vec<_> = outcome.report.frames.iter().map(|frame| frame.scale_range).collect();
    println!("{ranges:?}");
    for idx in [1, 2, 3, 6] {
        let Some([least, most]) = outcome.report.frames[idx].scale_range else { panic!("frame {idx} is used") };
        assert!(most / least > 1.5, "frame {idx}, half of whose light is gone on one side: {least} to {most}");
    }
    for (light, n) in [clear, clouded] {
        assert!(n >= 12 && (light - 1.0).abs() < 0.02, "{n} stars have {light} of their light");
    }
    let (typical, largest) = unevenness(&outcome, &night.burst);
    assert!(typical < 0.006 && largest < 0.03, "the sky of the stack is off by {typical}, at most {largest}");
}

#[test]
fn a_rising_moon_leaves_no_trace_but_that_of_the_reference_frame() {
    let night = Night::with_lights(Scene { n_lights: N, moonlight: 1.2, glow_drift: 0.3, ..scene() });
    let outcome = run(&night.request());
    assert!(outcome.report.frames.iter().all(|frame| frame.used), "every frame is of use");
    let weights: Vec<f64> = outcome.report.frames.iter().map(|frame| frame.weight).collect();
    assert!(weights[N - 1] < 0.75 * weights[0], "moonlit frames count less: {weights:?}");
    let (typical, largest) = unevenness(&outcome, &night.burst);
    assert!(typical < 0.006 && largest < 0.03, "the sky of the stack is off by {typical}, at most {largest}");
    let noise = outcome.report.noise.expect("a mean");
    assert!(noise.gain / noise.ideal > 0.85, "changing light is not clipped away: {noise:?}");
}

#[test]
fn soft_frames_count_less_than_sharp_ones() {
    let night = Night::with_lights(scene());
    let equal = run(&night.request());
    let weights: Vec<f64> = equal.report.frames.iter().map(|frame| frame.weight).collect();
    assert!(weights.iter().all(|weight| (0.85..1.15).contains(weight)), "equal frames count alike: {weights:?}");
    let soft = Burst::new(Scene { psf_fwhm_px: 1.18 * scene().psf_fwhm_px, ..scene() });
    night.write(&crate::night::light_name(4), &soft.light(4));
    let outcome = run(&night.request());
    let weights: Vec<f64> = outcome.report.frames.iter().map(|frame| frame.weight).collect();
    let share = weights[4] / weights[0];
    assert!((0.62..0.88).contains(&share), "a frame softer by 18 % counts 1 / 1.39: {weights:?}");
}

#[test]
fn the_sky_tells_the_falloff_and_the_report_says_so() {
    // High above the horizon, where airglow and a town's light hardly bend.
    let pointing = Pointing { altitude_deg: 60.0, ..sky_scene().pointing };
    let scene = Scene { band: 0.0, glow: 0.3, pointing, ..sky_scene() };
    let night = Night::with_lights(scene.clone());
    let outcome = run(&night.request());
    let vignetting = &outcome.report.vignetting;
    assert_eq!(vignetting.source, FalloffSource::Sky, "{vignetting:?}");
    assert!(
        (vignetting.corner_loss - scene.vignetting).abs() < 0.04,
        "{} of {}",
        vignetting.corner_loss,
        scene.vignetting
    );
    assert!(outcome.picture.falloff.is_some(), "made up for in development");
    let lines = outcome.report.calibration_lines();
    assert!(lines.iter().any(|line| line.contains("% of the light in the corners, by the sky")), "{lines:?}");
    // The stack as measured is the same with it and without; a developed picture has light corners with it.
    let bytes = |space, vignetting| {
        let path = night.path("out.tif");
        let develop = DevelopSettings { space, vignetting, ..DevelopSettings::default() };
        let settings = ExportSettings { format: FileFormat::Tiff16, develop, ..ExportSettings::default() };
        pipeline::export(&Monitor::silent(), &outcome, &path, &settings).expect("room for a small picture");
        std::fs::read(&path).expect("just written")
    };
    let measured = [Vignetting::Auto, Vignetting::Off].map(|choice| bytes(OutputSpace::CameraLinear, choice));
    assert!(measured[0] == measured[1], "nothing but the flats given touches the stack as measured");
    let developed = [Vignetting::Auto, Vignetting::Off].map(|choice| bytes(OutputSpace::Srgb, choice));
    assert!(developed[0] != developed[1], "the choice counts where a picture is developed");
}

/// The scene of the sample frames: a ridge, airglow that thickens towards the horizon, a town behind it.
#[test]
fn the_falloff_is_told_by_a_sky_that_reaches_the_horizon() {
    for glow in [0.3, 1.7] {
        let scene = Scene { band: 0.0, glow, land: LandKind::Ridge, ..scene() };
        let outcome = run(&Night::with_lights(scene.clone()).request());
        let vignetting = &outcome.report.vignetting;
        println!("glow {glow}: {vignetting:?}");
        assert_eq!(vignetting.source, FalloffSource::Sky, "{vignetting:?}");
        let off = vignetting.corner_loss - scene.vignetting;
        assert!(off.abs() < 0.04, "{} of {}", vignetting.corner_loss, scene.vignetting);
        assert!(outcome.picture.falloff.is_some(), "made up for in development");
    }
}

#[test]
fn a_moonlit_sky_through_a_perfect_lens_has_no_falloff() {
    for moonlight in [0.8, 2.0] {
        let scene = Scene { band: 0.0, glow: 0.3, vignetting: 0.0, moonlight, land: LandKind::Ridge, ..scene() };
        let vignetting = run(&Night::with_lights(scene).request()).report.vignetting;
        println!("moonlight {moonlight}: {vignetting:?}");
        assert_eq!(vignetting.source, FalloffSource::None, "{vignetting:?}");
    }
}

#[test]
fn a_bright_band_of_the_galaxy_is_not_taken_for_the_falloff_and_the_report_says_why() {
    let outcome = run(&Night::with_lights(Scene { band: 1.6, glow: 0.3, vignetting: 0.0, ..sky_scene() }).request());
    let vignetting = &outcome.report.vignetting;
    assert_eq!(vignetting.source, FalloffSource::None, "{vignetting:?}");
    assert!(vignetting.remark.contains("unsure"), "{vignetting:?}");
    assert!(outcome.picture.falloff.is_none(), "the corners stay as they are");
    let lines = outcome.report.calibration_lines();
    assert!(lines.iter().any(|line| line.contains(&vignetting.remark)), "{lines:?}");
}

#[test]
fn a_saved_lens_profile_brings_the_falloff_of_the_flats_to_the_next_night() {
    let scene = Scene { n_lights: 8, interval_secs: 60.0, ..sky_scene() };
    let night = Night::with_lights(scene.clone());
    let flats = (0..4).map(|idx| night.write(&format!("flats/{idx}.dng"), &night.burst.flat(idx))).collect();
    let first = run(&Request { flats, ..night.request() });
    let path = night.path("lens.toml");
    pipeline::save_lens_profile(&first, &path).expect("the stars moved far");
    let second = run(&Request { lens_profile: Some(path.clone()), ..night.request() });
    let vignetting = &second.report.vignetting;
    assert_eq!(vignetting.source, FalloffSource::Profile, "{vignetting:?}");
    assert!((vignetting.corner_loss - scene.vignetting).abs() < 0.01, "{vignetting:?}");
    // At another aperture the profile's falloff is of no use, and that is said.
    let text = std::fs::read_to_string(&path).expect("just written").replace("aperture = 2.0", "aperture = 5.6");
    std::fs::write(&path, text).expect("our own file");
    let third = run(&Request { lens_profile: Some(path), ..night.request() });
    let vignetting = &third.report.vignetting;
    assert!(vignetting.remark.contains("f/5.6") && vignetting.source != FalloffSource::Profile, "{vignetting:?}");
}
