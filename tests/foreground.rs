//! The proposed foreground of invented bursts of every kind, against their exact masks.
//!
//! Edge distances are told for the 24-megapixel frame: a frame of 1200 columns counts each of its pixels
//! five times. `docs/foreground.md` has the figures for larger frames.

#[allow(dead_code, reason = "the table of the documentation uses the rest")]
#[path = "support/mask_scenes.rs"]
mod mask_scenes;

use mask_scenes::{FULL_WIDTH, KINDS, MaskError, mask_error, propose_for, scene, with_strokes};
use nightsheaf::foreground::{Proposal, Stroke, StrokeSide};
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{Mask, Orientation, Point, Rect};
use nightsheaf::synthetic::{Burst, LandKind, Scene};

const WIDTH: usize = 1200;
const N_LIGHTS: usize = 9;

fn proposed(scene: Scene) -> (Burst, Proposal) {
    let burst = Burst::new(scene);
    let proposal = propose_for(&burst);
    (burst, proposal)
}

/// The proposal must be as good as the design asks: overlap, and the edge at 24 megapixels.
fn check(scene: Scene, least_overlap: f64) -> MaskError {
    let scale = FULL_WIDTH / scene.size.width.max(scene.size.height) as f64;
    let (burst, proposal) = proposed(scene);
    let error = mask_error(&proposal.mask, burst.foreground());
    let [middle, most] = error.edge_px.expect("both masks have an edge").map(|px| px * scale);
    assert!(error.overlap >= least_overlap, "{error:?}, {:?}", proposal.notes);
    assert!(middle <= 3.0 && most <= 12.0, "edge {middle:.2} and {most:.2} px at 24 Mpix, {:?}", proposal.notes);
    assert!(proposal.confidence > 0.7, "confidence {}", proposal.confidence);
    error
}

#[test]
fn a_ridge_is_found_to_a_pixel() {
    check(scene(LandKind::Ridge, WIDTH, N_LIGHTS), 0.99);
}

#[test]
fn a_silhouette_is_found_to_a_pixel() {
    check(scene(LandKind::Silhouette, WIDTH, N_LIGHTS), 0.99);
}

#[test]
fn land_brighter_than_the_sky_is_found() {
    check(scene(LandKind::Bright, WIDTH, N_LIGHTS), 0.99);
}

#[test]
fn still_water_that_mirrors_stars_is_land() {
    check(scene(LandKind::Lake, WIDTH, N_LIGHTS), 0.99);
}

#[test]
fn a_house_with_lit_windows_is_land_as_a_whole() {
    check(scene(LandKind::Building, WIDTH, N_LIGHTS), 0.99);
}

#[test]
fn a_ridge_in_haze_is_found_where_it_fades() {
    check(scene(LandKind::Haze, WIDTH, N_LIGHTS), 0.98);
}

/// Twigs thinner than a pixel need pixels: half as wide again as the other scenes.
#[test]
fn branches_are_soft_and_the_sky_between_them_is_sky() {
    let error = check(scene(LandKind::Trees, 1500, N_LIGHTS), 0.97);
    assert!(error.weight_percent < 0.8, "{error:?}");
}

#[test]
fn a_frame_held_upright_by_a_quarter_turn_is_as_good() {
    // The camera still looks at the horizon level; only the tag tells another down, which must do no harm.
    let turned = Scene { orientation: Orientation::Rotate90, ..scene(LandKind::Ridge, WIDTH, N_LIGHTS) };
    check(turned, 0.99);
}

#[test]
fn no_landscape_is_said_so() {
    let (_, proposal) = proposed(scene(LandKind::None, WIDTH, N_LIGHTS));
    assert_eq!(proposal.foreground_fraction(), 0.0, "all sky");
    assert!(proposal.confidence > 0.9, "confidence {}", proposal.confidence);
    assert!(proposal.notes.iter().any(|note| note.contains("no landscape")), "{:?}", proposal.notes);
}

