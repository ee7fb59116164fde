//! The samples of one color of a mosaic around the places of a target window, as they are: nothing is interpolated.
//!
//! Every sample is a small square drop on its place of the sensor; it lands on the pixels of the target that it
//! overlaps and counts there by the share of the overlap (A. S. Fruchter and R. N. Hook, "Drizzle: a method for the
//! linear reconstruction of undersampled images", PASP 114, 2002). Seen from a target pixel these are the four
//! samples around its place: in any 2 × 2 of a Bayer mosaic one is red, two are green and one is blue.

use crate::demosaic::Window;
use crate::pixels::{Cfa, CfaColor, Size};
use crate::resample::kernel::PHASES;
use crate::resample::warp::{Grid, Run};

/// Samples that count less are not seen: what they show lies too far away.
const MIN_WEIGHT: f32 = 0.04;

/// A window of the mosaic of a frame.
#[derive(Clone, Copy, Debug)]
pub struct MosaicSource<'a> {
    /// Which part of the frame.
    pub window: Window,
    /// Size of the whole frame.
    pub frame: Size,
    /// Filters as seen from the frame's first pixel.
    pub cfa: Cfa,
    /// The samples of the window, row by row.
    pub samples: &'a [f32],
    /// Weight of each of them; all alike where `None`.
    pub visibility: Option<&'a [f32]>,
}

/// Share of a drop that lands on a pixel, along one axis, by sub-pixel position.
#[derive(Clone, Debug)]
pub struct Drop {
    /// Of the sample at the whole position, then of the next one.
    shares: Box<[[f32; PHASES]; 2]>,
}

impl Drop {
    /// Drops with an edge of `edge_px`, above 0 and at most 1.
    #[must_use]
    pub fn new(edge_px: f32) -> Self {
        let share = |distance: f32| ((0.5 * (1.0 + edge_px) - distance) / edge_px).clamp(0.0, 1.0);
        let phase = |phase: usize| phase as f32 / PHASES as f32;
        Self {
            shares: Box::new([
                std::array::from_fn(|step| share(phase(step))),
                std::array::from_fn(|step| share(1.0 - phase(step))),
            ]),
        }
    }
}

/// Fills values and weights of one color (red 0, green 1, blue 2) over the target window; both 0 where not seen.
pub fn collect(
    source: &MosaicSource<'_>,
    drop: &Drop,
    channel: usize,
    grid: &Grid,
    target: Size,
    (values, weights): (&mut [f32], &mut [f32]),
) {
    values.fill(0.0);
    weights.fill(0.0);
    let sites = sites_of(source.cfa, channel);
    for row in 0..target.height {
        let start = row * target.width;
        for run in grid.runs(row) {
            let columns = start + run.columns.start..start + run.columns.end;
            let lanes = (&mut values[columns.clone()], &mut weights[columns]);
            match sites[..] {
                [site] => collect_run(source, drop, [site], &run, lanes),
                [first, second] => collect_run(source, drop, [first, second], &run, lanes),
                // Not a Bayer mosaic.
                _ => {}
            }
        }
    }
}

