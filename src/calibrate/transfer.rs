//! Gain and read noise from pairs of mosaic frames of one scene (photon transfer).
//!
//! What stands still cancels in the difference of two frames, fixed pattern and smooth light included; half of the
//! variance that is left over level is a straight line. Source: Janesick, *Photon Transfer* (SPIE Press, 2007);
//! EMVA 1288, release 4.0, section 2. Two things keep the stars, which move, out of it:
//! - Of the blocks of one level those count whose *sum* of both frames has the least structure. The noise of a sum
//!   does not correlate with that of the difference, so this choice leaves the variance of noise as it is.
//! - Noise does not correlate from pixel to pixel, the light of a star does. The covariance of greens that touch at
//!   their corners, continued to distance zero with the star width, is what stars too faint to be seen add.

use rayon::prelude::*;

use crate::calibrate::neighbours::median_of;
use crate::calibrate::noise::{NoiseModel, least_squares, robust_line};
use crate::pixels::{CalibratedFrame, CfaColor, Layout, Mask, Plane};

/// Edge of a block in pixels: 64 samples of each position of the mosaic.
const BLOCK_PX: usize = 16;
/// Samples of one position along an edge.
const EDGE: usize = BLOCK_PX / 2;
const N: usize = EDGE * EDGE;
/// Blocks of one level, the calmer half of which counts.
const STRATUM: usize = 64;
/// Positions of blocks of one level of the first line.
const POINTS_PER_LEVEL: usize = 250;
/// Fewer levels give no line.
const MIN_LEVELS: usize = 4;
/// Variances this many standard errors off the line are no noise: a flickering pixel, a trail.
const MAX_ERRORS: f64 = 5.0;
/// Blocks of a higher mean are left out: near the white level the variance falls.
const MAX_LEVEL: f32 = 0.9;
/// Covariances that stand out of their noise by less than this tell nothing of the stars.
const LEAST_SIGNIFICANCE: f64 = 4.0;
/// Full width at half maximum of stars in pixels where it is not known, and the least that is believed.
const USUAL_FWHM_PX: f32 = 2.5;
const LEAST_FWHM_PX: f32 = 1.9;

/// Blocks of any number of pairs, and the line through them.
#[derive(Debug, Default)]
pub struct PhotonTransfer {
    blocks: Vec<Block>,
    /// Positions of the greens, on one diagonal of the mosaic, and of the other two colors.
    positions: Positions,
}

#[derive(Clone, Copy, Debug, Default)]
struct Positions {
    green: [usize; 2],
    other: [usize; 2],
}

/// What a block tells; positions of the mosaic as `2 * (y % 2) + x % 2`.
#[derive(Clone, Copy, Debug)]
struct Block {
    /// Mean of both frames by position.
    level: [f32; 4],
    /// Of the difference, by position.
    variance: [f32; 4],
    /// Covariance of the difference with itself two pixels away along rows and columns, by position.
    beside: [f32; 4],
    /// Covariance of the greens of the difference at their corners.
    at_corners: f32,
    /// The same in the sum of both frames.
    structure: f32,
}

impl PhotonTransfer {
    /// Adds the blocks of two frames of one scene; `false` where they are no mosaics.
    ///
    /// Panics where sizes or layouts differ.
    pub fn add(&mut self, first: &CalibratedFrame, second: &CalibratedFrame) -> bool {
        assert_eq!(first.layout, second.layout, "frames of one burst have one layout");
        assert_eq!(first.size(), second.size(), "frames of one burst have one size");
        let Layout::Mosaic(cfa) = first.layout else { return false };
        self.positions = match cfa.color_at(0, 0) {
            CfaColor::Green => Positions { green: [0, 3], other: [1, 2] },
            _ => Positions { green: [1, 2], other: [0, 3] },
        };
        let green = self.positions.green;
        let size = first.size();
        let planes = (&first.planes[0], &second.planes[0]);
        let of_row = |row: usize| {
            let saturated = [&first.saturated, &second.saturated];
            let columns = (0..size.width / BLOCK_PX).map(|column| column * BLOCK_PX);
            let top = row * BLOCK_PX;
            let is_whole = move |left: &usize| saturated.iter().all(|mask| !any_in(mask, *left, top));
            columns.filter(is_whole).map(move |left| Block::of(planes, (left, top), green))
        };
        let found: Vec<Block> = (0..size.height / BLOCK_PX).into_par_iter().flat_map_iter(of_row).collect();
        let is_lit = |block: &Block| block.level.iter().all(|&level| level < MAX_LEVEL);
        let varies = |block: &Block| block.variance.iter().all(|&variance| variance > 0.0);
        self.blocks.extend(found.into_iter().filter(|block| is_lit(block) && varies(block)));
        true
    }

