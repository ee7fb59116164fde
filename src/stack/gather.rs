//! The samples of one tile: every frame's part, read, coloured, resampled and brought to the reference.

use rayon::prelude::*;

use crate::calibrate::NoiseModel;
use crate::demosaic::{Pixel, TYPICAL_NOISE, Window, demosaic_window, margin_px, mirrored};
use crate::detect::Mesh;
use crate::job::Monitor;
use crate::pixels::{Layout, Rect, Size, Transform};
use crate::resample::{Drop, Kernel, Resampler, Source, Warp, resample};
use crate::stack::clip::Centers;
use crate::stack::lateral::{self, ColorGrids, ColorWarp, Lateral};
use crate::stack::leave_out::LeftOut;
use crate::stack::samples::Samples;
use crate::stack::visibility::Visibility;
use crate::stack::{Between, ColorRule, MosaicRows, Offset, StackError, StackFrame, StackRequest};

/// Samples seen less than this are not seen: the kernel only brushed the clean sky.
const MIN_VISIBILITY: f32 = 0.03;
/// Contrast under the kernel, in standard deviations of dim sky, from which on rings are held back.
const RING_CONTRAST_SIGMA: f32 = 25.0;
/// Level of dim sky for that purpose.
const DIM_SKY: f32 = 0.05;
/// Edge of the drops that samples of the mosaic land as where they are not interpolated: see docs/stacking.md.
const DROP_EDGE_PX: f32 = 0.8;
/// What demosaic and resampling leave of the variance of white noise, by channel: numpy on white noise, with the weights
/// of both, mean over sub-pixel positions (tests/reference/demosaic).
const RESAMPLED_MOSAIC_GAIN: [f32; 3] = [0.619, 0.812, 0.619];
/// The same for single samples of the mosaic; green is the mean of one or two.
const SAMPLED_GAIN: [f32; 3] = [1.0, 0.85, 1.0];

/// What all tiles share.
pub(super) struct Work<'a> {
    pub(super) rows: &'a dyn MosaicRows,
    pub(super) request: &'a StackRequest<'a>,
    pub(super) size: Size,
    pub(super) sky: Vec<Placed<'a>>,
    pub(super) land: Vec<Placed<'a>>,
    pub(super) reserve: Vec<Placed<'a>>,
    /// The frames before and after each time between two exposures.
    pub(super) between: Vec<[Placed<'a>; 2]>,
    pub(super) visibility: Option<&'a Visibility>,
    pub(super) layout: Layout,
    resampler: Resampler,
    /// Of a sample of the mosaic, as far as it bounds rings around stars.
    noise: NoiseModel,
    pub(super) drop: Drop,
}

/// A frame with its positions.
pub(super) struct Placed<'a> {
    pub(super) frame: &'a StackFrame,
    /// Of all colours; where they are resampled apart, of green.
    warp: Warp,
    /// Lateral colour of a mosaic, which is put right on the sensor.
    lateral: Option<Lateral>,
    /// Positions of the other colours, where they are resampled apart.
    colors: Vec<ColorWarp>,
    /// Of each colour of a mosaic whose samples are taken as they are.
    pub(super) channels: Vec<Warp>,
    /// Copied, not interpolated.
    pub(super) is_copied: bool,
    /// From the frame to the foreground mask, where the tripod was knocked between them.
    pub(super) mask: Option<Warp>,
}

impl<'a> Placed<'a> {
    fn new(frame: &'a StackFrame, layout: Layout, size: Size, colors_of_samples: ColorRule) -> Self {
        let (green, lateral, colors) = lateral::split(&frame.light_from_reference, layout, size);
        let warp = Warp::new(&green, size);
        let channels = match (colors_of_samples, frame.light_from_reference.to_channels()) {
            (ColorRule::Interpolated, _) => Vec::new(),
            (ColorRule::Sampled, Some(channels)) => channels.iter().map(|channel| Warp::new(channel, size)).collect(),
            (ColorRule::Sampled, None) => vec![warp.clone(); 3],
        };
        let mask = (frame.mask_from_light != Transform::Identity).then(|| Warp::new(&frame.mask_from_light, size));
        Self { frame, warp, lateral, colors, channels, is_copied: green == Transform::Identity, mask }
    }
}

/// Whether a frame's own foreground is kept out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Subject {
    /// Moving stars, the foreground kept out.
    Sky,
    /// Still tripod, everything seen.
    Land,
    /// The land where the frames of [`Subject::Land`] show nothing.
    Reserve,
}

