//! A knock against the tripod after frame 6.

use nightsheaf::pixels::{LinearImage, Plane};
use nightsheaf::synthetic::{Knock, LandKind, Scene};

use crate::night::{Night, quiet_scene};

fn knocked(name: &str, rotation_deg: [f64; 3]) -> Night {
    let knock = Some(Knock { from_frame: 6, rotation_deg });
    Night::stacked(name, Scene { knock, ..quiet_scene(LandKind::Ridge, 11) }, &[])
}

/// How strongly an image follows the fine detail of the true land; 1.0 is all of it.
fn detail(night: &Night, image: &LinearImage) -> f64 {
    let (image, truth) = (smoothed(&image.planes[1]), smoothed(&night.truth.planes[1]));
    let deep = night.deep(true, 12);
    let second_difference = |plane: &Plane<f32>, x: usize, y: usize| {
        let around = plane.at(x - 1, y) + plane.at(x + 1, y) + plane.at(x, y - 1) + plane.at(x, y + 1);
        f64::from(4.0 * plane.at(x, y) - around)
    };
    let (mut together, mut alone, mut n) = (0.0, 0.0, 0);
    for y in 12..image.height() - 12 {
        for x in (12..image.width() - 12).filter(|&x| deep.contains(x, y)) {
            let true_detail = second_difference(&truth, x, y);
            together += second_difference(&image, x, y) * true_detail;
            alone += true_detail * true_detail;
            n += 1;
        }
    }
    assert!(n > 50_000, "{n} pixels of land");
    together / alone
}

/// By binomial weights 1, 4, 6, 4, 1 along both axes.
fn smoothed(plane: &Plane<f32>) -> Plane<f32> {
    const WEIGHTS: [f32; 5] = [0.0625, 0.25, 0.375, 0.25, 0.0625];
    let near = |at: usize, step: usize, len: usize| (at + step).saturating_sub(2).min(len - 1);
    let along = Plane::from_fn(plane.size(), |x, y| {
        (0..5).map(|step| WEIGHTS[step] * plane.at(near(x, step, plane.width()), y)).sum::<f32>()
    });
    Plane::from_fn(plane.size(), |x, y| {
        (0..5).map(|step| WEIGHTS[step] * along.at(x, near(y, step, plane.height()))).sum::<f32>()
    })
}

fn check(name: &str, rotation_deg: [f64; 3]) {
    let night = knocked(name, rotation_deg);
    let notes = &night.outcome.report.notes;
    let told: Vec<&String> = notes.iter().filter(|note| note.contains("the tripod was knocked")).collect();
    assert_eq!(told.len(), 1, "one knock, told once: {notes:?}");
    let n_frames = if told[0].contains("night-007.dng") { 5 } else { 6 };
    assert!(told[0].contains(&format!("{n_frames} frames from")), "{told:?}");
    assert!(!notes.iter().any(|note| note.contains("not found again")), "{notes:?}");
    let (single, stack) = (detail(&night, night.single()), detail(&night, night.stack()));
    assert!((single - 1.0).abs() < 0.05, "a single frame shows {single} of the true detail");
    assert!(stack / single >= 0.98, "the stack shows {stack}, the single frame {single} of the detail: {told:?}");
    // Eleven frames in one place: the noise falls as it would without a knock.
    let land = night.deep(true, 12);
    let [noise, noise_single] =
        [night.stack(), night.single()].map(|image| Night::sigma(&night.residual(image), &land));
    let gain = noise_single / noise;
    assert!(gain > 0.9 * 11.0_f32.sqrt(), "the land is {gain} times cleaner than one frame");
}

#[test]
fn a_knock_of_a_third_of_a_pixel_is_undone() {
    check("knock-small", [0.02, 0.03, 0.05]);
}

#[test]
fn a_knock_of_six_pixels_is_undone() {
    check("knock-large", [0.3, 0.6, 0.05]);
}