    /// The model; `None` where there are too few blocks. `fwhm_px` is the width of the stars.
    #[must_use]
    pub fn fit(mut self, fwhm_px: Option<f32>) -> Option<NoiseModel> {
        let middle = |block: &Block| block.level.iter().sum::<f32>();
        self.blocks.sort_by(|a, b| middle(a).total_cmp(&middle(b)).then(a.structure.total_cmp(&b.structure)));
        let calm: Vec<Block> = self
            .blocks
            .chunks_mut(STRATUM)
            .flat_map(|blocks| {
                blocks.sort_by(|a, b| a.structure.total_cmp(&b.structure));
                blocks[..blocks.len().div_ceil(2)].to_vec()
            })
            .collect();
        let stars = shares_of_stars(&calm, self.positions, fwhm_px);
        let mut points: Vec<(f64, f64)> = calm
            .iter()
            .flat_map(|block| {
                (0..4).map(|position| {
                    let of_stars = stars[position] * f64::from(block.at_corners);
                    // A difference has twice the variance of a sample.
                    (f64::from(block.level[position]), 0.5 * (f64::from(block.variance[position]) - of_stars))
                })
            })
            .collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let levels: Vec<(f64, f64)> = points
            .chunks_exact(POINTS_PER_LEVEL)
            .map(|points| {
                let of = |part: fn(&(f64, f64)) -> f64| median_of(points.iter().map(part)).unwrap_or(0.0);
                (of(|point| point.0), of(|point| point.1))
            })
            .collect();
        if levels.len() < MIN_LEVELS {
            return None;
        }
        let mut line = robust_line(&levels);
        let tolerance = MAX_ERRORS * (2.0 / (N - 1) as f64).sqrt();
        for _ in 0..6 {
            let is_noise = |(level, variance): &&(f64, f64)| {
                (variance / (line.0 + line.1 * level.max(0.0)) - 1.0).abs() < tolerance
            };
            let noise: Vec<(f64, f64)> = points.iter().filter(is_noise).copied().collect();
            if noise.len() < points.len() / 2 {
                break;
            }
            line = least_squares(&noise, line);
        }
        Some(NoiseModel { read_variance: line.0 as f32, photon_variance_per_unit: line.1 as f32 })
    }
}

/// What the stars add to the variance of each position, over the covariance of the greens at their corners.
fn shares_of_stars(blocks: &[Block], positions: Positions, fwhm_px: Option<f32>) -> [f64; 4] {
    let sum = |part: &dyn Fn(&Block) -> f64| blocks.iter().map(part).sum::<f64>();
    let at_corners = sum(&|block| f64::from(block.at_corners));
    let [one, other] = positions.green;
    // The mean of some 4 N products of two samples of this variance.
    let square = |block: &Block| f64::from(block.variance[one]) * f64::from(block.variance[other]) / (4 * N) as f64;
    if at_corners < LEAST_SIGNIFICANCE * sum(&square).sqrt() {
        return [0.0; 4];
    }
    // A Gaussian of deviation s correlates with itself at distance r as exp(-r² / 4s²): r² is 2 at the corners and 4
    // beside.
    let fwhm_px = f64::from(fwhm_px.unwrap_or(USUAL_FWHM_PX).max(LEAST_FWHM_PX));
    let to_zero = (4.0 * 2.0_f64.ln() / (fwhm_px * fwhm_px)).exp();
    let mut shares = [to_zero; 4];
    for position in positions.other {
        let beside = sum(&|block| f64::from(block.beside[position]));
        shares[position] = (beside * to_zero * to_zero / at_corners).clamp(0.0, 2.0 * to_zero);
    }
    shares
}

/// Samples of one position of a block, less their mean.
type Samples = [[f32; EDGE]; EDGE];

