//! The edge at full resolution: each pixel's share of land from its own light.
//!
//! A pixel on the edge shows (1 − α) of the sky behind it and α of the land beside it (Porter and Duff
//! 1984). Both are known there: the sky is smooth and foretold, the land is taken from its nearest solid
//! part. α is then the pixel's departure from the sky, measured along the land's departure.

use rayon::prelude::*;

use crate::foreground::ForegroundMask;
use crate::foreground::contrast::{broad_land, length, less, solid_contrast, strongest_contrast};
use crate::foreground::evidence::{BurstView, Evidence};
use crate::foreground::filters::{
    as_weights, bilinear, blur, box_mean, by_rows, complement, dilate, distance_px, erode, open,
};
use crate::foreground::growth::{Ground, Sky};
use crate::foreground::sky_model::SkyModel;
use crate::job::{Cancelled, Monitor};
use crate::pixels::{Layout, Mask, Plane, Rect, Size};

/// Pixels of the evidence read and refined at once, across and down.
const TILE: usize = 32;
/// Noise of a median at full resolution over that of the evidence, for each sample binned: the mean of
/// neighbours that stands in for the missing colours takes part of the noise away.
const FULL_NOISE: f32 = 0.6;
/// Noise of the smoothed evidence over that of a median at full resolution, times the samples binned.
const COARSE_NOISE: f32 = 0.5;

/// The mask at full resolution; `sky` is at the scale of the evidence.
pub(super) fn refine<E: From<Cancelled> + Send>(
    monitor: &Monitor,
    burst: &BurstView<'_, E>,
    ground: &Ground<'_>,
    sky: &Sky,
) -> Result<ForegroundMask, E> {
    let edge = Edge::new(ground, &sky.mask, &sky.model);
    let sky = &sky.mask;
    let evidence = ground.evidence;
    let bin = evidence.bin;
    let mut mask = Plane::filled(burst.size, 0.0_f32);
    let width = burst.size.width;
    let rows_per_band = TILE * bin;
    let bands: Vec<(usize, &mut [f32])> = mask.samples_mut().chunks_mut(width * rows_per_band).enumerate().collect();
    bands.into_par_iter().try_for_each(|(band, samples)| -> Result<(), E> {
        monitor.check()?;
        let first = band * rows_per_band;
        let height = samples.len() / width;
        for y in 0..height {
            let row = ((first + y) / bin).min(sky.size().height - 1);
            let target = &mut samples[y * width..(y + 1) * width];
            for (x, alpha) in target.iter_mut().enumerate() {
                let column = (x / bin).min(sky.size().width - 1);
                *alpha = if sky.contains(column, row) { 0.0 } else { 1.0 };
            }
        }
        for tile in 0..width.div_ceil(TILE * bin) {
            let rect = Rect {
                x: tile * TILE * bin,
                y: first,
                size: Size { width: (TILE * bin).min(width - tile * TILE * bin), height },
            };
            if edge.touches(rect, bin) {
                let still = still_picture(burst, evidence, rect)?;
                edge.fill(rect, bin, &still, samples, width);
            }
        }
        Ok(())
    })?;
    Ok(ForegroundMask(mask))
}

/// What is known along the edge, at the scale of the evidence.
struct Edge<'a> {
    model: &'a SkyModel,
    /// Where α is to be measured.
    zone: Mask,
    /// Land less sky, by colour.
    contrast: Plane<[f32; 3]>,
    /// α as the evidence itself shows it.
    coarse: Plane<f32>,
    /// The land as the growth of the sky left it.
    line: Plane<f32>,
    /// Distance into solid land.
    depth: Plane<f32>,
    /// Noise of α at full resolution.
    noise: Plane<f32>,
}

