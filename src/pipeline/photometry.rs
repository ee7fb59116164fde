//! Brings a frame's light to that of the reference frame: one scale from matched stars, and a smooth
//! offset from both skies, so that passing cloud or moonrise does not defeat the clipping.

use crate::detect::{Mesh, Star};
use crate::pixels::{Plane, Point, Transform};
use crate::register::StarMatch;

/// Pairs of stars below this leave the scale at 1: too few to average their noise away.
const MIN_PAIRS: usize = 8;
/// Stars below this signal over noise say little about transparency.
const MIN_SNR: f64 = 15.0;

/// Flux of the reference frame over that of a light frame, by the weighted median of matched stars.
///
/// 1.0 where too few stars are shared.
pub(super) fn flux_scale(light: &[Star], reference: &[Star], matches: &[StarMatch]) -> f32 {
    let good = |star: &Star| !star.saturated && star.snr >= MIN_SNR && star.flux > 0.0;
    let mut ratios: Vec<(f64, f64)> = matches
        .iter()
        .map(|pair| (&light[pair.light], &reference[pair.reference]))
        .filter(|(star, other)| good(star) && good(other))
        .map(|(star, other)| (other.flux / star.flux, 1.0 / (star.snr.powi(-2) + other.snr.powi(-2))))
        .collect();
    if ratios.len() < MIN_PAIRS {
        return 1.0;
    }
    weighted_median(&mut ratios) as f32
}

/// What to add to each channel of a scaled light frame, in reference-frame coordinates.
pub(super) fn sky_offset(
    light: &[Mesh; 3],
    reference: &[Mesh; 3],
    light_from_reference: &Transform,
    scale: f32,
) -> [Mesh; 3] {
    std::array::from_fn(|channel| {
        let cell_px = reference[channel].cell_px;
        let size = reference[channel].cells.size();
        let cells = Plane::from_fn(size, |cell_x, cell_y| {
            let center = cell_center(cell_x, cell_y, cell_px);
            let target = reference[channel].cells.at(cell_x, cell_y);
            let place = light_from_reference.apply(center).unwrap_or(center);
            target - scale * light[channel].at(place)
        });
        Mesh { cells, cell_px }
    })
}

fn cell_center(cell_x: usize, cell_y: usize, cell_px: usize) -> Point {
    let along = |cell: usize| (cell as f64 + 0.5) * cell_px as f64 - 0.5;
    Point { x: along(cell_x), y: along(cell_y) }
}

/// The value at which half of the weight is reached; sorts by value.
fn weighted_median(values: &mut [(f64, f64)]) -> f64 {
    values.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let half = values.iter().map(|&(_, weight)| weight).sum::<f64>() / 2.0;
    let mut reached = 0.0;
    for &(value, weight) in values.iter() {
        reached += weight;
        if reached >= half {
            return value;
        }
    }
    values.last().map_or(1.0, |&(value, _)| value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::Size;

    fn star(x: f64, y: f64, flux: f64) -> Star {
        Star {
            centroid: Point { x, y },
            centroid_sigma_px: 0.05,
            flux,
            snr: 100.0,
            peak: 0.1,
            fwhm_px: 2.5,
            elongation: 1.0,
            angle_rad: 0.0,
            saturated: false,
        }
    }

    #[test]
    fn a_frame_dimmed_by_a_fifth_is_scaled_by_a_quarter_more() {
        let reference: Vec<_> = (0..20).map(|idx| star(10.0 * f64::from(idx), 50.0, 1.0 + f64::from(idx))).collect();
        let mut light: Vec<_> =
            reference.iter().map(|s| star(s.centroid.x - 5.0, s.centroid.y + 3.0, 0.8 * s.flux)).collect();
        let matches: Vec<_> = (0..20).map(|idx| StarMatch { light: idx, reference: idx }).collect();
        // A variable star does not count.
        light[3].flux *= 10.0;
        let scale = flux_scale(&light, &reference, &matches);
        assert!((scale - 1.25).abs() < 1e-6, "scale {scale}");
        assert_eq!(flux_scale(&light, &reference, &matches[..5]), 1.0, "five stars are too few");
    }

    #[test]
    fn the_offset_makes_up_for_a_brighter_sky() {
        let flat = |level: f32| -> [Mesh; 3] {
            std::array::from_fn(|_| Mesh { cells: Plane::filled(Size { width: 3, height: 2 }, level), cell_px: 64 })
        };
        let offset = sky_offset(&flat(0.2), &flat(0.1), &Transform::Identity, 1.25);
        assert!((offset[1].cells.at(2, 1) - (0.1 - 0.25)).abs() < 1e-6, "0.1 = 1.25 · 0.2 − 0.15");
    }
}
