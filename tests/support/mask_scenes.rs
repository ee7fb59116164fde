//! Bursts of invented scenes for the foreground proposal, and its errors against their exact masks.

use nightsheaf::calibrate::{Masters, calibrate};
use nightsheaf::foreground::{BurstView, ForegroundMask, LightFromReference, Proposal, Stroke, StrokeSide, propose};
use nightsheaf::job::{Cancelled, Monitor};
use nightsheaf::pixels::{CalibratedFrame, Plane, Point, Rect, Size};
use nightsheaf::synthetic::{Burst, LandKind, Scene};

/// Every kind of landscape with its name.
pub(crate) const KINDS: [(&str, LandKind); 9] = [
    ("none", LandKind::None),
    ("ridge", LandKind::Ridge),
    ("silhouette", LandKind::Silhouette),
    ("bright", LandKind::Bright),
    ("trees", LandKind::Trees),
    ("lake", LandKind::Lake),
    ("building", LandKind::Building),
    ("haze", LandKind::Haze),
    ("only", LandKind::Only),
];

/// A frame of the 12 mm camera has this many columns at 24 million pixels.
pub(crate) const FULL_WIDTH: f64 = 6000.0;

/// The 24-megapixel scene with fewer, larger pixels: as many stars for a pixel's length.
pub(crate) fn scene(kind: LandKind, width: usize, n_lights: usize) -> Scene {
    let scene = Scene::wide_24mpix(n_lights);
    let share = width as f64 / FULL_WIDTH;
    Scene {
        land: kind,
        size: Size { width, height: width * 2 / 3 },
        n_stars: (scene.n_stars as f64 * share) as usize,
        n_hot_pixels: (scene.n_hot_pixels as f64 * share * share) as usize,
        ..scene
    }
}

/// Proposes the mask of a burst whose registration is exact.
pub(crate) fn propose_for(burst: &Burst) -> Proposal {
    let n_frames = burst.scene().n_lights;
    let frames: Vec<CalibratedFrame> =
        (0..n_frames).map(|idx| calibrate(&burst.light(idx), &Masters::default())).collect();
    propose_with(burst, &frames)
}

/// The same for frames that are there already.
pub(crate) fn propose_with(burst: &Burst, frames: &[CalibratedFrame]) -> Proposal {
    let reference = frames.len() / 2;
    let carry = |frame: usize, point: Point| burst.carry(reference, frame, point);
    propose_by(burst, frames, Some(&carry))
}

/// Proposes the mask of a burst whose stars could not be matched.
pub(crate) fn propose_unregistered(burst: &Burst) -> Proposal {
    let frames: Vec<CalibratedFrame> =
        (0..burst.scene().n_lights).map(|idx| calibrate(&burst.light(idx), &Masters::default())).collect();
    propose_by(burst, &frames, None)
}

fn propose_by(burst: &Burst, frames: &[CalibratedFrame], carry: Option<LightFromReference<'_>>) -> Proposal {
    let n_frames = frames.len();
    let read = |frame: usize, rect: Rect, planes: &mut [Vec<f32>]| -> Result<(), Cancelled> {
        for (plane, target) in frames[frame].planes.iter().zip(planes) {
            target.clear();
            for y in rect.y..rect.y + rect.size.height {
                target.extend_from_slice(&plane.row(y)[rect.x..rect.x + rect.size.width]);
            }
        }
        Ok(())
    };
    let view = BurstView {
        size: burst.scene().size,
        layout: frames[0].layout,
        orientation: burst.scene().orientation,
        n_frames,
        reference: n_frames / 2,
        read: &read,
        light_from_reference: carry,
    };
    propose(&Monitor::silent(), &view).expect("nothing fails in memory")
}

