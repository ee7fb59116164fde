//! Local maxima of the filtered picture, one a star: each claims the pixels of its profile, brightest first,
//! and what lies on claimed pixels is not a star of its own.

use rayon::prelude::*;

use crate::detect::Mesh;
use crate::detect::luminance::Filtered;
use crate::detect::shape::Shape;
use crate::pixels::{Mask, Plane, Point};

/// Peaks nearer than this, in standard deviations of the profile, are one star.
const SEPARATION_SIGMA: f64 = 2.2;

/// From this significance on, a peak also claims the connected pixels above half its height.
const REGION_SIGNIFICANCE: f32 = 12.0;

/// Within this many standard deviations of a peak, what is below [`SKIRT_SHARE`] of its height is its skirt.
const SKIRT_SIGMA: f64 = 5.0;
const SKIRT_SHARE: f32 = 0.03;

/// Connected pixels beyond this are no star but land, cloud or moon.
const MAX_REGION: usize = 1500;

/// A place that may hold a star.
#[derive(Clone, Debug)]
pub(super) struct Peak {
    /// In full-resolution pixels.
    pub(super) place: Point,
    /// Height in the filtered picture over its noise.
    pub(super) significance: f32,
    /// Covariance of the connected pixels above half the height, full-resolution; `None` for faint peaks.
    pub(super) region: Option<Shape>,
}

/// Peaks, the brightest first, and which peak (its index + 1) each half-size pixel belongs to.
pub(super) struct Peaks {
    pub(super) peaks: Vec<Peak>,
    pub(super) owners: Plane<u16>,
}

pub(super) fn find_peaks(
    filtered: &Filtered,
    sigma: &Mesh,
    foreground: Option<&Mask>,
    threshold_sigma: f32,
    shape: Shape,
) -> Peaks {
    let maxima = local_maxima(filtered, sigma, foreground, threshold_sigma);
    // The filter widens a profile to twice its variance; blocks add a quarter.
    let claim = shape.scaled(0.5, 0.25 / 2.0).inverse();
    let reach = shape.scaled(0.5, 0.25 / 2.0).reach(SKIRT_SIGMA);
    let mut owners = Plane::filled(filtered.plane.size(), 0u16);
    let mut peaks = Vec::new();
    let mut region = Vec::new();
    for maximum in &maxima {
        if owners.at(maximum.x, maximum.y) != 0 {
            continue;
        }
        // No frame needs more stars than 16 bits can number.
        let Ok(owner) = u16::try_from(peaks.len() + 1) else { break };
        let mut peak =
            Peak { place: refine(&filtered.plane, maximum), significance: maximum.significance, region: None };
        if maximum.significance >= REGION_SIGNIFICANCE {
            flood(&filtered.plane, maximum, owner, &mut owners, &mut region);
            if region.len() >= MAX_REGION {
                continue;
            }
            let (center, shape) = moments(&region, &filtered.plane);
            if region.len() > 12 {
                peak.place = center;
            }
            peak.region = Some(shape);
        }
        claim_profile(&filtered.plane, maximum, owner, claim, reach, &mut owners);
        peaks.push(peak);
    }
    Peaks { peaks, owners }
}

#[derive(Clone, Copy, Debug)]
struct Maximum {
    x: usize,
    y: usize,
    significance: f32,
}

/// Pixels above the threshold that are the highest of their 3 × 3; of equals, the first.
fn local_maxima(filtered: &Filtered, sigma: &Mesh, foreground: Option<&Mask>, threshold_sigma: f32) -> Vec<Maximum> {
    let plane = &filtered.plane;
    let (width, height) = (plane.width(), plane.height());
    let border = filtered.border.max(1);
    if width <= 2 * border || height <= 2 * border {
        return Vec::new();
    }
    let mut maxima: Vec<Maximum> = (border..height - border)
        .into_par_iter()
        .map_init(
            || vec![0.0f32; width],
            |noise, y| {
                sigma.fill_row(2.0 * y as f64 + 0.5, 0.5, 2.0, noise);
                let row = plane.row(y);
                let scale = threshold_sigma * filtered.sigma_gain;
                let mut found = Vec::new();
                for first in (border..width - border).step_by(SCAN) {
                    let range = first..(first + SCAN).min(width - border);
                    // Hardly any stretch of sky has a star: one look at all of it together.
                    if !any_above(&row[range.clone()], &noise[range.clone()], scale) {
                        continue;
                    }
                    found.extend(
                        range
                            .filter(|&x| row[x] > scale * noise[x] && is_highest(plane, x, y, row[x]))
                            .map(|x| Maximum { x, y, significance: row[x] / (filtered.sigma_gain * noise[x]) }),
                    );
                }
                if let Some(mask) = foreground {
                    found.retain(|maximum| !mask.contains(2 * maximum.x, 2 * maximum.y));
                }
                found
            },
        )
        .flatten()
        .collect();
    maxima.sort_by(|a, b| b.significance.total_cmp(&a.significance).then(a.y.cmp(&b.y)).then(a.x.cmp(&b.x)));
    maxima
}

