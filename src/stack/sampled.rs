//! The samples of one tile without demosaic: each sample of the mosaic in its own color.
//!
//! A pixel of a frame is seen in red, in blue or in green, seldom in all; over a burst the turning sky brings every
//! color to every pixel. What no frame brought is filled from the medians of the pixels around.
//!
//! A sample lies up to a pixel beside the middle of the pixel that it counts for. In a short burst these ways do not
//! cancel, and the flanks of a star get the colors of its middle or of the sky. So what the median picture
//! gains along the way is taken off each sample, by its slope.

use crate::demosaic::Window;
use crate::job::Monitor;
use crate::pixels::{Layout, Size};
use crate::resample::{Grid, MosaicSource, collect, each_displacement};
use crate::stack::StackError;
use crate::stack::clip::{Centers, Combined};
use crate::stack::gather::{Placed, Smoothing, Work, Workspace, bring_to_reference, read_window, weigh_by_light};

/// Samples around the window of green that red and blue may lie in.
const COLOR_MARGIN_PX: usize = 1;

/// Fills `slot` of the workspace's samples with the samples of `placed` around the pixels of the target window.
pub(super) fn collect_frame(
    monitor: &Monitor,
    work: &Work<'_>,
    placed: &Placed<'_>,
    target: Window,
    slot: usize,
    workspace: &mut Workspace,
) -> Result<Smoothing, StackError> {
    monitor.check()?;
    let grids: Vec<Grid> = placed.channels.iter().map(|warp| warp.grid(target)).collect();
    let windows = grids.iter().filter_map(|grid| grid.source_window(work.size));
    let (Some(window), Layout::Mosaic(cfa)) = (windows.reduce(Window::around), work.layout) else {
        let (colors, weights) = workspace.samples.lanes_mut(slot);
        colors.into_iter().chain(weights).for_each(|lane| lane.fill(0.0));
        return Ok(Smoothing::default());
    };
    let window = window.grown(COLOR_MARGIN_PX);
    read_window(work, placed.frame.frame, window, workspace)?;
    if let Some(visibility) = work.visibility {
        match &placed.mask {
            Some(mask) => visibility.write_plane_through(&mask.grid(window), window, &mut workspace.visibility),
            None => visibility.write_plane(window, &mut workspace.visibility),
        }
    }
    let (mut colors, mut weights) = workspace.samples.lanes_mut(slot);
    let source = MosaicSource {
        window,
        frame: work.size,
        cfa,
        samples: &workspace.mirrored[0],
        visibility: work.visibility.map(|_| workspace.visibility.as_slice()),
    };
    for (channel, (values, weights)) in colors.iter_mut().zip(&mut weights).enumerate() {
        collect(&source, &work.drop, channel, &grids[channel], target.size, (values, weights));
        weights.iter_mut().for_each(|weight| *weight *= placed.frame.weight);
        weigh_by_light(placed.frame, target, weights);
    }
    bring_to_reference(placed.frame, target, colors);
    let n_samples = weights[1].iter().filter(|&&weight| weight > 0.0).count();
    // Nothing was interpolated.
    Ok(Smoothing { squares: n_samples as f64, n_samples })
}

/// Brings the samples of `placed` from where they lie to the middles of their pixels, along the slope of the medians.
pub(super) fn to_middles(work: &Work<'_>, placed: &Placed<'_>, target: Window, slot: usize, workspace: &mut Workspace) {
    let Layout::Mosaic(cfa) = work.layout else { return };
    let Workspace { samples, centers, .. } = workspace;
    let (colors, _) = samples.lanes_mut(slot);
    for (channel, (values, warp)) in colors.into_iter().zip(&placed.channels).enumerate() {
        let slopes = Slopes { medians: &centers.median[channel], size: target.size };
        each_displacement(&work.drop, cfa, channel, &warp.grid(target), target.size, |pixel, dx, dy| {
            let (across, down) = slopes.at(pixel);
            values[pixel] -= across * dx + down * dy;
        });
    }
}

/// Slopes of the median picture of a tile with its halo; none in the halo and beside what was not seen.
struct Slopes<'a> {
    medians: &'a [f32],
    size: Size,
}

impl Slopes<'_> {
    /// A pixel to the right and a pixel down.
    #[inline]
    fn at(&self, pixel: usize) -> (f32, f32) {
        let Size { width, height } = self.size;
        let (x, y) = (pixel % width, pixel / width);
        if x == 0 || y == 0 || x + 1 == width || y + 1 == height {
            return (0.0, 0.0);
        }
        let slope = |before: usize, after: usize| {
            let slope = 0.5 * (self.medians[after] - self.medians[before]);
            if slope.is_finite() { slope } else { 0.0 }
        };
        (slope(pixel - 1, pixel + 1), slope(pixel - width, pixel + width))
    }
}

/// Fills the colors of a tile that no frame brought, where another color was seen; `inner` is without the halo.
pub(super) fn fill_holes(centers: &Centers, inner: Size, combined: &mut Combined) {
    let width = inner.width + 2;
    for pixel in 0..inner.area() {
        let place = (pixel / inner.width + 1) * width + pixel % inner.width + 1;
        if combined.weight[pixel] == 0.0 {
            continue;
        }
        for channel in (0..3).filter(|&channel| centers.n_seen(channel)[place] == 0.0) {
            let medians = &centers.median[channel];
            let around = [place - width - 1, place - 1, place + width - 1];
            let near = around.into_iter().flat_map(|start| &medians[start..start + 3]);
            let (sum, count) = near
                .filter(|median| median.is_finite())
                .fold((0.0, 0.0), |(sum, count), &median| (sum + median, count + 1.0));
            combined.colors[channel][pixel] = if count > 0.0 { sum / count } else { 0.0 };
        }
    }
}
