//! Light that a lens loses towards the corners, by the radius alone: from a flat, from a lens profile, or from the sky.
//!
//! Light left at radius r is 1 + a₁ r² + a₂ r⁴ + a₃ r⁶, with r = 1 in the corners and 0 in the middle of the frame:
//! the even polynomial of the DNG specification 1.4 (2012), FixVignetteRadial, as its inverse.
//!
//! From the sky: each channel's background is taken for an inclined plane (airglow, a town's glow), seen through the
//! falloff with a₁ and a₂. A plane has no part that depends on the radius alone, so both can be told apart. Glow that
//! is no plane cannot, and betrays itself: it has a colour, and the falloff of a lens has none. So the fit
//! counts only where red, green and blue agree on the corner, the sky follows the model, and the loss is many times
//! its error. A sky that is no plane is tried as one over a horizon (`falloff_horizon`).

use nalgebra::{SMatrix, SVector};
use serde::{Deserialize, Serialize};

use crate::develop::falloff_horizon::{Hold, of_horizon};
use crate::develop::sky::{SkyCell, sample_sky};
use crate::foreground::ForegroundMask;
use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{LinearImage, Plane, Size};

/// Terms of the polynomial.
const N_TERMS: usize = 3;
/// No lens leaves less light than this.
const LEAST_LIGHT: f64 = 0.08;
/// Cells that a fit needs.
const MIN_CELLS: usize = 60;
/// A loss in the corners below this is not seen.
const LEAST_LOSS: f64 = 0.05;
/// Loss over its error.
const SIGNIFICANT: f64 = 8.0;
/// Largest difference between the losses of the channels, as a share of the loss; and what is allowed in any case.
const COLOR_SHARE: f64 = 0.15;
const COLOR_LEAST: f64 = 0.02;
/// Typical residual of the sky from the model, as a share of its level.
const MOST_RESIDUAL: f64 = 0.02;
/// Cells must reach from within to beyond these radii.
const RADII: [f64; 2] = [0.35, 0.85];
/// Residuals of neighbouring cells hang together: so many count as one.
const CELLS_PER_INDEPENDENT: f64 = 16.0;
/// Gauss-Newton steps; ten decimals are there after five.
const N_STEPS: usize = 8;
/// Residuals beyond this many typical ones count less (Huber).
const HUBER_SIGMA: f64 = 1.5;
/// Plane and falloff of one channel: c, cx, cy, a₁, a₂.
const N_FIT: usize = 5;

/// Light left of what a lens gives in the middle of the frame.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Falloff {
    /// a₁, a₂, a₃.
    pub terms: [f64; N_TERMS],
}

impl Falloff {
    /// A falloff that a lens may have; `None` for numbers that leave no light, or too much, anywhere in the frame.
    #[must_use]
    pub fn new(terms: [f64; N_TERMS]) -> Option<Self> {
        let falloff = Self { terms };
        let is_possible = |light: f64| (LEAST_LIGHT..=1.05).contains(&light);
        (0..=20).all(|k| is_possible(falloff.light_at(f64::from(k) / 20.0))).then_some(falloff)
    }

    /// Light left where the square of the radius is `r_squared`.
    #[must_use]
    #[inline]
    pub fn light_at(&self, r_squared: f64) -> f64 {
        let [a, b, c] = self.terms;
        1.0 + r_squared * (a + r_squared * (b + r_squared * c))
    }

    /// Share of the light lost in the corners.
    #[must_use]
    pub fn corner_loss(&self) -> f64 {
        1.0 - self.light_at(1.0)
    }