/// Hands out, for every place of the target window that has a position in the frame, how far beside its middle the
/// samples of one color lie that [`collect`] takes for it: the mean way to the right and down, in pixels of the target.
///
/// The frame may be turned against the target but not sheared.
pub fn each_displacement(
    drop: &Drop,
    cfa: Cfa,
    channel: usize,
    grid: &Grid,
    target: Size,
    mut take: impl FnMut(usize, f32, f32),
) {
    let sites = sites_of(cfa, channel);
    for row in 0..target.height {
        for run in grid.runs(row) {
            let [line_x, line_y] = &run.axes;
            // One pixel to the right in the target is this far in the frame.
            let (right_x, right_y) = (line_x.slope_px(), line_y.slope_px());
            let per_square = 1.0 / (right_x * right_x + right_y * right_y);
            for (step, column) in run.columns.clone().enumerate() {
                let (whole_x, phase_x) = line_x.split(step);
                let (whole_y, phase_y) = line_y.split(step);
                let (mut x, mut y, mut total) = (0.0, 0.0, 0.0);
                for &(site_x, site_y) in &sites {
                    // The parity of a place before the frame is that of the place after it.
                    let (right, below) = ((site_x ^ whole_x as usize) & 1, (site_y ^ whole_y as usize) & 1);
                    let share = drop.shares[right][phase_x] * drop.shares[below][phase_y];
                    x += share * (right as f32 - phase_x as f32 / PHASES as f32);
                    y += share * (below as f32 - phase_y as f32 / PHASES as f32);
                    total += share;
                }
                if total > 0.0 {
                    let (x, y) = (x / total * per_square, y / total * per_square);
                    take(row * target.width + column, right_x * x + right_y * y, right_x * y - right_y * x);
                }
            }
        }
    }
}

/// Places of a color in the 2 × 2 of a mosaic.
fn sites_of(cfa: Cfa, channel: usize) -> Vec<(usize, usize)> {
    let color = [CfaColor::Red, CfaColor::Green, CfaColor::Blue][channel];
    [(0, 0), (1, 0), (0, 1), (1, 1)].into_iter().filter(|&(x, y)| cfa.color_at(x, y) == color).collect()
}

