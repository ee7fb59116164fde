//! Registration of the sample scene's true star places: another sky, another camera, the same answer.

#[path = "support/star_lists.rs"]
mod star_lists;

use nightsheaf::detect::Star;
use nightsheaf::job::Monitor;
use nightsheaf::pixels::Point;
use nightsheaf::register::{FrameStars, Optics, RegisterSettings, register_burst};
use nightsheaf::synthetic::{Burst, Scene};
use star_lists::{normal, random, star};

#[test]
fn the_sample_scene_aligns_to_its_edges() {
    let scene = Burst::new(Scene::sample());
    let n_frames = scene.scene().n_lights;
    let mut random = random(3);
    let noise_px = 0.05;
    let lists: Vec<Vec<Star>> = (0..n_frames)
        .map(|idx| {
            let visible = scene.stars_in(idx).into_iter().filter(|star| star.hidden < 0.1).take(250);
            visible
                .map(|true_star| {
                    let Point { x, y } = true_star.position;
                    let (dx, dy) = (noise_px * normal(&mut random), noise_px * normal(&mut random));
                    star(Point { x: x + dx, y: y + dy }, noise_px, true_star.flux_electrons[1])
                })
                .collect()
        })
        .collect();
    let frames: Vec<FrameStars<'_>> = (lists.iter().enumerate())
        .map(|(idx, stars)| FrameStars { stars, capture_time_secs: Some(scene.scene().opening_secs(idx)) })
        .collect();
    let size = scene.scene().size;
    let focal_px = scene.scene().lens.focal_mm / scene.scene().lens.sensor_width_mm * size.width as f64;
    let optics = Optics { size, focal_px: Some(focal_px), profile: None };
    let reference = n_frames / 2;
    let burst = register_burst(&Monitor::silent(), &frames, reference, &optics, &RegisterSettings::default())
        .expect("the reference has stars");
    for (idx, registration) in burst.frames.iter().enumerate() {
        let transform = &registration.as_ref().unwrap_or_else(|reason| panic!("{idx}: {reason}")).reference_from_light;
        let (mut squares, mut n_points) = (0.0, 0);
        // The sky above the ridge, to the edges.
        for y in (0..450).step_by(30) {
            for x in (0..1080).step_by(30) {
                let point = Point { x: f64::from(x), y: f64::from(y) };
                let Some(expected) = scene.carry(idx, reference, point) else { continue };
                squares += transform.apply(point).expect("inside the lens").distance(expected).powi(2);
                n_points += 1;
            }
        }
        let rms = (squares / f64::from(n_points)).sqrt();
        assert!(rms < 0.03, "frame {idx}: {rms:.4} px, {:?}", burst.notes);
    }
}
