//! Sky over land by the weight of the foreground mask, tile by tile.
//!
//! Where no frame saw clean sky (in the shadow of the ridge all night long) the unshifted land frames stand
//! in: the sky in them is smooth, because stars pass and are clipped, and the ridge stands where it is.
//! The share of the sky fades out with the weight that saw it, from one whole frame downwards.

use crate::job::Monitor;
use crate::pixels::{LinearImage, Plane, Size};
use crate::stack::bands::Tile;
use crate::stack::clip::{ClipRule, Combined, clipped_mean, find_centers};
use crate::stack::gather::{Samples, Smoothing, Subject, Work, Workspace, gather_frame};
use crate::stack::{CombineRule, StackError};

/// Pixels with this share of sky need no land.
const WHOLE: f32 = 0.999;
/// The land frames show the edge as it is, mixed with sky already: from a quarter of land on they show it alone.
/// Blending by the plain share would take the land's part twice and thin the edge.
const LAND_GAIN: f32 = 4.0;

/// Rows of the result that one thread fills.
pub(super) struct Band<'a> {
    pub(super) first_row: usize,
    width: usize,
    colors: [&'a mut [f32]; 3],
    n_used: &'a mut [u16],
    n_rejected: &'a mut [u16],
}

/// What a band adds to the facts about the whole.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct BandSummary {
    pub(super) n_without_sky: usize,
    pub(super) squares: f64,
    pub(super) n_samples: usize,
}

impl BandSummary {
    pub(super) fn plus(self, other: Self) -> Self {
        Self {
            n_without_sky: self.n_without_sky + other.n_without_sky,
            squares: self.squares + other.squares,
            n_samples: self.n_samples + other.n_samples,
        }
    }
}

impl<'a> Band<'a> {
    /// The bands of the result from top to bottom, `rows` rows each; `first_row` is the reference frame's row of
    /// the first.
    pub(super) fn all(
        image: &'a mut LinearImage,
        n_used: &'a mut Plane<u16>,
        n_rejected: &'a mut Plane<u16>,
        first_row: usize,
        rows: usize,
    ) -> Vec<Self> {
        let width = n_used.width();
        let count = rows * width;
        let [red, green, blue] = image.planes.each_mut().map(|plane| plane.samples_mut().chunks_mut(count));
        let counts = n_used.samples_mut().chunks_mut(count).zip(n_rejected.samples_mut().chunks_mut(count));
        let bands = red.zip(green).zip(blue).zip(counts).enumerate();
        bands
            .map(|(idx, (((red, green), blue), (n_used, n_rejected)))| Self {
                first_row: first_row + idx * rows,
                width,
                colors: [red, green, blue],
                n_used,
                n_rejected,
            })
            .collect()
    }

    pub(super) fn size(&self) -> Size {
        Size { width: self.width, height: self.n_used.len() / self.width }
    }
}

/// Stacks one tile of a band.
pub(super) fn stack_tile(
    monitor: &Monitor,
    work: &Work<'_>,
    tile: Tile,
    workspace: &mut Workspace,
    band: &mut Band<'_>,
) -> Result<BandSummary, StackError> {
    let foreground = foreground_of(work, tile);
    let only_land = foreground.iter().all(|&share| LAND_GAIN * share >= 1.0);
    let (mut sky, mut land) = (None, None);
    let mut smoothing = Smoothing::default();
    if !work.sky.is_empty() && (!only_land || work.land.is_empty()) {
        let (combined, tile_smoothing) = combine(monitor, work, Subject::Sky, tile, workspace)?;
        smoothing = tile_smoothing;
        sky = Some(combined);
    }
    let share_of_sky = |(&land, &weight): (&f32, &f32)| (1.0 - LAND_GAIN * land).max(0.0) * weight.min(1.0);
    let sky_share: Vec<f32> = match &sky {
        Some(sky) => foreground.iter().zip(&sky.weight).map(share_of_sky).collect(),
        None => vec![0.0; tile.size.area()],
    };
    if !work.land.is_empty() && sky_share.iter().any(|&share| share < WHOLE) {
        let mut combined = combine(monitor, work, Subject::Land, tile, workspace)?.0;
        if !work.reserve.is_empty() && combined.weight.contains(&0.0) {
            let reserve = combine(monitor, work, Subject::Reserve, tile, workspace)?.0;
            fill_unseen(&mut combined, &reserve);
        }
        land = Some(combined);
    }
    write_tile(tile, &sky_share, sky.as_ref(), land.as_ref(), band);
    let unseen = |(&land, &weight): (&f32, &f32)| land < 0.5 && weight < 0.5;
    let n_without_sky =
        sky.as_ref().map_or(0, |sky| foreground.iter().zip(&sky.weight).filter(|&pixel| unseen(pixel)).count());
    Ok(BandSummary { n_without_sky, squares: smoothing.squares, n_samples: smoothing.n_samples })
}

