//! How long a stroke is worked out on a frame of 24 megapixels: beside the window, off its thread.
//!
//! The guide is as fine as the frame, so the block that is solved has sixteen times as many cells as in a real
//! burst of this size: an upper bound.

use std::sync::Arc;

use nightsheaf::gui::correcting::{Correction, EdgeChange, correct};
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

#[divan::bench(sample_count = 5, sample_size = 1)]
fn a_stroke_of_600_px(bencher: divan::Bencher<'_, '_>) {
    let (mask, guide) = (land(), Guide::plain(FRAME));
    let points = (0..=60).map(|step| Point { x: 2000.0 + 10.0 * f64::from(step), y: 2580.0 }).collect();
    let stroke = Stroke { points, radius_px: 60.0, side: StrokeSide::Land };
    bencher.bench(|| {
        let hint = Correction::Hint { stroke: stroke.clone(), painted: None };
        correct(&Monitor::silent(), &mask, hint, Some(&guide), &[])
    });
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn growing_the_whole_edge(bencher: divan::Bencher<'_, '_>) {
    let mask = land();
    bencher.bench(|| correct(&Monitor::silent(), &mask, Correction::Edge(EdgeChange::Grow(6.0)), None, &[]));
}
