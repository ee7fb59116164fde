//! Motion of a land that is known, measured again.

use super::*;
use crate::pixels::{Point, Projection, Size};

const FRAME: Size = Size { width: 1200, height: 800 };

fn lens() -> Lens {
    let principal = Point { x: 603.0, y: 396.0 };
    Lens { radial: [-0.05, 0.01, 0.0], ..Lens::ideal(Projection::Rectilinear, 620.0, principal) }
}

/// Detail of many sizes as a function of direction, so that any turn of the camera shows it exactly.
fn land_at(ray: &Vector3<f64>) -> f64 {
    let (u, v) = (620.0 * ray.x / ray.z, 620.0 * ray.y / ray.z);
    let wave = |ku: f64, kv: f64, phase: f64| (ku * u + kv * v + phase).sin();
    0.1 + 0.01 * wave(0.7, 0.3, 0.3)
        + 0.012 * wave(-0.3, 0.7, 1.1)
        + 0.02 * wave(0.11, 0.19, 2.0)
        + 0.02 * wave(0.05, -0.03, 0.7)
        + 0.02 * wave(0.013, 0.017, 0.1)
}

/// The land seen by a camera that turned, at `light` times the reference's light, with noise of `sigma`.
fn picture(turn: Vector3<f64>, light: f64, sigma: f64, seed: u64) -> LandPicture {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let noise = Normal::new(0.0, sigma).expect("a positive sigma");
    let lens = lens();
    let reach = lens.reach();
    let back = Rotation3::new(turn).inverse();
    let size = Size { width: FRAME.width / 2, height: FRAME.height / 2 };
    LandPicture::new(Plane::from_fn(size, |x, y| {
        let point = Point { x: 2.0 * x as f64 + 0.5, y: 2.0 * y as f64 + 0.5 };
        let ray = back * lens.ray(reach, point).expect("inside the lens");
        (light * land_at(&ray) + noise.sample(&mut random)) as f32
    }))
}

fn lower_half() -> Plane<f32> {
    Plane::from_fn(Size { width: FRAME.width / 2, height: FRAME.height / 2 }, |_, y| if y >= 180 { 1.0 } else { 0.0 })
}

/// Largest error of the places that the measured turn gives, over the lower half of the frame.
fn check(turn: Vector3<f64>, light: f64, sigma: f64, allowed_px: f64) {
    let reference = picture(Vector3::zeros(), 1.0, sigma, 1);
    let land = LandReference::new(&reference, &lower_half(), &lens()).expect("plenty of detail");
    let found = land.motion(&picture(turn, light, sigma, 2)).expect("the same land");
    let (exact, measured) = (light_from_reference(&lens(), turn), light_from_reference(&lens(), found.turn));
    for (x, y) in [(20.0, 400.0), (600.0, 600.0), (1180.0, 400.0), (40.0, 780.0), (1160.0, 780.0)] {
        let at = |transform: &Transform| transform.apply(Point { x, y }).expect("inside the lens");
        let error = at(&exact).distance(at(&measured));
        assert!(error < allowed_px, "{error} px off at ({x}, {y}) for {turn:?}: {found:?}");
    }
}

#[test]
fn small_turns_are_measured_to_a_fiftieth_of_a_pixel() {
    for turn in [[0.0; 3], [5e-4, 0.0, 0.0], [-2e-3, 6e-3, 9e-4], [1e-4, -3e-4, -9e-4]] {
        check(Vector3::from(turn), 1.0, 2e-4, 0.02);
    }
}

#[test]
fn a_hard_knock_in_other_light_and_much_noise_is_measured_to_a_tenth_of_a_pixel() {
    // 43 pixels to the right, the light a third stronger, noise as large as the detail.
    check(Vector3::new(0.02, 0.07, 0.004), 1.3, 1.5e-2, 0.1);
}

#[test]
fn other_land_and_no_detail_are_not_measured() {
    let reference = picture(Vector3::zeros(), 1.0, 1e-3, 1);
    let land = LandReference::new(&reference, &lower_half(), &lens()).expect("plenty of detail");
    let flat = LandPicture::new(Plane::filled(lower_half().size(), 0.1));
    assert_eq!(land.motion(&flat), None, "nothing to hold on to");
    let none = LandReference::new(&reference, &lower_half().map(|_| 0.0), &lens());
    assert!(none.is_none(), "no land");
}