impl Block {
    fn of((first, second): (&Plane<f32>, &Plane<f32>), (left, top): (usize, usize), green: [usize; 2]) -> Self {
        let read = |plane: &Plane<f32>, position: usize| -> Samples {
            std::array::from_fn(|y| {
                let row = &plane.row(top + 2 * y + position / 2)[left + position % 2..];
                std::array::from_fn(|x| row[2 * x])
            })
        };
        let mut block = Self { level: [0.0; 4], variance: [0.0; 4], beside: [0.0; 4], at_corners: 0.0, structure: 0.0 };
        let (mut differences, mut sums) = ([[[0.0; EDGE]; EDGE]; 4], [[[0.0; EDGE]; EDGE]; 4]);
        for position in 0..4 {
            let (a, b) = (read(first, position), read(second, position));
            let combined = |sign: f32| std::array::from_fn(|y| std::array::from_fn(|x| a[y][x] + sign * b[y][x]));
            let (mut sum, mut difference): (Samples, Samples) = (combined(1.0), combined(-1.0));
            block.level[position] = 0.5 * take_mean(&mut sum);
            take_mean(&mut difference);
            let squares: f32 = difference.iter().flatten().map(|value| value * value).sum();
            block.variance[position] = squares / (N - 1) as f32;
            // The mean that was taken off holds each sample's own share.
            block.beside[position] = beside(&difference) + block.variance[position] / N as f32;
            (differences[position], sums[position]) = (difference, sum);
        }
        let [one, other] = green;
        block.at_corners = at_corners(&differences[one], &differences[other], one == 0);
        block.structure = at_corners(&sums[one], &sums[other], one == 0);
        block
    }
}

/// Takes the mean off and tells it.
fn take_mean(samples: &mut Samples) -> f32 {
    let mean = samples.iter().flatten().sum::<f32>() / N as f32;
    samples.iter_mut().flatten().for_each(|value| *value -= mean);
    mean
}

/// Mean product of samples that follow each other along rows and columns.
fn beside(samples: &Samples) -> f32 {
    let along_row = |row: &[f32; EDGE]| row.windows(2).map(|pair| pair[0] * pair[1]).sum::<f32>();
    let down = |rows: &[[f32; EDGE]]| rows[0].iter().zip(&rows[1]).map(|(a, b)| a * b).sum::<f32>();
    let sum = samples.iter().map(along_row).sum::<f32>() + samples.windows(2).map(down).sum::<f32>();
    sum / (2 * EDGE * (EDGE - 1)) as f32
}

/// Mean product of the greens that touch at their corners; the first stand in even rows, and in even columns where
/// `in_corner`.
fn at_corners(first: &Samples, second: &Samples, in_corner: bool) -> f32 {
    let (mut sum, mut n) = (0.0, 0);
    for (y, row) in first.iter().enumerate() {
        let others = [y.checked_sub(1), Some(y)].into_iter().flatten().map(|other| &second[other]);
        for other in others {
            for (x, value) in row.iter().enumerate() {
                let columns = if in_corner { [x.checked_sub(1), Some(x)] } else { [Some(x), Some(x + 1)] };
                for neighbor in columns.into_iter().flatten().filter_map(|column| other.get(column)) {
                    sum += value * neighbor;
                    n += 1;
                }
            }
        }
    }
    sum / n as f32
}

