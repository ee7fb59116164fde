//! What is promised of a whole burst.

use crate::pixels::{Plane, Point, Size};
use crate::synthetic::{Burst, Cloud, Knock, LandKind, Lens, Mover, MoverKind, Pointing, Projection, Scene};

/// A few bright stars on an empty sky.
fn sparse() -> Scene {
    Scene {
        n_stars: 40,
        faintest_magnitude: 3.0,
        land: LandKind::None,
        lens: Lens { lateral_scale: [1.0; 3], ..Scene::small().lens },
        ..Scene::small()
    }
}

#[test]
fn the_same_scene_gives_the_same_frames_on_any_number_of_threads() {
    let render = |n_threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(n_threads).build().expect("threads");
        pool.install(|| {
            let burst = Burst::new(Scene::small());
            (burst.light(1), burst.dark(0), burst.stars_in(1))
        })
    };
    assert!(render(1) == render(3), "one thread and three differ");
}

#[test]
fn another_seed_gives_other_frames() {
    let other = Burst::new(Scene { seed: 5, ..Scene::small() });
    assert!(other.light(0).planes != Burst::new(Scene::small()).light(0).planes, "two seeds, one frame");
}

/// Measured from the rendered light itself: place and light of every star that stands alone.
#[test]
fn stars_are_drawn_where_and_as_bright_as_the_truth_says() {
    let burst = Burst::new(sparse());
    let empty = Burst::new(Scene { n_stars: 0, ..sparse() });
    let (with, without) = (burst.light_electrons(2), empty.light_electrons(2));
    let stars = burst.stars_in(2);
    let mut n_checked = 0;
    for star in &stars {
        let alone = stars.iter().all(|other| other.id == star.id || other.position.distance(star.position) > 24.0);
        let Size { width, height } = with.size();
        let inside = (12.0..width as f64 - 12.0).contains(&star.position.x)
            && (12.0..height as f64 - 12.0).contains(&star.position.y);
        if !alone || !inside {
            continue;
        }
        n_checked += 1;
        let (mut sum, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0);
        let (left, top) = (star.position.x.round() as usize - 10, star.position.y.round() as usize - 10);
        for y in top..top + 21 {
            for x in left..left + 21 {
                let channel = burst.scene().cfa.color_at(x, y) as usize;
                let share = f64::from(with.at(x, y) - without.at(x, y)) / star.flux_electrons[channel];
                sum += share;
                sum_x += share * x as f64;
                sum_y += share * y as f64;
            }
        }
        let found = Point { x: sum_x / sum, y: sum_y / sum };
        // Electrons are added in single precision on a sky of hundreds: 1e-4 of the faintest of these stars.
        assert!(found.distance(star.position) < 0.01, "{star:?} drawn at {found:?}");
        assert!((sum - 1.0).abs() < 1e-3, "{star:?} drawn with {sum} of its light");
    }
    assert!(n_checked > 15, "only {n_checked} stars stand alone");
}

#[test]
fn a_star_is_carried_to_where_it_is_in_another_frame() {
    for projection in [Projection::Rectilinear, Projection::Equidistant] {
        let base = Scene::small();
        let knock = Some(Knock { from_frame: 2, rotation_deg: [0.05, -0.08, 0.11] });
        let lens = Lens { projection, ..base.lens };
        let burst = Burst::new(Scene { lens, knock, ..base });
        let (first, last) = (burst.stars_in(0), burst.stars_in(3));
        let mut n_both = 0;
        for star in &first {
            let Some(later) = last.iter().find(|later| later.id == star.id) else { continue };
            let carried = burst.carry(0, 3, star.position).expect("seen in both");
            assert!(carried.distance(later.position) < 1e-6, "{star:?} carried to {carried:?}, is at {later:?}");
            n_both += 1;
        }
        assert!(n_both > 100, "only {n_both} stars are in both frames");
    }
}

