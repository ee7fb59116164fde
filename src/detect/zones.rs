//! The stars of a frame by where they stand: nine zones, three across and three down.
//!
//! In each zone the median of the stars' second moments is one typical ellipse. Medians of the three elements
//! are taken, not of widths and angles, because the long axis of a round star with noise is always longer
//! than its short one.

use crate::detect::Star;
use crate::detect::frame::clear_stars;
use crate::detect::shape::{FWHM_PER_SIGMA, Shape, trail_length_px};
use crate::detect::trail::{shape_of, stretch_noise};
use crate::pixels::statistics::median;
use crate::pixels::{Point, Size};

/// Zones along each side.
pub const ZONES_ALONG: usize = 3;

/// All zones.
pub const ZONES: usize = ZONES_ALONG * ZONES_ALONG;

/// The zone in the middle of the frame.
pub const MIDDLE_ZONE: usize = ZONES / 2;

/// The square of a vector of normal noise exceeds this many times its mean once in a thousand times: ln 1000.
const RARE_NOISE: f64 = 6.9;

/// Fewer stars give no ellipse.
const MIN_STARS: usize = 6;

/// The stars of one zone of the frame as stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zone {
    /// Middle of its stars.
    pub place: Point,
    /// Stars that count: clear and unsaturated.
    pub stars: usize,
    /// Their typical ellipse; `None` with hardly any star.
    pub ellipse: Option<Ellipse>,
}

/// What the stars of a place look like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ellipse {
    /// Full width at half maximum, the geometric mean of both axes.
    pub fwhm_px: f32,
    /// The same along the short axis: the width that a trail leaves alone.
    pub across_px: f32,
    /// Long over short axis.
    pub elongation: f32,
    /// Direction of the long axis, radians from x towards y (down), in the frame as stored.
    pub angle_rad: f32,
    /// Length of the even trail that would draw stars out so; what noise adds to it is taken off.
    pub trail_px: f32,
    /// Length that noise alone feigns once in a thousand times: long with few or faint stars.
    pub trail_doubt_px: f32,
}

impl Ellipse {
    fn new(typical: Typical) -> Self {
        let Typical { shape, noise } = typical;
        let (long, short) = shape.axes();
        let round = 0.5 * (long + short);
        let trail = |stretch: f64| trail_length_px(round + 0.5 * stretch, (round - 0.5 * stretch).max(0.0)) as f32;
        let stretch = ((long - short).powi(2) - noise).max(0.0).sqrt();
        Self {
            fwhm_px: shape.fwhm_px() as f32,
            across_px: (FWHM_PER_SIGMA * short.max(0.0).sqrt()) as f32,
            elongation: shape.elongation() as f32,
            angle_rad: shape.angle_rad() as f32,
            trail_px: trail(stretch),
            trail_doubt_px: trail((RARE_NOISE * noise).sqrt().min(2.0 * round)),
        }
    }
}

/// How one star is drawn out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Where it stands, in pixels of the frame as stored.
    pub place: Point,
    /// (L² cos 2θ, L² sin 2θ) / 12 in square pixels, for a bar of length L along θ: such pairs add where two
    /// causes draw a star out.
    pub doublet: [f64; 2],
    /// Variance along the short axis, square pixels.
    pub across: f64,
}

/// The zones from left to right and top to bottom.
#[must_use]
pub fn zones(stars: &[Star], size: Size) -> [Zone; ZONES] {
    let mut parts: [Vec<&Star>; ZONES] = Default::default();
    let part = |value: f64, len: usize| {
        (((value + 0.5) * ZONES_ALONG as f64 / len.max(1) as f64) as usize).min(ZONES_ALONG - 1)
    };
    for star in clear_stars(stars) {
        parts[part(star.centroid.y, size.height) * ZONES_ALONG + part(star.centroid.x, size.width)].push(star);
    }
    parts.map(|stars| {
        let middle = |of: fn(&Star) -> f64| stars.iter().map(|star| of(star)).sum::<f64>() / stars.len().max(1) as f64;
        let place = Point { x: middle(|star| star.centroid.x), y: middle(|star| star.centroid.y) };
        let ellipse = if stars.len() < MIN_STARS { None } else { typical(&stars).map(Ellipse::new) };
        Zone { place, stars: stars.len(), ellipse }
    })
}