/// How a mask differs from the exact one.
#[derive(Clone, Copy, Debug)]
pub(crate) struct MaskError {
    /// Intersection over union of the pixels with at least half of land; 1.0 where neither has any.
    pub overlap: f64,
    /// Distance from the points of either edge to the other edge: the middle one, and 95 of 100 are nearer.
    pub edge_px: Option<[f64; 2]>,
    /// Mean difference of the weights, in percent of the frame.
    pub weight_percent: f64,
}

pub(crate) fn mask_error(mask: &ForegroundMask, truth: &Plane<f32>) -> MaskError {
    let (mut both, mut either, mut difference) = (0_usize, 0_usize, 0.0_f64);
    for (&found, &exact) in mask.0.samples().iter().zip(truth.samples()) {
        both += usize::from(found >= 0.5 && exact >= 0.5);
        either += usize::from(found >= 0.5 || exact >= 0.5);
        difference += f64::from((found - exact).abs());
    }
    let (found, exact) = (edge_points(&mask.0), edge_points(truth));
    let mut distances = distances(&found, &exact, truth.size());
    distances.extend(self::distances(&exact, &found, truth.size()));
    distances.sort_by(f64::total_cmp);
    let at = |share: f64| distances[((distances.len() - 1) as f64 * share) as usize];
    MaskError {
        overlap: if either == 0 { 1.0 } else { both as f64 / either as f64 },
        edge_px: (!found.is_empty() && !exact.is_empty()).then(|| [at(0.5), at(0.95)]),
        weight_percent: 100.0 * difference / truth.size().area() as f64,
    }
}

/// Where the weight passes one half between two neighbours, by linear interpolation.
fn edge_points(mask: &Plane<f32>) -> Vec<Point> {
    let Size { width, height } = mask.size();
    let mut points = Vec::new();
    for y in 0..height {
        for x in 0..width {
            let own = mask.at(x, y);
            let mut meet = |other: f32, dx: f64, dy: f64| {
                if (own >= 0.5) != (other >= 0.5) {
                    let share = f64::from((0.5 - own) / (other - own));
                    points.push(Point { x: x as f64 + share * dx, y: y as f64 + share * dy });
                }
            };
            if x + 1 < width {
                meet(mask.at(x + 1, y), 1.0, 0.0);
            }
            if y + 1 < height {
                meet(mask.at(x, y + 1), 0.0, 1.0);
            }
        }
    }
    points
}

/// Distance of each point to the nearest of the others, by squares of 8 pixels; beyond [`FAR`] it is [`FAR`].
fn distances(from: &[Point], to: &[Point], size: Size) -> Vec<f64> {
    const SQUARE: f64 = 8.0;
    const FAR: f64 = 64.0;
    let columns = (size.width as f64 / SQUARE) as usize + 2;
    let rows = (size.height as f64 / SQUARE) as usize + 2;
    let cell = |value: f64| (value.max(0.0) / SQUARE) as usize;
    let mut squares = vec![Vec::new(); columns * rows];
    for point in to {
        squares[cell(point.y) * columns + cell(point.x)].push(*point);
    }
    let nearest = |point: &Point| {
        let (column, row) = (cell(point.x), cell(point.y));
        let mut best = FAR;
        for ring in 0..=(FAR / SQUARE) as usize {
            if (ring as f64 - 1.0) * SQUARE > best {
                break;
            }
            for y in row.saturating_sub(ring)..(row + ring + 1).min(rows) {
                for x in column.saturating_sub(ring)..(column + ring + 1).min(columns) {
                    if y.abs_diff(row).max(x.abs_diff(column)) == ring {
                        best = squares[y * columns + x].iter().map(|other| other.distance(*point)).fold(best, f64::min);
                    }
                }
            }
        }
        best
    };
    from.iter().map(nearest).collect()
}

