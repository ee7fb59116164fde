//! Red and blue of a lens that draws them larger or smaller than green, put onto green.
//!
//! Demosaic borrows the fine detail of each color from the others at the same place of the sensor: with lateral
//! color, from the wrong place of the sky. So the colors of a mosaic are moved before it, on the sensor, and all
//! that follows sees a lens without lateral color. Samples of red and blue lie two pixels apart, too far to read
//! stars between them: at each of them the share of green that white light has there is subtracted from it, taken
//! where green shows the same piece of sky; the difference, which is smooth but for what color a star has, is read
//! where the sky of a sample lies, and the share of the green of that sample is put back. Green for this purpose comes
//! from green samples alone: what demosaic estimates holds red and blue of another place, and would move them too far.
//! No sample comes out further below the four that it lies between than noise can bring it: stars that are not white
//! would have a dark ring in the color they lack. Radial scales move columns
//! along rows and rows along columns, so the interpolation falls apart into one along each axis.
//!
//! Pictures that are no mosaics have every color everywhere, and are read at each color's own position.

mod runs;

use pulp::{Arch, NullaryFnOnce};

use crate::calibrate::NoiseModel;
use crate::demosaic::{OF_GREEN, Window, floor};
use crate::pixels::{Cfa, CfaColor, Layout, Point, Size, Transform};
use crate::resample::{Grid, Resampler, Source, Warp, resample_lane};

use runs::{Runs, part, weigh_each};

/// Place of green among the lanes.
const GREEN: usize = 1;
/// Green between green samples: weights of the four at 1 px and of the eight at √5 px, which are right for a level
/// and closest to a star of 2 to 3 px (least squares over a Gaussian's autocorrelation; four alone lose half of it).
const NEAR: f32 = 0.36;
const FAR: f32 = -0.055;
/// Samples on each side that it reaches.
const GREEN_REACH_PX: usize = 2;
/// Samples that a value between samples is read from, along each axis.
const TAPS: usize = 4;
/// Shift of a mosaic's samples, as far as they are read: two taps of sites, two of green, its reach, and rounding.
const FIXED_MARGIN_PX: f64 = 4.0 + 2.0 + GREEN_REACH_PX as f64 + 1.0;

/// Lateral color of a frame.
pub(super) struct Lateral {
    principal: Point,
    /// Channel and radial scale of the colors that lie elsewhere than green.
    colors: Vec<(usize, f64)>,
}

/// The map of green, what moves the colors of a mosaic, and the maps of those of any other picture.
pub(super) fn split(transform: &Transform, layout: Layout, size: Size) -> (Transform, Option<Lateral>, Vec<ColorWarp>) {
    let (Transform::Camera(camera), Some(transforms)) = (transform, transform.to_channels()) else {
        return (transform.clone(), None, Vec::new());
    };
    let lens = camera.lens();
    let colors: Vec<(usize, f64)> = [0, 2]
        .map(|channel| (channel, lens.channel_scale[channel]))
        .into_iter()
        .filter(|color| color.1 != 1.0)
        .collect();
    let green = transforms[GREEN].clone();
    match layout {
        Layout::Mosaic(_) => (green, Some(Lateral { principal: lens.principal, colors }), Vec::new()),
        Layout::Rgb => {
            let warp = |(channel, _): (usize, f64)| ColorWarp { channel, place: Warp::new(&transforms[channel], size) };
            (green, None, colors.into_iter().map(warp).collect())
        }
    }
}

/// Buffers that live longer than one window.
#[derive(Default)]
pub(super) struct Buffers {
    green: Vec<f32>,
    differences: Vec<f32>,
    /// The samples that the differences are of.
    seen: Vec<f32>,
    /// The darker of two rows of them.
    darker: Vec<f32>,
    line: Vec<f32>,
    /// Its samples at even and at odd places.
    halves: [Vec<f32>; 2],
    moved: Vec<f32>,
}