/// Pixels of a row that are looked at together.
const SCAN: usize = 32;

fn any_above(values: &[f32], noise: &[f32], scale: f32) -> bool {
    values.iter().zip(noise).fold(false, |any, (value, noise)| any | (*value > scale * noise))
}

fn is_highest(plane: &Plane<f32>, x: usize, y: usize, value: f32) -> bool {
    let (above, here, below) = (plane.row(y - 1), plane.row(y), plane.row(y + 1));
    let before = [above[x - 1], above[x], above[x + 1], here[x - 1]];
    let after = [here[x + 1], below[x - 1], below[x], below[x + 1]];
    before.iter().all(|&other| value > other) && after.iter().all(|&other| value >= other)
}

/// The top of the parabolas through a maximum and its neighbours, in full-resolution pixels.
fn refine(plane: &Plane<f32>, maximum: &Maximum) -> Point {
    let Maximum { x, y, .. } = *maximum;
    let top = |before: f32, here: f32, after: f32| {
        let curvature = 2.0 * here - before - after;
        if curvature > 0.0 { f64::from(0.5 * (after - before) / curvature).clamp(-0.5, 0.5) } else { 0.0 }
    };
    let here = plane.at(x, y);
    let dx = top(plane.at(x - 1, y), here, plane.at(x + 1, y));
    let dy = top(plane.at(x, y - 1), here, plane.at(x, y + 1));
    full_resolution(x as f64 + dx, y as f64 + dy)
}

fn full_resolution(x: f64, y: f64) -> Point {
    Point { x: 2.0 * x + 0.5, y: 2.0 * y + 0.5 }
}

/// Claims the connected free pixels above half the height of a maximum.
fn flood(plane: &Plane<f32>, maximum: &Maximum, owner: u16, owners: &mut Plane<u16>, region: &mut Vec<(usize, usize)>) {
    let level = 0.5 * plane.at(maximum.x, maximum.y);
    region.clear();
    region.push((maximum.x, maximum.y));
    owners.set(maximum.x, maximum.y, owner);
    let mut next = 0;
    while next < region.len() && region.len() < MAX_REGION {
        let (x, y) = region[next];
        next += 1;
        let neighbours = [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)];
        for (x, y) in neighbours {
            if x < plane.width() && y < plane.height() && owners.at(x, y) == 0 && plane.at(x, y) > level {
                owners.set(x, y, owner);
                region.push((x, y));
            }
        }
    }
}

/// Centre and covariance of a profile from its connected pixels above half height.
fn moments(region: &[(usize, usize)], plane: &Plane<f32>) -> (Point, Shape) {
    let mut sums = [0.0f64; 6];
    for &(x, y) in region {
        let (x, y, weight) = (x as f64, y as f64, f64::from(plane.at(x, y)));
        for (sum, term) in sums.iter_mut().zip([1.0, x, y, x * x, x * y, y * y]) {
            *sum += weight * term;
        }
    }
    let [total, x, y, xx, xy, yy] = sums;
    let (x, y) = (x / total, y / total);
    let shape = Shape { xx: xx / total - x * x, xy: xy / total - x * y, yy: yy / total - y * y };
    (full_resolution(x, y), shape)
}

/// Claims the free pixels of a profile around a maximum, and what is below its skirt further out.
fn claim_profile(
    plane: &Plane<f32>,
    maximum: &Maximum,
    owner: u16,
    inverse: Shape,
    reach: Point,
    owners: &mut Plane<u16>,
) {
    let skirt = SKIRT_SHARE * plane.at(maximum.x, maximum.y);
    let (reach_x, reach_y) = (reach.x as usize + 1, reach.y as usize + 1);
    for y in maximum.y.saturating_sub(reach_y)..(maximum.y + reach_y + 1).min(plane.height()) {
        for x in maximum.x.saturating_sub(reach_x)..(maximum.x + reach_x + 1).min(plane.width()) {
            if owners.at(x, y) != 0 {
                continue;
            }
            let distance = inverse.form(x as f64 - maximum.x as f64, y as f64 - maximum.y as f64);
            let near = distance < SEPARATION_SIGMA * SEPARATION_SIGMA;
            let on_skirt = distance < SKIRT_SIGMA * SKIRT_SIGMA && plane.at(x, y) < skirt;
            if near || (on_skirt && maximum.significance > REGION_SIGNIFICANCE) {
                owners.set(x, y, owner);
            }
        }
    }
}
