//! Frames and their transforms in, one [`Stack`] out: the sky on the moving stars, the land on the still
//! tripod, joined by the foreground mask.
//!
//! The reference frame is cut into tiles (`bands`); for each tile every frame's part is read, given its
//! colours, resampled once and brought to the reference's scale, and the samples of each pixel become one
//! (`clip`). A frame whose own foreground covers a place has no weight there. No pixel's value depends
//! on the tiles, nor on the number of threads.

mod bands;
mod blend;
mod clip;
mod combine;
mod frames;
mod gather;
mod lanes;
mod lateral;
mod leave_out;
mod sampled;
mod samples;
mod sorting;
mod trails;
mod visibility;

pub(crate) use blend::share_of_land;
pub use frames::{MemoryFrames, MosaicRows};
pub use trails::{Trails, find_trails};

use std::ops::Range;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use crate::calibrate::NoiseModel;
use crate::detect::Mesh;
use crate::foreground::ForegroundMask;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{LinearImage, Plane, Size, Transform};
use bands::{Tile, TileSize};
use blend::{Band, BandSummary};
use gather::Workspace;
use visibility::Visibility;

/// What to stack and how; by default nothing, as a clipped mean.
#[derive(Clone, Debug, Default)]
pub struct StackRequest<'a> {
    /// Frames of the sky, each with its own transform.
    pub sky: Vec<StackFrame>,
    /// Frames of the land; also stand in where no frame saw clean sky. May be empty.
    pub land: Vec<StackFrame>,
    /// Frames of the land for places where those of `land` show nothing, as too bright a lamp. May be empty.
    pub land_reserve: Vec<StackFrame>,
    /// Which part of every light frame is land; nothing where `None`.
    pub foreground: Option<&'a ForegroundMask>,
    /// Where the land is shown.
    pub join: JoinRule,
    /// How the samples of one pixel become one.
    pub combine: CombineRule,
    /// What crossed single sky frames: these samples are left out of a clipped mean.
    pub trails: Option<&'a Trails>,
    /// Pairs of frames that stand for a time between two exposures of star trails.
    pub between: Vec<Between>,
    /// How samples of the mosaic become colors of the sky.
    pub colors: ColorRule,
    /// Noise of single samples; with `None` only the samples themselves tell.
    pub noise: Option<NoiseModel>,
    /// Most memory for the result and the work on it.
    pub memory_bytes: u64,
}

impl StackRequest<'_> {
    /// How the samples of the land or of the sky become one: a maximum draws the trails of stars, and is no good for
    /// the land, which gets a clipped mean.
    pub(crate) fn combine_of(&self, is_land: bool) -> CombineRule {
        if is_land && self.combine == CombineRule::Maximum { CombineRule::default() } else { self.combine }
    }
}

/// One frame of the burst as the stack uses it.
#[derive(Clone, Debug)]
pub struct StackFrame {
    /// Its number among the frames that [`MosaicRows`] reads.
    pub frame: usize,
    /// Where a pixel of the reference frame lies in this frame.
    pub light_from_reference: Transform,
    /// Where a pixel of this frame lies in the foreground mask: another place after a knock against the tripod.
    pub mask_from_light: Transform,
    /// What its samples count in a mean: inverse variance, less where the frame is not sharp.
    pub weight: f32,
    /// Variance of its samples after scaling, 1.0 for the noise that the noise model tells: by this, and not by the
    /// weight, clipping decides what agrees.
    pub variance: f32,
    /// Brings its light to that of the reference frame.
    pub scale: f32,
    /// What that is multiplied by from place to place in the reference frame, and the weight is divided by the square of,
    /// where cloud lies over a part of the frame: 1.0 in the mean of squares.
    pub local_scale: Option<Arc<Mesh>>,
    /// Added after scaling.
    pub offset: Offset,
    /// Samples this bright, before scaling, show nothing; 1.0 is the white level.
    pub ceiling: f32,
}

impl StackFrame {
    /// A frame as it is: weight and light of the reference frame, on a still tripod.
    #[must_use]
    pub fn plain(frame: usize, light_from_reference: Transform) -> Self {
        Self {
            frame,
            light_from_reference,
            mask_from_light: Transform::Identity,
            weight: 1.0,
            variance: 1.0,
            scale: 1.0,
            local_scale: None,
            offset: Offset::Constant([0.0; 3]),
            ceiling: f32::INFINITY,
        }
    }

    /// Least and most that its light is multiplied by.
    pub(crate) fn scale_range(&self) -> [f32; 2] {
        let factors = self.local_scale.as_ref().map_or(&[1.0][..], |local| local.cells.samples());
        let of = |choose: fn(f32, f32) -> f32| factors.iter().copied().reduce(choose).unwrap_or(1.0) * self.scale;
        [of(f32::min), of(f32::max)]
    }
}

/// A time between two exposures, as the frames before and after it show it: where both do, there was a star.
///
/// Each of the two maps says where a pixel of the reference frame, at that time, lies in its frame.
#[derive(Clone, Debug)]
pub struct Between {
    /// The frame before.
    pub earlier: StackFrame,
    /// The frame after.
    pub later: StackFrame,
}

