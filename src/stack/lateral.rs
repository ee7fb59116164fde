//! Red and blue of a lens that draws them larger or smaller than green, put back in one resampling.
//!
//! Demosaic borrows the fine detail of red and blue from green, at the same place of the sensor: with lateral
//! color, from the wrong place of the sky. So the difference between a red sample and the green that shows the
//! same piece of sky is formed at each red site, on the sensor; differences are smooth, are interpolated linearly
//! between the sites (the constant color difference of common demosaic methods), read at red's own positions, and
//! green, read at its own, is added. Green itself is not touched.

use crate::demosaic::{Pixel, Window};
use crate::pixels::{Cfa, Homography, Layout, Size, Transform};
use crate::resample::{Grid, Resampler, Source, TAPS, Warp, resample_lane};
use crate::stack::StackFrame;

/// Place of green among the lanes.
const GREEN: usize = 1;
/// Neighbours that a difference is interpolated from.
const NEIGHBORS_PX: usize = 1;

/// One color of a frame that lies elsewhere than green.
pub(super) struct ColorWarp {
    /// Its lane: 0 for red, 2 for blue.
    pub(super) channel: usize,
    /// Where a pixel of the reference shows this color in the frame.
    place: Warp,
    /// Where green shows in the frame what this color shows at a pixel of the same frame.
    green: Warp,
    /// Pixels around a window of this color that its green may lie in, taps included.
    reach_px: usize,
}

impl ColorWarp {
    /// Where the color lies for the pixels of a target window.
    pub(super) fn grid(&self, target: Window) -> Grid {
        self.place.grid(target)
    }
}

/// The map of green, then the colors that have their own.
pub(super) fn warps(frame: &StackFrame, size: Size) -> (Transform, Vec<ColorWarp>) {
    let (Transform::Camera(camera), Some(transforms)) =
        (&frame.light_from_reference, frame.light_from_reference.to_channels())
    else {
        return (frame.light_from_reference.clone(), Vec::new());
    };
    let lens = camera.lens();
    let colors = [0, 2].into_iter().filter(|&channel| lens.channel_scale[channel] != 1.0);
    let colors = colors.map(|channel| {
        let shrink = 1.0 / lens.channel_scale[channel];
        let (x, y) = (lens.principal.x * (1.0 - shrink), lens.principal.y * (1.0 - shrink));
        let green = Transform::Homography(Homography([[shrink, 0.0, x], [0.0, shrink, y], [0.0, 0.0, 1.0]]));
        let largest_px = (size.width + size.height) as f64 * (1.0 - shrink).abs();
        ColorWarp {
            channel,
            place: Warp::new(&transforms[channel], size),
            green: Warp::new(&green, size),
            reach_px: TAPS + NEIGHBORS_PX + largest_px.ceil() as usize,
        }
    });
    (transforms[GREEN].clone(), colors.collect())
}

/// The colors of a frame over one target window.
pub(super) struct ColorGrids<'a>(Vec<(&'a ColorWarp, Grid)>);

impl<'a> ColorGrids<'a> {
    pub(super) fn new(colors: &'a [ColorWarp], target: Window) -> Self {
        Self(colors.iter().map(|color| (color, color.place.grid(target))).collect())
    }

    /// The window of the frame that green and all colors are read from.
    pub(super) fn window(&self, green: Window, frame: Size) -> Window {
        self.0.iter().filter_map(|(_, grid)| grid.source_window(frame)).fold(green, Window::around)
    }

    /// How much more of the frame must be demosaiced around it.
    pub(super) fn margin_px(&self) -> usize {
        self.0.iter().map(|(color, _)| color.reach_px).max().unwrap_or(0)
    }

    /// Turns the colors into differences to green within `inner`, a part of the source's window.
    pub(super) fn subtract_green(
        &self,
        layout: Layout,
        resampler: &Resampler,
        (window, frame): (Window, Size),
        inner: Window,
        pixels: &mut [Pixel],
    ) {
        let Layout::Mosaic(cfa) = layout else { return };
        for (color, _) in &self.0 {
            let around = inner.grown(NEIGHBORS_PX);
            let mut difference = cut(window, around, pixels).map(|pixel| pixel[GREEN]).collect::<Vec<f32>>();
            let source = Source { window, frame, pixels };
            let grid = color.green.grid(around);
            resample_lane(resampler, &source, &grid, around.size, GREEN, &mut difference);
            for (green, pixel) in difference.iter_mut().zip(cut(window, around, pixels)) {
                *green = pixel[color.channel] - *green;
            }
            spread(cfa, color.channel, around, &difference, window, inner, pixels);
        }
    }

    /// Reads the colors at their own positions; where they are not covered they stay where green is read.
    pub(super) fn resample(
        &self,
        layout: Layout,
        resampler: &Resampler,
        source: &Source<'_>,
        target: Size,
        lanes: &mut [&mut [f32]; 4],
    ) {
        for (color, grid) in &self.0 {
            resample_lane(resampler, source, grid, target, color.channel, lanes[color.channel]);
            if let Layout::Mosaic(_) = layout {
                let [red, green, blue, _] = lanes;
                let samples = if color.channel == 0 { red } else { blue };
                samples.iter_mut().zip(green.iter()).for_each(|(sample, green)| *sample += green);
            }
        }
    }
}

/// The pixels of a part of a window, row by row.
fn cut(window: Window, part: Window, pixels: &[Pixel]) -> impl Iterator<Item = &Pixel> {
    let (left, top) = ((part.x - window.x) as usize, (part.y - window.y) as usize);
    let rows = pixels.chunks_exact(window.size.width).skip(top).take(part.size.height);
    rows.flat_map(move |row| &row[left..left + part.size.width])
}

/// Writes the differences at the sites of a color, linear between them, into its lane.
fn spread(
    cfa: Cfa,
    channel: usize,
    around: Window,
    difference: &[f32],
    window: Window,
    inner: Window,
    pixels: &mut [Pixel],
) {
    let is_site =
        |x: isize, y: isize| cfa.color_at(x.rem_euclid(2) as usize, y.rem_euclid(2) as usize) as usize == channel;
    // The sites are every other column of every other row.
    let (odd_x, odd_y) = [(0, 0), (1, 0), (0, 1), (1, 1)].into_iter().find(|&(x, y)| is_site(x, y)).unwrap_or((0, 0));
    let width = around.size.width;
    let left = (inner.x - window.x) as usize;
    for row in 0..inner.size.height {
        let y = inner.y + row as isize;
        let start = ((y - window.y) as usize) * window.size.width + left;
        let target = &mut pixels[start..start + inner.size.width];
        let line = |line: usize| &difference[line * width..(line + 1) * width];
        let (upper, here, lower) = (line(row), line(row + 1), line(row + 2));
        let in_site_row = y.rem_euclid(2) == odd_y;
        for (column, pixel) in target.iter_mut().enumerate() {
            let in_site_column = (inner.x + column as isize).rem_euclid(2) == odd_x;
            let (before, at, after) = (column, column + 1, column + 2);
            pixel[channel] = match (in_site_row, in_site_column) {
                (true, true) => here[at],
                (true, false) => 0.5 * (here[before] + here[after]),
                (false, true) => 0.5 * (upper[at] + lower[at]),
                (false, false) => 0.25 * ((upper[before] + upper[after]) + (lower[before] + lower[after])),
            };
        }
    }
}
