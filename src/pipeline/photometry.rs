//! Brings a frame's light to that of the reference frame: a scale from matched stars, and a smooth offset from both
//! skies, so that passing cloud or moonrise does not defeat the clipping.
//!
//! Cloud over a part of the frame takes more light there: the scale then has a map of its own, a local linear fit to the
//! log ratios of the stars' fluxes (locally weighted regression, Cleveland 1979), robust, and held to one scale
//! where stars are few. It is taken only where the map that half of the stars draw tells the ratios of the other half better
//! than one number does.

use nalgebra::{Matrix3, Vector3};

use crate::detect::{Mesh, Star};
use crate::pixels::{Plane, Point, Size, Transform};
use crate::register::StarMatch;

/// Pairs of stars below this leave the scale at 1: too few to average their noise away.
const MIN_PAIRS: usize = 8;
/// Stars below this signal over noise say little about transparency.
const MIN_SNR: f64 = 15.0;

/// Fewer pairs draw no map.
const MIN_MAP_PAIRS: usize = 40;
/// The brightest draw it: more only take time.
const MAX_MAP_PAIRS: usize = 600;
/// Cells of the map along the longer edge of the frame.
const MAP_CELLS: usize = 16;
/// Reach of a star's say, as a share of the longer edge: standard deviation of a normal distribution.
const REACH: f64 = 0.08;
/// What fluxes of one star scatter by beyond their noise, as a share.
const FLUX_SCATTER: f64 = 0.02;
/// How far the scale is believed to change where no star says so, in logarithms.
const USUAL_CHANGE: f64 = 0.1;
/// Standard deviations from which on a star counts less: it is variable, or another star.
const ODD_SIGMA: f64 = 2.5;
/// Rounds in which odd stars lose their say.
const N_ROUNDS: usize = 3;
/// The map must tell the stars that did not draw it better by this share of the squares that one scale leaves.
const LEAST_USE: f64 = 0.15;
/// No map tells of a change beyond this, in logarithms: a star seen at a seventh of its light is lost.
const MOST_CHANGE: f64 = 2.0;

/// One star in both frames.
#[derive(Clone, Copy, Debug)]
struct FluxPair {
    /// In the reference frame.
    at: Point,
    /// Flux there over that in the light frame.
    ratio: f64,
    /// Of the logarithm of that ratio, by noise alone.
    variance: f64,
}

/// What a frame's light is multiplied by to be that of the reference frame.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct FluxScale {
    /// All over the frame.
    pub(super) typical: f32,
    /// What that is multiplied by from place to place in the reference frame, 1 in the mean of squares; `None` where one
    /// scale does.
    pub(super) local: Option<Mesh>,
}

impl FluxScale {
    /// Of a frame that is the reference.
    pub(super) fn one() -> Self {
        Self { typical: 1.0, local: None }
    }

    /// By matched stars; 1 where too few are shared. `size` is that of the frames.
    pub(super) fn between(light: &[Star], reference: &[Star], matches: &[StarMatch], size: Size) -> Self {
        let pairs = pairs(light, reference, matches);
        if pairs.len() < MIN_PAIRS {
            return Self::one();
        }
        let typical = typical(&pairs);
        let Some(mut cells) = local_logs(&pairs, typical, size) else {
            return Self { typical: typical as f32, local: None };
        };
        cells.samples_mut().iter_mut().for_each(|log| *log = log.exp());
        let squares = cells.samples().iter().map(|&factor| f64::from(factor).powi(2)).sum::<f64>();
        let root = (squares / cells.samples().len() as f64).sqrt();
        cells.samples_mut().iter_mut().for_each(|factor| *factor /= root as f32);
        Self { typical: (typical * root) as f32, local: Some(Mesh { cells, cell_px: map_cell_px(size) }) }
    }

    /// At a place in the reference frame.
    fn at(&self, place: Point) -> f32 {
        self.local.as_ref().map_or(self.typical, |local| self.typical * local.at(place))
    }
}

fn pairs(light: &[Star], reference: &[Star], matches: &[StarMatch]) -> Vec<FluxPair> {
    let good = |star: &Star| !star.saturated && star.snr >= MIN_SNR && star.flux > 0.0;
    matches
        .iter()
        .map(|pair| (&light[pair.light], &reference[pair.reference]))
        .filter(|(star, other)| good(star) && good(other))
        .map(|(star, other)| FluxPair {
            at: other.centroid,
            ratio: other.flux / star.flux,
            variance: star.snr.powi(-2) + other.snr.powi(-2),
        })
        .collect()
}

