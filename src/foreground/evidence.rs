//! Planes at a fraction of the scale that all evidence is read from.
//!
//! A cell of `bin` by `bin` samples becomes one pixel. The still picture is the median over time: stars pass
//! through a pixel in a few frames only and leave no trace in it. What each frame has beyond the still
//! picture is kept for the search of moving lights.

use rayon::prelude::*;

use crate::foreground::filters::{box_mean, by_rows};
use crate::job::{Cancelled, Monitor};
use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{Layout, Orientation, Plane, Point, Rect, Size};

/// Frames looked at, spread over the burst: more would cost time and tell little more.
pub(super) const MOST_FRAMES: usize = 9;
/// The evidence is about so many pixels wide, a quarter of the scale of a frame of 24 million pixels.
const EVIDENCE_WIDTH: usize = 1500;
/// Noise and sky are measured by cells of pixels; about so many of them lie across.
const CELLS_ACROSS: usize = 190;
/// Pixels of the evidence in a cell, across and down, at least and at most.
const CELL_RANGE: [usize; 2] = [4, 8];
/// Rows of the evidence read at once.
const BAND_ROWS: usize = 16;
/// Over twice this many pixels light is taken to change as a whole.
const SMOOTH_REACH: usize = 16;
/// Standard deviation of the median of normal noise over that of the mean, for many samples: √(π/2).
const MEDIAN_NOISE: f32 = 1.253;

/// Fills each plane with the samples of a block of one frame.
pub type ReadRect<'a, E> = &'a (dyn Fn(usize, Rect, &mut [Vec<f32>]) -> Result<(), E> + Sync);

/// Where a point of the reference frame lies in a frame; `None` where it has no image.
pub type LightFromReference<'a> = &'a (dyn Fn(usize, Point) -> Option<Point> + Sync);

/// A burst as the proposal looks at it.
pub struct BurstView<'a, E> {
    /// Width by height of each frame.
    pub size: Size,
    /// What a frame's planes hold.
    pub layout: Layout,
    /// How the frames are turned to be upright: the sky is above.
    pub orientation: Orientation,
    /// Frames, in the order of the night.
    pub n_frames: usize,
    /// The frame that the others are registered on.
    pub reference: usize,
    /// Reads calibrated samples.
    pub read: ReadRect<'a, E>,
    /// The registration of the sky; `None` where the stars could not be matched.
    pub light_from_reference: Option<LightFromReference<'a>>,
}

/// What the burst shows at the scale of the evidence.
#[derive(Clone, Debug)]
pub(super) struct Evidence {
    /// Samples of a frame in one pixel, across and down.
    pub(super) bin: usize,
    /// Pixels in a cell, across and down.
    pub(super) cell: usize,
    /// Frames looked at; numbers of the burst.
    pub(super) frames: Vec<usize>,
    /// The still picture: red, green, blue.
    pub(super) colors: [Plane<f32>; 3],
    /// Mean of the three.
    pub(super) grey: Plane<f32>,
    /// Noise of `grey` by cells.
    pub(super) grey_sigma: Plane<f32>,
    /// What each frame has beyond the still picture, in standard deviations.
    pub(super) beyond: Vec<Plane<f32>>,
}

impl Evidence {
    pub(super) fn size(&self) -> Size {
        self.grey.size()
    }

    /// Noise of `grey` at a pixel.
    #[inline]
    pub(super) fn sigma(&self, x: usize, y: usize) -> f32 {
        self.grey_sigma.at(x / self.cell, y / self.cell)
    }
}

/// Samples in one pixel of the evidence, across and down; even, so that all colours are in it.
pub(super) fn bin_of(size: Size) -> usize {
    let longest = size.width.max(size.height);
    2 * ((longest + EVIDENCE_WIDTH) / (2 * EVIDENCE_WIDTH)).max(1)
}