#[test]
fn nothing_but_landscape_is_said_so() {
    let (_, proposal) = proposed(scene(LandKind::Only, WIDTH, N_LIGHTS));
    assert_eq!(proposal.foreground_fraction(), 1.0, "all land");
    assert!(proposal.notes.iter().any(|note| note.contains("only landscape")), "{:?}", proposal.notes);
    // As it is with real frames: without stars they cannot be matched.
    let unmatched = mask_scenes::propose_unregistered(&Burst::new(scene(LandKind::Only, WIDTH, N_LIGHTS)));
    assert!(unmatched.confidence > 0.9, "rough all over: {}, {:?}", unmatched.confidence, unmatched.notes);
}

/// A bite out of the proposed land and one out of the sky are mended by a stroke each.
#[test]
fn strokes_are_hints_that_find_the_edge_again() {
    let (burst, proposal) = proposed(scene(LandKind::Silhouette, WIDTH, N_LIGHTS));
    let truth = burst.foreground();
    let top = |x: usize| (0..truth.height()).find(|&y| truth.at(x, y) > 0.5).expect("land in every column");
    let disc = |x: usize, dy: f64, radius_px: f64, side| Stroke {
        points: vec![Point { x: x as f64, y: top(x) as f64 + dy }],
        radius_px,
        side,
    };
    let mut spoiled = proposal.mask.clone();
    for stroke in [disc(300, 10.0, 40.0, StrokeSide::Sky), disc(900, -10.0, 40.0, StrokeSide::Land)] {
        spoiled.paint(&Monitor::silent(), &stroke).expect("nobody cancels");
    }
    let before = mask_error(&spoiled, truth);
    let strokes = [disc(300, 20.0, 6.0, StrokeSide::Land), disc(900, -20.0, 6.0, StrokeSide::Sky)];
    let mended = proposal.guide.solve(&Monitor::silent(), spoiled, &strokes).expect("nobody cancels");
    let after = mask_error(&mended, truth);
    assert!(before.overlap < 0.985, "spoiled: {before:?}");
    assert!(after.overlap > 0.995, "mended: {after:?}, it was {before:?}");
    let [_, most] = after.edge_px.expect("both have an edge");
    assert!(most < 4.0, "the edge snaps to the real one: {after:?}");
}

/// Places along the top of the land, `step_px` apart, each up to `off_px` above or below it.
fn rough_horizon(truth: &nightsheaf::pixels::Plane<f32>, step_px: usize, off_px: f64) -> Vec<Point> {
    let top = |x: usize| (0..truth.height()).find(|&y| truth.at(x, y) > 0.5).expect("land in every column");
    let last = truth.width() - 1;
    (0..=last / step_px)
        .map(|idx| (idx * step_px).min(last))
        .chain([last])
        .map(|x| Point { x: x as f64, y: top(x) as f64 + off_px * (x as f64 * 0.7).sin() })
        .collect()
}

/// The frames were never registered, so all was taken for land: the horizon is drawn by hand, and roughly.
#[test]
fn a_horizon_drawn_roughly_snaps_to_the_real_edge() {
    let burst = Burst::new(scene(LandKind::Silhouette, WIDTH, 4));
    let proposal = mask_scenes::propose_unregistered(&burst);
    assert_eq!(proposal.foreground_fraction(), 1.0, "nothing was seen to move");
    let truth = burst.foreground();
    let line = rough_horizon(truth, 20, 8.0);
    let mut drawn = proposal.mask.clone();
    drawn.fill_below(&Monitor::silent(), &line, Orientation::Normal).expect("nobody cancels");
    let snapped = proposal.guide.snap(&Monitor::silent(), drawn.clone(), &line, 20.0).expect("nobody cancels");
    let (before, after) = (mask_error(&drawn, truth), mask_error(&snapped, truth));
    let [middle, most] = after.edge_px.expect("both have an edge");
    assert!(after.overlap > 0.985 && after.overlap > before.overlap, "drawn {before:?}, snapped {after:?}");
    assert!(middle < 1.0 && most < 6.0, "drawn {before:?}, snapped {after:?}");
    // Beyond the reach nothing changes.
    for (x, y) in [(10, 10), (600, 5), (600, 795)] {
        assert_eq!(snapped.0.at(x, y), drawn.0.at(x, y), "at {x}, {y}");
    }
}