    /// What a flat shows of the lens: least squares over its planes, each relative to its middle.
    #[must_use]
    pub fn of_flat(planes: &[Plane<f32>]) -> Option<Self> {
        let mut normal = SMatrix::<f64, 4, 4>::zeros();
        let mut right = SVector::<f64, 4>::zeros();
        for plane in planes {
            let size = plane.size();
            // Blocks of whole patterns of a mosaic; a flat has mean 1 in each colour.
            let edge = (size.width / 96).max(2) & !1;
            for top in (0..size.height.saturating_sub(edge)).step_by(edge) {
                for left in (0..size.width.saturating_sub(edge)).step_by(edge) {
                    let rows = (top..top + edge).map(|y| &plane.row(y)[left..left + edge]);
                    let level = rows.flatten().sum::<f32>() / (edge * edge) as f32;
                    let middle = |start: usize| start as f64 + 0.5 * edge as f64;
                    let r2 = radius_squared([middle(left) / size.width as f64, middle(top) / size.height as f64], size);
                    let row = SVector::<f64, 4>::new(1.0, r2, r2 * r2, r2 * r2 * r2);
                    normal += row * row.transpose();
                    right += row * f64::from(level);
                }
            }
        }
        let found = normal.cholesky()?.solve(&right);
        (found[0] > 0.0).then(|| Self::new([found[1], found[2], found[3]].map(|term| term / found[0])))?
    }
}

/// Square of the radius of a place in fractions of width and height; 1 in the corners.
#[must_use]
#[inline]
pub fn radius_squared(place: [f64; 2], size: Size) -> f64 {
    let [x, y] = scales(size);
    x * (place[0] - 0.5).powi(2) + y * (place[1] - 0.5).powi(2)
}

/// Factors of the squares of the distances from the middle, in fractions of width and height.
pub(super) fn scales(size: Size) -> [f64; 2] {
    let (width, height) = (size.width as f64, size.height as f64);
    let diagonal = width * width + height * height;
    [4.0 * width * width / diagonal, 4.0 * height * height / diagonal]
}

/// The falloff as the sky of a picture shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyFalloff {
    /// Of all channels.
    pub falloff: Falloff,
    /// Loss in the corners over its error.
    pub significance: f64,
}

impl SkyFalloff {
    /// Fits the falloff to the sky of a picture; the error says why the sky does not tell it.
    ///
    /// Where it is known how the camera was held, a sky that is no plane may be one that reaches the horizon.
    pub fn of_sky(
        image: &LinearImage,
        foreground: Option<&ForegroundMask>,
        hold: Option<Hold>,
    ) -> Result<Self, String> {
        let size = image.size();
        let cells = sample_sky(image, foreground);
        Self::of_plane(&cells, size).or_else(|of_plane| {
            let is_known = |hold: &Hold| hold.focal_widths > 0.0 && covers_radii(&cells, size);
            let hold = hold.filter(is_known).ok_or(of_plane)?;
            let (falloff, significance) = of_horizon(&cells, size, hold)?;
            Ok(Self { falloff, significance })
        })
    }

    fn of_plane(cells: &[SkyCell], size: Size) -> Result<Self, String> {
        if !covers_radii(cells, size) {
            return Err("too little sky is seen between the middle and the corners".to_owned());
        }
        let fits: Vec<ChannelFit> = (0..3).filter_map(|channel| ChannelFit::of(cells, channel, size)).collect();
        let Ok(fits) = <[ChannelFit; 3]>::try_from(fits) else {
            return Err("the sky is too dark or too uneven".to_owned());
        };
        let residual = fits.iter().map(|fit| fit.residual).fold(0.0, f64::max);
        if residual > MOST_RESIDUAL {
            return Err(format!("the sky is uneven by {:.1} % beyond any falloff", 100.0 * residual));
        }
        // By the inverse variances of the channels.
        let weight = |fit: &ChannelFit| fit.loss_error.powi(-2);
        let total: f64 = fits.iter().map(weight).sum();
        let mean = |term: usize| fits.iter().map(|fit| weight(fit) * fit.terms[term]).sum::<f64>() / total;
        let terms = [mean(0), mean(1), 0.0];
        let losses = fits.map(|fit| -(fit.terms[0] + fit.terms[1]));
        let loss = -(terms[0] + terms[1]);
        let spread = losses.iter().map(|own| (own - loss).abs()).fold(0.0, f64::max);
        if spread > COLOR_LEAST.max(COLOR_SHARE * loss.abs()) {
            let [red, green, blue] = losses.map(|loss| 100.0 * loss);
            return Err(format!(
                "red, green and blue do not agree: the corners would lose {red:.0}, {green:.0} and {blue:.0} %"
            ));
        }
        // The channels differ by more than chance where the sky is uneven: that is an error as well.
        let error = total.powf(-0.5).max(spread);
        let significance = loss / error;
        let falloff = Falloff::new(terms).filter(|_| loss >= LEAST_LOSS && significance >= SIGNIFICANT);
        falloff.map(|falloff| Self { falloff, significance }).ok_or_else(|| {
            format!(
                "the corners lose {:.0} % with an error of {:.0} %, which is too unsure",
                100.0 * loss,
                100.0 * error
            )
        })
    }
}

