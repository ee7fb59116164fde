//! The samples of one tile, of all frames, as one.

use crate::calibrate::NoiseModel;
use crate::demosaic::Window;
use crate::job::Monitor;
use crate::pixels::{Layout, Size};
use crate::stack::bands::Tile;
use crate::stack::clip::{ClipRule, Combined, clipped_mean, find_centers};
use crate::stack::gather::{Smoothing, Subject, Work, Workspace, gather_frame};
use crate::stack::sampled::{collect_frame, fill_holes, to_middles};
use crate::stack::samples::{Samples, Weighting};
use crate::stack::{ColorRule, CombineRule, StackError};

/// Share of the contrast to neighbouring pixels that samples may differ by: a quarter of a pixel of
/// misregistration, or a tenth of the star's width, shows about as much of the contrast at its flank.
const CONTRAST_SHARE: f32 = 0.15;
/// The same for samples that lie up to a pixel beside the middle of the pixel they count for.
const SAMPLED_CONTRAST_SHARE: f32 = 0.6;

/// Light between two exposures must stand out of the brightest sample by so many standard deviations of one.
const JOINED_ABOVE_SIGMA: f32 = 1.0;

/// Combines the frames of a subject over one tile.
pub(super) fn combine(
    monitor: &Monitor,
    work: &Work<'_>,
    subject: Subject,
    tile: Tile,
    workspace: &mut Workspace,
) -> Result<(Combined, Smoothing), StackError> {
    let rule = work.request.combine_of(subject != Subject::Sky);
    match rule {
        CombineRule::Mean | CombineRule::Maximum => one_by_one(monitor, work, subject, rule, tile, workspace),
        CombineRule::ClippedMean { drop_below_sigma, drop_above_sigma } => {
            let limits = (drop_below_sigma, drop_above_sigma);
            side_by_side(monitor, work, subject, Some(limits), tile, workspace)
        }
        CombineRule::Median => side_by_side(monitor, work, subject, None, tile, workspace),
    }
}

/// Sums and maxima need one frame at a time.
fn one_by_one(
    monitor: &Monitor,
    work: &Work<'_>,
    subject: Subject,
    rule: CombineRule,
    tile: Tile,
    workspace: &mut Workspace,
) -> Result<(Combined, Smoothing), StackError> {
    let target = tile.with_halo();
    let mut smoothing = Smoothing::default();
    let mut combined = Combined::default();
    workspace.samples.reset(2, target.size.area(), Weighting::Shared);
    combined.reset(tile.size.area());
    for placed in work.frames(subject) {
        // The land of a frame that is not moved hides nothing.
        let shown = if rule == CombineRule::Maximum && placed.is_copied { Subject::Land } else { subject };
        smoothing = smoothing.plus(gather_frame(monitor, work, placed, shown, target, 0, workspace)?);
        match rule {
            CombineRule::Maximum => keep_brightest(&workspace.samples, tile.size, &mut combined),
            _ => add_frame(&workspace.samples, tile.size, &mut combined),
        }
    }
    if rule == CombineRule::Maximum && subject == Subject::Sky {
        for pair in &work.between {
            for (slot, placed) in pair.iter().enumerate() {
                gather_frame(monitor, work, placed, Subject::Sky, target, slot, workspace)?;
            }
            join(&workspace.samples, work.request.noise, tile.size, &mut combined);
        }
    }
    monitor.check()?;
    if rule == CombineRule::Mean {
        divide_by_weight(&mut combined);
    }
    Ok((combined, smoothing))
}