/// By hand: 0.1° about the axis turns a point at radius r by r · π / 1800.
#[test]
fn a_knock_about_the_axis_turns_the_land_about_the_axis() {
    let base = Scene::small();
    let lens = Lens { distortion: [0.0; 2], center_offset_px: [0.0; 2], ..base.lens };
    let knock = Some(Knock { from_frame: 1, rotation_deg: [0.0, 0.0, 0.1] });
    let burst = Burst::new(Scene { lens, knock, ..base });
    let center = burst.scene().size.center();
    let moved = burst.carry_land(0, 1, Point { x: center.x + 200.0, y: center.y }).expect("in the frame");
    // The camera turns clockwise, the picture counter-clockwise: what was right goes up.
    let up = center.y - moved.y;
    assert!((up - 200.0 * std::f64::consts::PI / 1800.0).abs() < 1e-3, "moved up by {up} px");
    assert!(burst.carry_land(0, 0, center).expect("in the frame").distance(center) < 1e-9, "no knock yet");
}

#[test]
fn the_knocked_land_is_the_land_at_carried_places() {
    let knock = Some(Knock { from_frame: 1, rotation_deg: [1.5, 0.0, 0.0] });
    let dim = Scene { n_stars: 0, n_hot_pixels: 0, band: 0.0, glow: 0.0, vignetting: 0.0, ..Scene::small() };
    let burst = Burst::new(Scene { knock, land: LandKind::Bright, ..dim });
    let light = burst.light_electrons(1);
    let (alpha_shift, _) = edge_row(&light, 240);
    let (alpha_still, _) = edge_row(&burst.light_electrons(0), 240);
    let at = Point { x: 240.0, y: alpha_still };
    let carried = burst.carry_land(0, 1, at).expect("in the frame");
    assert!((carried.y - at.y).abs() > 7.0, "the knock moves the edge by 1.5° of 327 px a radian, {carried:?}");
    // The place of the edge is a whole row, and its column moves a little too.
    assert!((alpha_shift - carried.y).abs() < 2.0, "edge at {alpha_shift}, carried to {carried:?}");
}

/// Row of the steepest rise of light down a column.
fn edge_row(light: &Plane<f32>, x: usize) -> (f64, f32) {
    let rise = |y: usize| light.at(x, y + 2) - light.at(x, y);
    let row = (0..light.height() - 2).max_by(|&a, &b| rise(a).total_cmp(&rise(b))).expect("rows");
    (row as f64 + 1.0, rise(row))
}

#[test]
fn every_kind_of_land_covers_its_share_of_the_frame() {
    let shares = [
        (LandKind::None, 0.0..=0.0),
        (LandKind::Ridge, 0.2..=0.5),
        (LandKind::Silhouette, 0.2..=0.5),
        (LandKind::Bright, 0.2..=0.5),
        (LandKind::Trees, 0.1..=0.3),
        (LandKind::Lake, 0.3..=0.6),
        (LandKind::Building, 0.2..=0.4),
        (LandKind::Haze, 0.2..=0.5),
        (LandKind::Only, 1.0..=1.0),
    ];
    for (land, expected) in shares {
        let altitude_deg = if land == LandKind::Lake { 5.0 } else { 21.0 };
        let pointing = Pointing { altitude_deg, ..Scene::small().pointing };
        let burst = Burst::new(Scene { land, pointing, n_stars: 10, ..Scene::small() });
        let mask = burst.foreground().samples();
        assert!(mask.iter().all(|alpha| (0.0..=1.0).contains(alpha)), "{land:?}: alpha outside 0 to 1");
        let share = mask.iter().sum::<f32>() / mask.len() as f32;
        assert!(expected.contains(&share), "{land:?} covers {share}");
    }
}

#[test]
fn a_cloud_dims_the_stars_and_brightens_the_sky() {
    let cloud = Cloud { frame: 1, transparency: 0.4, veil: 0.6, bank: None };
    let burst = Burst::new(Scene { clouds: vec![cloud], ..sparse() });
    let (clear, clouded) = (burst.stars_in(0), burst.stars_in(1));
    let star = clear[0];
    let same = clouded.iter().find(|other| other.id == star.id).expect("in both frames");
    let ratio = same.flux_electrons[1] / star.flux_electrons[1];
    // Vignetting and extinction change by less than a percent from frame to frame.
    assert!((ratio - 0.4).abs() < 0.01, "{ratio} of its light comes through");
    let sum = |idx| burst.light_electrons(idx).samples().iter().map(|&v| f64::from(v)).sum::<f64>();
    assert!(sum(1) > 1.2 * sum(0), "the veil shines");
}