#[test]
fn a_low_confidence_names_places_of_doubt_inside_the_frame() {
    // Every one of these has a smooth part that may be sky.
    for kind in [LandKind::Ridge, LandKind::Haze, LandKind::Bright] {
        let confidence = mask_scenes::propose_unregistered(&Burst::new(scene(kind, WIDTH, 4))).confidence;
        assert!(confidence < 0.7, "{kind:?}: confidence {confidence}");
    }
    let burst = Burst::new(scene(LandKind::Silhouette, WIDTH, 4));
    let proposal = mask_scenes::propose_unregistered(&burst);
    assert!(proposal.confidence < 0.7, "confidence {}", proposal.confidence);
    let doubt = proposal.doubts.first().expect("a place to look at");
    let size = burst.scene().size;
    assert!(doubt.rect.x + doubt.rect.size.width <= size.width, "{doubt:?}");
    assert!(doubt.rect.y + doubt.rect.size.height <= size.height, "{doubt:?}");
}

/// Few stars tell little, however clear the edge: the program still says where a stroke would help.
#[test]
fn few_stars_ask_for_a_stroke_on_the_edge() {
    for kind in [LandKind::Ridge, LandKind::Silhouette, LandKind::None] {
        let (burst, proposal) = proposed(few_stars(kind));
        let n_stars = burst.stars_in(N_LIGHTS / 2).iter().filter(|star| star.hidden < 0.01).count();
        assert!(proposal.confidence < 0.7, "{kind:?}, {n_stars} stars: confidence {}", proposal.confidence);
        assert!(proposal.foreground_fraction() < 0.9, "{kind:?}: the stars were seen: {:?}", proposal.notes);
        assert!(!proposal.doubts.is_empty(), "{kind:?}: confidence {} and no place", proposal.confidence);
        for doubt in &proposal.doubts {
            assert!(doubt.confidence < 0.7, "{kind:?}: it is shown: {doubt:?}");
            let Rect { x, y, size } = doubt.rect;
            let inside = (y..y + size.height).flat_map(|y| proposal.mask.0.row(y)[x..x + size.width].iter());
            let (low, high) = inside.fold((1.0_f32, 0.0_f32), |(low, high), &alpha| (low.min(alpha), high.max(alpha)));
            assert!(kind == LandKind::None || (low < 0.5 && high >= 0.5), "{kind:?}: {doubt:?} holds no edge");
        }
    }
}

/// A hazy or moonlit sky in which some eight stars are seen.
fn few_stars(kind: LandKind) -> Scene {
    Scene { n_stars: 12, faintest_magnitude: 3.5, ..scene(kind, WIDTH, N_LIGHTS) }
}

/// Of two proposals the one that is measurably worse is told with less confidence.
#[test]
#[allow(clippy::print_stdout, reason = "the figures are the result")]
fn confidence_ranks_the_scenes_as_their_errors_do() {
    let mut found: Vec<(String, f64, f64)> = Vec::new();
    let mut add = |name: String, burst: &Burst, proposal: &Proposal| {
        let error = mask_error(&proposal.mask, burst.foreground());
        println!(
            "{name}: confidence {:.3}, weight error {:.3} %, overlap {:.4}, edge {:.2?}",
            proposal.confidence, error.weight_percent, error.overlap, error.edge_px
        );
        found.push((name, proposal.confidence, error.weight_percent));
    };
    for (name, kind) in KINDS {
        let (burst, proposal) = proposed(scene(kind, WIDTH, N_LIGHTS));
        add(name.to_owned(), &burst, &proposal);
    }
    for kind in [LandKind::Ridge, LandKind::Haze, LandKind::Trees] {
        let burst = Burst::new(scene(kind, WIDTH, 4));
        add(format!("{kind:?} unmatched"), &burst, &mask_scenes::propose_unregistered(&burst));
    }
    let mut n_pairs = 0;
    for (worse, confidence, error) in &found {
        for (better, better_confidence, better_error) in &found {
            // Twice the error, and more than a twentieth of a percent of the frame: half a pixel of this edge.
            if *error > 2.0 * better_error && *error > 0.05 {
                n_pairs += 1;
                assert!(
                    confidence < better_confidence,
                    "{worse}, off by {error:.3} %, is told with {confidence:.3}; {better}, off by {better_error:.3} %, \
                     with {better_confidence:.3}"
                );
            }
        }
    }
    assert!(n_pairs > 30, "{n_pairs} pairs of scenes that differ");
}

