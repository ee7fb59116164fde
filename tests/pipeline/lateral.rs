//! A lens that draws red larger and blue smaller than green: the stack puts them together again.

use std::sync::OnceLock;

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, MaskChoice, Outcome, Request};
use nightsheaf::pixels::{LinearImage, Point, Size};
use nightsheaf::synthetic::{Burst, LandKind, Lens, Scene, TrueStar};

use crate::sample::{mean, request, rms};
use crate::{green_stars, identified, stars_of_channel};

const SIZE: Size = Size { width: 1080, height: 720 };
const N_LIGHTS: usize = 6;

fn burst(lateral_scale: [f64; 3]) -> Burst {
    let sample = Scene::sample();
    Burst::new(Scene {
        size: SIZE,
        n_lights: N_LIGHTS,
        lens: Lens { lateral_scale, ..sample.lens },
        land: LandKind::None,
        movers: Vec::new(),
        shakes: Vec::new(),
        ..sample
    })
}

fn stacked(burst: &Burst) -> Outcome {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written");
    burst.write(folder.path(), 0).expect("room for a small burst");
    let request = Request {
        lights: pipeline::collect_frames(&[folder.path().to_owned()]).expect("just written"),
        mask: MaskChoice::None,
        keep_single: true,
        ..request()
    };
    pipeline::run(&Monitor::silent(), &request).expect("a clean burst stacks")
}

/// Red larger by 0.97 px in the corner, blue smaller by 0.65 px.
const COLORED: [f64; 3] = [1.0015, 1.0, 0.999];

fn colored() -> &'static (Burst, Outcome, usize) {
    static COLORED_STACK: OnceLock<(Burst, Outcome, usize)> = OnceLock::new();
    COLORED_STACK.get_or_init(|| {
        let burst = burst(COLORED);
        let outcome = stacked(&burst);
        let reference = outcome.report.frames.iter();
        let reference = reference.map(|frame| frame.file.file_name().map(|name| name.to_string_lossy().into_owned()));
        let reference =
            reference.into_iter().position(|name| name.as_deref() == Some(&*outcome.report.reference)).expect("one");
        (burst, outcome, reference)
    })
}

/// Radius from the optical axis and outward distance of a channel's star from green, for stars seen in both.
fn outward(image: &LinearImage, channel: usize, truth: &[TrueStar], axis: Point) -> Vec<(f64, f64)> {
    let colored = stars_of_channel(image, channel);
    (identified(&green_stars(image), truth).iter())
        .filter_map(|(green, _)| {
            let star = colored.iter().find(|star| star.snr > 25.0 && star.centroid.distance(green.centroid) < 2.0)?;
            let radius = green.centroid.distance(axis);
            let (x, y) = (green.centroid.x - axis.x, green.centroid.y - axis.y);
            let (dx, dy) = (star.centroid.x - green.centroid.x, star.centroid.y - green.centroid.y);
            Some((radius, (dx * x + dy * y) / radius.max(1.0)))
        })
        .collect()
}

/// Least squares through the axis: the relative scale less one.
fn stretch(points: &[(f64, f64)]) -> f64 {
    let (mut product, mut square) = (0.0, 0.0);
    for (radius, outward) in points {
        product += radius * outward;
        square += radius * radius;
    }
    product / square
}

#[test]
fn red_and_blue_stars_lie_on_green_ones_in_the_stack_to_the_corners() {
    let (burst, outcome, reference) = colored();
    let truth = burst.stars_in(*reference);
    let [dx, dy] = burst.scene().lens.center_offset_px;
    let center = SIZE.center();
    let axis = Point { x: center.x + dx, y: center.y + dy };
    let corner_px = center.distance(Point::default());
    let single = &outcome.single.as_ref().expect("the request asked for it").image;
    for (channel, scale) in [(0, COLORED[0]), (2, COLORED[2])] {
        let before = outward(single, channel, &truth, axis);
        let after = outward(&outcome.picture.image, channel, &truth, axis);
        assert!(before.len() > 20 && after.len() > 40, "{} and {} stars to compare", before.len(), after.len());
        let (true_px, before_px) = ((scale - 1.0) * corner_px, stretch(&before) * corner_px);
        let after_px = stretch(&after) * corner_px;
        let outer: Vec<f64> =
            after.iter().filter(|(radius, _)| *radius > 0.6 * corner_px).map(|(_, outward)| *outward).collect();
        // Demosaic borrows detail from green: what it draws of red lies between the two.
        assert!((0.3..1.0).contains(&(before_px / true_px)), "{before_px} px of {true_px} in one frame");
        assert!((after_px / true_px).abs() < 0.16, "channel {channel}: {after_px} px of {true_px} are left");
        assert!(after_px.abs() < 0.4 * before_px.abs(), "channel {channel}: {after_px} px after {before_px}");
        assert!(rms(&outer) < 0.18, "channel {channel}: {} px between colors towards the corners", rms(&outer));
    }
    let note = outcome.report.notes.iter().find(|note| note.contains("lateral color")).expect("what was found is told");
    for (name, scale) in [("red", COLORED[0]), ("blue", COLORED[2])] {
        let words: Vec<&str> = note.split_whitespace().collect();
        let place = words.iter().position(|word| *word == name).expect("both colors are told");
        let found_px: f64 = words[place + 2].parse().expect("a number after the name");
        let far_corner_px = corner_px + dx.hypot(dy);
        let ratio = found_px / ((scale - 1.0) * far_corner_px);
        assert!((ratio - 1.0).abs() < 0.06, "{name} is measured as {ratio} of what the lens does: {note}");
    }
}

/// Green alone tells the place of a star: a corrected lens must not move it, and the frame stays filled to its rim.
#[test]
fn green_and_the_rim_of_the_picture_do_not_suffer() {
    let (burst, outcome, reference) = colored();
    let image = &outcome.picture.image;
    let level = |channel: usize, y: usize| {
        mean(&image.planes[channel].row(y).iter().map(|&v| f64::from(v)).collect::<Vec<_>>())
    };
    for channel in 0..3 {
        for (rim, inside) in [(0, 12), (2, 14), (SIZE.height - 1, SIZE.height - 13)] {
            let ratio = level(channel, rim) / level(channel, inside);
            assert!(
                (ratio - 1.0).abs() < 0.15,
                "channel {channel}: row {rim} has {ratio} of the light of row {inside}"
            );
        }
    }
    let misses: Vec<f64> = identified(&green_stars(image), &burst.stars_in(*reference))
        .iter()
        .map(|(star, truth)| star.centroid.distance(truth.position))
        .collect();
    assert!(misses.len() > 50 && rms(&misses) < 0.15, "{} px over {} stars", rms(&misses), misses.len());
}

#[test]
fn a_lens_without_lateral_color_is_left_alone() {
    let outcome = stacked(&burst([1.0; 3]));
    let note = outcome.report.notes.iter().find(|note| note.contains("Lateral"));
    assert_eq!(note, None, "nothing to correct");
}
