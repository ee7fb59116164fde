//! How long a stroke is worked out on a frame of 24 megapixels: beside the window, off its thread.
//!
//! A burst of this size has a guide of a quarter of the scale, 1500 by 1000, which is also about the size of the canvas.
//! A guide as fine as the frame has sixteen times as many cells in the block that is solved: an upper bound.

use std::sync::Arc;

use eframe::egui::Pos2;
use nightsheaf::gui::correcting::{Correction, EdgeChange, correct};
use nightsheaf::gui::strokes::{Brush, BrushKind, MaskPatch};
use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{ForegroundMask, Guide, Stroke, StrokeSide};
use nightsheaf::pixels::{Plane, Point, Size};

const FRAME: Size = Size { width: 6000, height: 4000 };

fn main() {
    divan::main();
}

fn land() -> Arc<ForegroundMask> {
    Arc::new(ForegroundMask(Plane::from_fn(FRAME, |_, y| if y >= 2600 { 1.0 } else { 0.0 })))
}

/// As a burst of 24 megapixels makes it.
fn quarter_guide() -> Guide {
    Guide::plain(Size { width: FRAME.width / 4, height: FRAME.height / 4 }).enlarged(4, FRAME)
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn a_stroke_of_600_px(bencher: divan::Bencher<'_, '_>) {
    let (mask, guide, stroke) = (land(), quarter_guide(), stroke());
    bencher.bench(|| {
        let hint = Correction::Hint(stroke.clone());
        correct(&Monitor::silent(), &mask, hint, Some(&guide), &[])
    });
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn a_stroke_of_600_px_with_the_finest_guide(bencher: divan::Bencher<'_, '_>) {
    let (mask, guide, stroke) = (land(), Guide::plain(FRAME), stroke());
    bencher.bench(|| {
        let hint = Correction::Hint(stroke.clone());
        correct(&Monitor::silent(), &mask, hint, Some(&guide), &[])
    });
}

fn stroke() -> Stroke {
    let points = (0..=60).map(|step| Point { x: 2000.0 + 10.0 * f64::from(step), y: 2580.0 }).collect();
    Stroke { points, radius_px: 60.0, side: StrokeSide::Land }
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn growing_the_whole_edge(bencher: divan::Bencher<'_, '_>) {
    let mask = land();
    bencher.bench(|| correct(&Monitor::silent(), &mask, Correction::Edge(EdgeChange::Grow(6.0)), None, &[]));
}

/// Along a horizon from edge to edge, up and down over 450 pixels.
fn horizon() -> Stroke {
    let place = |idx: u16| Point { x: 15.0 * f64::from(idx), y: 2600.0 + 165.0 * (0.05 * f64::from(idx)).sin() };
    Stroke { points: (0..=400).map(place).collect(), radius_px: 60.0, side: StrokeSide::Land }
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn a_horizon_of_400_points_taken_at_its_word(bencher: divan::Bencher<'_, '_>) {
    let (mask, stroke) = (land(), horizon());
    bencher.bench(|| correct(&Monitor::silent(), &mask, Correction::Paint(stroke.clone()), None, &[]));
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn a_horizon_of_400_points_as_a_hint(bencher: divan::Bencher<'_, '_>) {
    let (mask, guide, stroke) = (land(), quarter_guide(), horizon());
    // Ten hints from before, a third of them near it.
    let held: Vec<Stroke> = (0..10).map(|idx| moved(&horizon(), 200.0 * f64::from(idx) - 1600.0)).collect();
    bencher.bench(|| correct(&Monitor::silent(), &mask, Correction::Hint(stroke.clone()), Some(&guide), &held));
}

fn moved(stroke: &Stroke, down_px: f64) -> Stroke {
    let points = stroke.points.iter().map(|point| Point { x: point.x, y: point.y + down_px }).collect();
    Stroke { points, ..stroke.clone() }
}

/// As it was painted before: each pixel of the box measured against each leg.
#[divan::bench(sample_count = 1, sample_size = 1)]
fn a_horizon_of_400_points_painted_plainly(bencher: divan::Bencher<'_, '_>) {
    let stroke = horizon();
    bencher.bench(|| {
        let mut mask = ForegroundMask::clone(&land());
        for y in 2370..=2830 {
            for x in 0..FRAME.width {
                let place = Point { x: x as f64, y: y as f64 };
                let legs = stroke.points.windows(2).map(|ends| distance_to_leg(place, ends[0], ends[1]));
                let cover = (stroke.radius_px + 0.5 - legs.fold(f64::INFINITY, f64::min)).clamp(0.0, 1.0) as f32;
                let own = mask.0.at(x, y);
                mask.0.set(x, y, own + cover * (1.0 - own));
            }
        }
        mask
    });
}

fn distance_to_leg(place: Point, from: Point, to: Point) -> f64 {
    let (along_x, along_y) = (to.x - from.x, to.y - from.y);
    let square = along_x * along_x + along_y * along_y;
    let share = ((place.x - from.x) * along_x + (place.y - from.y) * along_y) / square.max(1e-12);
    let share = share.clamp(0.0, 1.0);
    place.distance(Point { x: from.x + share * along_x, y: from.y + share * along_y })
}

/// What a movement of the pointer costs the window: the stroke lies over the mask, which is not copied.
#[divan::bench(sample_count = 20, sample_size = 1)]
fn the_first_piece_of_a_stroke_of_400_px(bencher: divan::Bencher<'_, '_>) {
    let mask = land();
    bencher.bench(|| {
        let mut patch = MaskPatch::default();
        let brush = Brush { kind: BrushKind::Add, radius_px: 400.0 };
        patch.paint(&mask, brush, Pos2::new(3000.0, 2000.0), Pos2::new(3040.0, 2010.0));
        patch
    });
}
