//! What is left between the stars of a light frame and those of the reference frame: in numbers and as arrows.

use std::path::PathBuf;

use crate::pipeline::burst::{Aligned, AlignedFrame};
use crate::pipeline::report::RadiusResidual;
use crate::pixels::{Point, Size};
use crate::register::Residual;

/// Middles of the rings around the middle of the picture, as shares of the half diagonal.
const RINGS: [f64; 5] = [0.1, 0.3, 0.5, 0.7, 0.9];

/// A star, and how far it is from its place; sensor pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arrow {
    /// Where the star belongs.
    pub from: Point,
    /// From there to where it was found.
    pub error: Point,
}

/// The stars of one light frame beside those of the reference frame.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameResiduals {
    /// The light frame.
    pub file: PathBuf,
    /// As the reference frame sees them.
    pub on_reference: Vec<Arrow>,
    /// As the light frame itself sees them.
    pub in_frame: Vec<Arrow>,
}

/// Residuals of every frame but the reference, in the order of the lights.
pub(super) fn of_frames(paths: &[PathBuf], aligned: &Aligned) -> Vec<FrameResiduals> {
    let others = aligned.frames.iter().filter(|frame| frame.idx != aligned.reference);
    others.map(|frame| of_frame(paths[frame.idx].clone(), frame)).collect()
}

fn of_frame(file: PathBuf, frame: &AlignedFrame) -> FrameResiduals {
    let on_reference = |residual: &Residual| Arrow { from: residual.reference, error: residual.error };
    let in_frame = |residual: &Residual| {
        let Point { x, y } = residual.reference;
        let from = frame.light_from_reference.apply(residual.reference)?;
        let found = Point { x: x + residual.error.x, y: y + residual.error.y };
        let found = frame.light_from_reference.apply(found)?;
        Some(Arrow { from, error: Point { x: found.x - from.x, y: found.y - from.y } })
    };
    FrameResiduals {
        file,
        on_reference: frame.residuals.iter().map(on_reference).collect(),
        in_frame: frame.residuals.iter().filter_map(in_frame).collect(),
    }
}

/// Root mean square distance in rings around the middle of a frame of this size; empty rings are left out.
pub(super) fn by_radius(residuals: &[Residual], size: Size) -> Vec<RadiusResidual> {
    let center = size.center();
    let half_diagonal = 0.5 * (size.width as f64).hypot(size.height as f64);
    let mut rings = RINGS.map(|radius| RadiusResidual { radius, rms_px: 0.0, n: 0 });
    for residual in residuals {
        let share = residual.reference.distance(center) / half_diagonal;
        // Not negative; what lies in the very corner belongs to the last ring.
        let ring = &mut rings[((share * RINGS.len() as f64) as usize).min(RINGS.len() - 1)];
        ring.rms_px += residual.error.x.powi(2) + residual.error.y.powi(2);
        ring.n += 1;
    }
    let filled = rings.into_iter().filter(|ring| ring.n > 0);
    filled.map(|ring| RadiusResidual { rms_px: (ring.rms_px / ring.n as f64).sqrt(), ..ring }).collect()
}

/// The length that nine of ten arrows do not exceed, pixels; `None` without arrows.
#[must_use]
pub fn typical_error_px<'a>(arrows: impl IntoIterator<Item = &'a Arrow>) -> Option<f64> {
    let mut lengths: Vec<f64> = arrows.into_iter().map(|arrow| arrow.error.x.hypot(arrow.error.y)).collect();
    lengths.sort_unstable_by(f64::total_cmp);
    lengths.get(lengths.len() * 9 / 10).copied()
}

/// The largest of 1, 2, 5, 10, 20, ... and of 0.1, 0.05, ... that is not above a positive `value`.
#[must_use]
pub fn round_below(value: f64) -> f64 {
    let power = 10_f64.powf(value.log10().floor());
    let digit = [5.0, 2.0].into_iter().find(|digit| digit * power <= value).unwrap_or(1.0);
    digit * power
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 601, height: 401 };

    fn residual(x: f64, y: f64, error: f64) -> Residual {
        Residual { reference: Point { x, y }, error: Point { x: 0.6 * error, y: -0.8 * error } }
    }

    #[test]
    fn rings_hold_every_star_once_and_its_distance() {
        let residuals = [
            residual(300.0, 200.0, 0.1),
            residual(310.0, 200.0, 0.3),
            residual(300.0, 20.0, 0.2),
            residual(0.0, 0.0, 0.7),
        ];
        let rings = by_radius(&residuals, SIZE);
        let found: Vec<_> = rings.iter().map(|ring| (ring.radius, ring.n)).collect();
        // 180 px above the middle is half of the 361 px to the corner.
        assert_eq!(found, [(0.1, 2), (0.5, 1), (0.9, 1)], "middle, half-way and corner");
        assert!((rings[0].rms_px - 0.05_f64.sqrt()).abs() < 1e-12, "of 0.1 and 0.3: {}", rings[0].rms_px);
        assert!((rings[2].rms_px - 0.7).abs() < 1e-12, "of one star: {}", rings[2].rms_px);
        assert_eq!(by_radius(&[], SIZE), [], "no stars, no rings");
    }

    #[test]
    fn round_numbers_stay_below() {
        for (value, expected) in [(1.0, 1.0), (1.9, 1.0), (4.99, 2.0), (73.0, 50.0), (0.23, 0.2), (0.06, 0.05)] {
            let found = round_below(value);
            assert!((found / expected - 1.0).abs() < 1e-12, "{value} gives {found}");
        }
    }

    #[test]
    fn one_wild_star_does_not_decide_the_length() {
        let arrow = |error: f64| Arrow { from: Point::default(), error: Point { x: 0.0, y: error } };
        let mut arrows: Vec<Arrow> = (0..20).map(|_| arrow(0.1)).collect();
        arrows.push(arrow(5.0));
        assert_eq!(typical_error_px(&arrows), Some(0.1), "nine of ten");
        assert_eq!(typical_error_px(&[]), None, "none");
    }
}
