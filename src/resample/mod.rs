//! A window of the target frame, seen through a transform in a source frame: Lanczos-3, once, with coverage.
//!
//! Three lobes keep a star of two pixels' width within about one per cent (tests), at a known noise gain;
//! longer kernels gain little and ring more. The negative lobes would draw dark rings around bright stars:
//! where the samples under them differ by more than noise can, the result is held near or above the darkest
//! of the four nearest samples. A pixel is covered only where every tap that counts lies in the frame.

mod collect;
mod kernel;
mod warp;

pub use collect::{Drop, MosaicSource, collect, each_displacement};
pub use kernel::{Kernel, TAPS};
pub use warp::{Grid, MAX_ERROR_PX, Warp};

use pulp::{Arch, NullaryFnOnce};

use crate::demosaic::{Pixel, Window};
use crate::pixels::Size;
use kernel::{CENTER_TAP, PHASES, SQUARES, Weights};
use warp::{Line, MAX_STEP_PX, Run};

/// Stars this bright have no flux left to preserve: their dark rings are held back entirely.
const SATURATED: f32 = 0.85;
/// Share of the contrast that other stars may dip: it keeps the flux of a star of 2 px within 0.3 %, where no
/// dip at all would add 1 % (tests).
const ALLOWED_DIP: f32 = 0.01;

/// Pixels of a window of the source frame.
#[derive(Clone, Copy, Debug)]
pub struct Source<'a> {
    /// Which part of the frame.
    pub window: Window,
    /// Size of the whole frame.
    pub frame: Size,
    /// The pixels of the window, row by row.
    pub pixels: &'a [Pixel],
}

/// How pixels are interpolated.
#[derive(Clone, Debug)]
pub struct Resampler {
    /// The weights.
    pub kernel: Kernel,
    /// Contrast by lane above which dark rings are held back.
    pub ring_contrast: Pixel,
}

/// Writes the target window, lane by lane, into `lanes`; returns the sum over pixels of squared weights.
///
/// The fourth lane of a pixel that is not covered becomes 0, as do its colours.
pub fn resample(resampler: &Resampler, source: &Source<'_>, grid: &Grid, target: Size, lanes: [&mut [f32]; 4]) -> f64 {
    let mut line = vec![[0.0; 4]; target.width];
    let [red, green, blue, fourth] = lanes;
    let mut squares = 0.0;
    for row in 0..target.height {
        line.fill([0.0; 4]);
        for run in grid.runs(row) {
            squares += fill_run(resampler, source, &run, &mut line[run.columns.clone()]);
        }
        let columns = row * target.width..(row + 1) * target.width;
        let rows = [&mut red[columns.clone()], &mut green[columns.clone()], &mut blue[columns.clone()]];
        split_lanes(&line, rows, &mut fourth[columns]);
    }
    squares
}

/// Writes one lane of the target window alone; pixels that are not covered stay as they are.
///
/// For a colour that the lens puts elsewhere than the others.
pub fn resample_lane(
    resampler: &Resampler,
    source: &Source<'_>,
    grid: &Grid,
    target: Size,
    lane: usize,
    samples: &mut [f32],
) {
    let mut line = vec![[0.0; 4]; target.width];
    for (row, samples) in samples.chunks_exact_mut(target.width).enumerate() {
        for (pixel, sample) in line.iter_mut().zip(samples.iter()) {
            *pixel = [*sample; 4];
        }
        for run in grid.runs(row) {
            fill_run(resampler, source, &run, &mut line[run.columns.clone()]);
        }
        for (sample, pixel) in samples.iter_mut().zip(&line) {
            *sample = pixel[lane];
        }
    }
}

fn fill_run(resampler: &Resampler, source: &Source<'_>, run: &Run, pixels: &mut [Pixel]) -> f64 {
    let [x, y] = &run.axes;
    if x.is_whole(1) && y.is_whole(0) {
        return copy_run(source, run, pixels);
    }
    let last = pixels.len() - 1;
    let inside = |line: &Line, len: usize| [0, last].iter().all(|&step| has_all_taps(line.split(step).0, len));
    let weigher = Weigher { resampler, source };
    let is_inside = inside(x, source.frame.width) && inside(y, source.frame.height);
    let arch = Arch::new();
    // Where vectors are wide they multiply and add in one; elsewhere that would be a call of a library.
    match (is_inside, matches!(arch, Arch::Scalar)) {
        (true, false) => arch.dispatch(FillRun::<false, true> { weigher, run, pixels }),
        (false, false) => arch.dispatch(FillRun::<true, true> { weigher, run, pixels }),
        (true, true) => weigher.fill::<false, false>(run, pixels),
        (false, true) => weigher.fill::<true, false>(run, pixels),
    }
}

