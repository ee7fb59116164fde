//! How long a stroke is worked out on a frame of 24 megapixels: beside the window, off its thread.
//!
//! A burst of this size has a guide of a quarter of the scale, 1500 by 1000, which is also about the size of the canvas.
//! A guide as fine as the frame has sixteen times as many cells in the block that is solved: an upper bound.

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

/// As a burst of 24 megapixels makes it.
fn quarter_guide() -> Guide {
    Guide::plain(Size { width: FRAME.width / 4, height: FRAME.height / 4 }).enlarged(4, FRAME)
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn a_stroke_of_600_px(bencher: divan::Bencher<'_, '_>) {
    let (mask, guide, stroke) = (land(), quarter_guide(), stroke());
    bencher.bench(|| {
        let hint = Correction::Hint { stroke: stroke.clone(), painted: None };
        correct(&Monitor::silent(), &mask, hint, Some(&guide), &[])
    });
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn a_stroke_of_600_px_with_the_finest_guide(bencher: divan::Bencher<'_, '_>) {
    let (mask, guide, stroke) = (land(), Guide::plain(FRAME), stroke());
    bencher.bench(|| {
        let hint = Correction::Hint { stroke: stroke.clone(), painted: None };
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
