//! Planned trails against the geometry of the invented frames, which is written apart from the plan's.
#![allow(clippy::print_stdout, reason = "the measured agreement is what docs/planning.md quotes")]

use nightsheaf::pixels::{Point, Size};
use nightsheaf::plan::shutter::shutter_limits;
use nightsheaf::plan::{Aim, Camera, Place, ShutterLimits, WantedTrail};
use nightsheaf::synthetic::{Burst, Lens, Pointing, Projection, Scene};

const LATITUDE_DEG: f64 = 46.5;

/// The sidereal rate is given to 15.041″; the invented sky turns in 86164.0905 s, 15.04107″.
const RELATIVE: f64 = 1e-5;

/// Middle frames are two seconds apart on either side: the path bends by less than the tolerance.
const INTERVAL_SECS: f64 = 2.0;

fn scene(altitude_deg: f64, azimuth_deg: f64) -> Scene {
    Scene {
        n_lights: 3,
        n_stars: 10,
        interval_secs: INTERVAL_SECS,
        exposure_secs: 1.0,
        size: Size { width: 600, height: 400 },
        lens: Lens {
            projection: Projection::Rectilinear,
            focal_mm: 12.0,
            sensor_width_mm: 23.5,
            distortion: [0.0; 2],
            lateral_scale: [1.0; 3],
            center_offset_px: [0.0; 2],
        },
        pointing: Pointing { altitude_deg, azimuth_deg, roll_deg: 0.0 },
        latitude_deg: LATITUDE_DEG,
        refraction: false,
        ..Scene::small()
    }
}

fn planned(altitude_deg: f64, azimuth_deg: f64) -> ShutterLimits {
    let camera = Camera { width_px: 600, ..Camera::default() };
    let place = Place { latitude_deg: LATITUDE_DEG, longitude_deg: 8.0 };
    shutter_limits(&camera, Aim::Horizon { azimuth_deg, altitude_deg }, place, WantedTrail::Px(3.0))
}

fn true_px_per_sec(burst: &Burst, point: Point) -> f64 {
    let before = burst.carry(1, 0, point).expect("the lens draws it");
    let after = burst.carry(1, 2, point).expect("the lens draws it");
    before.distance(after) / (2.0 * INTERVAL_SECS)
}

#[test]
fn trails_in_the_middle_and_in_the_corner_are_those_of_the_invented_frames() {
    for (altitude_deg, azimuth_deg) in [(21.0, 158.0), (60.0, 30.0), (5.0, 270.0), (80.0, 355.0)] {
        let burst = Burst::new(scene(altitude_deg, azimuth_deg));
        let limits = planned(altitude_deg, azimuth_deg);
        let middle = true_px_per_sec(&burst, Point { x: 299.5, y: 199.5 });
        let corners = [(-0.5, -0.5), (599.5, -0.5), (-0.5, 399.5), (599.5, 399.5)];
        let corner = corners.map(|(x, y)| true_px_per_sec(&burst, Point { x, y })).into_iter().fold(0.0, f64::max);
        let off = [limits.trail_px_per_sec / middle - 1.0, limits.trail_px_per_sec_corner / corner - 1.0];
        println!("altitude {altitude_deg}, azimuth {azimuth_deg}: relative differences {off:?}");
        assert!(off.iter().all(|off| off.abs() < RELATIVE), "altitude {altitude_deg}, azimuth {azimuth_deg}: {off:?}");
    }
}
