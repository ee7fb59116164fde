//! Longer exposures for the landscape, from the same tripod, a little out of place.

use nightsheaf::synthetic::{Burst, Knock, LandKind, Scene};

use crate::night::{Night, quiet_scene, written};

fn lights() -> Scene {
    Scene { glow_drift: 0.0, exposure_secs: 15.0, interval_secs: 16.5, ..quiet_scene(LandKind::Building, 8) }
}

/// Four frames of four times the exposure; the camera was touched before them.
fn longer() -> Scene {
    let knock = Some(Knock { from_frame: 0, rotation_deg: [0.04, -0.1, 0.03] });
    Scene { n_lights: 4, exposure_secs: 60.0, interval_secs: 66.0, knock, ..lights() }
}

#[test]
fn longer_exposures_make_the_land_cleaner_and_lamps_stay_as_bright() {
    let folder = written("longer", &Burst::new(longer()));
    let plain = Night::stacked("plain", lights(), &[]);
    let night = Night::stacked("with-longer", lights(), &[folder]);
    let report = &night.outcome.report;
    assert_eq!(report.frames.len(), 8, "the longer frames are none of the lights");
    for frame in &report.land {
        assert!(frame.used && frame.reason.is_empty(), "{frame:?}");
        assert!((frame.scale - 0.25).abs() < 0.005, "a quarter of its light: {frame:?}");
        // Four times the light at a sixteenth of the scaled variance, and less read noise beside it.
        assert!((3.5..5.5).contains(&frame.weight), "worth some four light frames: {frame:?}");
    }
    assert!(report.notes.iter().any(|note| note.contains("4 frames from")), "out of place: {:?}", report.notes);

    let land = night.deep(true, 8);
    let noise = |night: &Night| Night::sigma(&night.residual(night.stack()), &land);
    let (before, after) = (noise(&plain), noise(&night));
    // 240 s of light for 120 s would be √2 less. It is about 0.8 times: what is left against the truth also holds what
    // light does not lessen.
    assert!((0.5..0.85).contains(&(after / before)), "noise of the land {before} before, {after} after");

    // The lit windows are white in the longer frames and not in the lights.
    let (mut n_lamps, mut worst) = (0, 0.0_f32);
    for y in 20..night.land.height() - 20 {
        for x in (20..night.land.width() - 20).filter(|&x| land.contains(x, y)) {
            let truth = night.truth.planes[1].at(x, y);
            if truth > 0.26 {
                n_lamps += 1;
                worst = worst.max((night.stack().planes[1].at(x, y) / truth - 1.0).abs());
            }
        }
    }
    assert!(n_lamps > 100, "{n_lamps} pixels of lit windows");
    assert!(worst < 0.1, "a lamp differs by {worst} of its light");
    // The sky is that of the lights.
    let sky = night.deep(false, 12);
    let [with, without] = [&night, &plain].map(|night| Night::sigma(&night.residual(night.stack()), &sky));
    assert!((with / without - 1.0).abs() < 0.01, "noise of the sky {without} before, {with} after");
}
