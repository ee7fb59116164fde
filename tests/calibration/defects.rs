//! Dead and warm pixels of a burst without darks.

use nightsheaf::pipeline::Outcome;

use crate::night::{Night, light_name, run, sky_scene};

/// Places of the frame, far from each other, some of each color.
fn places() -> impl Iterator<Item = (usize, usize)> {
    (0..48).map(|idx| (37 + 57 * (idx % 8), 31 + 49 * (idx / 8)))
}

/// The same night through a sound sensor and through one with dead pixels and warm ones.
#[test]
fn dead_and_warm_pixels_are_found_without_darks() {
    let sound = Night::with_lights(sky_scene());
    let worn = Night::new(sky_scene());
    let scene = worn.burst.scene();
    // Some 17 electrons of noise in a sample of this sky.
    let warm_dn = (8.0 * 17.0 / scene.electrons_per_dn) as u16;
    for idx in 0..scene.n_lights {
        let mut light = worn.burst.light(idx);
        for (place, (x, y)) in places().enumerate() {
            let sample = light.planes[0].at(x, y);
            let changed = if place % 2 == 0 { scene.black_level[0] as u16 } else { sample.saturating_add(warm_dn) };
            light.planes[0].set(x, y, changed);
        }
        worn.write(&light_name(idx), &light);
    }
    let n_repaired = |outcome: &Outcome| outcome.report.defects_repaired;
    let (before, after) = (run(&sound.request()), run(&worn.request()));
    println!(
        "defects repaired: {} of a sound sensor, {} with 24 dead and 24 warm",
        n_repaired(&before),
        n_repaired(&after)
    );
    let more = n_repaired(&after).saturating_sub(n_repaired(&before));
    assert!((46..=50).contains(&more), "{more} more defects, where 24 are dead and 24 are warm");
    // Nothing of them is seen: the pictures differ by no more than the noise of repaired samples.
    let (one, other) = (&before.picture.image.planes[1], &after.picture.image.planes[1]);
    let differences = one.samples().iter().zip(other.samples()).map(|(one, other)| (one - other).abs());
    let worst = differences.fold(0.0, f32::max);
    let noise = before.report.noise.expect("a mean").stack as f32;
    assert!(worst < 6.0 * noise, "the pictures differ by up to {worst}, where the noise is {noise}");
}
