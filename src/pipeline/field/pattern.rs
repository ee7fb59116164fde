//! What draws the stars of one frame out, and where they are wider: the turning sky, the lens, a tilt.
//!
//! A bar of length L along the direction θ adds the pair (L² cos 2θ, L² sin 2θ) / 12 to the second moments of a
//! star, and the pairs of several causes add. So the pairs of all stars are fitted by what the sky's turning
//! draws (exact for a rectilinear lens; only the direction of the pole is unknown) and a bar along the radius
//! that grows with its square, as coma and astigmatism draw it (Born and Wolf, *Principles of Optics*, chapter
//! 5). The widths across are fitted by a growth with the square of the radius (field curvature) and a slope
//! over the frame (tilt). All fits weigh residuals down beyond their robust spread (Huber 1964, smoothed).

use nalgebra::{SMatrix, SVector};

use crate::detect::Stretch;
use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{Point, Size};
use crate::plan::shutter::motion_px_per_sec;

/// Fewer stars leave the pattern open.
const MIN_STARS: usize = 25;

/// The brightest of them are enough.
const MAX_STARS: usize = 600;

/// Directions of the pole that are tried first: some four degrees apart over half a sphere.
const POLES: usize = 1500;

/// Rounds of reweighting.
const ROUNDS: usize = 6;

/// Full width at half maximum over standard deviation of a Gaussian: 2 √(2 ln 2).
const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// How the sky's turning draws stars, as far as it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Turning {
    pub(super) focal_px: f64,
    pub(super) exposure_secs: f64,
    /// The celestial pole in camera axes, where the pointing is known.
    pub(super) pole: Option<[f64; 3]>,
}

/// A figure with its standard error.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// Its standard error, from the scatter of the stars.
    pub sigma: f64,
}

impl Estimate {
    /// Whether it is above a limit by more than its error may be.
    #[must_use]
    pub fn is_clearly_above(self, limit: f64) -> bool {
        self.value - LIKELY_SIGMAS * self.sigma > limit
    }

    /// Whether it exceeds a limit, on either side, by more than chance.
    #[must_use]
    pub fn exceeds(self, limit: f64) -> bool {
        self.value.abs() > limit && self.value.abs() > CLEAR_SIGMAS * self.sigma
    }
}

/// A figure this many standard errors from zero is no chance.
const CLEAR_SIGMAS: f64 = 4.0;

/// A figure is told where it is so many standard errors beyond what matters.
const LIKELY_SIGMAS: f64 = 2.0;

/// What the lens does over the frame as stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LensPattern {
    /// Length of the bar along the radius that draws out a star in the corner, trails taken off; negative where
    /// it lies across the radius.
    pub radial_px: Estimate,
    /// Growth of the star width from the middle to the corner, as a share.
    pub corner_growth: Estimate,
    /// Growth of the star width from the middle to the right and to the lower edge, as a share, beyond that.
    pub tilt: [Estimate; 2],
    /// Width across in the middle, by the fit.
    pub middle_px: f64,
    /// The celestial pole by the trails of this frame (camera axes: right, down, forward), where they show it.
    pub pole: Option<[f64; 3]>,
}

/// The pattern of a frame; `None` with few stars.
pub(super) fn lens_pattern(stretches: &[Stretch], size: Size, turning: Option<&Turning>) -> Option<LensPattern> {
    let stars = &stretches[..stretches.len().min(MAX_STARS)];
    if stars.len() < MIN_STARS {
        return None;
    }
    let frame = FrameScale::new(size);
    let ([middle, growth, right, down], sigma) = widths(stars, &frame)?;
    let share = |value: f64, sigma: f64| Estimate { value: value / middle, sigma: sigma / middle };
    let (radial, pole) = radial(stars, &frame, turning)?;
    Some(LensPattern {
        radial_px: radial,
        corner_growth: share(growth, sigma[1]),
        tilt: [share(right, sigma[2]), share(down, sigma[3])],
        middle_px: middle,
        pole,
    })
}

