//! The mask alone is the mask of a run.

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, MaskChoice, Request};
use nightsheaf::synthetic::{Burst, Knock, LandKind, Scene};

use crate::night::{quiet_scene, written};
use crate::sample::request;

/// A mask proposed by itself and the one that a run used, the same to the last byte when written.
fn check(name: &str, scene: Scene) -> pipeline::MaskProposal {
    let folder = written(name, &Burst::new(scene));
    let lights = pipeline::collect_frames(std::slice::from_ref(&folder)).expect("just written");
    let request = Request { lights, mask: MaskChoice::Auto, ..request() };
    let monitor = Monitor::silent();
    let outcome = pipeline::run(&monitor, &request).expect("the burst stacks");
    let alone = pipeline::propose_mask(&monitor, &request).expect("the burst is read");
    let used = outcome.foreground.as_deref().expect("there is land");
    let n_other = used.0.samples().iter().zip(alone.proposal.mask.0.samples()).filter(|(a, b)| a != b).count();
    assert_eq!(n_other, 0, "{n_other} pixels of {name} differ");
    let found = outcome.found.as_ref().expect("it was found");
    assert_eq!((found.confidence, &found.doubts), (alone.proposal.confidence, &alone.proposal.doubts), "{name}");
    let (of_run, of_mask) = (folder.join("of-run.png"), folder.join("of-mask.png"));
    pipeline::save_outcome_mask(&monitor, &outcome, &of_run).expect("room for a mask");
    pipeline::save_mask(&monitor, &of_mask, &alone.proposal.mask, alone.orientation).expect("room for a mask");
    let bytes = |path| std::fs::read(path).expect("just written");
    assert!(bytes(of_run) == bytes(of_mask), "{name}: the files differ");
    alone
}

#[test]
fn after_a_knock_of_the_tripod_the_mask_alone_is_that_of_a_run() {
    let knock = Some(Knock { from_frame: 4, rotation_deg: [0.3, 0.6, 0.05] });
    let alone = check("alone-knocked", Scene { knock, ..quiet_scene(LandKind::Ridge, 9) });
    let told = &alone.tripod_notes;
    assert!(told.len() == 1 && told[0].contains("the tripod was knocked"), "it was: {told:?}");
}

#[test]
fn where_lamps_were_taken_for_stars_the_mask_alone_is_that_of_a_run() {
    let alone = check("alone-lamps", quiet_scene(LandKind::Building, 6));
    assert!(alone.tripod_notes.is_empty(), "nobody touched it: {:?}", alone.tripod_notes);
}
