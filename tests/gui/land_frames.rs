//! Frames for the landscape alone, and what is said of the tripod.

use super::*;

#[test]
fn frames_for_the_landscape_are_chosen_counted_and_given_up() {
    let mut harness = stage(State { unfolded: vec![Section::Landscape], ..night() }, column::show);
    harness.get_by_label("Made from the light frames");
    assert!(harness.query_by_label("Without frames for the landscape").is_none(), "there are none to do without");
    press(&mut harness, "Choose frames for the landscape");
    press(&mut harness, "Choose a folder of frames for the landscape");
    let expected = [Action::ChooseLandFrames { folder: false }, Action::ChooseLandFrames { folder: true }];
    assert_eq!(harness.state().asked, expected, "one press each");

    let mut state = State { unfolded: vec![Section::Frames, Section::Landscape], ..night() };
    state.sheaf.calibration.land = vec![PathBuf::from("night-004.dng"), PathBuf::from("long.dng")];
    let refused = LandFrameReport {
        file: PathBuf::from("long.dng"),
        used: false,
        reason: "taken with another camera".to_owned(),
        scale: 0.0,
        weight: 0.0,
    };
    state.report = Some(Report { land: vec![refused], ..Report::default() });
    assert_eq!(frames::summary(&state.sheaf), "2 of 4 used", "one is shaken, one for the landscape alone");
    let mut harness = stage(state, column::show);
    harness.get_by_label("Made from 2 frames of its own");
    harness.get_by_label("Not used: long.dng: taken with another camera");
    harness.get_by_label("List: night-004.dng, for the landscape alone");
    press(&mut harness, "Without frames for the landscape");
    assert_eq!(harness.state().asked, [Action::ClearLandFrames], "one press");
}

#[test]
fn the_landscape_tells_whether_the_tripod_moved() {
    for (tripod, words) in [
        (TripodFinding::Still, "The tripod stood still"),
        (TripodFinding::Knocked, "The tripod was knocked: the landscape was brought back"),
        (TripodFinding::TooDark, "The landscape is too dark to tell whether the tripod moved"),
        (TripodFinding::TooLittle, "There is too little landscape to tell whether the tripod moved"),
    ] {
        let report = Some(Report { tripod: Some(tripod), ..Report::default() });
        let mut harness = stage(State { unfolded: vec![Section::Landscape], report, ..night() }, column::show);
        harness.run();
        harness.get_by_label(words);
    }
}