#[inline(always)]
fn collect_run<const N_SITES: usize>(
    source: &MosaicSource<'_>,
    drop: &Drop,
    sites: [(usize, usize); N_SITES],
    run: &Run,
    (values, weights): (&mut [f32], &mut [f32]),
) {
    let MosaicSource { window, frame, samples, visibility, .. } = *source;
    let [line_x, line_y] = &run.axes;
    for (step, (value, weight)) in values.iter_mut().zip(weights).enumerate() {
        let (whole_x, phase_x) = line_x.split(step);
        let (whole_y, phase_y) = line_y.split(step);
        let inside =
            whole_x >= 0 && whole_y >= 0 && whole_x + 1 < frame.width as isize && whole_y + 1 < frame.height as isize;
        if !inside {
            continue;
        }
        let corner = (whole_y - window.y) as usize * window.size.width + (whole_x - window.x) as usize;
        let (mut sum, mut total) = (0.0, 0.0);
        for (site_x, site_y) in sites {
            let (right, below) = ((site_x ^ whole_x as usize) & 1, (site_y ^ whole_y as usize) & 1);
            let share = drop.shares[right][phase_x] * drop.shares[below][phase_y];
            sum += share * samples[corner + below * window.size.width + right];
            total += share;
        }
        let seen = total * visibility.map_or(1.0, |visibility| visibility[corner]);
        if seen > MIN_WEIGHT {
            (*value, *weight) = (sum / total, seen);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Homography, Transform};
    use crate::resample::Warp;

    const FRAME: Size = Size { width: 40, height: 30 };

    fn collected(channel: usize, shift: (f64, f64), edge_px: f32) -> (Vec<f32>, Vec<f32>) {
        let moved = Transform::Homography(Homography([[1.0, 0.0, shift.0], [0.0, 1.0, shift.1], [0.0, 0.0, 1.0]]));
        let window = Window { x: -4, y: -4, size: Size { width: 50, height: 40 } };
        let sample = |place: usize| (place % 50) as f32 - 4.0 + 100.0 * ((place / 50) as f32 - 4.0);
        let samples: Vec<f32> = (0..window.size.area()).map(sample).collect();
        let source = MosaicSource { window, frame: FRAME, cfa: Cfa::RGGB, samples: &samples, visibility: None };
        let grid = Warp::new(&moved, FRAME).grid(Window { x: 0, y: 0, size: FRAME });
        let (mut values, mut weights) = (vec![9.0; FRAME.area()], vec![9.0; FRAME.area()]);
        collect(&source, &Drop::new(edge_px), channel, &grid, FRAME, (&mut values, &mut weights));
        (values, weights)
    }

    #[test]
    fn unmoved_samples_land_on_their_own_pixel_alone() {
        for (channel, sites) in [(0, vec![(4, 6)]), (1, vec![(5, 6), (4, 7)]), (2, vec![(5, 7)])] {
            let (values, weights) = collected(channel, (0.0, 0.0), 0.8);
            for y in 6..8 {
                for x in 4..6 {
                    let place = y * FRAME.width + x;
                    let expected =
                        if sites.contains(&(x, y)) { (x as f32 + 100.0 * y as f32, 1.0) } else { (0.0, 0.0) };
                    assert_eq!((values[place], weights[place]), expected, "channel {channel} at ({x}, {y})");
                }
            }
        }
    }

    /// Overlap of unit squares a quarter and a half apart: 0.75 · 0.5.
    #[test]
    fn a_drop_counts_by_the_share_that_lands_on_the_pixel() {
        let (values, weights) = collected(0, (0.25, 0.5), 1.0);
        let place = 6 * FRAME.width + 4;
        assert_eq!((values[place], weights[place]), (604.0, 0.375), "the red sample at (4, 6)");
        // From (5.25, 6.5) the red sample at (6, 6) is 0.75 and 0.5 away.
        assert_eq!((values[place + 1], weights[place + 1]), (606.0, 0.125), "the next red sample");
    }

    /// An even slope is seen as it is at the middle of each pixel once the way to the samples is known.
    #[test]
    fn displacements_lead_from_the_middle_of_a_pixel_to_its_samples() {
        for (angle, shift) in [(0.0_f64, (0.3, 0.6)), (0.4, (12.2, -3.7))] {
            let (sin, cos) = angle.sin_cos();
            let moved = Transform::Homography(Homography([[cos, -sin, shift.0], [sin, cos, shift.1], [0.0, 0.0, 1.0]]));
            let window = Window { x: 0, y: 0, size: FRAME };
            // In coordinates of the target.
            let slope = |x: f64, y: f64| x + 10.0 * y;
            let light = |place: usize| {
                let (x, y) = ((place % 40) as f64 - shift.0, (place / 40) as f64 - shift.1);
                slope(cos * x + sin * y, cos * y - sin * x) as f32
            };
            let samples: Vec<f32> = (0..FRAME.area()).map(light).collect();
            let source = MosaicSource { window, frame: FRAME, cfa: Cfa::RGGB, samples: &samples, visibility: None };
            let grid = Warp::new(&moved, FRAME).grid(window);
            for channel in 0..3 {
                let (mut values, mut weights) = (vec![0.0; FRAME.area()], vec![0.0; FRAME.area()]);
                let drop = Drop::new(0.8);
                collect(&source, &drop, channel, &grid, FRAME, (&mut values, &mut weights));
                let mut errors = Vec::new();
                each_displacement(&drop, Cfa::RGGB, channel, &grid, FRAME, |pixel, dx, dy| {
                    let expected = slope((pixel % 40) as f64, (pixel / 40) as f64) + slope(dx.into(), dy.into());
                    if weights[pixel] > 0.0 {
                        errors.push((f64::from(values[pixel]) - expected).abs());
                    }
                });
                let worst = errors.iter().copied().fold(0.0, f64::max);
                // Positions are good to half a phase, 1/512 px.
                assert!(errors.len() > 200 && worst < 0.05, "turned by {angle}, channel {channel}: {worst}");
            }
        }
    }

    #[test]
    fn beyond_the_frame_nothing_is_seen() {
        let (_, weights) = collected(1, (-2.5, 0.25), 1.0);
        let row = &weights[5 * FRAME.width..6 * FRAME.width];
        assert!(row[..3].iter().all(|&weight| weight == 0.0) && row[3] > 0.0, "{row:?}");
    }
}
