//! The samples of one tile: every frame's part, read, coloured, resampled and brought to the reference.

use rayon::prelude::*;

use crate::demosaic::{Pixel, Window, demosaic_window, margin_px, mirrored};
use crate::detect::Mesh;
use crate::job::Monitor;
use crate::pixels::{Layout, Rect, Size, Transform};
use crate::resample::{Kernel, Resampler, Source, Warp, resample};
use crate::stack::clip::Centers;
use crate::stack::lateral::{self, ColorGrids, ColorWarp};
use crate::stack::sorting::LANES;
use crate::stack::visibility::Visibility;
use crate::stack::{MosaicRows, Offset, StackError, StackFrame, StackRequest};

/// Samples seen less than this are not seen: the kernel only brushed the clean sky.
const MIN_VISIBILITY: f32 = 0.03;
/// Contrast under the kernel, in standard deviations of dim sky, from which on rings are held back.
const RING_CONTRAST_SIGMA: f32 = 25.0;
/// Level of dim sky for that purpose, and the contrast where no noise model is given.
const DIM_SKY: f32 = 0.05;
/// What demosaic and resampling leave of the variance of white noise, by channel: measured on white noise with
/// the demosaic of `colour-demosaicing` 0.2.7 and Lanczos-3 weights, mean over sub-pixel positions.
const RESAMPLED_MOSAIC_GAIN: [f32; 3] = [0.917, 0.721, 0.917];
/// The same for a colour that is carried as its difference to green, over shifts of up to a pixel.
const MOVED_COLOR_GAIN: f32 = 0.995;

/// What all tiles share.
pub(super) struct Work<'a> {
    pub(super) rows: &'a dyn MosaicRows,
    pub(super) request: &'a StackRequest<'a>,
    pub(super) size: Size,
    pub(super) sky: Vec<Placed<'a>>,
    pub(super) land: Vec<Placed<'a>>,
    pub(super) reserve: Vec<Placed<'a>>,
    visibility: Option<&'a Visibility>,
    layout: Layout,
    resampler: Resampler,
}

/// A frame with its positions.
pub(super) struct Placed<'a> {
    pub(super) frame: &'a StackFrame,
    /// Of green, and of all colours without lateral colour.
    warp: Warp,
    /// Of the colours that the lens puts elsewhere.
    colors: Vec<ColorWarp>,
    /// Copied, not interpolated.
    is_copied: bool,
    /// From the frame to the foreground mask, where the tripod was knocked between them.
    mask: Option<Warp>,
}

impl<'a> Placed<'a> {
    fn new(frame: &'a StackFrame, size: Size) -> Self {
        let (green, colors) = lateral::warps(frame, size);
        let mask = (frame.mask_from_light != Transform::Identity).then(|| Warp::new(&frame.mask_from_light, size));
        Self { frame, warp: Warp::new(&green, size), colors, is_copied: green == Transform::Identity, mask }
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
        let place = |frames: &'a [StackFrame]| -> Vec<Placed<'a>> {
            frames.par_iter().map(|frame| Placed::new(frame, size)).collect()
        };
        let contrast = request.noise.map_or(DIM_SKY, |noise| {
            RING_CONTRAST_SIGMA * (noise.read_variance + DIM_SKY * noise.photon_variance_per_unit).sqrt()
        });
        // Visibility may dip below zero beside the foreground; it is compared with a threshold anyway.
        let ring_contrast = [contrast, contrast, contrast, f32::INFINITY];
        Self {
            rows,
            request,
            size,
            sky: place(&request.sky),
            land: place(&request.land),
            reserve: place(&request.land_reserve),
            visibility,
            layout: rows.layout(),
            resampler: Resampler { kernel: Kernel::new(), ring_contrast },
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
        let (resampled, moved) = match self.layout {
            Layout::Mosaic(_) => (RESAMPLED_MOSAIC_GAIN, MOVED_COLOR_GAIN),
            Layout::Rgb => ([plain; 3], plain),
        };
        let gain = |placed: &Placed<'_>, channel: usize| {
            let is_moved = placed.colors.iter().any(|color| color.channel == channel);
            match (is_moved, placed.is_copied) {
                (true, _) => moved,
                // Where a colour was sampled, demosaic takes nothing away.
                (false, true) => 1.0,
                (false, false) => resampled[channel],
            }
        };
        std::array::from_fn(|channel| {
            self.frames(subject).iter().map(|placed| gain(placed, channel) / placed.frame.weight).collect()
        })
    }
}

/// Buffers of one thread, kept from tile to tile.
#[derive(Default)]
pub(super) struct Workspace {
    pub(super) samples: Samples,
    pub(super) centers: Centers,
    read: Vec<Vec<f32>>,
    mirrored: Vec<Vec<f32>>,
    pixels: Vec<Pixel>,
}

/// Samples of the pixels of a tile: four lanes a frame; the fourth is the weight, 0 where nothing was seen.
#[derive(Default)]
pub(super) struct Samples {
    n_pixels: usize,
    stride: usize,
    values: Vec<f32>,
}

impl Samples {
    /// Room for `n_frames` times `n_pixels`, and a group more that is never seen, all 0.
    pub(super) fn reset(&mut self, n_frames: usize, n_pixels: usize) {
        self.n_pixels = n_pixels;
        // One group more than needed: groups may begin anywhere; and lanes do not share cache sets.
        self.stride = n_pixels.next_multiple_of(LANES) + LANES;
        let needed = 4 * n_frames * self.stride;
        self.values.clear();
        self.values.resize(needed, 0.0);
    }

