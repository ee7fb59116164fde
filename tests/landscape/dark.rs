//! A landscape without any light of its own tells nothing of the tripod, and the report says so.

use std::sync::Arc;

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, ForegroundMask, MaskChoice, Report, Request, TripodFinding};
use nightsheaf::pixels::{Mask, Plane};
use nightsheaf::synthetic::{Burst, LandKind, Scene};

use crate::night::{quiet_scene, written};
use crate::sample::request;

/// Of a burst with land so bright, masked so that the edge against the sky, which is seen in any dark, is no part of
/// the land.
fn stacked(name: &str, land_brightness: f64) -> Report {
    let burst = Burst::new(Scene { land_brightness, ..quiet_scene(LandKind::Ridge, 4) });
    let sky = Mask(burst.foreground().map(|alpha| alpha < 0.999));
    let inner = sky.grow(12).0;
    let mask = ForegroundMask(Plane::from_fn(inner.size(), |x, y| if inner.at(x, y) { 0.0 } else { 1.0 }));
    let request = Request {
        lights: pipeline::collect_frames(&[written(name, &burst)]).expect("just written"),
        mask: MaskChoice::Given(Arc::new(mask)),
        ..request()
    };
    pipeline::run(&Monitor::silent(), &request).expect("the burst stacks").report
}

#[test]
fn a_landscape_too_dark_to_tell_whether_the_tripod_moved_is_said_to_be_so() {
    const WORDS: &str = "the landscape is too dark to tell whether the tripod moved";
    let black = stacked("black", 0.0);
    assert_eq!(black.tripod, Some(TripodFinding::TooDark), "{:?}", black.notes);
    assert!(black.notes.iter().any(|note| note.starts_with(WORDS)), "{:?}", black.notes);
    let lit = stacked("lit", 1.3);
    assert_eq!(lit.tripod, Some(TripodFinding::Still), "{:?}", lit.notes);
    assert!(!lit.notes.iter().any(|note| note.starts_with(WORDS)), "{:?}", lit.notes);
}
