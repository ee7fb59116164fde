//! One folder with everything in it, and frames that do not belong.

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, FrameKind, MeasureRequest, Verdict, collect_frames};
use nightsheaf::raw::RawFrame;

use crate::night::{Night, notes_with, run, scene};

fn of_other_camera(mut frame: RawFrame) -> RawFrame {
    frame.metadata.model = Some("Borrowed Two".to_owned());
    frame
}

fn of_other_exposure(mut frame: RawFrame) -> RawFrame {
    frame.metadata.exposure_secs = Some(4.0);
    frame.metadata.iso = Some(6400);
    frame
}

/// Lights with darks, flats and bias frames among them, none named for what it is. The first frame is of another
/// camera, and one light was taken with other settings.
fn everything() -> Night {
    let night = Night::with_lights(scene());
    let burst = &night.burst;
    night.write("a-000.dng", &of_other_camera(burst.light(0)));
    night.write("a-001.dng", &of_other_exposure(burst.light(1)));
    for idx in 0..3 {
        night.write(&format!("z-dark-less-{idx}.dng"), &burst.dark(idx));
        night.write(&format!("m-{idx}.dng"), &burst.flat(idx));
        night.write(&format!("k-{idx}.dng"), &burst.bias(idx));
    }
    night
}

#[test]
fn a_folder_with_everything_in_it_is_sorted_by_metadata_and_content() {
    let night = everything();
    let lights = collect_frames(&[night.folder().to_owned()]).expect("seventeen frames");
    assert_eq!(lights.len(), 17, "all in one folder");
    let request = pipeline::Request { lights: lights.clone(), ..night.request() };
    let outcome = run(&request);
    let report = &outcome.report;
    let used: Vec<String> = report
        .frames
        .iter()
        .filter(|frame| frame.used)
        .map(|frame| frame.file.file_name().expect("a file").to_string_lossy().into_owned())
        .collect();
    let expected: Vec<String> = (0..6).map(crate::night::light_name).collect();
    assert_eq!(used, expected, "the six lights of the burst");
    let reason = |name: &str| {
        let frame = report.frames.iter().find(|frame| frame.file.ends_with(name)).expect("a light frame");
        frame.reason.clone()
    };
    assert!(reason("a-000.dng").contains("Borrowed Two"), "the odd camera, though first: {}", reason("a-000.dng"));
    let settings = reason("a-001.dng");
    assert!(settings.contains("4 s at ISO 6400") && settings.contains("16 s at ISO 3200"), "{settings}");
    let masters: Vec<(&str, usize)> = report.masters.iter().map(|made| (made.kind.as_str(), made.frames)).collect();
    assert_eq!(masters, [("bias", 3), ("dark", 3), ("flat", 3)], "all kinds are found: {:?}", report.notes);
    for (kind, name) in [("dark", "z-dark-less-0.dng"), ("flat", "m-1.dng"), ("bias", "k-2.dng")] {
        assert_eq!(notes_with(&outcome, &[&format!("3 {kind} frames"), name]).len(), 1, "{:?}", report.notes);
    }
    // The window measures before anything is stacked: it shows the same.
    let request = MeasureRequest {
        lights: lights.clone(),
        decoder_program: request.decoder_program.clone(),
        ..MeasureRequest::default()
    };
    let findings = pipeline::measure(&Monitor::silent(), &request, |_, _| {}).expect("frames to measure");
    let found: Vec<_> = findings.iter().map(|finding| finding.path.clone()).collect();
    assert_eq!(found, lights, "a finding for each frame, in the order given");
    let kinds = |kind| findings.iter().filter(|finding| finding.kind == kind).count();
    let counts = [FrameKind::Light, FrameKind::Dark, FrameKind::Flat, FrameKind::Bias].map(kinds);
    assert_eq!(counts, [8, 3, 3, 3], "lights, darks, flats, bias");
    for finding in &findings {
        let is_good = finding.path.file_name().expect("a file").to_string_lossy().starts_with("night");
        assert_eq!(finding.verdict == Verdict::SetAside, !is_good, "{}: {}", finding.path.display(), finding.reason);
        assert_eq!(finding.reason.is_empty(), is_good, "a reason for each: {}", finding.path.display());
    }
}