/// The typical ellipse of all clear stars; `None` with hardly any.
#[must_use]
pub fn typical_ellipse(stars: &[Star]) -> Option<Ellipse> {
    let clear = clear_stars(stars);
    if clear.len() < MIN_STARS { None } else { typical(&clear).map(Ellipse::new) }
}

/// How each clear star is drawn out.
#[must_use]
pub fn stretches(stars: &[Star]) -> Vec<Stretch> {
    let stretch = |star: &Star| {
        let (long, short) = shape_of(star).axes();
        let strength = trail_length_px(long, short).powi(2) / 12.0;
        let (sin, cos) = (2.0 * f64::from(star.angle_rad)).sin_cos();
        Stretch { place: star.centroid, doublet: [strength * cos, strength * sin], across: short }
    };
    clear_stars(stars).into_iter().map(stretch).collect()
}

/// The moments of a typical star.
struct Typical {
    shape: Shape,
    /// Expected square of what noise adds to the difference of both axes.
    noise: f64,
}

/// Median of each element of the moments.
fn typical(stars: &[&Star]) -> Option<Typical> {
    let shapes: Vec<Shape> = stars.iter().map(|star| shape_of(star)).collect();
    let middle = |of: fn(&Shape) -> f64| {
        median(&mut shapes.iter().map(|shape| of(shape) as f32).collect::<Vec<_>>()).map(f64::from)
    };
    let shape = Shape { xx: middle(|shape| shape.xx)?, xy: middle(|shape| shape.xy)?, yy: middle(|shape| shape.yy)? };
    Some(Typical { shape, noise: stretch_noise(&shapes, [shape.xx - shape.yy, 2.0 * shape.xy])? })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 300, height: 150 };

    fn star(x: f64, y: f64, fwhm_px: f32, elongation: f32, angle_rad: f32) -> Star {
        Star {
            centroid: Point { x, y },
            centroid_sigma_px: 0.02,
            flux: 1.0,
            snr: 50.0,
            peak: 0.1,
            fwhm_px,
            elongation,
            angle_rad,
            saturated: false,
        }
    }

    #[test]
    fn stars_count_where_they_stand() {
        let mut stars: Vec<Star> = (0..8).map(|n| star(10.0 * f64::from(n), 20.0, 2.0, 1.0, 0.0)).collect();
        stars.extend((0..8).map(|n| star(205.0 + f64::from(n), 140.0, 4.0, 1.2, 1.0)));
        let zones = zones(&stars, SIZE);
        assert_eq!(zones.map(|zone| zone.stars), [8, 0, 0, 0, 0, 0, 0, 0, 8], "upper left and lower right");
        assert_eq!(zones[MIDDLE_ZONE].ellipse, None, "no star in the middle");
        let corner = zones[8].ellipse.expect("eight stars");
        assert!((corner.fwhm_px - 4.0).abs() < 1e-3 && (corner.elongation - 1.2).abs() < 1e-3, "{corner:?}");
        assert!((corner.angle_rad - 1.0).abs() < 1e-3, "{corner:?}");
    }

    /// Round stars with noise lean any way: their moments average to a circle, their elongations do not.
    #[test]
    fn noise_does_not_make_round_stars_long() {
        let lean = |n: i32| star(f64::from(n), 75.0, 2.0, 1.1, std::f32::consts::PI * n as f32 / 90.0);
        let zones = zones(&(0..90).map(lean).collect::<Vec<_>>(), SIZE);
        let left = zones[3].ellipse.expect("ninety stars");
        assert!(left.elongation < 1.01, "{left:?}");
    }

    /// A bar of 3 px along 45°: 9 / 12 in the diagonal element.
    #[test]
    fn a_drawn_out_star_tells_length_and_direction() {
        let (short, long) = (1.0_f64, 1.0 + 9.0 / 12.0);
        let fwhm_px = FWHM_PER_SIGMA * (short * long).powf(0.25);
        let one = star(50.0, 50.0, fwhm_px as f32, (long / short).sqrt() as f32, std::f32::consts::FRAC_PI_4);
        let found = stretches(&[one; 3])[0];
        // The bar that a Gaussian fits best is a little shorter than the one of the same variance.
        assert!(found.doublet[0].abs() < 1e-3 && (0.6..0.76).contains(&found.doublet[1]), "{found:?}");
        assert!((found.across - short).abs() < 1e-3, "{found:?}");
    }
}