impl Lateral {
    /// Samples around a window that [`Self::correct`] needs.
    pub(super) fn margin_px(&self, window: Window) -> usize {
        let reach = |start: isize, len: usize, principal: f64| {
            (start as f64 - principal).abs().max((start as f64 + len as f64 - principal).abs())
        };
        let across = reach(window.x, window.size.width, self.principal.x);
        let down = reach(window.y, window.size.height, self.principal.y);
        let stretch = self.colors.iter().map(|(_, scale)| (scale - 1.0).abs()).fold(0.0, f64::max);
        // Once to where the sky of a sample lies, once to its green; a little more for the margin's own shift.
        (2.1 * stretch * across.max(down) + FIXED_MARGIN_PX).ceil() as usize
    }

    /// Moves red and blue onto green; `mosaic` has the samples of the window and of the margin around it, and is
    /// trimmed to the window.
    pub(super) fn correct(
        &self,
        noise: NoiseModel,
        cfa: Cfa,
        window: Window,
        mosaic: &mut Vec<f32>,
        buffers: &mut Buffers,
    ) {
        let around = window.grown(self.margin_px(window));
        let from = Mosaic { noise, cfa, window: around, samples: mosaic };
        Arch::new().dispatch(Correct { lateral: self, from, window, buffers });
        std::mem::swap(mosaic, &mut buffers.moved);
    }

    #[inline(always)]
    fn move_color(&self, from: &Mosaic<'_>, window: Window, channel: usize, scale: f64, buffers: &mut Buffers) {
        let Some(odd) = from.first_site(channel) else { return };
        let principal = [self.principal.x, self.principal.y];
        let axes = [(window.x, window.size.width), (window.y, window.size.height)];
        // Along each axis: the sites of the window, where in the sites' own grid their sky lies, and the sites
        // that it is read from.
        let plan: [AxisPlan; 2] =
            std::array::from_fn(|axis| AxisPlan::new(axes[axis], odd[axis], principal[axis], scale));
        let [across, down] = &plan;
        let stride = from.window.size.width;
        let Some(first_read) = across.read.first().map(|(x, _)| (x - from.window.x) as usize) else { return };
        let n_columns = across.read.len();
        let read = Runs::new(&across.read, 2, |x, taps| x + taps.first - from.window.x);
        let sites = Runs::new(&across.sites, 1, |_, taps| taps.first);
        let Buffers { green, differences, seen, darker, line, halves, moved } = buffers;
        differences.resize(down.read.len() * n_columns, 0.0);
        seen.resize(down.read.len() * n_columns, 0.0);
        let rows = differences.chunks_exact_mut(n_columns).zip(seen.chunks_exact_mut(n_columns));
        for ((y, taps), (differences, seen)) in down.read.iter().zip(rows) {
            let start = from.window.place(from.window.x, y + taps.first);
            weigh(rows_from(green, start, stride), taps.weights, line);
            part(line, halves);
            for (run, first) in &read.runs {
                let half = |tap: usize| &halves[(first + tap) % 2][(first + tap) / 2..][..run.len()];
                weigh_each([half(0), half(1), half(2), half(3)], read.weights(run), &mut differences[run.clone()]);
            }
            let samples = &from.samples[from.window.place(from.window.x, *y) + first_read..];
            for ((difference, seen), sample) in differences.iter_mut().zip(seen).zip(samples.iter().step_by(2)) {
                *seen = *sample;
                *difference = sample - OF_GREEN * *difference;
            }
        }
        let Some(first_site) = across.sites.first().map(|(x, _)| *x) else { return };
        for (y, taps) in &down.sites {
            let start = taps.first as usize * n_columns;
            weigh(rows_from(differences, start, n_columns), taps.weights, line);
            let [_, upper, lower, _] = rows_from(seen, start, n_columns);
            darker.resize(n_columns, 0.0);
            for ((darker, upper), lower) in darker.iter_mut().zip(upper).zip(lower) {
                *darker = upper.min(*lower);
            }
            let values = &mut halves[0];
            values.resize(across.sites.len(), 0.0);
            for (run, first) in &sites.runs {
                let tap = |tap: usize| &line[first + tap..][..run.len()];
                let values = &mut values[run.clone()];
                weigh_each([tap(0), tap(1), tap(2), tap(3)], sites.weights(run), values);
                let green = &green[from.window.place(first_site, *y) + 2 * run.start..];
                let beside = darker[first + 1..].iter().zip(&darker[first + 2..]);
                for ((value, green), (left, right)) in values.iter_mut().zip(green.iter().step_by(2)).zip(beside) {
                    *value = (*value + OF_GREEN * green).max(floor(from.noise, left.min(*right)));
                }
            }
            let target = &mut moved[window.place(first_site, *y)..];
            target.iter_mut().step_by(2).zip(values).for_each(|(target, value)| *target = *value);
        }
    }
}