/// Places in units of the frame.
struct FrameScale {
    center: Point,
    half_diagonal_px: f64,
}

impl FrameScale {
    fn new(size: Size) -> Self {
        let half_diagonal_px = 0.5 * (size.width as f64).hypot(size.height as f64).max(1.0);
        Self { center: size.center(), half_diagonal_px }
    }

    fn offset_from_center(&self, place: Point) -> [f64; 2] {
        [place.x - self.center.x, place.y - self.center.y]
    }

    fn radius(&self, place: Point) -> f64 {
        place.distance(self.center) / self.half_diagonal_px
    }
}

/// Width in the middle, growth to the corner, and growth to the right and lower edge, all in pixels.
fn widths(stars: &[Stretch], frame: &FrameScale) -> Option<([f64; 4], [f64; 4])> {
    let rows: Vec<([f64; 4], f64)> = stars
        .iter()
        .map(|star| {
            let [x, y] = frame.offset_from_center(star.place);
            let row = [1.0, frame.radius(star.place).powi(2), x / frame.center.x, y / frame.center.y];
            (row, FWHM_PER_SIGMA * star.across.max(0.0).sqrt())
        })
        .collect();
    robust_fit(&rows).filter(|(values, _)| values[0] > 0.0)
}

/// The bar along the radius in the corner, and the pole where the trails show one.
fn radial(stars: &[Stretch], frame: &FrameScale, turning: Option<&Turning>) -> Option<(Estimate, Option<[f64; 3]>)> {
    let even = even_fit(stars, frame)?;
    let turning = turning.filter(|turning| turning.draws());
    let (pole, share) = match turning {
        None => (None, even),
        Some(turning) => {
            let pole = turning.pole.unwrap_or_else(|| search_pole(stars, frame, turning));
            (Some(pole), turned_fit(stars, frame, turning, pole)?)
        }
    };
    // The pair at the corner is L² / 12 along the radius, with the sign of the direction.
    let length = |value: f64| (12.0 * value.abs()).sqrt().copysign(value);
    let Estimate { value, sigma } = share;
    let bar = length(value);
    let sigma_px = if bar.abs() > 1e-6 { 6.0 * sigma / bar.abs() } else { length(sigma) };
    Some((Estimate { value: bar, sigma: sigma_px }, pole))
}

impl Turning {
    /// Whether trails are long enough to see.
    fn draws(&self) -> bool {
        let [right, down] = motion_px_per_sec(self.focal_px, [1.0, 0.0, 0.0], [0.0, 0.0]);
        right.hypot(down) * self.exposure_secs > 0.3
    }

    /// The pair that the turning adds to a star.
    fn doublet(&self, pole: [f64; 3], offset_from_center: [f64; 2]) -> [f64; 2] {
        let place = offset_from_center.map(|value| value / self.focal_px);
        let [right, down] = motion_px_per_sec(self.focal_px, pole, place).map(|speed| speed * self.exposure_secs);
        [(right * right - down * down) / 12.0, right * down / 6.0]
    }
}

/// The pair of a bar along the radius whose strength is 1 in the corner.
fn radial_doublet(star: &Stretch, frame: &FrameScale) -> [f64; 2] {
    let [x, y] = frame.offset_from_center(star.place).map(|value| value / frame.half_diagonal_px);
    // The length grows with r², its square with r⁴: r⁴ (cos 2φ, sin 2φ).
    let square = x * x + y * y;
    [square * (x * x - y * y), square * 2.0 * x * y]
}

/// One direction for all stars beside the radial bar: a shake, or a turning of which nothing is known.
fn even_fit(stars: &[Stretch], frame: &FrameScale) -> Option<Estimate> {
    let rows: Vec<([f64; 3], f64)> = stars
        .iter()
        .flat_map(|star| {
            let [along, diagonal] = radial_doublet(star, frame);
            [([1.0, 0.0, along], star.doublet[0]), ([0.0, 1.0, diagonal], star.doublet[1])]
        })
        .collect();
    let (values, sigmas) = robust_fit(&rows)?;
    Some(Estimate { value: values[2], sigma: sigmas[2] })
}

