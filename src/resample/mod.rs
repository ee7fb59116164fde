//! A window of the target frame, seen through a transform in a source frame: Lanczos-3, once, with coverage.
//!
//! Three lobes keep a star of two pixels' width within about one per cent (tests), at a known noise gain;
//! longer kernels gain little and ring more. The negative lobes would draw dark rings around bright stars:
//! where the samples under them differ by more than noise can, the result is held at or above the darkest
//! of the four nearest samples. A pixel is covered only where every tap that counts lies in the frame.

mod kernel;
mod warp;

pub use kernel::{Kernel, TAPS};
pub use warp::{Grid, MAX_ERROR_PX, Warp};

use pulp::Arch;

use crate::demosaic::{Pixel, Window};
use crate::pixels::Size;
use kernel::{CENTER_TAP, PHASES, SQUARES, Weights};
use warp::{Line, Run};

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

fn fill_run(resampler: &Resampler, source: &Source<'_>, run: &Run, pixels: &mut [Pixel]) -> f64 {
    let [x, y] = &run.axes;
    if x.is_whole(1.0) && y.is_whole(0.0) {
        return copy_run(source, run, pixels);
    }
    let steps = [0, pixels.len() - 1];
    let inside = |line: &Line, len: usize| {
        steps.iter().all(|&step| {
            let position = line.at(step);
            position > CENTER_TAP as f64 + 1e-3 && position < len as f64 - (TAPS - CENTER_TAP) as f64
        })
    };
    let weigher = Weigher::new(resampler, source);
    if inside(x, source.frame.width) && inside(y, source.frame.height) {
        Arch::new().dispatch(|| weigher.fill::<false>(run, pixels))
    } else {
        weigher.fill::<true>(run, pixels)
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
    phases: &'a [Weights; PHASES + 1],
    ring_contrast: Pixel,
    source: &'a Source<'a>,
}

impl<'a> Weigher<'a> {
    fn new(resampler: &'a Resampler, source: &'a Source<'a>) -> Self {
        let phases = resampler.kernel.phases.as_slice().try_into().expect("the table has every phase");
        Self { phases, ring_contrast: resampler.ring_contrast, source }
    }

    /// With `CHECKED`, pixels that need samples outside the frame stay as they are.
    #[inline(always)]
    fn fill<const CHECKED: bool>(&self, run: &Run, pixels: &mut [Pixel]) -> f64 {
        let window = self.source.window;
        let offset_x = run.axes[0].base - CENTER_TAP as isize - window.x;
        let offset_y = run.axes[1].base - CENTER_TAP as isize - window.y;
        let mut squares = 0.0;
        for (step, pixel) in pixels.iter_mut().enumerate() {
            let (whole_x, phase_x) = split(&run.axes[0], step);
            let (whole_y, phase_y) = split(&run.axes[1], step);
            if CHECKED {
                let covered_x = is_covered(run.axes[0].base + whole_x, phase_x, self.source.frame.width);
                let covered_y = is_covered(run.axes[1].base + whole_y, phase_y, self.source.frame.height);
                if !(covered_x && covered_y) {
                    continue;
                }
            }
            let start = (offset_y + whole_y) * window.size.width as isize + offset_x + whole_x;
            let (across, down) = (&self.phases[phase_x], &self.phases[phase_y]);
            *pixel = self.weigh(start as usize, across, down);
            squares += across[SQUARES] * down[SQUARES];
        }
        f64::from(squares)
    }

    #[inline(always)]
    fn weigh(&self, start: usize, across: &Weights, down: &Weights) -> Pixel {
        let stride = self.source.window.size.width;
        let samples = &self.source.pixels[start..start + (TAPS - 1) * stride + TAPS];
        let mut sum = [0.0; 4];
        let mut darkest = [f32::INFINITY; 4];
        let mut brightest = [f32::NEG_INFINITY; 4];
        for (row, &weight_down) in down[..TAPS].iter().enumerate() {
            let taps: &[Pixel; TAPS] = samples[row * stride..row * stride + TAPS].try_into().expect("as many taps");
            let mut row_sum = [0.0; 4];
            for (tap, &weight) in taps.iter().zip(&across[..TAPS]) {
                row_sum = lanes(|lane| row_sum[lane] + weight * tap[lane]);
            }
            sum = lanes(|lane| sum[lane] + weight_down * row_sum[lane]);
            if (1..TAPS - 1).contains(&row) {
                let high =
                    lanes(|lane| higher(higher(taps[1][lane], taps[2][lane]), higher(taps[3][lane], taps[4][lane])));
                brightest = lanes(|lane| higher(brightest[lane], high[lane]));
            }
            if (CENTER_TAP..CENTER_TAP + 2).contains(&row) {
                darkest = lanes(|lane| lower(darkest[lane], lower(taps[2][lane], taps[3][lane])));
            }
        }
        lanes(|lane| {
            let rings = brightest[lane] - darkest[lane] > self.ring_contrast[lane];
            if rings { higher(sum[lane], darkest[lane]) } else { sum[lane] }
        })
    }
}

/// Whole pixels (with the bias) and phase of a position.
#[inline(always)]
fn split(line: &Line, step: usize) -> (isize, usize) {
    let position = line.start + line.slope * (line.first_step + step) as f32;
    // The bias keeps positions positive: truncation rounds down.
    let whole = position as i32;
    let phase = (position - whole as f32) * PHASES as f32 + 0.5;
    (whole as isize, (phase as i32 as usize).min(PHASES))
}

fn is_covered(whole: isize, phase: usize, len: usize) -> bool {
    let len = len as isize;
    let first = whole - CENTER_TAP as isize;
    let all_taps = first >= 0 && first + TAPS as isize <= len;
    all_taps || (phase == 0 && (0..len).contains(&whole)) || (phase == PHASES && (0..len).contains(&(whole + 1)))
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