/// Strokes that a person would draw, one after another, each where most is wrong; one that does harm is taken back.
pub(crate) fn with_strokes(proposal: &Proposal, truth: &Plane<f32>, n_strokes: usize) -> ForegroundMask {
    let mut mask = proposal.mask.clone();
    for _ in 0..n_strokes {
        let Some(stroke) = stroke_over_the_worst(&mask, truth) else { break };
        let solved = proposal.guide.solve(&Monitor::silent(), mask.clone(), &[stroke]).expect("nobody cancels");
        if mask_error(&solved, truth).overlap > mask_error(&mask, truth).overlap {
            mask = solved;
        }
    }
    mask
}

/// A stroke from left to right through the middle of the wrong part that is worst in one square of the frame, with a
/// brush half as wide as the part.
fn stroke_over_the_worst(mask: &ForegroundMask, truth: &Plane<f32>) -> Option<Stroke> {
    let Size { width, height } = truth.size();
    let square = width / 24;
    let columns = width.div_ceil(square);
    let wrong = |x: usize, y: usize| match (mask.0.at(x, y) >= 0.5, truth.at(x, y) >= 0.5) {
        (false, true) => Some(StrokeSide::Land),
        (true, false) => Some(StrokeSide::Sky),
        _ => None,
    };
    let mut counts = vec![[0_usize; 2]; columns * height.div_ceil(square)];
    for y in 0..height {
        for x in 0..width {
            if let Some(side) = wrong(x, y) {
                counts[y / square * columns + x / square][usize::from(side == StrokeSide::Sky)] += 1;
            }
        }
    }
    let both = counts
        .iter()
        .enumerate()
        .flat_map(|(idx, count)| [(count[0], idx, StrokeSide::Land), (count[1], idx, StrokeSide::Sky)]);
    let (n_wrong, idx, side) = both.max_by_key(|&(count, idx, _)| (count, std::cmp::Reverse(idx)))?;
    if n_wrong == 0 {
        return None;
    }
    let (left, top) = (idx % columns * square, idx / columns * square);
    let inside =
        (top..(top + square).min(height)).flat_map(|y| (left..(left + square).min(width)).map(move |x| (x, y)));
    let part =
        connected(inside.filter(|&(x, y)| wrong(x, y) == Some(side)), truth.size(), |x, y| wrong(x, y) == Some(side));
    // In the middle of the wrong pixels of every few columns.
    let mut rows_of = vec![Vec::new(); width];
    part.iter().for_each(|&(x, y)| rows_of[x].push(y));
    let mut heights: Vec<usize> = rows_of.iter().map(Vec::len).filter(|&len| len > 0).collect();
    heights.sort_unstable();
    let radius_px = (0.25 * heights[heights.len() / 2] as f64).max(0.001 * width as f64).max(1.5);
    // The ends of the brush stay inside, too.
    let columns: Vec<usize> = (0..width).filter(|&x| !rows_of[x].is_empty()).collect();
    let margin = (radius_px as usize).min((columns.len() - 1) / 2);
    let columns = &columns[margin..columns.len() - margin];
    let points = columns.iter().step_by((square / 6).max(1)).map(|&x| {
        rows_of[x].sort_unstable();
        Point { x: x as f64, y: rows_of[x][rows_of[x].len() / 2] as f64 }
    });
    Some(Stroke { points: points.collect(), radius_px, side })
}

/// Pixels that are joined to any of the first ones.
fn connected(
    first: impl Iterator<Item = (usize, usize)>,
    size: Size,
    belongs: impl Fn(usize, usize) -> bool,
) -> Vec<(usize, usize)> {
    let mut seen = Plane::filled(size, false);
    let mut part: Vec<(usize, usize)> = first.collect();
    part.iter().for_each(|&(x, y)| seen.set(x, y, true));
    let mut next = 0;
    while next < part.len() {
        let (x, y) = part[next];
        next += 1;
        for (x, y) in [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)] {
            if x < size.width && y < size.height && !seen.at(x, y) && belongs(x, y) {
                seen.set(x, y, true);
                part.push((x, y));
            }
        }
    }
    part
}
