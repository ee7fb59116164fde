//! Whether the sky of a burst is better made of colors that are interpolated in each frame or of samples as they are.
//!
//! What decides was measured: see docs/stacking.md.

use crate::pixels::{Layout, Point, Size};
use crate::settings::Colors;
use crate::stack::{ColorRule, MosaicRows, StackRequest};

/// Stars that demosaic shows narrower than this are too fine for it: it gives their pixels wrong colors.
const SHARP_FWHM_PX: f32 = 2.1;
/// Frames from which on such stars have better colors as sampled.
const BETTER_FROM_FRAMES: usize = 16;
/// Frames from which on samples as they are fill every color of every pixel well enough.
const MIN_FRAMES: usize = 12;
/// Places along each axis where it is asked which samples of the mosaic the turning sky brings.
const N_PLACES: usize = 6;
/// Of an even share, what each of the four places of a 2 × 2 of the mosaic must have of the frames.
const LEAST_SHARE: f64 = 0.4;

/// The rule that was asked for, or the better one; says what was done where it is worth a word.
pub(super) fn choose(
    wanted: Colors,
    request: &StackRequest<'_>,
    rows: &dyn MosaicRows,
    fwhm_px: Option<f32>,
    notes: &mut Vec<String>,
) -> ColorRule {
    let Layout::Mosaic(_) = rows.layout() else { return ColorRule::Interpolated };
    let fills_all = request.sky.len() >= MIN_FRAMES && is_spread(request, rows.size());
    let is_long = request.sky.len() >= BETTER_FROM_FRAMES;
    match wanted {
        Colors::Auto if fills_all && is_long && fwhm_px.is_some_and(|fwhm_px| fwhm_px < SHARP_FWHM_PX) => {
            notes.push(format!(
                "the stars are only {:.1} px wide, too fine for demosaic: the colors of the sky were left as sampled, \
                 which keeps their colors right and makes them a little wider",
                fwhm_px.unwrap_or_default()
            ));
            ColorRule::Sampled
        }
        Colors::Auto | Colors::Interpolated => ColorRule::Interpolated,
        Colors::Sampled => {
            if !fills_all {
                notes.push(format!(
                    "the colors were left as sampled, but {} frames of this burst do not bring every color to every \
                     pixel: expect a pattern",
                    request.sky.len()
                ));
            }
            ColorRule::Sampled
        }
    }
}

/// Whether the sky moves enough, and unevenly enough, over the mosaic that all its colors pass everywhere.
fn is_spread(request: &StackRequest<'_>, size: Size) -> bool {
    let place = |step: usize, len: usize| (len - 1) as f64 * (step as f64 + 0.5) / N_PLACES as f64;
    let mut places = (0..N_PLACES * N_PLACES)
        .map(|idx| Point { x: place(idx % N_PLACES, size.width), y: place(idx / N_PLACES, size.height) });
    let least = LEAST_SHARE * request.sky.len() as f64 / 4.0;
    places.all(|point| {
        let mut counts = [0usize; 4];
        for seen in request.sky.iter().filter_map(|frame| frame.light_from_reference.apply(point)) {
            // Parity of the nearest sample; far outside the frame it is as good as any.
            let odd = |position: f64| (position.round() as i64).rem_euclid(2) as usize;
            counts[2 * odd(seen.y) + odd(seen.x)] += 1;
        }
        counts.iter().all(|&count| count as f64 >= least)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Cfa, Homography, Rect, Transform};
    use crate::stack::{StackError, StackFrame};

    fn burst(n_frames: usize, shift: impl Fn(f64) -> (f64, f64)) -> StackRequest<'static> {
        let frame = |frame: usize| {
            let (x, y) = shift(frame as f64);
            let moved = Homography([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]]);
            StackFrame::plain(frame, Transform::Homography(moved))
        };
        StackRequest { sky: (0..n_frames).map(frame).collect(), ..StackRequest::default() }
    }

    #[test]
    fn a_sky_that_drifts_passes_all_colors_and_one_that_stands_or_hops_by_twos_does_not() {
        let size = Size { width: 600, height: 400 };
        assert!(is_spread(&burst(16, |k| (1.37 * k, -0.81 * k)), size), "an even drift");
        assert!(!is_spread(&burst(16, |k| (0.01 * k, 0.0)), size), "the pole");
        assert!(!is_spread(&burst(16, |k| (2.0 * k, 4.0 * k)), size), "always the same color");
    }

    /// No more than the layout and the size of a burst.
    struct Empty(Layout);

    impl MosaicRows for Empty {
        fn layout(&self) -> Layout {
            self.0
        }

        fn size(&self) -> Size {
            Size { width: 600, height: 400 }
        }

        fn read_rect(&self, _: usize, _: Rect, _: &mut [Vec<f32>]) -> Result<(), StackError> {
            unreachable!("no sample is asked for")
        }
    }

    #[test]
    fn samples_are_left_as_they_are_in_long_bursts_of_sharp_stars_that_drift() {
        let mosaic = || Layout::Mosaic(Cfa::RGGB);
        let check = |layout, n_frames, step: f64, fwhm_px, wanted, expected| {
            let mut notes = Vec::new();
            let request = burst(n_frames, |k| (1.37 * step * k, -0.81 * step * k));
            let rule = choose(wanted, &request, &Empty(layout), fwhm_px, &mut notes);
            assert_eq!(rule, expected, "{n_frames} frames, {step} of the way, {fwhm_px:?}, {wanted:?}");
            notes
        };
        use ColorRule::{Interpolated, Sampled};
        let notes = check(mosaic(), 16, 1.0, Some(1.9), Colors::Auto, Sampled);
        assert!(notes.iter().any(|note| note.contains("only 1.9 px wide")), "it is said: {notes:?}");
        check(mosaic(), 15, 1.0, Some(1.9), Colors::Auto, Interpolated);
        check(mosaic(), 16, 1.0, Some(2.2), Colors::Auto, Interpolated);
        check(mosaic(), 16, 1.0, None, Colors::Auto, Interpolated);
        check(mosaic(), 60, 0.0, Some(1.9), Colors::Auto, Interpolated);
        check(Layout::Rgb, 60, 1.0, Some(1.9), Colors::Sampled, Interpolated);
        check(mosaic(), 60, 1.0, Some(1.9), Colors::Interpolated, Interpolated);
        let notes = check(mosaic(), 4, 1.0, Some(1.9), Colors::Sampled, Sampled);
        assert!(notes.iter().any(|note| note.contains("expect a pattern")), "it is said: {notes:?}");
    }
}