fn covers_radii(cells: &[SkyCell], size: Size) -> bool {
    let radius = |cell: &SkyCell| radius_squared(cell.at, size).sqrt();
    let reaches = cells.iter().any(|cell| radius(cell) < RADII[0]) && cells.iter().any(|cell| radius(cell) > RADII[1]);
    cells.len() >= MIN_CELLS && reaches
}

/// One channel's plane and falloff.
#[derive(Clone, Copy)]
struct ChannelFit {
    terms: [f64; 2],
    loss_error: f64,
    /// Typical share of the level that the model leaves.
    residual: f64,
}

impl ChannelFit {
    /// Gauss-Newton with Huber's weights on relative residuals.
    fn of(cells: &[SkyCell], channel: usize, size: Size) -> Option<Self> {
        let level = |cell: &SkyCell| cell.level[channel];
        let mut levels: Vec<f32> = cells.iter().map(|cell| level(cell) as f32).collect();
        let middle = f64::from(median(&mut levels)?);
        if middle <= 0.0 {
            return None;
        }
        let mut fit = SVector::<f64, N_FIT>::new(middle, 0.0, 0.0, 0.0, 0.0);
        let mut typical = 0.1;
        let mut covariance = SMatrix::<f64, N_FIT, N_FIT>::identity();
        for _ in 0..N_STEPS {
            let mut normal = SMatrix::<f64, N_FIT, N_FIT>::zeros();
            let mut right = SVector::<f64, N_FIT>::zeros();
            let mut residuals = Vec::with_capacity(cells.len());
            for cell in cells {
                let [x, y] = cell.at.map(|fraction| 2.0 * fraction - 1.0);
                let r2 = radius_squared(cell.at, size);
                let plane = fit[0] + fit[1] * x + fit[2] * y;
                let light = 1.0 + r2 * (fit[3] + r2 * fit[4]);
                let row = SVector::<f64, N_FIT>::new(light, light * x, light * y, plane * r2, plane * r2 * r2);
                let scale = middle.recip();
                let residual = (level(cell) - plane * light) * scale;
                residuals.push(residual.abs() as f32);
                let weight = (HUBER_SIGMA * typical / residual.abs().max(f64::MIN_POSITIVE)).min(1.0);
                let row = row * scale;
                normal += weight * row * row.transpose();
                right += weight * row * residual;
            }
            fit += normal.cholesky()?.solve(&right);
            covariance = normal.try_inverse()?;
            typical = (f64::from(SIGMA_PER_MAD) * f64::from(median(&mut residuals)?)).max(1e-6);
        }
        let direction = SVector::<f64, N_FIT>::new(0.0, 0.0, 0.0, 1.0, 1.0);
        let variance = direction.dot(&(covariance * direction)) * typical * typical * CELLS_PER_INDEPENDENT;
        let finite = fit.iter().all(|value| value.is_finite()) && variance.is_finite() && variance > 0.0;
        finite.then(|| Self { terms: [fit[3], fit[4]], loss_error: variance.sqrt(), residual: typical })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 720, height: 480 };