impl<'a> Work<'a> {
    pub(super) fn new(
        rows: &'a dyn MosaicRows,
        request: &'a StackRequest<'a>,
        visibility: Option<&'a Visibility>,
    ) -> Self {
        let size = rows.size();
        let (layout, colors) = (rows.layout(), request.colors);
        let place = |frames: &'a [StackFrame], colors: ColorRule| -> Vec<Placed<'a>> {
            frames.par_iter().map(|frame| Placed::new(frame, layout, size, colors)).collect()
        };
        let pair = |between: &'a Between| {
            [&between.earlier, &between.later].map(|frame| Placed::new(frame, layout, size, ColorRule::Interpolated))
        };
        let noise = request.noise.unwrap_or(TYPICAL_NOISE);
        let contrast = RING_CONTRAST_SIGMA * noise.variance(DIM_SKY).sqrt();
        // Visibility may dip below zero beside the foreground; it is compared with a threshold anyway.
        let ring_contrast = [contrast, contrast, contrast, f32::INFINITY];
        Self {
            rows,
            request,
            size,
            sky: place(&request.sky, colors),
            land: place(&request.land, ColorRule::Interpolated),
            reserve: place(&request.land_reserve, ColorRule::Interpolated),
            between: request.between.par_iter().map(pair).collect(),
            visibility,
            layout,
            resampler: Resampler { kernel: Kernel::new(), ring_contrast },
            noise,
            drop: Drop::new(DROP_EDGE_PX),
        }
    }

    pub(super) fn frames(&self, subject: Subject) -> &[Placed<'a>] {
        match subject {
            Subject::Sky => &self.sky,
            Subject::Land => &self.land,
            Subject::Reserve => &self.reserve,
        }
    }

    /// Variance of the samples of each frame by channel, in units of the noise model.
    pub(super) fn variances(&self, subject: Subject) -> [Vec<f32>; 3] {
        let plain = self.resampler.kernel.mean_noise_gain();
        let resampled = match self.layout {
            Layout::Mosaic(_) => RESAMPLED_MOSAIC_GAIN,
            Layout::Rgb => [plain; 3],
        };
        // Where a colour was sampled, demosaic takes nothing away. What moving a colour onto green takes (0.07 at
        // 0.3 px, white noise) is left out: the limits are a little wider there.
        let gain = |placed: &Placed<'_>, channel: usize| if placed.is_copied { 1.0 } else { resampled[channel] };
        std::array::from_fn(|channel| {
            self.frames(subject).iter().map(|placed| gain(placed, channel) * placed.frame.variance).collect()
        })
    }
}

impl Work<'_> {
    /// The same for samples that are not interpolated.
    pub(super) fn sampled_variances(&self) -> [Vec<f32>; 3] {
        SAMPLED_GAIN.map(|gain| self.sky.iter().map(|placed| gain * placed.frame.variance).collect())
    }
}

/// Buffers of one thread, kept from tile to tile.
#[derive(Default)]
pub(super) struct Workspace {
    pub(super) samples: Samples,
    pub(super) centers: Centers,
    pub(super) left_out: LeftOut,
    read: Vec<Vec<f32>>,
    pub(super) mirrored: Vec<Vec<f32>>,
    /// Weights of the samples of a window.
    pub(super) visibility: Vec<f32>,
    lateral: lateral::Buffers,
    pixels: Vec<Pixel>,
}

/// Sum of squared weights of the interpolation, over the samples of a tile.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Smoothing {
    pub(super) squares: f64,
    pub(super) n_samples: usize,
}

impl Smoothing {
    pub(super) fn plus(self, other: Self) -> Self {
        Self { squares: self.squares + other.squares, n_samples: self.n_samples + other.n_samples }
    }
}