fn turned_fit(stars: &[Stretch], frame: &FrameScale, turning: &Turning, pole: [f64; 3]) -> Option<Estimate> {
    let rows = turned_rows(stars, frame, turning, pole);
    let (values, sigmas) = robust_fit(&rows)?;
    Some(Estimate { value: values[0], sigma: sigmas[0] })
}

fn turned_rows(stars: &[Stretch], frame: &FrameScale, turning: &Turning, pole: [f64; 3]) -> Vec<([f64; 1], f64)> {
    let rows = |star: &Stretch| {
        let drawn = turning.doublet(pole, frame.offset_from_center(star.place));
        let radial = radial_doublet(star, frame);
        [([radial[0]], star.doublet[0] - drawn[0]), ([radial[1]], star.doublet[1] - drawn[1])]
    };
    stars.iter().flat_map(rows).collect()
}

/// The pole whose trails explain the stars best: tried over half a sphere (trails have no sign), then refined.
fn search_pole(stars: &[Stretch], frame: &FrameScale, turning: &Turning) -> [f64; 3] {
    let cost = |pole: [f64; 3]| {
        let rows = turned_rows(stars, frame, turning, pole);
        robust_fit(&rows).map_or(f64::INFINITY, |(values, _)| {
            rows.iter().map(|(row, value)| (value - row[0] * values[0]).abs()).sum()
        })
    };
    let golden = std::f64::consts::PI * (3.0 - 5_f64.sqrt());
    let candidates = (0..POLES).map(|index| {
        // Evenly over the half sphere in front (Vogel 1979).
        let forward = (index as f64 + 0.5) / POLES as f64;
        let (sin, cos) = (golden * index as f64).sin_cos();
        let level = (1.0 - forward * forward).sqrt();
        [level * cos, level * sin, forward]
    });
    let costed = candidates.map(|pole| (cost(pole), pole));
    let (mut least, mut best) = costed.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((f64::INFINITY, [0.0, 0.0, 1.0]));
    let mut step = 0.04;
    while step > 5e-4 {
        let tries = [[step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]].map(|shift| moved(best, shift));
        let nearer = tries.into_iter().map(|pole| (cost(pole), pole)).min_by(|a, b| a.0.total_cmp(&b.0));
        match nearer {
            Some((value, pole)) if value < least => (least, best) = (value, pole),
            _ => step *= 0.5,
        }
    }
    best
}

/// A direction moved by small angles along two directions across it.
fn moved(pole: [f64; 3], [first, second]: [f64; 2]) -> [f64; 3] {
    let pole = nalgebra::Vector3::from(pole);
    let helper = if pole.x.abs() < 0.7 { nalgebra::Vector3::x() } else { nalgebra::Vector3::y() };
    let across = pole.cross(&helper).normalize();
    let there = (pole + first * across + second * pole.cross(&across)).normalize();
    [there.x, there.y, there.z]
}

