//! Whether the sky of a burst is better made of colors that are interpolated in each frame or of samples as they are.
//!
//! What decides was measured: see docs/stacking.md.

use crate::pipeline::request::Colors;
use crate::pixels::{Layout, Point, Size};
use crate::stack::{ColorRule, MosaicRows, StackRequest};

/// Stars that demosaic shows narrower than this are too fine for it: it gives their pixels wrong colors.
const SHARP_FWHM_PX: f32 = 2.1;
/// What was measured with stars of this kind, by the number of frames: from the first of them on samples as they are
/// were clearly better.
const MEASURED: [Measured; 2] = [
    Measured { n_frames: 12, sampled_percent: 19, interpolated_percent: 32, noise_percent: 4 },
    Measured { n_frames: 16, sampled_percent: 16, interpolated_percent: 43, noise_percent: 3 },
];

/// A row of the table in docs/stacking.md.
struct Measured {
    n_frames: usize,
    /// Error of color in the brightest pixels of stars.
    sampled_percent: u32,
    /// The same where each frame is given its colors.
    interpolated_percent: u32,
    /// What samples as they are add to the noise of means of 8 × 8 pixels.
    noise_percent: u32,
}

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
    let measured = MEASURED.iter().rev().find(|measured| measured.n_frames <= request.sky.len());
    let fine_px = fwhm_px.filter(|&fwhm_px| fwhm_px < SHARP_FWHM_PX);
    match (wanted, fine_px, measured) {
        (Colors::Auto, Some(fwhm_px), Some(measured)) if fills_all => {
            let Measured { n_frames, sampled_percent, interpolated_percent, noise_percent } = measured;
            notes.push(format!(
                "the stars are only {fwhm_px:.1} px wide, too fine for demosaic: the colors of the sky were left as \
                 sampled, which keeps wrong colors out of their pixels ({sampled_percent} % of error, not \
                 {interpolated_percent} %, measured with {n_frames} frames) for {noise_percent} % more noise"
            ));
            ColorRule::Sampled
        }
        (Colors::Auto | Colors::Interpolated, ..) => ColorRule::Interpolated,
        (Colors::Sampled, ..) => {
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
    use crate::pixels::{CalibratedFrame, Cfa, Homography, Mask, Plane, Transform};
    use crate::stack::{MemoryFrames, StackFrame};

    fn burst(n_frames: usize, shift: impl Fn(f64) -> (f64, f64)) -> StackRequest<'static> {
        let frame = |frame: usize| {
            let (x, y) = shift(frame as f64);
            let moved = Homography([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]]);
            StackFrame::plain(frame, Transform::Homography(moved))
        };
        StackRequest { sky: (0..n_frames).map(frame).collect(), ..StackRequest::default() }
    }

    /// A mosaic of which only the size is asked.
    fn mosaic(size: Size) -> MemoryFrames {
        let layout = Layout::Mosaic(Cfa::RGGB);
        MemoryFrames(vec![CalibratedFrame {
            layout,
            planes: vec![Plane::filled(size, 0.0)],
            saturated: Mask::empty(size),
        }])
    }

    #[test]
    fn long_bursts_of_fine_stars_are_left_as_sampled_and_the_reason_is_told() {
        let rows = mosaic(Size { width: 600, height: 400 });
        let drift = |k: f64| (1.37 * k, -0.81 * k);
        let chosen = |n_frames: usize, fwhm_px: f32, shift: &dyn Fn(f64) -> (f64, f64)| {
            let mut notes = Vec::new();
            let rule = choose(Colors::Auto, &burst(n_frames, shift), &rows, Some(fwhm_px), &mut notes);
            (rule, notes)
        };
        let (rule, notes) = chosen(20, 1.8, &drift);
        assert_eq!(rule, ColorRule::Sampled, "20 frames");
        assert!(notes.len() == 1 && notes[0].contains("1.8 px") && notes[0].contains("with 16 frames"), "{notes:?}");
        for (n_frames, fwhm_px, shift) in
            [(11, 1.8, &drift as &dyn Fn(f64) -> (f64, f64)), (20, 2.2, &drift), (20, 1.8, &|k: f64| (0.01 * k, 0.0))]
        {
            let (rule, notes) = chosen(n_frames, fwhm_px, shift);
            assert_eq!((rule, notes.len()), (ColorRule::Interpolated, 0), "{n_frames} frames, {fwhm_px} px");
        }
    }

    #[test]
    fn a_sky_that_drifts_passes_all_colors_and_one_that_stands_or_hops_by_twos_does_not() {
        let size = Size { width: 600, height: 400 };
        assert!(is_spread(&burst(16, |k| (1.37 * k, -0.81 * k)), size), "an even drift");
        assert!(!is_spread(&burst(16, |k| (0.01 * k, 0.0)), size), "the pole");
        assert!(!is_spread(&burst(16, |k| (2.0 * k, 4.0 * k)), size), "always the same color");
    }
}
