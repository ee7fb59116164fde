//! `mask`: the landscape as a picture, what is said of it, and what other programs read.

use std::path::Path;

use nightsheaf::pixels::Orientation;
use nightsheaf::synthetic::{LandKind, Scene};

use crate::support::{done, keys, new_folder, night, picture, scene, written};

/// Whether a mask holds both land and sky in a part.
fn holds_an_edge(mask: &Path, [x, y, width, height]: [u32; 4]) -> bool {
    let mask = picture(mask).into_luma16();
    let inside = || (y..y + height).flat_map(|y| (x..x + width).map(move |x| (x, y)));
    let land = inside().filter(|&(x, y)| mask.get_pixel(x, y).0[0] >= 32_768).count();
    land > 0 && land < inside().count()
}

#[test]
fn the_answer_for_other_programs_tells_share_confidence_notes_and_places() {
    let folder = new_folder();
    let (alone, used) = (folder.path().join("alone.png"), folder.path().join("used.png"));
    let ran = done!("mask", night(), "--json", "-o", alone);
    let answer: serde_json::Value = serde_json::from_str(&ran.out).expect("nothing but JSON");
    assert_eq!(keys(&answer), ["confidence", "doubts", "foreground_fraction", "notes"], "{answer}");
    let number = |name: &str| answer[name].as_f64().expect("a number");
    assert!((0.0..=1.0).contains(&number("confidence")), "{answer}");
    assert!(answer["notes"].is_array() && answer["doubts"].is_array(), "{answer}");
    let weights = picture(&alone).into_luma16();
    let mean = |mask: &image::ImageBuffer<image::Luma<u16>, Vec<u16>>| {
        mask.as_raw().iter().map(|&share| f64::from(share) / 65_535.0).sum::<f64>() / mask.as_raw().len() as f64
    };
    assert!((number("foreground_fraction") - mean(&weights)).abs() < 1e-4, "the share of the mask: {answer}");
    let truth = mean(&picture(&night().join("truth/mask.png")).into_luma16());
    assert!((number("foreground_fraction") - truth).abs() < 0.02, "{truth} of the frame is land: {answer}");
    // The mask is the one that a stack of the same frames uses.
    done!("stack", night(), "--mask", "auto", "-o", folder.path().join("night.png"), "--mask-output", used);
    let bytes = |path| std::fs::read(path).expect("just written");
    assert!(bytes(&alone) == bytes(&used), "the mask of a stack is another");
}

#[test]
fn a_low_confidence_is_said_with_a_place_in_the_picture_that_was_written() {
    // Turned by a quarter: places of the sensor are not those of the picture.
    let few = Scene {
        orientation: Orientation::Rotate90,
        n_stars: 18,
        faintest_magnitude: 4.5,
        n_hot_pixels: 0,
        land: LandKind::Ridge,
        ..scene()
    };
    let frames = written("few-stars", few);
    let folder = new_folder();
    let mask = folder.path().join("mask.png");
    let answer = done!("mask", &frames, "--json", "-o", mask);
    let answer: serde_json::Value = serde_json::from_str(&answer.out).expect("nothing but JSON");
    assert!(answer["confidence"].as_f64().expect("a number") < 0.7, "few stars: {answer}");
    let doubts = answer["doubts"].as_array().expect("a list");
    assert!(!doubts.is_empty(), "no place: {answer}");
    let size = picture(&mask);
    let mut first = None;
    for doubt in doubts {
        assert_eq!(keys(doubt), ["confidence", "height", "width", "x", "y"], "{doubt}");
        let [x, y, width, height] =
            ["x", "y", "width", "height"].map(|name| doubt[name].as_u64().expect("a whole number") as u32);
        assert!(x + width <= size.width() && y + height <= size.height(), "outside of the picture: {doubt}");
        // Land is judged beside its edge, up to 8 px from it.
        let (left, top) = (x.saturating_sub(8), y.saturating_sub(8));
        let (right, bottom) = ((x + width + 8).min(size.width()), (y + height + 8).min(size.height()));
        let around = [left, top, right - left, bottom - top];
        assert!(holds_an_edge(&mask, around), "no edge of the landscape is there: {doubt}");
        first.get_or_insert([f64::from(x) + 0.5 * f64::from(width - 1), f64::from(y) + 0.5 * f64::from(height - 1)]);
    }
    let [x, y] = first.expect("there is one");
    let ran = done!("mask", &frames, "-o", mask);
    let note = ran.out.lines().find(|line| line.contains("the confidence is low")).expect("it is said");
    assert!(note.ends_with(&format!("first of all near ({x:.0}, {y:.0})")), "{note}, at {x}, {y}");
}