impl<'a> Edge<'a> {
    fn new(ground: &Ground<'_>, sky: &Mask, model: &'a SkyModel) -> Self {
        let evidence = ground.evidence;
        let size = evidence.size();
        let land = complement(sky);
        let colors = by_rows(size, [0.0_f32; 3], |y, row| {
            for (x, color) in row.iter_mut().enumerate() {
                *color = ground.smooth.each_ref().map(|plane| plane.at(x, y));
            }
        });
        let behind = by_rows(size, [0.0_f32; 3], |y, row| model.row(y, row));
        let departure = by_rows(size, [0.0_f32; 3], |y, row| {
            for (x, departure) in row.iter_mut().enumerate() {
                *departure = less(colors.at(x, y), behind.at(x, y));
            }
        });
        let strength = by_rows(size, 0.0_f32, |y, row| {
            for (x, strength) in row.iter_mut().enumerate() {
                *strength = length(departure.at(x, y)) / length(behind.at(x, y)).max(1e-6);
            }
        });
        let known = |x: usize, y: usize| model.knows(x, y);
        let inner = erode(&land, 1.5);
        let usable = Mask(Plane::from_fn(size, |x, y| inner.contains(x, y) && known(x, y)));
        let strongest = strongest_contrast(&usable, &colors, &behind, &strength);
        let majority = box_mean(
            &Plane::from_fn(size, |x, y| {
                let full = !known(x, y) || length(departure.at(x, y)) > 0.5 * length(strongest.at(x, y));
                if full { 1.0 } else { 0.0 }
            }),
            4,
        );
        let mostly = Mask(Plane::from_fn(size, |x, y| land.contains(x, y) && majority.at(x, y) > 0.7));
        let broad = broad_land(&land);
        let solid = open(&mostly, 3.0).union(&broad);
        let near_edge = |mask: &Mask| {
            let inside = dilate(mask, 2.5);
            let outside = dilate(&complement(mask), 2.5);
            Mask(Plane::from_fn(size, |x, y| inside.contains(x, y) && outside.contains(x, y)))
        };
        let deep = erode(&solid, 1.5);
        let rim = Mask(Plane::from_fn(size, |x, y| deep.contains(x, y) && known(x, y)));
        let contrast = solid_contrast(&rim, &colors, &behind, &strength, &strongest);
        let edge = near_edge(&land);
        let zone = Mask(Plane::from_fn(size, |x, y| {
            known(x, y) && (edge.contains(x, y) || (land.contains(x, y) && !deep.contains(x, y)))
        }));
        let coarse = Plane::from_fn(size, |x, y| share(departure.at(x, y), contrast.at(x, y)));
        let depth = distance_px(&complement(&solid), 8.0).map(|depth| depth.min(8.0));
        let full_noise = FULL_NOISE * evidence.bin as f32;
        let noise =
            Plane::from_fn(size, |x, y| full_noise * evidence.sigma(x, y) / length(contrast.at(x, y)).max(1e-9));
        Self { model, zone, contrast, coarse, line: blur(&as_weights(&land), 0.7), depth, noise }
    }

    fn touches(&self, rect: Rect, bin: usize) -> bool {
        let size = self.zone.size();
        let rows = rect.y / bin..((rect.y + rect.size.height).div_ceil(bin)).min(size.height);
        let columns = rect.x / bin..((rect.x + rect.size.width).div_ceil(bin)).min(size.width);
        rows.into_iter().any(|y| self.zone.0.row(y)[columns.clone()].contains(&true))
    }

    /// Measures α in a tile; `samples` are the rows of the mask from the tile's first on.
    fn fill(&self, rect: Rect, bin: usize, still: &[Vec<f32>; 3], samples: &mut [f32], width: usize) {
        let size = self.zone.size();
        let scale = 1.0 / bin as f32;
        for y in 0..rect.size.height {
            let row = ((rect.y + y) / bin).min(size.height - 1);
            let place_y = (rect.y + y) as f32 * scale + 0.5 * scale - 0.5;
            for x in 0..rect.size.width {
                let column = ((rect.x + x) / bin).min(size.width - 1);
                if !self.zone.contains(column, row) {
                    continue;
                }
                let place_x = (rect.x + x) as f32 * scale + 0.5 * scale - 0.5;
                let sky = self.model.at(place_x, place_y);
                let seen = y * rect.size.width + x;
                let departure = std::array::from_fn(|channel| still[channel][seen] - sky[channel]);
                let fine = share(departure, self.contrast.at(column, row));
                let noise = self.noise.at(column, row);
                // Where a single pixel is too noisy to tell, its surroundings have the say.
                let doubt = ((noise - 0.1) / 0.3).clamp(0.0, 1.0);
                let coarse = bilinear(&self.coarse, place_x, place_y);
                let mixed = fine + doubt * (coarse - fine);
                // Where even these are, the line that the sky's growth left has it.
                let mixed = match ((COARSE_NOISE * noise / bin as f32 - 0.08) / 0.12).clamp(0.0, 1.0) {
                    blind if blind > 0.0 => mixed + blind * (bilinear(&self.line, place_x, place_y) - mixed),
                    _ => mixed,
                };
                // Noise must not sprinkle the sky with land, nor the land with sky.
                let dead = (0.03 + 1.2 * noise * (1.0 - 0.8 * doubt)).min(0.25);
                let measured = ((mixed - dead) / (1.0 - 2.0 * dead)).clamp(0.0, 1.0);
                let solid = (bilinear(&self.depth, place_x, place_y) - 2.0).clamp(0.0, 1.0);
                samples[y * width + rect.x + x] = measured.max(solid);
            }
        }
    }
}