/// Where nothing was seen the reserve steps in.
fn fill_unseen(combined: &mut Combined, reserve: &Combined) {
    for pixel in 0..combined.weight.len() {
        if combined.weight[pixel] > 0.0 {
            continue;
        }
        for (color, reserve) in combined.colors.iter_mut().zip(&reserve.colors) {
            color[pixel] = reserve[pixel];
        }
        combined.weight[pixel] = reserve.weight[pixel];
        combined.n_seen[pixel] = reserve.n_seen[pixel];
        combined.n_rejected[pixel] = reserve.n_rejected[pixel];
    }
}

/// Share of the land of each pixel of a tile.
fn foreground_of(work: &Work<'_>, tile: Tile) -> Vec<f32> {
    let Some(mask) = work.request.foreground else { return vec![0.0; tile.size.area()] };
    let rows = tile.y..tile.y + tile.size.height;
    rows.flat_map(|y| mask.0.row(y)[tile.x..tile.x + tile.size.width].iter().copied()).collect()
}

fn combine(
    monitor: &Monitor,
    work: &Work<'_>,
    subject: Subject,
    tile: Tile,
    workspace: &mut Workspace,
) -> Result<(Combined, Smoothing), StackError> {
    let target = tile.with_halo();
    let frames = work.frames(subject);
    let mut smoothing = Smoothing::default();
    let mut combined = Combined::default();
    let streams = matches!(work.request.combine, CombineRule::Mean | CombineRule::Maximum);
    workspace.samples.reset(if streams { 1 } else { frames.len() }, target.size.area());
    if streams {
        combined.reset(tile.size.area());
    }
    for (slot, placed) in frames.iter().enumerate() {
        let slot = if streams { 0 } else { slot };
        let frame_smoothing = gather_frame(monitor, work, placed, subject, target, slot, workspace)?;
        smoothing.squares += frame_smoothing.squares;
        smoothing.n_samples += frame_smoothing.n_samples;
        match work.request.combine {
            CombineRule::Mean => add_frame(&workspace.samples, tile.size, &mut combined),
            CombineRule::Maximum => keep_brightest(&workspace.samples, tile.size, &mut combined),
            CombineRule::ClippedMean { .. } | CombineRule::Median => {}
        }
    }
    monitor.check()?;
    match work.request.combine {
        CombineRule::Mean => divide_by_weight(&mut combined),
        CombineRule::Maximum => {}
        CombineRule::ClippedMean { drop_below_sigma, drop_above_sigma } => {
            find_centers(&workspace.samples, frames.len(), &mut workspace.centers);
            let (noise, variances) = (work.request.noise, work.variances(subject));
            let rule = ClipRule { drop_below_sigma, drop_above_sigma, noise, variances };
            clipped_mean(&workspace.samples, &workspace.centers, &rule, tile.size, &mut combined);
        }
        CombineRule::Median => {
            find_centers(&workspace.samples, frames.len(), &mut workspace.centers);
            take_medians(workspace, frames.len(), tile.size, &mut combined);
        }
    }
    Ok((combined, smoothing))
}

