//! Brings a frame's light to that of the reference frame: one scale from matched stars, and a smooth
//! offset from both skies, so that passing cloud or moonrise does not defeat the clipping.

use crate::detect::{Mesh, Star};
use crate::pixels::{Plane, Point, Size, Transform};

/// Pairs of stars below this leave the scale at 1: too few to average their noise away.
const MIN_PAIRS: usize = 8;
/// Stars below this signal over noise say little about transparency.
const MIN_SNR: f64 = 15.0;
/// A star and its counterpart lie closer than this once registered.
const PAIR_RADIUS_PX: f64 = 1.5;

/// Flux of the reference frame over that of a light frame, by the weighted median of matched stars.
///
/// 1.0 where too few stars are shared.
pub(super) fn flux_scale(light: &[Star], reference: &[Star], reference_from_light: &Transform) -> f32 {
    let good = |star: &&Star| !star.saturated && star.snr >= MIN_SNR && star.flux > 0.0;
    let targets = SortedStars::new(reference.iter().filter(good).copied().collect());
    let mut ratios: Vec<(f64, f64)> = light
        .iter()
        .filter(good)
        .filter_map(|star| {
            let place = reference_from_light.apply(star.centroid)?;
            let other = targets.nearest(place, PAIR_RADIUS_PX)?;
            let variance = star.snr.powi(-2) + other.snr.powi(-2);
            Some((other.flux / star.flux, 1.0 / variance))
        })
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

/// Stars by height, to look up the nearest one quickly.
struct SortedStars(Vec<Star>);

impl SortedStars {
    fn new(mut stars: Vec<Star>) -> Self {
        stars.sort_by(|a, b| a.centroid.y.total_cmp(&b.centroid.y).then(a.centroid.x.total_cmp(&b.centroid.x)));
        Self(stars)
    }

    fn nearest(&self, place: Point, radius_px: f64) -> Option<&Star> {
        let first = self.0.partition_point(|star| star.centroid.y < place.y - radius_px);
        self.0[first..]
            .iter()
            .take_while(|star| star.centroid.y <= place.y + radius_px)
            .map(|star| (star.centroid.distance(place), star))
            .filter(|&(distance, _)| distance <= radius_px)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, star)| star)
    }
}

/// Size of a plane with one cell for each `cell_px` square begun.
pub(super) fn cells_of(size: Size, cell_px: usize) -> Size {
    Size { width: size.width.div_ceil(cell_px), height: size.height.div_ceil(cell_px) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::Homography;

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
        let shift = Transform::Homography(Homography([[1.0, 0.0, 5.0], [0.0, 1.0, -3.0], [0.0, 0.0, 1.0]]));
        let reference: Vec<_> = (0..20).map(|idx| star(10.0 * f64::from(idx), 50.0, 1.0 + f64::from(idx))).collect();
        let mut light: Vec<_> =
            reference.iter().map(|s| star(s.centroid.x - 5.0, s.centroid.y + 3.0, 0.8 * s.flux)).collect();
        // A variable star does not count.
        light[3].flux *= 10.0;
        let scale = flux_scale(&light, &reference, &shift);
        assert!((scale - 1.25).abs() < 1e-6, "scale {scale}");
        assert_eq!(flux_scale(&light[..5], &reference, &shift), 1.0, "five stars are too few");
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