/// Share of the land in a departure from the sky. Land that is darker here and brighter there departs both
/// ways, so the size of the departure counts too, where it is large.
fn share(departure: [f32; 3], contrast: [f32; 3]) -> f32 {
    let full = length(contrast).max(1e-9);
    let along: f32 = departure.iter().zip(contrast).map(|(d, c)| d * c).sum::<f32>() / (full * full);
    let size = length(departure) / full;
    let share = if size > 0.3 { along.max(size) } else { along };
    share.clamp(0.0, 1.0)
}

/// The median over time of a block at full resolution, with the missing colours from their neighbours.
fn still_picture<E>(burst: &BurstView<'_, E>, evidence: &Evidence, rect: Rect) -> Result<[Vec<f32>; 3], E> {
    // A margin of two keeps the phase of the mosaic.
    let (left, top) = (rect.x.min(2), rect.y.min(2));
    let outer = Rect {
        x: rect.x - left,
        y: rect.y - top,
        size: Size {
            width: (rect.size.width + left + 2).min(burst.size.width - rect.x + left),
            height: (rect.size.height + top + 2).min(burst.size.height - rect.y + top),
        },
    };
    let mut planes = vec![Vec::new(); burst.layout.n_planes()];
    let mut colors = Vec::with_capacity(evidence.frames.len());
    for &frame in &evidence.frames {
        (burst.read)(frame, outer, &mut planes)?;
        colors.push(color_planes(&planes, burst.layout, outer, rect));
    }
    let middle = (evidence.frames.len() - 1) / 2;
    let mut across = vec![0.0_f32; colors.len()];
    Ok(std::array::from_fn(|channel| {
        (0..rect.size.area())
            .map(|idx| {
                across.iter_mut().zip(&colors).for_each(|(sample, color)| *sample = color[channel][idx]);
                *across.select_nth_unstable_by(middle, f32::total_cmp).1
            })
            .collect()
    }))
}

/// Red, green and blue of a block inside `outer`: each from the samples of its colour among the nine
/// around a pixel, weighted 1 2 1 both ways. All colours are smoothed alike, so edges stay where they are.
fn color_planes(planes: &[Vec<f32>], layout: Layout, outer: Rect, rect: Rect) -> [Vec<f32>; 3] {
    let width = outer.size.width;
    let (dx, dy) = (rect.x - outer.x, rect.y - outer.y);
    match layout {
        Layout::Rgb => std::array::from_fn(|channel| {
            (0..rect.size.height)
                .flat_map(|y| planes[channel][(y + dy) * width + dx..][..rect.size.width].iter().copied())
                .collect()
        }),
        Layout::Mosaic(cfa) => {
            let mut colors: [Vec<f32>; 3] = std::array::from_fn(|_| Vec::with_capacity(rect.size.area()));
            for y in 0..rect.size.height {
                for x in 0..rect.size.width {
                    let (mut sums, mut weights) = ([0.0_f32; 3], [0.0_f32; 3]);
                    for row in (y + dy).saturating_sub(1)..(y + dy + 2).min(outer.size.height) {
                        for column in (x + dx).saturating_sub(1)..(x + dx + 2).min(width) {
                            let channel = cfa.color_at(outer.x + column, outer.y + row) as usize;
                            let near = 2 - row.abs_diff(y + dy).min(1);
                            let weight = (near * (2 - column.abs_diff(x + dx).min(1))) as f32;
                            sums[channel] += weight * planes[0][row * width + column];
                            weights[channel] += weight;
                        }
                    }
                    for (color, (sum, weight)) in colors.iter_mut().zip(sums.into_iter().zip(weights)) {
                        color.push(sum / weight.max(1.0));
                    }
                }
            }
            colors
        }
    }
}