/// Clipping and medians need all samples of a pixel at once.
fn side_by_side(
    monitor: &Monitor,
    work: &Work<'_>,
    subject: Subject,
    limits: Option<(f32, f32)>,
    tile: Tile,
    workspace: &mut Workspace,
) -> Result<(Combined, Smoothing), StackError> {
    let target = tile.with_halo();
    let frames = work.frames(subject);
    let is_sampled = limits.is_some() && subject == Subject::Sky && work.is_sampled();
    let weighting = if is_sampled { Weighting::ByChannel } else { Weighting::Shared };
    workspace.samples.reset(frames.len(), target.size.area(), weighting);
    let mut smoothing = Smoothing::default();
    for (slot, placed) in frames.iter().enumerate() {
        smoothing = smoothing.plus(if is_sampled {
            collect_frame(monitor, work, placed, target, slot, workspace)?
        } else {
            gather_frame(monitor, work, placed, subject, target, slot, workspace)?
        });
    }
    monitor.check()?;
    let mut combined = Combined::default();
    let Some((drop_below_sigma, drop_above_sigma)) = limits else {
        find_centers(&workspace.samples, frames.len(), &mut workspace.centers);
        take_medians(workspace, frames.len(), tile.size, &mut combined);
        return Ok((combined, smoothing));
    };
    let any_left_out = subject == Subject::Sky && leave_out(work, target, workspace);
    find_centers(&workspace.samples, frames.len(), &mut workspace.centers);
    if is_sampled {
        frames.iter().enumerate().for_each(|(slot, placed)| to_middles(work, placed, target, slot, workspace));
    }
    let rule = ClipRule {
        drop_below_sigma,
        drop_above_sigma,
        noise: work.request.noise,
        variances: if is_sampled { work.sampled_variances() } else { work.variances(subject) },
        contrast_share: if is_sampled { SAMPLED_CONTRAST_SHARE } else { CONTRAST_SHARE },
    };
    clipped_mean(&workspace.samples, &workspace.centers, &rule, tile.size, &mut combined);
    if is_sampled {
        fill_holes(&workspace.centers, tile.size, &mut combined);
    }
    if any_left_out {
        workspace.left_out.count(tile.size.width, &mut combined);
    }
    Ok((combined, smoothing))
}

/// Takes out what crossed single frames.
fn leave_out(work: &Work<'_>, target: Window, workspace: &mut Workspace) -> bool {
    let numbers: Vec<usize> = work.sky.iter().map(|placed| placed.frame.frame).collect();
    let samples = &mut workspace.samples;
    work.request.trails.is_some_and(|trails| workspace.left_out.take(trails, &numbers, target, samples))
}

impl Work<'_> {
    /// Whether the sky is made of samples that are not interpolated.
    fn is_sampled(&self) -> bool {
        self.request.colors == ColorRule::Sampled && matches!(self.layout, Layout::Mosaic(_))
    }
}

/// Place in the tile, and in the tile with its halo, of each pixel.
fn inner_pixels(inner: Size) -> impl Iterator<Item = (usize, usize)> {
    let place = move |pixel: usize| (pixel / inner.width + 1) * (inner.width + 2) + pixel % inner.width + 1;
    (0..inner.area()).map(move |pixel| (pixel, place(pixel)))
}

fn add_frame(samples: &Samples, inner: Size, combined: &mut Combined) {
    let weights = samples.weight(0, 1);
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

/// The brightest so far or this frame's sample, and this frame counted.
fn keep_brightest(samples: &Samples, inner: Size, combined: &mut Combined) {
    let weights = samples.weight(0, 1);
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

/// Where the frames before and after a time between two exposures both show light, a star was there.
///
/// Light that stands out of the brightest so far by less than the noise of a sample stays out: else the sky between
/// the trails would slowly rise.
fn join(samples: &Samples, noise: Option<NoiseModel>, inner: Size, combined: &mut Combined) {
    let weights = [samples.weight(0, 1), samples.weight(1, 1)];
    for (channel, brightest) in combined.colors.iter_mut().enumerate() {
        let values = [samples.lane(0, channel), samples.lane(1, channel)];
        for (pixel, place) in inner_pixels(inner) {
            let seen = weights.iter().all(|weights| weights[place] > 0.0) && combined.n_seen[pixel] > 0.0;
            let light = values[0][place].min(values[1][place]);
            let sigma = noise.map_or(0.0, |noise| noise.sigma(brightest[pixel]));
            if seen && light > brightest[pixel] + JOINED_ABOVE_SIGMA * sigma {
                brightest[pixel] = light;
            }
        }
    }
}

fn take_medians(workspace: &Workspace, n_frames: usize, inner: Size, combined: &mut Combined) {
    combined.reset(inner.area());
    for (pixel, place) in inner_pixels(inner) {
        combined.n_seen[pixel] = workspace.centers.n_seen(1)[place];
        combined.weight[pixel] = (0..n_frames).map(|slot| workspace.samples.weight(slot, 1)[place]).sum();
        if combined.n_seen[pixel] > 0.0 {
            for (color, medians) in combined.colors.iter_mut().zip(&workspace.centers.median) {
                color[pixel] = medians[place];
            }
        }
    }
}
