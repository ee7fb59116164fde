//! Against outside values, and what must hold at the border.
use super::*;
use crate::pixels::{Mask, Plane};

#[derive(serde::Deserialize)]
struct Case {
    pattern: String,
    width: usize,
    height: usize,
    mosaic: Vec<f32>,
    red: Vec<f32>,
    green: Vec<f32>,
    blue: Vec<f32>,
}

fn cfa(pattern: &str) -> Cfa {
    let color = |place: usize| match &pattern[place..=place] {
        "R" => CfaColor::Red,
        "G" => CfaColor::Green,
        _ => CfaColor::Blue,
    };
    Cfa([[color(0), color(1)], [color(2), color(3)]])
}

fn mosaic_frame(pattern: &str, plane: Plane<f32>) -> CalibratedFrame {
    let saturated = Mask::empty(plane.size());
    CalibratedFrame { layout: Layout::Mosaic(cfa(pattern)), planes: vec![plane], saturated }
}

/// Values of colour-demosaicing; see tests/reference/demosaic.
#[test]
fn colors_agree_with_the_reference_for_every_phase() {
    let text = include_str!("../../tests/reference/demosaic/values.json");
    let cases: Vec<Case> = serde_json::from_str(text).expect("the reference file is well formed");
    for case in cases {
        let size = Size { width: case.width, height: case.height };
        let plane = Plane::from_vec(size, case.mosaic).expect("a sample a pixel");
        let image = demosaic_by(Method::GradientCorrected, &mosaic_frame(&case.pattern, plane));
        for (plane, expected) in image.planes.iter().zip([&case.red, &case.green, &case.blue]) {
            for y in 2..size.height - 2 {
                for x in 2..size.width - 2 {
                    let (found, expected) = (plane.at(x, y), expected[y * size.width + x]);
                    assert!((found - expected).abs() < 1e-6, "{} ({x}, {y}): {found}, not {expected}", case.pattern);
                }
            }
        }
    }
}

#[derive(serde::Deserialize)]
struct Methods {
    width: usize,
    height: usize,
    mosaic: Vec<f32>,
    cases: Vec<MethodCase>,
}

#[derive(serde::Deserialize)]
struct MethodCase {
    method: String,
    pattern: String,
    red: Vec<f32>,
    green: Vec<f32>,
    blue: Vec<f32>,
}

/// Values of colour-demosaicing; see tests/reference/demosaic.
#[test]
fn other_methods_agree_with_the_reference_for_every_phase() {
    let text = include_str!("../../tests/reference/demosaic/methods.json");
    let Methods { width, height, mosaic, cases } =
        serde_json::from_str(text).expect("the reference file is well formed");
    assert_eq!(cases.len(), 8, "two methods, four phases");
    for case in cases {
        let method = if case.method == "bilinear" { Method::Bilinear } else { Method::Directional };
        let plane = Plane::from_vec(Size { width, height }, mosaic.clone()).expect("a sample a pixel");
        let image = demosaic_by(method, &mosaic_frame(&case.pattern, plane));
        let margin = method.reach_px();
        for (plane, expected) in image.planes.iter().zip([&case.red, &case.green, &case.blue]) {
            for y in margin..height - margin {
                for x in margin..width - margin {
                    let (found, expected) = (plane.at(x, y), expected[y * width + x]);
                    let name = (&case.method, &case.pattern, x, y);
                    assert!((found - expected).abs() < 2e-6, "{name:?}: {found}, not {expected}");
                }
            }
        }
    }
}

/// By hand from the patent's formulas: a step down the columns is followed, not smoothed.
#[test]
fn the_adaptive_method_follows_an_edge() {
    let size = Size { width: 30, height: 26 };
    for pattern in ["RGGB", "GRBG", "GBRG", "BGGR"] {
        let plane = Plane::from_fn(size, |x, _| if x < 15 { 0.2 } else { 0.8 });
        let image = demosaic_by(Method::Adaptive, &mosaic_frame(pattern, plane.clone()));
        for y in 3..size.height - 3 {
            for x in 3..size.width - 3 {
                let (found, expected) = (image.planes[1].at(x, y), plane.at(x, y));
                assert!((found - expected).abs() < 1e-6, "{pattern}: green {found} at ({x}, {y})");
            }
        }
    }
}

#[test]
fn every_method_keeps_an_even_color() {
    let size = Size { width: 37, height: 34 };
    for method in
        [Method::default(), Method::Bilinear, Method::GradientCorrected, Method::Adaptive, Method::Directional]
    {
        for pattern in ["RGGB", "GRBG", "GBRG", "BGGR"] {
            let color = [0.3, 0.5, -0.02];
            let plane = Plane::from_fn(size, |x, y| color[cfa(pattern).color_at(x, y) as usize]);
            let image = demosaic_by(method, &mosaic_frame(pattern, plane));
            for (plane, color) in image.planes.iter().zip(color) {
                assert!(plane.samples().iter().all(|sample| (sample - color).abs() < 1e-6), "{method:?} {pattern}");
            }
        }
    }
}

#[test]
fn an_evenly_colored_surface_is_even_up_to_the_border() {
    let size = Size { width: 37, height: 70 };
    for pattern in ["RGGB", "GRBG", "GBRG", "BGGR"] {
        let color = [0.3, 0.5, -0.02];
        let plane = Plane::from_fn(size, |x, y| color[cfa(pattern).color_at(x, y) as usize]);
        let image = demosaic(&mosaic_frame(pattern, plane));
        for (plane, color) in image.planes.iter().zip(color) {
            assert!(plane.samples().iter().all(|sample| (sample - color).abs() < 1e-6), "{pattern} at {color}");
        }
    }
}

#[test]
fn a_window_has_the_colors_of_the_whole_frame() {
    let size = Size { width: 40, height: 30 };
    let frame = mosaic_frame("GBRG", Plane::from_fn(size, |x, y| ((x * 7 + y * 13 + x * y) % 23) as f32));
    let whole = demosaic(&frame);
    let window = Window { x: -2, y: 5, size: Size { width: 19, height: 26 } };
    let mut pixels = Vec::new();
    demosaic_window(TYPICAL_NOISE, frame.layout, window, &mirrored_samples(&frame, window.grown(3)), &mut pixels);
    for (place, pixel) in pixels.iter().enumerate() {
        let x = window.x + (place % 19) as isize;
        let y = window.y as usize + place / 19;
        if x >= 0 && y < size.height {
            let expected: [f32; 3] = std::array::from_fn(|channel| whole.planes[channel].at(x as usize, y));
            assert_eq!(pixel[..3], expected, "({x}, {y})");
        }
    }
}

#[test]
fn mirroring_keeps_the_parity_of_a_place() {
    let places: Vec<usize> = (-3..8).map(|place| mirrored(place, 5)).collect();
    assert_eq!(places, [3, 2, 1, 0, 1, 2, 3, 4, 3, 2, 1], "about both end samples");
    assert_eq!(mirrored(-2, 1), 0, "a single sample");
}
