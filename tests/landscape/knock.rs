//! A knock against the tripod after frame 6.

use nightsheaf::synthetic::{Knock, LandKind, Scene};

use crate::night::{Night, quiet_scene};

fn knocked(name: &str, rotation_deg: [f64; 3]) -> Night {
    let knock = Some(Knock { from_frame: 6, rotation_deg });
    Night::stacked(name, Scene { knock, ..quiet_scene(LandKind::Ridge, 11) }, &[])
}

fn check(name: &str, rotation_deg: [f64; 3]) {
    let night = knocked(name, rotation_deg);
    let notes = &night.outcome.report.notes;
    let told: Vec<&String> = notes.iter().filter(|note| note.contains("the tripod was knocked")).collect();
    assert_eq!(told.len(), 1, "one knock, told once: {notes:?}");
    let n_frames = if told[0].contains("night-007.dng") { 5 } else { 6 };
    assert!(told[0].contains(&format!("{n_frames} frames from")), "{told:?}");
    assert!(!notes.iter().any(|note| note.contains("not found again")), "{notes:?}");
    let (single, stack) = (night.detail(night.single()), night.detail(night.stack()));
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