/// Whole-pixel shifts need no weights.
fn copy_run(source: &Source<'_>, run: &Run, pixels: &mut [Pixel]) -> f64 {
    let window = source.window;
    let x = run.axes[0].at(0) as isize;
    let y = run.axes[1].at(0) as isize;
    if y < 0 || y >= source.frame.height as isize {
        return 0.0;
    }
    let from = x.max(0);
    let to = (x + pixels.len() as isize).min(source.frame.width as isize);
    if from >= to {
        return 0.0;
    }
    let start = (y - window.y) as usize * window.size.width + (from - window.x) as usize;
    let count = (to - from) as usize;
    let first = (from - x) as usize;
    pixels[first..first + count].copy_from_slice(&source.pixels[start..start + count]);
    count as f64
}

struct Weigher<'a> {
    resampler: &'a Resampler,
    source: &'a Source<'a>,
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct FillRun<'a, const CHECKED: bool, const FUSED: bool> {
    weigher: Weigher<'a>,
    run: &'a Run,
    pixels: &'a mut [Pixel],
}

impl<const CHECKED: bool, const FUSED: bool> NullaryFnOnce for FillRun<'_, CHECKED, FUSED> {
    type Output = f64;

    #[inline(always)]
    fn call(self) -> f64 {
        self.weigher.fill::<CHECKED, FUSED>(self.run, self.pixels)
    }
}

/// Weighted sum of the taps of a pixel, and what bounds it.
struct Weighed {
    sum: Pixel,
    /// Darkest of the four nearest samples.
    darkest: Pixel,
    /// Brightest of the sixteen nearest samples.
    brightest: Pixel,
}