/// Four rows that follow each other.
#[inline(always)]
fn rows_from(plane: &[f32], start: usize, stride: usize) -> [&[f32]; TAPS] {
    let row = |row: usize| &plane[start + row * stride..][..stride];
    [row(0), row(1), row(2), row(3)]
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct Correct<'a> {
    lateral: &'a Lateral,
    from: Mosaic<'a>,
    window: Window,
    buffers: &'a mut Buffers,
}

impl NullaryFnOnce for Correct<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { lateral, from, window, buffers } = self;
        from.fill_green(&mut buffers.green);
        buffers.moved.clear();
        for row in 0..window.size.height {
            let start = from.window.place(window.x, window.y + row as isize);
            buffers.moved.extend_from_slice(&from.samples[start..start + window.size.width]);
        }
        for &(channel, scale) in &lateral.colors {
            lateral.move_color(&from, window, channel, scale, buffers);
        }
    }
}

/// A weighted sum of four rows of one length.
#[inline(always)]
fn weigh(rows: [&[f32]; TAPS], weights: [f32; TAPS], line: &mut Vec<f32>) {
    let len = rows[0].len();
    let [first, second, third, fourth] = [&rows[0][..len], &rows[1][..len], &rows[2][..len], &rows[3][..len]];
    let [a, b, c, d] = weights;
    // Every place is written below.
    line.resize(len, 0.0);
    let line = &mut line[..len];
    for x in 0..len {
        line[x] = (a * first[x] + b * second[x]) + (c * third[x] + d * fourth[x]);
    }
}

/// Four samples along an axis and their weights.
#[derive(Clone, Copy, Debug)]
struct Taps {
    /// The first of them: from the site itself for green, from the first site read for differences.
    first: isize,
    weights: [f32; TAPS],
}

impl Taps {
    /// Through four equally spaced samples (Keys 1981, a = −1/2); `whole` is the last sample before the position.
    fn new(position: f64, origin: isize) -> Self {
        let whole = position.floor();
        let t = position - whole;
        let weights = [
            ((-0.5 * t + 1.0) * t - 0.5) * t,
            (1.5 * t - 2.5) * t * t + 1.0,
            ((-1.5 * t + 2.0) * t + 0.5) * t,
            (0.5 * t - 0.5) * t * t,
        ];
        Self { first: whole as isize - 1 - origin, weights: weights.map(|weight| weight as f32) }
    }
}

/// Sites of a color along one axis: places in the frame, each with its taps.
struct AxisPlan {
    /// Sites of the window, and where among the sites read their sky lies.
    sites: Vec<(isize, Taps)>,
    /// Sites that are read, and where their sky lies in green, from the site on.
    read: Vec<(isize, Taps)>,
}

impl AxisPlan {
    fn new((start, len): (isize, usize), odd: isize, principal: f64, scale: f64) -> Self {
        let end = start + len as isize;
        let first_site = start + (start - odd).rem_euclid(2);
        // The color shows at this place what green shows at a place of the window; counted in sites.
        let in_sites = |place: isize| (principal + scale * (place as f64 - principal) - odd as f64) / 2.0;
        let origin = in_sites(first_site).floor() as isize - 1;
        let sites: Vec<(isize, Taps)> =
            (first_site..end).step_by(2).map(|place| (place, Taps::new(in_sites(place), origin))).collect();
        let n_read = sites.last().map_or(0, |(_, taps)| taps.first + TAPS as isize);
        let in_green = |place: isize| principal + (place as f64 - principal) / scale;
        let read = (0..n_read).map(|site| {
            let place = 2 * (origin + site) + odd;
            (place, Taps::new(in_green(place), place))
        });
        Self { read: read.collect(), sites }
    }
}