/// Fills `slot` of the workspace's samples with what `placed` shows of the target window.
pub(super) fn gather_frame(
    monitor: &Monitor,
    work: &Work<'_>,
    placed: &Placed<'_>,
    subject: Subject,
    target: Window,
    slot: usize,
    workspace: &mut Workspace,
) -> Result<Smoothing, StackError> {
    monitor.check()?;
    let grid = placed.warp.grid(target);
    let Some(window) = grid.source_window(work.size) else {
        let (colors, weights) = workspace.samples.lanes_mut(slot);
        colors.into_iter().chain(weights).for_each(|lane| lane.fill(0.0));
        return Ok(Smoothing::default());
    };
    let colors = ColorGrids::new(&placed.colors, target);
    let window = colors.window(window, work.size);
    let sampled = window.grown(margin_px(work.layout));
    match (&placed.lateral, work.layout) {
        (Some(lateral), Layout::Mosaic(cfa)) => {
            read_window(work, placed.frame.frame, sampled.grown(lateral.margin_px(sampled)), workspace)?;
            lateral.correct(work.noise, cfa, sampled, &mut workspace.mirrored[0], &mut workspace.lateral);
        }
        _ => read_window(work, placed.frame.frame, sampled, workspace)?,
    }
    demosaic_window(work.noise, work.layout, window, &workspace.mirrored, &mut workspace.pixels);
    if let (Subject::Sky, Some(visibility)) = (subject, work.visibility) {
        match &placed.mask {
            Some(mask) => visibility.write_through(&mask.grid(window), window, &mut workspace.pixels),
            None => visibility.write(window, &mut workspace.pixels),
        }
    }
    if placed.frame.ceiling < f32::INFINITY {
        hide_above(placed.frame.ceiling, &mut workspace.pixels);
    }
    let source = Source { window, frame: work.size, pixels: &workspace.pixels };
    let ([red, green, blue], mut weights) = workspace.samples.lanes_mut(slot);
    let mut lanes = [red, green, blue, &mut *weights[0]];
    let squares = resample(&work.resampler, &source, &grid, target.size, lanes.each_mut().map(|lane| &mut **lane));
    colors.resample(&work.resampler, &source, target.size, &mut lanes);
    let [red, green, blue, weight] = lanes;
    bring_to_reference(placed.frame, target, [red, green, blue]);
    let n_samples = to_weights(placed.frame, target, weight);
    Ok(Smoothing { squares, n_samples })
}

/// A pixel that is too bright in any colour is not seen.
fn hide_above(ceiling: f32, pixels: &mut [Pixel]) {
    for pixel in pixels {
        if pixel[..3].iter().any(|&sample| sample >= ceiling) {
            pixel[3] = 0.0;
        }
    }
}

/// Reads a window of a frame, mirrored where it leaves the frame, into `workspace.mirrored`.
pub(super) fn read_window(
    work: &Work<'_>,
    frame: usize,
    window: Window,
    workspace: &mut Workspace,
) -> Result<(), StackError> {
    let n_planes = work.layout.n_planes();
    workspace.read.resize(n_planes, Vec::new());
    workspace.mirrored.resize(n_planes, Vec::new());
    let (x, width) = inner_range(window.x, window.size.width, work.size.width);
    let (y, height) = inner_range(window.y, window.size.height, work.size.height);
    let rect = Rect { x, y, size: Size { width, height } };
    if (x as isize, y as isize) == (window.x, window.y) && rect.size == window.size {
        return work.rows.read_rect(frame, rect, &mut workspace.mirrored);
    }
    work.rows.read_rect(frame, rect, &mut workspace.read)?;
    let columns: Vec<usize> =
        (0..window.size.width).map(|column| mirrored(window.x + column as isize, work.size.width) - x).collect();
    for (read, target) in workspace.read.iter().zip(&mut workspace.mirrored) {
        target.clear();
        for row in 0..window.size.height {
            let source_row = mirrored(window.y + row as isize, work.size.height) - y;
            let source = &read[source_row * width..(source_row + 1) * width];
            target.extend(columns.iter().map(|&column| source[column]));
        }
    }
    Ok(())
}

/// First place and count of the samples in the frame that a mirrored range shows.
fn inner_range(start: isize, count: usize, len: usize) -> (usize, usize) {
    let end = start + count as isize;
    let last = len as isize - 1;
    // What lies beyond an end is seen as far inside it.
    let first = start.max(0).min((2 * last - (end - 1)).max(0)).min(last);
    let stop = end.min(len as isize).max((1 - start).min(len as isize));
    (first as usize, (stop - first) as usize)
}

/// From visibility to weight; the number of samples seen.
fn to_weights(frame: &StackFrame, target: Window, weights: &mut [f32]) -> usize {
    let mut n_seen = 0;
    for weight in weights.iter_mut() {
        let seen = *weight > MIN_VISIBILITY;
        n_seen += usize::from(seen);
        *weight = if seen { weight.min(1.0) * frame.weight } else { 0.0 };
    }
    weigh_by_light(frame, target, weights);
    n_seen
}

/// What is brightened from place to place counts less there: inverse variance.
pub(super) fn weigh_by_light(frame: &StackFrame, target: Window, weights: &mut [f32]) {
    if let Some(local) = &frame.local_scale {
        on_mesh(local, target, weights, |weight, factor| *weight /= factor * factor);
    }
}

/// Brings the colors of a window to the reference's light.
pub(super) fn bring_to_reference(frame: &StackFrame, target: Window, mut colors: [&mut [f32]; 3]) {
    if let Some(local) = &frame.local_scale {
        for samples in &mut colors {
            on_mesh(local, target, samples, |sample, factor| *sample *= factor);
        }
    }
    match &frame.offset {
        Offset::Constant(offset) => {
            if frame.scale != 1.0 || *offset != [0.0; 3] {
                for (samples, offset) in colors.into_iter().zip(offset) {
                    samples.iter_mut().for_each(|sample| *sample = *sample * frame.scale + offset);
                }
            }
        }
        Offset::Smooth(meshes) => {
            for (samples, mesh) in colors.into_iter().zip(meshes.iter()) {
                on_mesh(mesh, target, samples, |sample, offset| *sample = *sample * frame.scale + offset);
            }
        }
    }
}