/// Where the land is shown, and where the sky.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum JoinRule {
    /// The land by the foreground mask, and where no frame saw clean sky.
    #[default]
    ByMask,
    /// The sky all over the frame, and the land only where no frame saw clean sky.
    SkyWhereSeen,
}

/// How samples of the mosaic become colors of the sky.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum ColorRule {
    /// Each frame is given its colors, then resampled.
    #[default]
    Interpolated,
    /// Each sample lands in its own color plane and in no other; needs a burst long enough to fill them all.
    Sampled,
}

/// What brings the sky of a frame to the level of the reference frame.
#[derive(Clone, Debug, PartialEq)]
pub enum Offset {
    /// The same everywhere, by channel.
    Constant([f32; 3]),
    /// Smooth over the reference frame, by channel.
    Smooth(Box<[Mesh; 3]>),
}

/// How the samples of one pixel become one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CombineRule {
    /// Mean of the samples that agree; limits in standard deviations below and above the centre.
    ClippedMean {
        /// Darker samples than this many standard deviations are left out.
        drop_below_sigma: f32,
        /// Brighter ones.
        drop_above_sigma: f32,
    },
    /// Mean of all.
    Mean,
    /// The middle one.
    Median,
    /// The brightest.
    Maximum,
}

impl Default for CombineRule {
    fn default() -> Self {
        Self::ClippedMean { drop_below_sigma: 3.0, drop_above_sigma: 3.0 }
    }
}

/// The burst as one picture, in reference-frame coordinates.
#[derive(Clone, Debug)]
pub struct Stack {
    /// Sky and land, joined.
    pub image: LinearImage,
    /// Frames that a pixel is made of in every channel.
    pub n_used: Plane<u16>,
    /// Frames that saw the pixel but were left out in at least one channel.
    pub n_rejected: Plane<u16>,
    /// Sky pixels that no frame saw clean: they show the unshifted land frames instead.
    pub n_without_sky: usize,
    /// Mean over sky samples of the squared weights of the interpolation: what it leaves of the variance of
    /// noise that does not correlate from pixel to pixel.
    pub noise_gain: f64,
}

/// Why there is no stack.
#[derive(Debug, thiserror::Error)]
pub enum StackError {
    /// A frame could not be read back.
    #[error("frame {frame} cannot be read back from the scratch file")]
    Read {
        /// Its number.
        frame: usize,
        /// What the system says.
        source: std::io::Error,
    },
    /// Neither sky nor land frames.
    #[error("no frame to stack")]
    NoFrames,
    /// Asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// Stacks the frames of `request`.
pub fn stack(monitor: &Monitor, rows: &dyn MosaicRows, request: &StackRequest<'_>) -> Result<Stack, StackError> {
    stack_rows(monitor, rows, request, 0..rows.size().height)
}

/// As [`stack`], for some rows of the reference frame only: the result is as high as `wanted` is long.
pub fn stack_rows(
    monitor: &Monitor,
    rows: &dyn MosaicRows,
    request: &StackRequest<'_>,
    wanted: Range<usize>,
) -> Result<Stack, StackError> {
    if request.sky.is_empty() && request.land.is_empty() {
        return Err(StackError::NoFrames);
    }
    let size = Size { width: rows.size().width, height: wanted.len() };
    let visibility = request.foreground.map(Visibility::new);
    let work = gather::Work::new(rows, request, visibility.as_ref());
    let tile_size = TileSize::for_request(request, size, rayon::current_num_threads());
    let mut image = LinearImage::black(size);
    let mut n_used = Plane::filled(size, 0);
    let mut n_rejected = Plane::filled(size, 0);
    let bands = Band::all(&mut image, &mut n_used, &mut n_rejected, wanted.start, tile_size.height);
    let n_tiles = bands.len() * size.width.div_ceil(tile_size.width);
    let progress = BandProgress { monitor, n_done: AtomicUsize::new(0), n_tiles };
    let summaries: Vec<BandSummary> = bands
        .into_par_iter()
        .map_init(Workspace::default, |workspace, band| stack_band(&progress, &work, band, tile_size, workspace))
        .collect::<Result<_, StackError>>()?;
    let total = summaries.into_iter().fold(BandSummary::default(), BandSummary::plus);
    Ok(Stack {
        image,
        n_used,
        n_rejected,
        n_without_sky: total.n_without_sky,
        noise_gain: if total.n_samples > 0 { total.squares / total.n_samples as f64 } else { 1.0 },
    })
}

struct BandProgress<'a> {
    monitor: &'a Monitor,
    n_done: AtomicUsize,
    n_tiles: usize,
}

fn stack_band(
    progress: &BandProgress<'_>,
    work: &gather::Work<'_>,
    mut band: Band<'_>,
    tile_size: TileSize,
    workspace: &mut Workspace,
) -> Result<BandSummary, StackError> {
    let mut summary = BandSummary::default();
    for tile in Tile::along_band(band.first_row, band.size(), tile_size) {
        progress.monitor.step("Stacking", progress.n_done.fetch_add(1, Ordering::Relaxed), progress.n_tiles)?;
        summary = summary.plus(blend::stack_tile(progress.monitor, work, tile, workspace, &mut band)?);
    }
    Ok(summary)
}

#[cfg(test)]
mod tests;