/// Reads the frames; an error of a read ends it.
pub(super) fn gather<E: From<Cancelled> + Send>(monitor: &Monitor, burst: &BurstView<'_, E>) -> Result<Evidence, E> {
    let bin = bin_of(burst.size);
    let size = Size { width: burst.size.width / bin, height: burst.size.height / bin };
    let frames = chosen_frames(burst.n_frames, burst.reference);
    let n_bands = size.height.div_ceil(BAND_ROWS);
    let bands: Vec<Band> = (0..n_bands)
        .into_par_iter()
        .map(|idx| {
            monitor.check()?;
            let first_row = idx * BAND_ROWS;
            read_band(burst, bin, &frames, first_row, BAND_ROWS.min(size.height - first_row))
        })
        .collect::<Result<_, E>>()?;
    let whole = |part: &dyn Fn(&Band) -> &[f32]| {
        let samples = bands.iter().flat_map(|band| part(band).iter().copied()).collect();
        Plane::from_vec(size, samples).expect("the bands fill the plane")
    };
    let colors = std::array::from_fn(|channel| whole(&|band: &Band| &band.colors[channel]));
    let grey = mean_of(&colors);
    let still = whole(&|band: &Band| &band.still);
    let mut beyond: Vec<Plane<f32>> = (0..frames.len()).map(|frame| whole(&|band: &Band| &band.greys[frame])).collect();
    drop(bands);
    let slow_still = box_mean(&still, SMOOTH_REACH);
    for plane in &mut beyond {
        subtract_still(plane, &still, &slow_still);
    }
    let cell = (size.width.max(size.height) / CELLS_ACROSS).clamp(CELL_RANGE[0], CELL_RANGE[1]);
    let sigma = noise_by_cells(&beyond, cell);
    for plane in &mut beyond {
        let width = size.width;
        plane.samples_mut().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            for (x, sample) in row.iter_mut().enumerate() {
                *sample /= sigma.at(x / cell, y / cell);
            }
        });
    }
    let still = MEDIAN_NOISE / (frames.len() as f32).sqrt();
    Ok(Evidence { bin, cell, frames, colors, grey, grey_sigma: sigma.map(|sigma| still * sigma), beyond })
}

/// Leaves what a frame has beyond the still picture, which is brought to the frame's light around each place:
/// a lamp or the dawn lights the land unevenly from frame to frame, and stars are too small to matter.
fn subtract_still(frame: &mut Plane<f32>, still: &Plane<f32>, slow_still: &Plane<f32>) {
    let slow = box_mean(frame, SMOOTH_REACH);
    let width = frame.width();
    frame.samples_mut().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let slow = slow.row(y).iter().zip(slow_still.row(y));
        for ((sample, &still), (&slow, &slow_still)) in row.iter_mut().zip(still.row(y)).zip(slow) {
            let gain = if slow > 0.0 && slow_still > 0.0 { (slow / slow_still).clamp(0.5, 2.0) } else { 1.0 };
            *sample -= slow + gain * (still - slow_still);
        }
    });
}

/// Numbers of the frames to look at: spread evenly, the reference among them.
fn chosen_frames(n_frames: usize, reference: usize) -> Vec<usize> {
    let n = n_frames.min(MOST_FRAMES);
    let mut chosen: Vec<usize> = (0..n).map(|idx| idx * (n_frames - 1) / (n - 1).max(1)).collect();
    if let Some(nearest) = chosen.iter_mut().min_by_key(|frame| frame.abs_diff(reference)) {
        *nearest = reference;
    }
    chosen
}

fn mean_of(colors: &[Plane<f32>; 3]) -> Plane<f32> {
    let [red, green, blue] = colors;
    by_rows(red.size(), 0.0, |y, row| {
        for (((grey, r), g), b) in row.iter_mut().zip(red.row(y)).zip(green.row(y)).zip(blue.row(y)) {
            *grey = (r + g + b) / 3.0;
        }
    })
}

/// A few rows of the evidence.
struct Band {
    colors: [Vec<f32>; 3],
    /// Median of the greys.
    still: Vec<f32>,
    /// By frame.
    greys: Vec<Vec<f32>>,
}