/// Place in the tile, and in the tile with its halo, of each pixel.
fn inner_pixels(inner: Size) -> impl Iterator<Item = (usize, usize)> {
    let place = move |pixel: usize| (pixel / inner.width + 1) * (inner.width + 2) + pixel % inner.width + 1;
    (0..inner.area()).map(move |pixel| (pixel, place(pixel)))
}

fn add_frame(samples: &Samples, inner: Size, combined: &mut Combined) {
    let weights = samples.lane(0, 3);
    for (pixel, place) in inner_pixels(inner) {
        combined.weight[pixel] += weights[place];
        combined.n_seen[pixel] += if weights[place] > 0.0 { 1.0 } else { 0.0 };
    }
    for (channel, sums) in combined.colors.iter_mut().enumerate() {
        let values = samples.lane(0, channel);
        for (pixel, place) in inner_pixels(inner) {
            sums[pixel] += weights[place] * values[place];
        }
    }
}

fn divide_by_weight(combined: &mut Combined) {
    for sums in &mut combined.colors {
        for (sum, &weight) in sums.iter_mut().zip(&combined.weight) {
            *sum = if weight > 0.0 { *sum / weight } else { 0.0 };
        }
    }
}

fn keep_brightest(samples: &Samples, inner: Size, combined: &mut Combined) {
    let weights = samples.lane(0, 3);
    for (channel, brightest) in combined.colors.iter_mut().enumerate() {
        let values = samples.lane(0, channel);
        for (pixel, place) in inner_pixels(inner) {
            let brighter = combined.n_seen[pixel] == 0.0 || values[place] > brightest[pixel];
            if weights[place] > 0.0 && brighter {
                brightest[pixel] = values[place];
            }
        }
    }
    for (pixel, place) in inner_pixels(inner) {
        combined.weight[pixel] += weights[place];
        combined.n_seen[pixel] += if weights[place] > 0.0 { 1.0 } else { 0.0 };
    }
}

fn take_medians(workspace: &Workspace, n_frames: usize, inner: Size, combined: &mut Combined) {
    combined.reset(inner.area());
    for (pixel, place) in inner_pixels(inner) {
        combined.n_seen[pixel] = workspace.centers.n_seen[place];
        combined.weight[pixel] = (0..n_frames).map(|slot| workspace.samples.lane(slot, 3)[place]).sum();
        if combined.n_seen[pixel] > 0.0 {
            for (color, medians) in combined.colors.iter_mut().zip(&workspace.centers.median) {
                color[pixel] = medians[place];
            }
        }
    }
}

fn write_tile(tile: Tile, sky_share: &[f32], sky: Option<&Combined>, land: Option<&Combined>, band: &mut Band<'_>) {
    let top = tile.y - band.first_row;
    for row in 0..tile.size.height {
        for column in 0..tile.size.width {
            let pixel = row * tile.size.width + column;
            let place = (top + row) * band.width + tile.x + column;
            let share = match (sky, land) {
                (Some(_), Some(land)) if land.n_seen[pixel] > 0.0 => sky_share[pixel],
                (Some(_), _) => 1.0,
                (None, _) => 0.0,
            };
            for channel in 0..3 {
                let of = |combined: Option<&Combined>| combined.map_or(0.0, |combined| combined.colors[channel][pixel]);
                band.colors[channel][place] = of(sky) * share + of(land) * (1.0 - share);
            }
            let (n_seen, n_rejected) = (if share >= 0.5 { sky } else { land })
                .map_or((0.0, 0.0), |combined| (combined.n_seen[pixel], combined.n_rejected[pixel]));
            // Counts of frames are small whole numbers.
            band.n_used[place] = (n_seen - n_rejected) as u16;
            band.n_rejected[place] = n_rejected as u16;
        }
    }
}
