//! Sky over land by the weight of the foreground mask, tile by tile.
//!
//! Where no frame saw clean sky (in the shadow of the ridge all night long) the unshifted land frames stand
//! in: the sky in them is smooth, because stars pass and are clipped, and the ridge stands where it is.
//! The share of the sky fades out with the weight that saw it, from one whole frame downwards.

use crate::job::Monitor;
use crate::pixels::{LinearImage, Plane, Size};
use crate::stack::bands::Tile;
use crate::stack::clip::Combined;
use crate::stack::combine::combine;
use crate::stack::gather::{Smoothing, Subject, Work, Workspace};
use crate::stack::{JoinRule, StackError};

/// Pixels with this share of sky need no land.
const WHOLE: f32 = 0.999;
/// The land frames show the edge as it is, mixed with sky already: from a quarter of land on they show it alone.
/// Blending by the plain share would take the land's part twice and thin the edge.
const LAND_GAIN: f32 = 4.0;

/// Share of the land in the picture where the mask says `foreground` and the sky was seen.
pub(crate) fn share_of_land(foreground: f32) -> f32 {
    (LAND_GAIN * foreground).min(1.0)
}

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
    let land_share = |foreground: f32| match work.request.join {
        JoinRule::ByMask => share_of_land(foreground),
        JoinRule::SkyWhereSeen => 0.0,
    };
    let only_land = foreground.iter().all(|&foreground| land_share(foreground) >= 1.0);
    let (mut sky, mut land) = (None, None);
    let mut smoothing = Smoothing::default();
    if !work.sky.is_empty() && (!only_land || work.land.is_empty()) {
        let (combined, tile_smoothing) = combine(monitor, work, Subject::Sky, tile, workspace)?;
        smoothing = tile_smoothing;
        sky = Some(combined);
    }
    let share_of_sky = |(&land, &weight): (&f32, &f32)| (1.0 - land_share(land)) * weight.min(1.0);
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