#[test]
fn darks_before_between_and_after_the_lights_are_all_found() {
    let night = Night::with_lights(scene());
    let dark = |name: &str, idx| night.write(name, &night.burst.dark(idx));
    let darks = [dark("a.dng", 0), dark("night-003b.dng", 1), dark("z.dng", 2)];
    let mut lights = night.lights();
    lights.extend(darks);
    lights.sort();
    let outcome = run(&pipeline::Request { lights, ..night.request() });
    let used = outcome.report.frames.iter().filter(|frame| frame.used).count();
    assert_eq!((used, outcome.report.frames.len()), (6, 6), "the lights alone: {:?}", outcome.report.notes);
    assert_eq!(outcome.report.masters[0].frames, 3, "{:?}", outcome.report.masters);
}

#[test]
fn given_calibration_frames_that_do_not_agree_are_named_and_the_fitting_ones_are_taken() {
    let night = Night::with_lights(scene());
    let burst = &night.burst;
    let dark = |name: &str, change: fn(&mut RawFrame)| {
        let mut frame = burst.dark(0);
        change(&mut frame);
        night.write(name, &frame)
    };
    let darks = vec![
        dark("darks/other.dng", |frame| frame.metadata.model = Some("Borrowed Two".to_owned())),
        dark("darks/long-1.dng", |frame| frame.metadata.exposure_secs = Some(60.0)),
        dark("darks/long-2.dng", |frame| frame.metadata.exposure_secs = Some(60.0)),
        dark("darks/high.dng", |frame| frame.metadata.iso = Some(12_800)),
        dark("darks/right.dng", |_| {}),
    ];
    let outcome = run(&pipeline::Request { darks: darks.clone(), ..night.request() });
    let masters = &outcome.report.masters;
    assert_eq!(masters.len(), 1, "{masters:?}");
    assert_eq!((masters[0].frames, masters[0].setting.as_str()), (1, "16 s at ISO 3200"), "the one that fits");
    for words in [
        ["other.dng", "Borrowed Two", "Corrie One"],
        ["2 dark frames of 60 s at ISO 3200", "long-1.dng, long-2.dng", "16 s at ISO 3200"],
        ["1 dark frames of 16 s at ISO 12800", "high.dng", "left out"],
    ] {
        assert_eq!(notes_with(&outcome, &words).len(), 1, "{words:?} in {:?}", outcome.report.notes);
    }
    // Alone, the long ones are used: as they are, and scaled where bias frames tell what does not grow with time.
    let long = pipeline::Request { darks: darks[1..3].to_vec(), ..night.request() };
    let outcome = run(&long);
    assert_eq!(notes_with(&outcome, &["exposed 60 s", "16 s", "used as it is"]).len(), 1, "{:?}", outcome.report.notes);
    let bias = (0..2).map(|idx| night.write(&format!("bias/{idx}.dng"), &burst.bias(idx))).collect();
    let outcome = run(&pipeline::Request { bias, ..long });
    assert_eq!(notes_with(&outcome, &["exposed 60 s", "16 s", "scaled"]).len(), 1, "{:?}", outcome.report.notes);
}

#[test]
fn frames_of_a_folder_named_darks_that_show_light_are_left_out_by_name() {
    let night = Night::with_lights(scene());
    night.write("darks/cap-off.dng", &night.burst.light(2));
    night.write("darks/good.dng", &night.burst.dark(0));
    let gathered = pipeline::gather_frames(&[night.folder().to_owned()]).expect("frames");
    assert_eq!((gathered.lights.len(), gathered.calibration.len()), (6, 2), "by the names of the folders");
    let outcome = run(&pipeline::Request { beside: gathered.calibration, ..night.request() });
    assert_eq!(notes_with(&outcome, &["cap-off.dng", "shows light"]).len(), 1, "{:?}", outcome.report.notes);
    assert_eq!(outcome.report.masters[0].frames, 1, "the good one");
}

#[test]
fn a_warm_dark_is_used_and_said() {
    let night = Night::with_lights(nightsheaf::synthetic::Scene { temperature_celsius: Some(2.0), ..scene() });
    let mut warm = night.burst.dark(0);
    warm.metadata.temperature_celsius = Some(21.0);
    let darks = vec![night.write("darks/warm.dng", &warm)];
    let outcome = run(&pipeline::Request { darks, ..night.request() });
    let said = notes_with(&outcome, &["21 °C where the light frames have 2 °C"]);
    assert_eq!((said.len(), outcome.report.masters.len()), (1, 1), "{:?}", outcome.report.notes);
}