fn read_band<E>(
    burst: &BurstView<'_, E>,
    bin: usize,
    frames: &[usize],
    first_row: usize,
    n_rows: usize,
) -> Result<Band, E> {
    let width = burst.size.width / bin;
    let rect = Rect { x: 0, y: first_row * bin, size: Size { width: width * bin, height: n_rows * bin } };
    let mut planes = vec![Vec::new(); burst.layout.n_planes()];
    let mut binned = Vec::with_capacity(frames.len());
    for &frame in frames {
        (burst.read)(frame, rect, &mut planes)?;
        binned.push(bin_samples(&planes, burst.layout, rect, bin));
    }
    let n = width * n_rows;
    let mut across = vec![0.0; frames.len()];
    let middle = (frames.len() - 1) / 2;
    let colors: [Vec<f32>; 3] = std::array::from_fn(|channel| {
        let still = |idx: usize| {
            across.iter_mut().zip(&binned).for_each(|(sample, frame)| *sample = frame[channel][idx]);
            *across.select_nth_unstable_by(middle, f32::total_cmp).1
        };
        (0..n).map(still).collect()
    });
    let greys: Vec<Vec<f32>> = binned
        .iter()
        .map(|[red, green, blue]| (0..n).map(|idx| (red[idx] + green[idx] + blue[idx]) / 3.0).collect())
        .collect();
    let still = (0..n)
        .map(|idx| {
            across.iter_mut().zip(&greys).for_each(|(sample, grey)| *sample = grey[idx]);
            *across.select_nth_unstable_by(middle, f32::total_cmp).1
        })
        .collect();
    Ok(Band { colors, still, greys })
}

/// Mean of each colour over cells of `bin` by `bin` samples.
fn bin_samples(planes: &[Vec<f32>], layout: Layout, rect: Rect, bin: usize) -> [Vec<f32>; 3] {
    let width = rect.size.width / bin;
    let mut sums: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; width * (rect.size.height / bin)]);
    let mut counts = [0_usize; 3];
    match layout {
        Layout::Rgb => {
            for (sums, plane) in sums.iter_mut().zip(planes) {
                for (y, row) in plane.chunks(rect.size.width).enumerate() {
                    let target = &mut sums[y / bin * width..][..width];
                    for (sum, samples) in target.iter_mut().zip(row.chunks(bin)) {
                        *sum += samples.iter().sum::<f32>();
                    }
                }
            }
            counts = [bin * bin; 3];
        }
        Layout::Mosaic(cfa) => {
            for (y, row) in planes[0].chunks(rect.size.width).enumerate() {
                for odd in 0..2 {
                    let channel = cfa.color_at(rect.x + odd, rect.y + y) as usize;
                    let target = &mut sums[channel][y / bin * width..][..width];
                    for (sum, samples) in target.iter_mut().zip(row.chunks(bin)) {
                        *sum += samples.iter().skip(odd).step_by(2).sum::<f32>();
                    }
                    if y < 2 {
                        counts[channel] += bin * bin / 4;
                    }
                }
            }
        }
    }
    for (sums, count) in sums.iter_mut().zip(counts) {
        sums.iter_mut().for_each(|sum| *sum /= count.max(1) as f32);
    }
    sums
}

/// Standard deviation of a frame's noise by cells, from the middle of what it has beyond the still picture.
///
/// Two frames share the still picture's noise: the deviations of n frames from their median are smaller by
/// about √((n − 1)/n), which is undone.
fn noise_by_cells(beyond: &[Plane<f32>], cell: usize) -> Plane<f32> {
    let size = beyond[0].size();
    let cells = cells_of(size, cell);
    let n = beyond.len() as f32;
    let shared = (n / (n - 1.0).max(1.0)).sqrt();
    let raw = by_rows(cells, 0.0_f32, |cell_y, row| {
        let mut samples = Vec::with_capacity(cell * cell * beyond.len());
        for (cell_x, sigma) in row.iter_mut().enumerate() {
            samples.clear();
            for plane in beyond {
                for y in cell_y * cell..((cell_y + 1) * cell).min(size.height) {
                    let columns = cell_x * cell..((cell_x + 1) * cell).min(size.width);
                    samples.extend(plane.row(y)[columns].iter().map(|sample| sample.abs()));
                }
            }
            *sigma = shared * SIGMA_PER_MAD * median(&mut samples).unwrap_or(0.0);
        }
    });
    let smooth = box_mean(&raw, 1);
    let typical = median(&mut smooth.samples().to_vec()).unwrap_or(0.0);
    // Where the frames hold no noise at all (a clipped lamp) any positive number will do.
    let least = (0.1 * typical).max(f32::MIN_POSITIVE);
    smooth.map(|sigma| sigma.max(least))
}

/// Cells over a plane of `size`.
pub(super) fn cells_of(size: Size, cell: usize) -> Size {
    Size { width: size.width.div_ceil(cell), height: size.height.div_ceil(cell) }
}