/// Where the program asks for a stroke the edge is worse than elsewhere.
#[test]
#[allow(clippy::print_stdout, reason = "the figures are the result")]
fn places_of_doubt_are_the_worst_of_the_edge() {
    for kind in [LandKind::Haze, LandKind::Trees] {
        let (burst, proposal) = proposed(scene(kind, WIDTH, N_LIGHTS));
        let truth = burst.foreground();
        let is_doubtful = |x: usize, y: usize| {
            let inside = |first: usize, len: usize, at: usize| (first..first + len).contains(&at);
            let doubts = proposal.doubts.iter().map(|doubt| doubt.rect);
            doubts.into_iter().any(|rect| inside(rect.x, rect.size.width, x) && inside(rect.y, rect.size.height, y))
        };
        // The edge with what lies within eight pixels of it.
        let edge = Mask(truth.map(|alpha| alpha > 0.02 && alpha < 0.98)).grow(8);
        let (mut sums, mut counts) = ([0.0_f64; 2], [0_usize; 2]);
        for (x, y) in (0..truth.height()).flat_map(|y| (0..truth.width()).map(move |x| (x, y))) {
            if edge.contains(x, y) {
                let side = usize::from(is_doubtful(x, y));
                sums[side] += f64::from((proposal.mask.0.at(x, y) - truth.at(x, y)).abs());
                counts[side] += 1;
            }
        }
        let [elsewhere, there] = [0, 1].map(|side| 100.0 * sums[side] / counts[side].max(1) as f64);
        println!("{kind:?}: {there:.2} % of weight wrong at {} px of doubt, {elsewhere:.2} % elsewhere", counts[1]);
        assert!(counts[1] > 500, "{kind:?}: {} pixels of the edge are doubtful", counts[1]);
        assert!(
            there > elsewhere,
            "{kind:?}: {there:.3} % is wrong where a stroke is asked for, {elsewhere:.3} % elsewhere"
        );
    }
}

/// Three strokes, each through the part that is most wrong, mend a proposal and one that missed a part of the land.
#[test]
fn three_strokes_bring_a_rough_mask_to_the_edge() {
    for kind in [LandKind::Haze, LandKind::Building, LandKind::Bright] {
        let burst = Burst::new(scene(kind, WIDTH, N_LIGHTS));
        let proposal = propose_for(&burst);
        let mended = mask_error(&with_strokes(&proposal, burst.foreground(), 3), burst.foreground());
        assert!(mended.overlap >= 0.99, "{kind:?}: {mended:?}");
        // And from a proposal that missed a part of the land.
        let mut spoiled = proposal.clone();
        let size = burst.scene().size;
        let bite = Point { x: 0.3 * size.width as f64, y: 0.95 * size.height as f64 };
        let bite = Stroke { points: vec![bite], radius_px: 120.0, side: StrokeSide::Sky };
        spoiled.mask.paint(&Monitor::silent(), &bite).expect("nobody cancels");
        let before = mask_error(&spoiled.mask, burst.foreground());
        let mended = mask_error(&with_strokes(&spoiled, burst.foreground(), 3), burst.foreground());
        assert!(before.overlap < 0.97 && mended.overlap >= 0.99, "{kind:?}: from {before:?} to {mended:?}");
    }
}
