//! The masks that whole runs found and used, against the exact ones.

use nightsheaf::synthetic::{LandKind, Scene};

use crate::mask_scenes::{FULL_WIDTH, KINDS, mask_error, scene};
use crate::night::{Night, night_of, quiet_scene};

/// As the proposals alone in `tests/foreground.rs`, with the registration that the stars gave; distances at 24
/// megapixels.
#[allow(clippy::print_stdout, reason = "the figures are the result")]
fn check(kind: LandKind, night: &Night) {
    let (name, _) = KINDS.into_iter().find(|(_, other)| *other == kind).expect("every kind has a name");
    let used = night.outcome.foreground.as_deref().expect("the run found land");
    let error = mask_error(used, &night.land);
    let confidence = night.outcome.found.as_ref().expect("it was found").confidence;
    let scale = FULL_WIDTH / used.size().width as f64;
    let [middle, most] = error.edge_px.expect("both have an edge").map(|px| px * scale);
    println!(
        "| {name} | {:.4} | {middle:.2} | {most:.2} | {:.3} | {confidence:.2} |",
        error.overlap, error.weight_percent
    );
    assert!(error.overlap >= 0.97, "{name}: {error:?}");
    assert!(middle <= 3.0 && most <= 12.0, "{name}: the edge is off by {middle:.2} and {most:.2} px");
}

#[test]
fn a_run_uses_a_mask_with_the_true_edge() {
    for kind in [LandKind::Ridge, LandKind::Silhouette, LandKind::Bright, LandKind::Lake] {
        check(kind, night_of(kind));
    }
}

#[test]
fn a_run_finds_houses_and_what_fades_in_haze() {
    for kind in [LandKind::Building, LandKind::Haze] {
        check(kind, night_of(kind));
    }
}

/// Twigs thinner than a pixel need pixels: twice those of the other scenes along each edge.
#[test]
fn a_run_finds_trees() {
    let quiet = quiet_scene(LandKind::Trees, 9);
    let trees = Scene { movers: quiet.movers, ..scene(LandKind::Trees, 2000, 9) };
    check(LandKind::Trees, &Night::stacked("trees-2000", trees, &[]));
}
