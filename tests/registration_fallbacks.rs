//! What replaces the camera where no camera explains a pair of frames, and that this is told.

#[path = "support/star_lists.rs"]
mod star_lists;

use nightsheaf::detect::Star;
use nightsheaf::pixels::{Point, Size};
use nightsheaf::register::{Model, Optics, Registration, register_pair};
use rand::RngExt;
use star_lists::{any_flux, normal, random, star};

const SIZE: Size = Size { width: 6000, height: 4000 };

/// Stars anywhere, and where a map of the plane puts them; both with centroid noise.
fn lists(n_stars: usize, seed: u64, map: impl Fn(Point) -> Point) -> [Vec<Star>; 2] {
    let mut random = random(seed);
    let (mut light, mut reference) = (Vec::new(), Vec::new());
    for _ in 0..n_stars {
        let place = Point { x: random.random_range(100.0..5900.0), y: random.random_range(100.0..3900.0) };
        let flux = any_flux(&mut random);
        for (list, Point { x, y }) in [(&mut light, place), (&mut reference, map(place))] {
            let noisy = Point { x: x + 0.1 * normal(&mut random), y: y + 0.1 * normal(&mut random) };
            list.push(star(noisy, 0.1, flux));
        }
    }
    [light, reference]
}

fn registered([light, reference]: &[Vec<Star>; 2]) -> Registration {
    let optics = Optics { size: SIZE, focal_px: Some(14.0 / 23.5 * 6000.0), profile: None };
    register_pair(light, reference, &optics).expect("a map of the plane brings the stars together")
}

fn worst_px(registration: &Registration, map: impl Fn(Point) -> Point) -> f64 {
    let places =
        (0..12).map(|idx| Point { x: f64::from(idx % 4) * 1950.0 + 75.0, y: f64::from(idx / 4) * 1950.0 + 50.0 });
    let error = |place| registration.reference_from_light.apply(place).map_or(1e9, |seen| seen.distance(map(place)));
    places.map(error).fold(0.0, f64::max)
}

/// Stretched along one side, as a picture that another program has straightened: no turn of a camera does that.
#[test]
fn a_stretched_picture_is_aligned_by_a_homography_and_says_why() {
    for (n_stars, seed) in [(60, 3), (400, 4)] {
        let map = |place: Point| Point { x: 1.003 * place.x + 31.0, y: 0.998 * place.y - 24.0 };
        let registration = registered(&lists(n_stars, seed, map));
        let worst = worst_px(&registration, map);
        assert_eq!(registration.model, Model::Homography, "{n_stars} stars, {worst:.2} px");
        assert!(worst < 1.0, "{n_stars} stars: {worst:.2} px at worst");
        let reason = registration.reason.expect("a reason");
        assert!(reason.contains("lens of the burst"), "{reason}");
    }
}

/// Seven stars of a picture that is a little larger are too few for a homography.
#[test]
fn few_stars_of_a_larger_picture_are_aligned_by_a_similarity_and_say_why() {
    let map = |place: Point| Point { x: 1.0015 * place.x + 11.0, y: 1.0015 * place.y - 8.0 };
    let registration = registered(&lists(7, 6, map));
    let worst = worst_px(&registration, map);
    assert_eq!(registration.model, Model::Similarity, "{worst:.2} px");
    assert!(worst < 1.0, "{worst:.2} px at worst");
    assert!(registration.reason.is_some_and(|reason| !reason.is_empty()), "and says why");
}
