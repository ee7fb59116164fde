//! Uneven sky glow: a second-order surface through the sky's cells, one for each channel.
//!
//! Ordinary least squares, repeated without the cells that stand out; light above the surface (the
//! Milky Way, a cloud) stands out sooner than darkness below it, so that it stays in the picture.
//! The surface is levelled to its lowest place in the sky: light is only ever taken away.

use nalgebra::{SMatrix, SVector};

use crate::develop::sky::SkyCell;
use crate::pixels::statistics::SIGMA_PER_MAD;
use crate::pixels::statistics::median;
use crate::pixels::{LinearImage, Plane, Size};

/// Terms of a second-order surface: 1, x, y, x², x y, y².
const N_TERMS: usize = 6;

/// Fits without the cells that stood out before.
const N_ROUNDS: usize = 8;

/// A cell so many standard deviations above the surface is no glow. Common practice, no source.
const ABOVE_SIGMA: f64 = 1.5;

/// A cell so many standard deviations below the surface is no glow. Common practice, no source.
const BELOW_SIGMA: f64 = 3.0;

/// Least cells for each term of the surface.
const CELLS_PER_TERM: usize = 3;

/// Light to take away from the sky, as a surface over the frame in camera RGB.
#[derive(Clone, Debug, PartialEq)]
pub struct SkyGradient {
    channels: [[f32; N_TERMS]; 3],
}

impl SkyGradient {
    /// The surface through the sky, times `strength`; `None` with too few cells to know it.
    #[must_use]
    pub fn fit(cells: &[SkyCell], strength: f32) -> Option<Self> {
        let red = fit_channel(cells, 0)?;
        let green = fit_channel(cells, 1)?;
        let blue = fit_channel(cells, 2)?;
        let scaled = |terms: SVector<f64, N_TERMS>| std::array::from_fn(|term| strength * terms[term] as f32);
        Some(Self { channels: [scaled(red), scaled(green), scaled(blue)] })
    }

    /// The light to take away at a place given in fractions of the frame's width and height.
    #[must_use]
    #[inline(always)]
    pub fn at(&self, place: [f32; 2]) -> [f32; 3] {
        let [x, y] = [2.0 * place[0] - 1.0, 2.0 * place[1] - 1.0];
        self.channels.map(|[c, cx, cy, cxx, cxy, cyy]| c + x * (cx + cxx * x + cxy * y) + y * (cy + cyy * y))
    }

    /// The surface as a picture, to be looked at.
    #[must_use]
    pub fn picture(&self, size: Size) -> LinearImage {
        let place = |x: usize, y: usize| [(x as f32 + 0.5) / size.width as f32, (y as f32 + 0.5) / size.height as f32];
        let plane = |channel: usize| Plane::from_fn(size, |x, y| self.at(place(x, y))[channel]);
        LinearImage { planes: [plane(0), plane(1), plane(2)] }
    }
}

/// The terms over coordinates that run from -1 to 1, which keeps the fit well conditioned.
#[inline]
fn terms_at(place: [f64; 2]) -> [f64; N_TERMS] {
    let [x, y] = place.map(|fraction| 2.0 * fraction - 1.0);
    [1.0, x, y, x * x, x * y, y * y]
}

/// The surface of one channel, 0 at its lowest cell.
fn fit_channel(cells: &[SkyCell], channel: usize) -> Option<SVector<f64, N_TERMS>> {
    let rows: Vec<SVector<f64, N_TERMS>> = cells.iter().map(|cell| terms_at(cell.at).into()).collect();
    let residual = |surface: &SVector<f64, N_TERMS>, idx: usize| cells[idx].level[channel] - rows[idx].dot(surface);
    let mut kept: Vec<usize> = (0..cells.len()).collect();
    let mut surface = least_squares(&rows, cells, channel, &kept)?;
    for _ in 0..N_ROUNDS {
        let residuals: Vec<f32> = kept.iter().map(|&idx| residual(&surface, idx) as f32).collect();
        let center = f64::from(median(&mut residuals.clone())?);
        let mut distances: Vec<f32> = residuals.iter().map(|value| (value - center as f32).abs()).collect();
        let sigma = f64::from(SIGMA_PER_MAD * median(&mut distances)?);
        let inside = |idx: &usize| {
            let distance = residual(&surface, *idx) - center;
            distance <= ABOVE_SIGMA * sigma && distance >= -BELOW_SIGMA * sigma
        };
        let next: Vec<usize> = (0..cells.len()).filter(inside).collect();
        if next == kept {
            break;
        }
        let Some(refined) = least_squares(&rows, cells, channel, &next) else { break };
        kept = next;
        surface = refined;
    }
    let lowest = rows.iter().map(|row| row.dot(&surface)).min_by(f64::total_cmp)?;
    surface[0] -= lowest;
    Some(surface)
}

fn least_squares(
    rows: &[SVector<f64, N_TERMS>],
    cells: &[SkyCell],
    channel: usize,
    kept: &[usize],
) -> Option<SVector<f64, N_TERMS>> {
    if kept.len() < CELLS_PER_TERM * N_TERMS {
        return None;
    }
    let mut normal = SMatrix::<f64, N_TERMS, N_TERMS>::zeros();
    let mut right = SVector::<f64, N_TERMS>::zeros();
    for &idx in kept {
        normal += rows[idx] * rows[idx].transpose();
        right += rows[idx] * cells[idx].level[channel];
    }
    normal.cholesky().map(|factors| factors.solve(&right))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A glow that grows to the right and down, with an optional bright band across it.
    fn glow(band: f64) -> Vec<SkyCell> {
        let cell = |idx: usize| {
            let at = [(idx % 40) as f64 / 40.0, (idx / 40) as f64 / 30.0];
            let in_band = (at[0] + at[1] - 1.0).abs() < 0.12;
            let level = 0.02 + 0.01 * at[0] + 0.03 * at[1] * at[1] + if in_band { band } else { 0.0 };
            SkyCell { at, level: [level, 2.0 * level, 0.5 * level] }
        };
        (0..40 * 30).map(cell).collect()
    }

    #[test]
    fn a_smooth_glow_is_found_exactly_and_levelled_to_its_lowest_place() {
        let gradient = SkyGradient::fit(&glow(0.0), 1.0).expect("many cells");
        for place in [[0.0, 0.0], [0.5, 0.25], [0.9, 0.9]] {
            let expected = 0.01 * place[0] + 0.03 * place[1] * place[1];
            let found = gradient.at(place);
            for (channel, factor) in [1.0, 2.0, 0.5].into_iter().enumerate() {
                let error = (found[channel] - factor * expected).abs();
                assert!(error < 1e-5, "channel {channel} at {place:?}: {found:?}, expected {expected} times {factor}");
            }
        }
    }

    #[test]
    fn a_bright_band_is_not_taken_for_glow() {
        let band = 0.015;
        let without = SkyGradient::fit(&glow(0.0), 1.0).expect("many cells");
        let with = SkyGradient::fit(&glow(band), 1.0).expect("many cells");
        for place in [[0.5, 0.5], [0.2, 0.8], [0.8, 0.2], [0.1, 0.1], [0.9, 0.9]] {
            let error = (with.at(place)[0] - without.at(place)[0]).abs();
            assert!(error < 0.05 * band as f32, "the band moves the surface by {error} at {place:?}");
        }
    }

    #[test]
    fn a_few_cells_give_no_surface() {
        assert_eq!(SkyGradient::fit(&glow(0.0)[..17], 1.0), None, "17 cells in one row");
    }
}