fn any_in(mask: &Mask, left: usize, top: usize) -> bool {
    (top..top + BLOCK_PX).any(|y| mask.0.row(y)[left..left + BLOCK_PX].contains(&true))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::scene::{Light, add_noise, shine, sky};
    use crate::pixels::{Cfa, Point, Size};

    /// A camera of 14 bits: 40 000 electrons at white, read noise of 4 electrons.
    const TRUTH: NoiseModel = NoiseModel { read_variance: 1e-8, photon_variance_per_unit: 2.5e-5 };
    const SIZE: Size = Size { width: 960, height: 720 };

    /// Stars of these peaks, as many as blocks of 8 × 8 pixels, drifting.
    fn frame(cfa: Cfa, peak: f32, drift_px: f64, seed: u64) -> CalibratedFrame {
        let mut frame = sky(Layout::Mosaic(cfa), SIZE, 0.0, 0.04);
        if peak > 0.0 {
            for index in 0..10_800_usize {
                let (x, y) = (index * 7919 % SIZE.width, index * 104_729 / 7 % SIZE.height);
                let center = Point { x: x as f64 + drift_px, y: y as f64 + 0.4 * drift_px };
                let faint = 0.2 + (index % 13) as f32 / 13.0;
                shine(
                    &mut frame,
                    cfa,
                    &Light { center, peak: [0.5, 1.0, 0.7].map(|c| c * faint * peak), fwhm_px: 2.3 },
                );
            }
        }
        add_noise(&mut frame, &TRUTH, seed);
        frame
    }

    fn fitted(pairs: &[[CalibratedFrame; 2]]) -> NoiseModel {
        let mut transfer = PhotonTransfer::default();
        pairs.iter().for_each(|[first, second]| assert!(transfer.add(first, second), "mosaics"));
        transfer.fit(Some(2.3)).expect("thousands of blocks")
    }

    fn check(found: NoiseModel, extra_read_variance: f32, what: &str) {
        let gain = TRUTH.photon_variance_per_unit / found.photon_variance_per_unit;
        assert!((gain - 1.0).abs() < 0.02, "{what}: gain {gain} of the truth");
        let read = (found.read_variance / (TRUTH.read_variance + extra_read_variance)).sqrt();
        assert!((read - 1.0).abs() < 0.1, "{what}: read noise {read} of the truth");
    }

    #[test]
    fn gain_and_read_noise_come_out_of_an_empty_sky() {
        for cfa in [Cfa::RGGB, Cfa([[CfaColor::Green, CfaColor::Red], [CfaColor::Blue, CfaColor::Green]])] {
            let pairs = [(1, 2), (3, 4)].map(|(a, b)| [frame(cfa, 0.0, 0.0, a), frame(cfa, 0.0, 0.0, b)]);
            check(fitted(&pairs), 0.0, "no stars");
        }
    }

    /// Peaks of half the noise of the sky: none of them could be found.
    #[test]
    fn stars_too_faint_to_be_found_do_not_count_as_noise() {
        for drift_px in [1.5, 8.0] {
            let pairs =
                [(5, 6), (7, 8)].map(|(a, b)| [frame(Cfa::RGGB, 8e-4, 0.0, a), frame(Cfa::RGGB, 8e-4, drift_px, b)]);
            check(fitted(&pairs), 0.0, &format!("stars that move by {drift_px} pixels"));
        }
    }

    /// Gain of single pixels off by 2 %, offsets of 8 electrons: both stand still. Rounding to a step of 8 electrons
    /// adds a twelfth of its square.
    #[test]
    fn fixed_pattern_cancels_and_rounding_adds_a_twelfth_of_its_square() {
        let step = 2e-4_f32;
        let pattern = |frame: &mut CalibratedFrame| {
            for y in 0..SIZE.height {
                for (x, value) in frame.planes[0].row_mut(y).iter_mut().enumerate() {
                    let odd = ((x * 7919 + y * 104_729) % 1013) as f32 / 1013.0 - 0.5;
                    let lit = *value * (1.0 + 0.07 * odd) + 7e-4 * odd;
                    *value = (lit / step).round() * step;
                }
            }
        };
        let mut pairs =
            [(9, 10), (11, 12)].map(|(a, b)| [frame(Cfa::RGGB, 0.0, 0.0, a), frame(Cfa::RGGB, 0.0, 0.0, b)]);
        pairs.iter_mut().flatten().for_each(pattern);
        check(fitted(&pairs), step * step / 12.0, "fixed pattern");
    }

    #[test]
    fn a_small_frame_or_three_planes_give_nothing() {
        let still = sky(Layout::Mosaic(Cfa::RGGB), SIZE, 0.0, 0.1);
        let mut transfer = PhotonTransfer::default();
        assert!(transfer.add(&still, &still), "a mosaic");
        assert_eq!(transfer.fit(None), None, "no noise at all");
        let small = |seed| {
            let mut small = sky(Layout::Mosaic(Cfa::RGGB), Size { width: 64, height: 64 }, 0.0, 0.1);
            add_noise(&mut small, &TRUTH, seed);
            small
        };
        let mut transfer = PhotonTransfer::default();
        assert!(transfer.add(&small(1), &small(2)), "a mosaic");
        assert_eq!(transfer.fit(None), None, "64 points make no four levels");
        let planes = sky(Layout::Rgb, SIZE, 0.0, 0.1);
        assert!(!PhotonTransfer::default().add(&planes, &planes), "demosaiced noise correlates");
    }
}