/// The weighted median of the ratios.
fn typical(pairs: &[FluxPair]) -> f64 {
    weighted_median(&mut pairs.iter().map(|pair| (pair.ratio, 1.0 / pair.variance)).collect::<Vec<_>>())
}

/// Logarithms of the scale over its typical one, by cells of the reference frame, where they are worth having.
fn local_logs(pairs: &[FluxPair], typical: f64, size: Size) -> Option<Plane<f32>> {
    if pairs.len() < MIN_MAP_PAIRS {
        return None;
    }
    let mut brightest: Vec<FluxPair> =
        pairs.iter().map(|pair| FluxPair { ratio: pair.ratio / typical, ..*pair }).collect();
    brightest.sort_by(|a, b| a.variance.total_cmp(&b.variance).then(a.at.x.total_cmp(&b.at.x)));
    brightest.truncate(MAX_MAP_PAIRS);
    let half = |first: usize| brightest.iter().copied().skip(first).step_by(2).collect::<Vec<_>>();
    let halves = [half(0), half(1)];
    let (mut with, mut without) = (0.0, 0.0);
    for (drawing, judging) in [(&halves[0], &halves[1]), (&halves[1], &halves[0])] {
        let drawn = Mesh { cells: draw(drawing, size), cell_px: map_cell_px(size) };
        let all_over = self::typical(drawing).ln();
        for pair in judging {
            with += misfit(pair, f64::from(drawn.at(pair.at)));
            without += misfit(pair, all_over);
        }
    }
    (with < (1.0 - LEAST_USE) * without).then(|| draw(&brightest, size))
}

/// Square of the distance from a pair's log ratio in its standard deviations; odd stars count as they do in the fit.
fn misfit(pair: &FluxPair, log: f64) -> f64 {
    let square = (pair.ratio.ln() - log).powi(2) / (pair.variance + FLUX_SCATTER.powi(2));
    let odd = ODD_SIGMA.powi(2);
    odd * (1.0 + square / odd).ln()
}

fn map_cell_px(size: Size) -> usize {
    size.width.max(size.height).div_ceil(MAP_CELLS)
}

/// The map that pairs draw, as logarithms in cells.
fn draw(pairs: &[FluxPair], size: Size) -> Plane<f32> {
    let cell_px = map_cell_px(size);
    let cells = Size { width: size.width.div_ceil(cell_px), height: size.height.div_ceil(cell_px) };
    let reach_px = REACH * size.width.max(size.height) as f64;
    let mut weights: Vec<f64> = pairs.iter().map(|pair| 1.0 / (pair.variance + FLUX_SCATTER.powi(2))).collect();
    let mut round = 0;
    loop {
        let map = Plane::from_fn(cells, |x, y| local_log(pairs, &weights, cell_center(x, y, cell_px), reach_px) as f32);
        round += 1;
        if round == N_ROUNDS {
            return map;
        }
        let map = Mesh { cells: map, cell_px };
        for (pair, weight) in pairs.iter().zip(&mut weights) {
            let variance = pair.variance + FLUX_SCATTER.powi(2);
            let square = (pair.ratio.ln() - f64::from(map.at(pair.at))).powi(2) / variance;
            *weight = 1.0 / (variance * (1.0 + square / ODD_SIGMA.powi(2)));
        }
    }
}

/// The log ratio at a place: of the plane through the pairs around it, nearer ones with more say.
fn local_log(pairs: &[FluxPair], weights: &[f64], place: Point, reach_px: f64) -> f64 {
    let believed = USUAL_CHANGE.powi(-2);
    let mut normal = Matrix3::from_diagonal(&Vector3::repeat(believed));
    let mut right = Vector3::zeros();
    for (pair, weight) in pairs.iter().zip(weights) {
        let (x, y) = ((pair.at.x - place.x) / reach_px, (pair.at.y - place.y) / reach_px);
        let say = weight * (-0.5 * (x * x + y * y)).exp();
        let row = Vector3::new(1.0, x, y);
        normal += say * row * row.transpose();
        right += say * pair.ratio.ln() * row;
    }
    // Diagonal terms above zero: there always is a solution.
    normal.cholesky().map_or(0.0, |found| found.solve(&right)[0]).clamp(-MOST_CHANGE, MOST_CHANGE)
}