#[test]
fn a_satellite_leaves_its_light_along_its_segment() {
    let mover = Mover {
        kind: MoverKind::Satellite,
        frame: 1,
        start: [0.2, 0.1],
        width_per_sec: [0.02, 0.01],
        electrons_per_px: 500.0,
    };
    let with = Burst::new(Scene { movers: vec![mover], ..sparse() });
    let [segment] = with.trails_in(1)[..] else { panic!("one trail in frame 1, found {:?}", with.trails_in(1)) };
    assert!(with.trails_in(0).is_empty(), "not yet there");
    let (bright, dark) = (with.light_electrons(1), Burst::new(sparse()).light_electrons(1));
    let green =
        bright.samples().iter().zip(dark.samples()).enumerate().filter(|(index, _)| burst_channel(&with, *index) == 1);
    let sum: f64 = green.map(|(_, (a, b))| f64::from(a - b)).sum();
    let expected = 0.5 * 500.0 * segment.from.distance(segment.to);
    assert!((sum / expected - 1.0).abs() < 0.01, "{sum} electrons in green, expected {expected}");
}

#[test]
fn a_torch_shines_in_front_of_the_land_and_a_satellite_behind_it() {
    let total = |movers: Vec<Mover>| {
        let burst = Burst::new(Scene { land: LandKind::Only, n_stars: 0, movers, ..Scene::small() });
        burst.light_electrons(0).samples().iter().map(|&sample| f64::from(sample)).sum::<f64>()
    };
    let mover = |kind| Mover { kind, frame: 0, start: [0.2, 0.5], width_per_sec: [0.02, 0.0], electrons_per_px: 500.0 };
    let dark = total(Vec::new());
    assert!(total(vec![mover(MoverKind::Torch)]) > dark + 40_000.0, "the torch is seen");
    assert!((total(vec![mover(MoverKind::Satellite)]) / dark - 1.0).abs() < 1e-9, "the satellite is hidden");
}

fn burst_channel(burst: &Burst, index: usize) -> usize {
    let width = burst.scene().size.width;
    burst.scene().cfa.color_at(index % width, index / width) as usize
}

#[test]
fn hot_pixels_stand_out_of_the_dark_frame_where_the_truth_says() {
    let burst = Burst::new(Scene::small());
    let dark = burst.dark(0);
    for pixel in burst.hot_pixels() {
        let level = f64::from(dark.planes[0].at(pixel.x, pixel.y));
        let electrons = pixel.electrons_per_sec * burst.scene().exposure_secs;
        let expected = (512.0 + electrons / burst.scene().electrons_per_dn).min(16_383.0);
        // Up to 11 electrons of glow, and five standard deviations of photon and read noise.
        let allowed = (11.0 + 5.0 * (electrons + 20.0).sqrt()) / burst.scene().electrons_per_dn;
        assert!((level - expected).abs() < allowed, "{pixel:?} reads {level}, expected {expected}");
    }
}

/// A lens that spreads a point over 2.25 px leaves little of what differs from pixel to pixel.
#[test]
fn the_land_is_drawn_no_sharper_than_the_stars() {
    let roughness = |psf_fwhm_px: f64| {
        let burst = Burst::new(Scene { psf_fwhm_px, land: LandKind::Only, n_stars: 0, ..Scene::small() });
        let land = burst.land_electrons;
        let (width, height) = (land.width(), land.height());
        let steps = (2..height - 2).flat_map(|y| (2..width - 2).map(move |x| (x, y))).map(|(x, y)| {
            let beside = land.at(x - 2, y) + land.at(x + 2, y) + land.at(x, y - 2) + land.at(x, y + 2);
            f64::from(land.at(x, y) - beside / 4.0).powi(2)
        });
        steps.sum::<f64>()
    };
    let (sharp, drawn) = (roughness(0.2), roughness(2.25));
    assert!(drawn < 0.5 * sharp && drawn > 0.01 * sharp, "of {sharp} {drawn} is left");
}