    /// Samples of a lane, padded beyond the last pixel.
    #[inline]
    pub(super) fn lane(&self, slot: usize, lane: usize) -> &[f32] {
        let start = (4 * slot + lane) * self.stride;
        &self.values[start..start + self.stride]
    }

    /// Pixels with the padding.
    pub(super) fn stride(&self) -> usize {
        self.stride
    }

    fn lanes_mut(&mut self, slot: usize) -> [&mut [f32]; 4] {
        let n_pixels = self.n_pixels;
        let (red, rest) = self.values[4 * slot * self.stride..4 * (slot + 1) * self.stride].split_at_mut(self.stride);
        let (green, rest) = rest.split_at_mut(self.stride);
        let (blue, weight) = rest.split_at_mut(self.stride);
        [&mut red[..n_pixels], &mut green[..n_pixels], &mut blue[..n_pixels], &mut weight[..n_pixels]]
    }
}

/// Sum of squared weights of the interpolation, over the samples of a tile.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Smoothing {
    pub(super) squares: f64,
    pub(super) n_samples: usize,
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
        for lane in workspace.samples.lanes_mut(slot) {
            lane.fill(0.0);
        }
        return Ok(Smoothing::default());
    };
    let colors = ColorGrids::new(&placed.colors, target);
    let inner = colors.window(window, work.size);
    let window = inner.grown(colors.margin_px());
    read_window(work, placed.frame.frame, window.grown(margin_px(work.layout)), workspace)?;
    demosaic_window(work.layout, window, &workspace.mirrored, &mut workspace.pixels);
    colors.subtract_green(work.layout, &work.resampler, (window, work.size), inner, &mut workspace.pixels);
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
    let mut lanes = workspace.samples.lanes_mut(slot);
    let [red, green, blue, weight] = &mut lanes;
    let squares = resample(&work.resampler, &source, &grid, target.size, [red, green, blue, weight]);
    colors.resample(work.layout, &work.resampler, &source, target.size, &mut lanes);
    let n_samples = normalize(placed.frame, target, lanes);
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
fn read_window(work: &Work<'_>, frame: usize, window: Window, workspace: &mut Workspace) -> Result<(), StackError> {
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

/// Brings samples to the reference's light, and the fourth lane from visibility to weight.
fn normalize(frame: &StackFrame, target: Window, lanes: [&mut [f32]; 4]) -> usize {
    let [red, green, blue, weight] = lanes;
    let mut n_seen = 0;
    for weight in weight.iter_mut() {
        let seen = *weight > MIN_VISIBILITY;
        n_seen += usize::from(seen);
        *weight = if seen { weight.min(1.0) * frame.weight } else { 0.0 };
    }
    let mut colors = [red, green, blue];
    match &frame.offset {
        Offset::Constant(offset) => {
            if frame.scale != 1.0 || *offset != [0.0; 3] {
                for (samples, offset) in colors.iter_mut().zip(offset) {
                    samples.iter_mut().for_each(|sample| *sample = *sample * frame.scale + offset);
                }
            }
        }
        Offset::Smooth(meshes) => {
            for (samples, mesh) in colors.iter_mut().zip(meshes.iter()) {
                for (row, samples) in samples.chunks_exact_mut(target.size.width).enumerate() {
                    add_mesh_row(mesh, target.x, target.y + row as isize, frame.scale, samples);
                }
            }
        }
    }
    n_seen
}

/// Scales a row that begins at (x, y) and adds the mesh, as [`Mesh::at`] has it: linear between cell centres.
///
/// A pixel's value must not depend on where the row begins: all is reckoned from the cell.
fn add_mesh_row(mesh: &Mesh, x: isize, y: isize, scale: f32, samples: &mut [f32]) {
    let (cell_px, last_column, last_row) = (mesh.cell_px as isize, mesh.cells.width() - 1, mesh.cells.height() - 1);
    // The first pixel at or after the centre of a cell, and how far a pixel is from a centre, in cells.
    let first_pixel = |cell: usize| cell as isize * cell_px + cell_px / 2;
    let past_center =
        |pixel: isize, cell: usize| (2 * (pixel - cell as isize * cell_px) + 1 - cell_px) as f32 / (2 * cell_px) as f32;
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
        for (step, sample) in samples[(from - x) as usize..(to - x) as usize].iter_mut().enumerate() {
            *sample = *sample * scale + left + slope * past_center(from + step as isize, cell);
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
        add_mesh_row(&mesh, 0, 2, 2.0, &mut samples);
        assert_eq!([samples[0], samples[2], samples[7], samples[12], samples[14]], [2.0, 2.0, 3.0, 4.0, 4.0], "row 2");
        assert!((samples[4] - 2.4).abs() < 1e-6, "two fifths of the way: {}", samples[4]);
        for y in [-1, 0, 2, 3, 6, 7, 9] {
            add_mesh_row(&mesh, -1, y, 0.0, &mut samples);
            for (place, sample) in samples.iter().enumerate() {
                let expected = mesh.at(Point { x: place as f64 - 1.0, y: y as f64 });
                assert!((sample - expected).abs() < 1e-5, "({}, {y}): {sample}, not {expected}", place as isize - 1);
            }
        }
    }
}