/// What to add to each channel of a scaled light frame, in reference-frame coordinates.
pub(super) fn sky_offset(
    light: &[Mesh; 3],
    reference: &[Mesh; 3],
    light_from_reference: &Transform,
    scale: &FluxScale,
) -> [Mesh; 3] {
    std::array::from_fn(|channel| {
        let cell_px = reference[channel].cell_px;
        let size = reference[channel].cells.size();
        let cells = Plane::from_fn(size, |cell_x, cell_y| {
            let center = cell_center(cell_x, cell_y, cell_px);
            let target = reference[channel].cells.at(cell_x, cell_y);
            let place = light_from_reference.apply(center).unwrap_or(center);
            target - scale.at(center) * light[channel].at(place)
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
        let size = Size { width: 300, height: 200 };
        let scale = FluxScale::between(&light, &reference, &matches, size);
        assert!((scale.typical - 1.25).abs() < 1e-6 && scale.local.is_none(), "{scale:?}");
        let of_five = FluxScale::between(&light, &reference, &matches[..5], size);
        assert_eq!(of_five, FluxScale::one(), "five stars are too few");
    }

    #[test]
    fn the_offset_makes_up_for_a_brighter_sky() {
        let flat = |level: f32| -> [Mesh; 3] {
            std::array::from_fn(|_| Mesh { cells: Plane::filled(Size { width: 3, height: 2 }, level), cell_px: 64 })
        };
        let offset =
            sky_offset(&flat(0.2), &flat(0.1), &Transform::Identity, &FluxScale { typical: 1.25, local: None });
        assert!((offset[1].cells.at(2, 1) - (0.1 - 0.25)).abs() < 1e-6, "0.1 = 1.25 · 0.2 − 0.15");
    }

    /// Stars all over a frame, whose light in another one is less by `share(x)`, with noise.
    fn seen_through(share: impl Fn(f64) -> f64, seed: u64) -> FluxScale {
        let size = Size { width: 1200, height: 800 };
        let mut state = seed;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        let (mut light, mut reference) = (Vec::new(), Vec::new());
        for idx in 0..300 {
            let (x, y) = (1200.0 * next(), 800.0 * next());
            let snr = 15.0 + 85.0 * next();
            let noise = (next() + next() + next() + next() - 2.0) * 3.0_f64.sqrt() / snr;
            // One in thirty is variable.
            let flux = share(x) * (1.0 + noise) * if idx % 30 == 0 { 3.0 } else { 1.0 };
            reference.push(Star { snr: 1000.0, ..star(x, y, 1.0) });
            light.push(Star { snr, ..star(x, y, flux) });
        }
        let matches: Vec<_> = (0..300).map(|idx| StarMatch { light: idx, reference: idx }).collect();
        FluxScale::between(&light, &reference, &matches, size)
    }

    #[test]
    fn cloud_over_a_part_of_the_frame_gets_a_map() {
        let share = |x: f64| 1.0 - 0.5 * ((x - 400.0) / 400.0).clamp(0.0, 1.0);
        let scale = seen_through(share, 1);
        assert!(scale.local.is_some(), "half the light is gone on one side");
        for x in [60.0, 300.0, 600.0, 900.0, 1140.0] {
            for y in [100.0, 400.0, 700.0] {
                let light = share(x) * f64::from(scale.at(Point { x, y }));
                assert!((light - 1.0).abs() < 0.05, "at ({x}, {y}) the light is {light} of what it should be");
            }
        }
        let cells = scale.local.expect("a map").cells;
        let squares = cells.samples().iter().map(|factor| factor * factor).sum::<f32>() / cells.samples().len() as f32;
        assert!((squares - 1.0).abs() < 1e-4, "the variance of the frame stays that of its scale: {squares}");
    }

    #[test]
    fn even_haze_gets_no_map() {
        for seed in 1..=20 {
            let scale = seen_through(|_| 0.8, seed);
            assert!(scale.local.is_none(), "noise alone, seed {seed}");
            assert!((scale.typical - 1.25).abs() < 0.01, "{scale:?}");
        }
    }
}