impl Weigher<'_> {
    /// With `CHECKED`, pixels that need samples outside the frame stay as they are.
    #[inline(always)]
    fn fill<const CHECKED: bool, const FUSED: bool>(&self, run: &Run, pixels: &mut [Pixel]) -> f64 {
        let Source { window, frame, .. } = *self.source;
        let [line_x, line_y] = &run.axes;
        let phases: &[Weights; PHASES] = &self.resampler.kernel.phases;
        let mut squares = 0.0;
        // The bounds wait until the end of the run: choices between lanes are cheap only in long vectors.
        let mut darkest = [[f32::NEG_INFINITY; 4]; MAX_STEP_PX];
        let mut brightest = [[f32::NEG_INFINITY; 4]; MAX_STEP_PX];
        for (step, pixel) in pixels.iter_mut().enumerate() {
            let (whole_x, phase_x) = line_x.split(step);
            let (whole_y, phase_y) = line_y.split(step);
            if CHECKED && !(is_covered(whole_x, phase_x, frame.width) && is_covered(whole_y, phase_y, frame.height)) {
                continue;
            }
            let column = whole_x - CENTER_TAP as isize - window.x;
            let row = whole_y - CENTER_TAP as isize - window.y;
            let start = (row * window.size.width as isize + column) as usize;
            let (across, down) = (&phases[phase_x], &phases[phase_y]);
            let weighed = self.weigh::<FUSED>(start, across, down);
            *pixel = weighed.sum;
            darkest[step] = weighed.darkest;
            brightest[step] = weighed.brightest;
            squares += across[SQUARES] * down[SQUARES];
        }
        self.hold_back_rings(pixels, &darkest, &brightest);
        f64::from(squares)
    }

    /// First down the columns of all taps at once, then across.
    #[inline(always)]
    fn weigh<const FUSED: bool>(&self, start: usize, across: &Weights, down: &Weights) -> Weighed {
        let stride = self.source.window.size.width;
        let samples = self.source.pixels[start..start + (TAPS - 1) * stride + TAPS].as_flattened();
        let row = |row: usize| -> &[f32; 4 * TAPS] {
            samples[4 * row * stride..4 * (row * stride + TAPS)].try_into().expect("as many taps")
        };
        let rows = [row(0), row(1), row(2), row(3), row(4), row(5)];
        // Loops, not closures: what a library function calls is not sure to be compiled for the vector width at hand.
        let mut columns = [0.0; 4 * TAPS];
        for place in 0..4 * TAPS {
            let upper = plus_product::<FUSED>(down[1], rows[1][place], down[0] * rows[0][place]);
            let upper = plus_product::<FUSED>(down[2], rows[2][place], upper);
            let lower = plus_product::<FUSED>(down[4], rows[4][place], down[3] * rows[3][place]);
            let lower = plus_product::<FUSED>(down[5], rows[5][place], lower);
            columns[place] = upper + lower;
        }
        let mut high = [0.0; 16];
        for (place, high) in high.iter_mut().enumerate() {
            let tap = place + 4;
            *high = higher(higher(rows[1][tap], rows[2][tap]), higher(rows[3][tap], rows[4][tap]));
        }
        let mut low = [0.0; 8];
        for place in 0..8 {
            high[place] = higher(high[place], high[place + 8]);
            low[place] = lower(rows[2][place + 8], rows[3][place + 8]);
        }
        let mut sum = [0.0; 4];
        for (lane, sum) in sum.iter_mut().enumerate() {
            let left = plus_product::<FUSED>(across[1], columns[4 + lane], across[0] * columns[lane]);
            let left = plus_product::<FUSED>(across[2], columns[8 + lane], left);
            let right = plus_product::<FUSED>(across[4], columns[16 + lane], across[3] * columns[12 + lane]);
            let right = plus_product::<FUSED>(across[5], columns[20 + lane], right);
            *sum = left + right;
        }
        Weighed {
            sum,
            darkest: lanes(|lane| lower(low[lane], low[lane + 4])),
            brightest: lanes(|lane| higher(high[lane], high[lane + 4])),
        }
    }

    #[inline(always)]
    fn hold_back_rings(&self, pixels: &mut [Pixel], darkest: &[Pixel], brightest: &[Pixel]) {
        let contrast_limit = self.resampler.ring_contrast;
        for ((pixel, darkest), brightest) in pixels.iter_mut().zip(darkest).zip(brightest) {
            *pixel = lanes(|lane| {
                let contrast = brightest[lane] - darkest[lane];
                let dip = if brightest[lane] < SATURATED { ALLOWED_DIP * contrast } else { 0.0 };
                let bound = if contrast > contrast_limit[lane] { darkest[lane] - dip } else { f32::NEG_INFINITY };
                higher(pixel[lane], bound)
            });
        }
    }
}

/// Whether all taps around a whole position lie in the frame.
fn has_all_taps(whole: isize, len: usize) -> bool {
    let first = whole - CENTER_TAP as isize;
    first >= 0 && first + TAPS as isize <= len as isize
}

/// Whether the taps that count do.
fn is_covered(whole: isize, phase: usize, len: usize) -> bool {
    has_all_taps(whole, len) || (phase == 0 && (0..len as isize).contains(&whole))
}

/// Sum and product, rounded once or twice.
#[inline(always)]
fn plus_product<const FUSED: bool>(a: f32, b: f32, sum: f32) -> f32 {
    if FUSED { a.mul_add(b, sum) } else { a * b + sum }
}

#[inline(always)]
fn lanes(value: impl Fn(usize) -> f32) -> Pixel {
    [value(0), value(1), value(2), value(3)]
}

#[inline(always)]
fn higher(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

#[inline(always)]
fn lower(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

fn split_lanes(pixels: &[Pixel], colors: [&mut [f32]; 3], fourth: &mut [f32]) {
    let [red, green, blue] = colors;
    let targets = red.iter_mut().zip(green.iter_mut()).zip(blue.iter_mut()).zip(fourth.iter_mut());
    for (pixel, (((red, green), blue), fourth)) in pixels.iter().zip(targets) {
        [*red, *green, *blue, *fourth] = *pixel;
    }
}

#[cfg(test)]
mod tests;
