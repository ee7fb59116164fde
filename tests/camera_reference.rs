//! The camera and the sky against OpenCV, astropy and skyfield: `tests/reference/camera`.

use std::path::Path;

use nalgebra::Vector3;
use nightsheaf::detect::Star;
use nightsheaf::job::Monitor;
use nightsheaf::pixels::refraction::refraction_deg;
use nightsheaf::pixels::{Lens, Point, Projection, Size};
use nightsheaf::register::{FrameStars, Optics, RegisterSettings, register_burst};
use serde::Deserialize;
use serde::de::DeserializeOwned;

fn reference<T: DeserializeOwned>(name: &str) -> T {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/camera").join(name);
    let text = std::fs::read_to_string(&path).expect("the reference values are part of the project");
    serde_json::from_str(&text).expect("the reference values are JSON of this form")
}

#[derive(Deserialize)]
struct LensValues {
    focal_px: f64,
    principal: [f64; 2],
    radial: [f64; 3],
    directions: Vec<[f64; 3]>,
    points: Vec<[f64; 2]>,
    altitude_deg: Vec<f64>,
    refraction_deg: Vec<f64>,
}

#[test]
fn directions_land_where_opencv_puts_them() {
    let values: LensValues = reference("lens.json");
    let [x, y] = values.principal;
    let ideal = Lens::ideal(Projection::Rectilinear, values.focal_px, Point { x, y });
    let lens = Lens { radial: values.radial, ..ideal };
    for (direction, [x, y]) in values.directions.iter().zip(&values.points) {
        let seen = lens.point(lens.reach(), &Vector3::from(*direction)).expect("inside the lens");
        let error = seen.distance(Point { x: *x, y: *y });
        assert!(error < 1e-6, "{direction:?} lands {error} px off");
    }
}

#[test]
fn refraction_is_what_skyfield_makes_of_bennetts_formula() {
    let values: LensValues = reference("lens.json");
    for (altitude, expected) in values.altitude_deg.iter().zip(&values.refraction_deg) {
        let found = refraction_deg(*altitude);
        assert!((found - expected).abs() < 1e-4 * expected, "{found}° at {altitude}°, skyfield has {expected}°");
    }
}

#[derive(Deserialize)]
struct NightValues {
    seconds: Vec<f64>,
    stated_focal_px: f64,
    frames: Vec<Vec<Option<[f64; 2]>>>,
}

/// The sky of astropy has precession, nutation, aberration and another formula for the air; to the camera model
/// all of it must be one rotation a frame and Bennett's refraction.
#[test]
fn a_night_of_astropy_aligns_by_rotation_lens_and_air() {
    let night: NightValues = reference("night.json");
    let point = |[x, y]: [f64; 2]| Point { x, y };
    let star = |centroid| Star {
        centroid,
        centroid_sigma_px: 0.05,
        flux: 1.0,
        snr: 20.0,
        peak: 0.1,
        fwhm_px: 2.5,
        elongation: 1.0,
        angle_rad: 0.0,
        saturated: false,
    };
    let lists: Vec<Vec<Star>> =
        night.frames.iter().map(|frame| frame.iter().flatten().map(|&place| star(point(place))).collect()).collect();
    let frames: Vec<FrameStars<'_>> = (lists.iter().zip(&night.seconds))
        .map(|(stars, &secs)| FrameStars { stars, capture_time_secs: Some(secs) })
        .collect();
    let size = Size { width: 6000, height: 4000 };
    let optics = Optics { size, focal_px: Some(night.stated_focal_px), profile: None };
    let at = 3;
    let burst = register_burst(&Monitor::silent(), &frames, at, &optics, &RegisterSettings::default())
        .expect("the reference has stars");
    let lens = burst.lens.expect("a lens was fitted");
    assert!(lens.zenith.is_some(), "75 minutes at 20° show the air");
    // The lens of the script: 3600 px, principal point (3005, 1990).
    assert!((lens.lens.focal_px - 3600.0).abs() < 3.0, "focal length {}", lens.lens.focal_px);
    for (number, (frame, registration)) in night.frames.iter().zip(&burst.frames).enumerate() {
        let transform = &registration.as_ref().expect("every frame aligns").reference_from_light;
        let errors: Vec<f64> = (frame.iter().zip(&night.frames[at]))
            .filter_map(|(light, reference)| Some((point((*light)?), point((*reference)?))))
            .map(|(light, reference)| transform.apply(light).expect("inside the lens").distance(reference))
            .collect();
        let rms = (errors.iter().map(|error| error * error).sum::<f64>() / errors.len() as f64).sqrt();
        let worst = errors.iter().copied().fold(0.0, f64::max);
        assert!(rms < 0.01 && worst < 0.05, "frame {number}: {rms:.3} px rms, {worst:.3} px at worst");
    }
}