    /// A sky as bright as `sky` says in each channel, through a lens that loses 0.42 r².
    fn picture(loss: f64, sky: impl Fn(f64, f64) -> [f64; 3]) -> LinearImage {
        let planes = std::array::from_fn(|channel| {
            Plane::from_fn(SIZE, |x, y| {
                let at = [(x as f64 + 0.5) / 720.0, (y as f64 + 0.5) / 480.0];
                let light = sky(at[0], at[1])[channel] * (1.0 - loss * radius_squared(at, SIZE));
                // A noise that averages out.
                (light + 1e-3 * (((x * 7919 + y * 104_729) % 997) as f64 / 498.0 - 1.0)) as f32
            })
        });
        LinearImage { planes }
    }

    #[test]
    fn the_falloff_of_an_inclined_sky_is_found() {
        let image = picture(0.42, |x, y| [0.02 + 0.004 * x, 0.03 + 0.01 * y, 0.02 - 0.004 * x + 0.002 * y]);
        let found = SkyFalloff::of_sky(&image, None, None).expect("a clear case");
        let loss = found.falloff.corner_loss();
        assert!((loss - 0.42).abs() < 0.01, "{loss} of 0.42, {} errors", found.significance);
        assert!((found.falloff.light_at(0.5) - 0.79).abs() < 0.01, "half way: {:?}", found.falloff);
    }

    #[test]
    fn a_glow_with_a_color_of_its_own_is_not_taken_for_the_lens() {
        let glow = |x: f64, y: f64| {
            let r2 = radius_squared([x, y], SIZE);
            [0.35, 0.2, 0.1].map(|share| 0.03 * (1.0 - share * r2))
        };
        let reason = SkyFalloff::of_sky(&picture(0.0, glow), None, None).expect_err("light from a cloud in the middle");
        assert!(reason.contains("do not agree"), "{reason}");
    }

    #[test]
    fn an_even_sky_through_a_perfect_lens_has_no_falloff() {
        let reason = SkyFalloff::of_sky(&picture(0.0, |_, _| [0.02; 3]), None, None).expect_err("nothing is lost");
        assert!(reason.contains("unsure"), "{reason}");
    }

    #[test]
    fn land_over_the_lower_half_leaves_too_little_sky_only_where_it_covers_the_middle() {
        let image = picture(0.42, |_, y| [0.02 + 0.002 * y, 0.03, 0.02]);
        let land = |from: usize| ForegroundMask(Plane::from_fn(SIZE, |_, y| if y >= from { 1.0 } else { 0.0 }));
        let found = SkyFalloff::of_sky(&image, Some(&land(300)), None).expect("the middle and two corners");
        assert!((found.falloff.corner_loss() - 0.42).abs() < 0.03, "{found:?}");
        assert!(SkyFalloff::of_sky(&image, Some(&land(60)), None).is_err(), "a strip along the top");
    }

    #[test]
    fn a_flat_tells_its_falloff_and_nonsense_is_refused() {
        let flat = Plane::from_fn(SIZE, |x, y| {
            let r2 = radius_squared([(x as f64 + 0.5) / 720.0, (y as f64 + 0.5) / 480.0], SIZE);
            (1.3 * (1.0 - 0.3 * r2 - 0.1 * r2 * r2)) as f32
        });
        let found = Falloff::of_flat(&[flat]).expect("a lens");
        assert!((found.corner_loss() - 0.4).abs() < 0.002, "{found:?}");
        assert_eq!(Falloff::new([-2.0, 0.0, 0.0]), None, "no light is left");
        assert_eq!(Falloff::new([f64::NAN, 0.0, 0.0]), None, "no number");
    }
}
