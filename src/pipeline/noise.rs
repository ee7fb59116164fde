//! How much cleaner the stack is than one frame, measured on star-free sky.
//!
//! Interpolation smooths the noise of single pixels, so a blurred stack would look clean. The mean of a
//! block of 8 × 8 pixels is hardly touched by a kernel of 6: the noise quoted here is that of block
//! means, times 8. Second differences of neighbouring blocks take gradients and their curvature away,
//! and the median absolute deviation keeps the few stars that remain from counting.

use crate::foreground::ForegroundMask;
use crate::pipeline::report::NoiseReport;
use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{LinearImage, Plane, Size};
use crate::stack::Stack;

/// Edge of a block.
const BLOCK_PX: usize = 8;
/// A block whose brightest sample stands out by more than this holds a star.
const STAR_SIGMA: f32 = 4.5;
/// Fewer second differences give no figure worth printing.
const MIN_DIFFERENCES: usize = 200;
/// Variance of a − 2b + c for three samples of unit variance.
const SECOND_DIFFERENCE_VARIANCE: f64 = 6.0;

/// Noise of the green channel before and after; `None` where there is too little star-free sky.
///
/// Only blocks of pure sky that all `n_frames` frames cover take part.
pub(super) fn compare(
    single: &LinearImage,
    stacked: &Stack,
    foreground: Option<&ForegroundMask>,
    n_frames: usize,
    ideal: f64,
) -> Option<NoiseReport> {
    let stack_blocks = Blocks::new(&stacked.image.planes[1]);
    let single_blocks = Blocks::new(&single.planes[1]);
    let clean = clean_blocks(&stack_blocks, stacked, foreground, n_frames);
    let single = block_noise(&single_blocks, &clean)?;
    let stack = block_noise(&stack_blocks, &clean)?;
    Some(NoiseReport { single, stack, gain: single / stack, ideal })
}

/// Mean, spread and brightest sample of each block.
struct Blocks {
    size: Size,
    mean: Vec<f32>,
    variance: Vec<f32>,
    highest: Vec<f32>,
}

impl Blocks {
    fn new(plane: &Plane<f32>) -> Self {
        let size = Size { width: plane.width() / BLOCK_PX, height: plane.height() / BLOCK_PX };
        let mut blocks = Self {
            size,
            mean: Vec::with_capacity(size.area()),
            variance: Vec::with_capacity(size.area()),
            highest: Vec::with_capacity(size.area()),
        };
        for block_y in 0..size.height {
            for block_x in 0..size.width {
                let columns = block_x * BLOCK_PX..(block_x + 1) * BLOCK_PX;
                let samples = || (0..BLOCK_PX).flat_map(|y| &plane.row(block_y * BLOCK_PX + y)[columns.clone()]);
                let n = (BLOCK_PX * BLOCK_PX) as f32;
                let mean = samples().sum::<f32>() / n;
                blocks.mean.push(mean);
                blocks.variance.push(samples().map(|sample| (sample - mean).powi(2)).sum::<f32>() / (n - 1.0));
                blocks.highest.push(samples().copied().fold(f32::NEG_INFINITY, f32::max));
            }
        }
        blocks
    }
}

fn clean_blocks(stack: &Blocks, stacked: &Stack, foreground: Option<&ForegroundMask>, n_frames: usize) -> Vec<bool> {
    let full = u16::try_from(n_frames).unwrap_or(u16::MAX);
    let pixels_of = |idx: usize| {
        let (block_x, block_y) = (idx % stack.size.width, idx / stack.size.width);
        (0..BLOCK_PX * BLOCK_PX).map(move |k| (block_x * BLOCK_PX + k % BLOCK_PX, block_y * BLOCK_PX + k / BLOCK_PX))
    };
    let is_sky: Vec<bool> = (0..stack.mean.len())
        .map(|idx| {
            pixels_of(idx).all(|(x, y)| {
                stacked.n_used.at(x, y) + stacked.n_rejected.at(x, y) >= full
                    && foreground.is_none_or(|mask| mask.0.at(x, y) <= 0.0)
            })
        })
        .collect();
    let mut variances: Vec<f32> =
        stack.variance.iter().zip(&is_sky).filter(|&(_, &sky)| sky).map(|(&variance, _)| variance).collect();
    let typical = median(&mut variances).unwrap_or(0.0).sqrt();
    is_sky
        .iter()
        .enumerate()
        .map(|(idx, &sky)| sky && stack.highest[idx] - stack.mean[idx] <= STAR_SIGMA * typical)
        .collect()
}

/// Standard deviation of one pixel as block means tell it.
fn block_noise(blocks: &Blocks, clean: &[bool]) -> Option<f64> {
    let width = blocks.size.width;
    let mut differences = Vec::new();
    for (idx, triple) in blocks.mean.windows(3).enumerate() {
        let in_one_row = idx % width + 2 < width;
        if in_one_row && clean[idx] && clean[idx + 1] && clean[idx + 2] {
            differences.push((triple[0] - 2.0 * triple[1] + triple[2]).abs());
        }
    }
    if differences.len() < MIN_DIFFERENCES {
        return None;
    }
    let sigma = f64::from(SIGMA_PER_MAD * median(&mut differences)?);
    Some(BLOCK_PX as f64 * sigma / SECOND_DIFFERENCE_VARIANCE.sqrt())
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    fn sky(sigma: f32, seed: u64) -> LinearImage {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let noise = Normal::new(0.0, sigma).expect("a positive sigma");
        let size = Size { width: 640, height: 480 };
        // A gradient across the frame, and a star now and then.
        let plane = Plane::from_fn(size, |x, y| {
            let star = if x % 64 == 10 && y % 48 == 10 { 1.0 } else { 0.0 };
            0.1 + 1e-4 * x as f32 + star + noise.sample(&mut random)
        });
        LinearImage { planes: [plane.clone(), plane.clone(), plane] }
    }

    fn stacked(image: LinearImage, n_used: u16) -> Stack {
        let size = image.size();
        let (n_used, n_rejected) = (Plane::filled(size, n_used), Plane::filled(size, 0));
        Stack { image, n_used, n_rejected, n_without_sky: 0, noise_gain: 1.0 }
    }

    #[test]
    fn a_quarter_of_the_noise_is_a_gain_of_four_whatever_gradient_and_stars() {
        let report = compare(&sky(0.02, 1), &stacked(sky(0.005, 2), 16), None, 16, 4.0).expect("plenty of sky");
        // Some 4,000 differences: the MAD has a standard error of about 1.3 %.
        assert!((report.single / 0.02 - 1.0).abs() < 0.05, "single {}", report.single);
        assert!((report.gain / 4.0 - 1.0).abs() < 0.07, "gain {}", report.gain);
    }

    #[test]
    fn land_and_thin_coverage_leave_no_sky_to_measure() {
        let size = Size { width: 640, height: 480 };
        let land = ForegroundMask(Plane::filled(size, 1.0));
        let stack = stacked(sky(0.005, 2), 16);
        assert_eq!(compare(&sky(0.02, 1), &stack, Some(&land), 16, 4.0), None, "all land");
        assert_eq!(compare(&sky(0.02, 1), &stack, None, 20, 4.0), None, "never all frames");
    }
}