/// A window of a mosaic.
struct Mosaic<'a> {
    noise: NoiseModel,
    cfa: Cfa,
    window: Window,
    samples: &'a [f32],
}

impl Mosaic<'_> {
    fn color_at(&self, x: isize, y: isize) -> CfaColor {
        self.cfa.color_at(x.rem_euclid(2) as usize, y.rem_euclid(2) as usize)
    }

    /// Column and row, 0 or 1, of the sites of red or blue: every other column of every other row.
    fn first_site(&self, channel: usize) -> Option<[isize; 2]> {
        [[0, 0], [1, 0], [0, 1], [1, 1]].into_iter().find(|&[x, y]| self.color_at(x, y) as usize == channel)
    }

    /// Green everywhere but at the rim: where it was sampled, as it is; elsewhere from the twelve samples around.
    #[inline(always)]
    fn fill_green(&self, green: &mut Vec<f32>) {
        let Size { width, height } = self.window.size;
        green.clear();
        green.resize(width * height, 0.0);
        let inner = width - 2 * GREEN_REACH_PX;
        for row in GREEN_REACH_PX..height - GREEN_REACH_PX {
            let line = |down: usize, across: usize| &self.samples[(row + down - 2) * width + across..][..inner];
            let (up2_left, up2_right, up_left2, up, up_right2) =
                (line(0, 1), line(0, 3), line(1, 0), line(1, 2), line(1, 4));
            let (left, center, right) = (line(2, 1), line(2, 2), line(2, 3));
            let (down_left2, down, down_right2) = (line(3, 0), line(3, 2), line(3, 4));
            let (down2_left, down2_right) = (line(4, 1), line(4, 3));
            let target = &mut green[row * width + GREEN_REACH_PX..][..inner];
            for x in 0..inner {
                let near = (left[x] + right[x]) + (up[x] + down[x]);
                let upper = (up2_left[x] + up2_right[x]) + (up_left2[x] + up_right2[x]);
                let lower = (down2_left[x] + down2_right[x]) + (down_left2[x] + down_right2[x]);
                target[x] = NEAR * near + FAR * (upper + lower);
            }
            let (x, y) = (self.window.x + GREEN_REACH_PX as isize, self.window.y + row as isize);
            let first = usize::from(self.color_at(x, y) != CfaColor::Green);
            for x in (first..inner).step_by(2) {
                target[x] = center[x];
            }
        }
    }
}

/// One color of a picture that is no mosaic, where the lens puts it elsewhere than green.
pub(super) struct ColorWarp {
    /// Its lane: 0 for red, 2 for blue.
    channel: usize,
    /// Where a pixel of the reference shows this color in the frame.
    place: Warp,
}

/// The colors of such a picture over one target window.
pub(super) struct ColorGrids(Vec<(usize, Grid)>);

impl ColorGrids {
    pub(super) fn new(colors: &[ColorWarp], target: Window) -> Self {
        Self(colors.iter().map(|color| (color.channel, color.place.grid(target))).collect())
    }

    /// The window of the frame that green and all colors are read from.
    pub(super) fn window(&self, green: Window, frame: Size) -> Window {
        self.0.iter().filter_map(|(_, grid)| grid.source_window(frame)).fold(green, Window::around)
    }

    /// Reads the colors at their own positions; where they are not covered they stay where green is read.
    pub(super) fn resample(
        &self,
        resampler: &Resampler,
        source: &Source<'_>,
        target: Size,
        lanes: &mut [&mut [f32]; 4],
    ) {
        for (channel, grid) in &self.0 {
            resample_lane(resampler, source, grid, target, *channel, lanes[*channel]);
        }
    }
}

#[cfg(test)]
mod tests;