/// Linear least squares with residuals weighed down beyond their spread; values and standard errors.
fn robust_fit<const N: usize>(rows: &[([f64; N], f64)]) -> Option<([f64; N], [f64; N])> {
    let mut weights = vec![1.0; rows.len()];
    let mut values = SVector::<f64, N>::zeros();
    let mut inverse = SMatrix::<f64, N, N>::zeros();
    let mut spread = 0.0;
    for _ in 0..ROUNDS {
        let mut normal = SMatrix::<f64, N, N>::zeros();
        let mut right = SVector::<f64, N>::zeros();
        for ((row, value), weight) in rows.iter().zip(&weights) {
            let row = SVector::<f64, N>::from(*row);
            normal += row * row.transpose() * *weight;
            right += row * (value * weight);
        }
        inverse = normal.try_inverse()?;
        values = inverse * right;
        let residual = |(row, value): &([f64; N], f64)| value - SVector::<f64, N>::from(*row).dot(&values);
        let mut sizes: Vec<f32> = rows.iter().map(|row| residual(row).abs() as f32).collect();
        spread = f64::from(SIGMA_PER_MAD * median(&mut sizes)?).max(1e-9);
        for (weight, row) in weights.iter_mut().zip(rows) {
            *weight = 1.0 / (1.0 + (residual(row) / (1.5 * spread)).powi(2)).sqrt();
        }
    }
    let sigmas = std::array::from_fn(|index| spread * inverse[(index, index)].max(0.0).sqrt());
    Some((std::array::from_fn(|index| values[index]), sigmas))
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 3000, height: 2000 };

    /// Stars on a lattice out of step, each with the pair and the width that `look` gives.
    fn stars(look: impl Fn(Point) -> ([f64; 2], f64)) -> Vec<Stretch> {
        let place = |n: usize| Point { x: (n * 1237 % 3000) as f64, y: (n * 877 % 2000) as f64 };
        (0..200)
            .map(|n| {
                let (doublet, across) = look(place(n));
                Stretch { place: place(n), doublet, across }
            })
            .collect()
    }

    #[test]
    fn a_radial_bar_is_told_from_an_even_one() {
        let frame = FrameScale::new(SIZE);
        let bar = |radial_px: f64| {
            stars(|place| {
                let [x, y] = frame.offset_from_center(place);
                // A bar whose length is the share of the corner's that the square of the radius is.
                let length_px = radial_px * frame.radius(place).powi(2);
                let strength = length_px * length_px.abs() / 12.0;
                let (sin, cos) = (2.0 * y.atan2(x)).sin_cos();
                ([0.8 + strength * cos, 0.8 + strength * sin], 1.0)
            })
        };
        for radial_px in [4.0, -3.0] {
            let found = lens_pattern(&bar(radial_px), SIZE, None).expect("two hundred stars");
            assert!((found.radial_px.value - radial_px).abs() < 1e-6, "{radial_px}: {found:?}");
        }
    }

    #[test]
    fn a_slope_of_the_width_is_told_from_a_growth_to_the_corners() {
        let stars = stars(|place| {
            let radius = place.distance(SIZE.center()) / 0.5 / 3000_f64.hypot(2000.0);
            let width = 2.0 * (1.0 + 0.2 * radius * radius + 0.1 * (place.x - 1499.5) / 1499.5);
            ([0.0; 2], (width / FWHM_PER_SIGMA).powi(2))
        });
        let found = lens_pattern(&stars, SIZE, None).expect("two hundred stars");
        assert!((found.corner_growth.value - 0.2).abs() < 1e-3, "{found:?}");
        assert!((found.tilt[0].value - 0.1).abs() < 1e-3 && found.tilt[1].value.abs() < 1e-3, "{found:?}");
        assert!((found.middle_px - 2.0).abs() < 1e-3, "{found:?}");
    }

    /// The trails of a wide lens fan out and are longest in the corners, and yet are no fault of the lens.
    #[test]
    fn the_pole_is_found_from_trails_and_the_lens_is_not_blamed() {
        let turning = Turning { focal_px: 2000.0, exposure_secs: 25.0, pole: None };
        let pole = [0.30, -0.55, 0.0_f64];
        let pole = [pole[0], pole[1], (1.0 - pole[0] * pole[0] - pole[1] * pole[1]).sqrt()];
        let center = SIZE.center();
        let trails = stars(|place| (turning.doublet(pole, [place.x - center.x, place.y - center.y]), 1.0));
        let found = lens_pattern(&trails, SIZE, Some(&turning)).expect("two hundred stars");
        let by_trails = found.pole.expect("trails of 2.5 px");
        let cosine: f64 = by_trails.iter().zip(pole).map(|(a, b)| a * b).sum();
        assert!(cosine.abs().acos().to_degrees() < 0.5, "{by_trails:?} for {pole:?}");
        assert!(found.radial_px.value.abs() < 0.3, "{found:?}");
    }

    #[test]
    fn few_stars_leave_the_pattern_open() {
        let stars = stars(|_| ([0.0; 2], 1.0));
        assert_eq!(lens_pattern(&stars[..20], SIZE, None), None, "twenty stars");
    }
}