/// Changes each sample of a window by what the mesh says there.
fn on_mesh(mesh: &Mesh, target: Window, samples: &mut [f32], change: impl Fn(&mut f32, f32)) {
    for (row, samples) in samples.chunks_exact_mut(target.size.width).enumerate() {
        on_mesh_row(mesh, target.x, target.y + row as isize, samples, &change);
    }
}

/// Changes each sample of a row that begins at (x, y) by what the mesh says there, as [`Mesh::at`] has it: linear
/// between cell centres.
///
/// A pixel's value must not depend on where the row begins: all is reckoned from the cell.
fn on_mesh_row(mesh: &Mesh, x: isize, y: isize, samples: &mut [f32], change: impl Fn(&mut f32, f32)) {
    let (cell_px, last_column, last_row) = (mesh.cell_px as isize, mesh.cells.width() - 1, mesh.cells.height() - 1);
    // The first pixel at or after the centre of a cell, and how far a pixel is from a centre, in cells.
    let first_pixel = |cell: usize| cell as isize * cell_px + cell_px / 2;
    let per_half_pixel = 1.0 / (2 * cell_px) as f32;
    let half_pixels_past = |pixel: isize, cell: usize| (2 * (pixel - cell as isize * cell_px) + 1 - cell_px) as i32;
    let past_center = |pixel: isize, cell: usize| half_pixels_past(pixel, cell) as f32 * per_half_pixel;
    let cell_row = ((y - cell_px / 2).max(0) / cell_px).min(last_row as isize) as usize;
    let down = past_center(y, cell_row).clamp(0.0, 1.0);
    let (upper, lower) = (mesh.cells.row(cell_row), mesh.cells.row((cell_row + 1).min(last_row)));
    let level = |cell: usize| upper[cell] + (lower[cell] - upper[cell]) * down;
    let end = x + samples.len() as isize;
    let mut from = x;
    while from < end {
        let before_first = from < first_pixel(0);
        let cell = ((from - cell_px / 2).max(0) / cell_px).min(last_column as isize) as usize;
        let to = match (before_first, cell == last_column) {
            (true, _) => first_pixel(0).min(end),
            (false, true) => end,
            (false, false) => first_pixel(cell + 1).min(end),
        };
        let left = level(cell);
        let slope = if before_first || cell == last_column { 0.0 } else { level(cell + 1) - left };
        // 32-bit counters are what vector units turn into floats.
        let past = half_pixels_past(from, cell);
        for (step, sample) in (0_i32..).zip(&mut samples[(from - x) as usize..(to - x) as usize]) {
            change(sample, left + slope * ((past + 2 * step) as f32 * per_half_pixel));
        }
        from = to;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Plane, Point};

    #[test]
    fn a_mirrored_range_knows_what_it_shows() {
        assert_eq!(inner_range(3, 5, 20), (3, 5), "inside");
        assert_eq!(inner_range(-4, 6, 20), (0, 5), "places -4 to 1 show 4 to 0 and 1");
        assert_eq!(inner_range(17, 7, 20), (15, 5), "places 17 to 23 show 17 to 19 and down to 15");
    }

    #[test]
    fn a_mesh_is_exact_at_its_centers_and_linear_between_them() {
        let cells = Plane::from_fn(Size { width: 3, height: 2 }, |x, y| (x + 10 * y) as f32);
        let mesh = Mesh { cells, cell_px: 5 };
        let mut samples = vec![1.0; 15];
        on_mesh_row(&mesh, 0, 2, &mut samples, |sample, level| *sample = 2.0 * *sample + level);
        assert_eq!([samples[0], samples[2], samples[7], samples[12], samples[14]], [2.0, 2.0, 3.0, 4.0, 4.0], "row 2");
        assert!((samples[4] - 2.4).abs() < 1e-6, "two fifths of the way: {}", samples[4]);
        for y in [-1, 0, 2, 3, 6, 7, 9] {
            on_mesh_row(&mesh, -1, y, &mut samples, |sample, level| *sample = level);
            for (place, sample) in samples.iter().enumerate() {
                let expected = mesh.at(Point { x: place as f64 - 1.0, y: y as f64 });
                assert!((sample - expected).abs() < 1e-5, "({}, {y}): {sample}, not {expected}", place as isize - 1);
            }
        }
    }
}
