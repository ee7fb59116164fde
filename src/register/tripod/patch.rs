//! Squares of the land with detail, and how they agree with another frame.

use nalgebra::{Matrix2x3, Matrix3, Rotation3, Vector3};

use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{Lens, Plane, Point, Reach};
use crate::register::tripod::pyramid::{between, slopes, value};

/// Edge of a patch.
const EDGE: usize = 16;
/// Patches lie so far apart from the border of the picture that their gradients are known.
const BORDER: usize = 2;
/// Share of land that a pixel needs to count; the edge of the land, which is worth most where the land is black,
/// is among them.
const LAND: f32 = 0.5;
/// Pixels of land that a patch needs.
const LEAST_PIXELS: usize = EDGE * EDGE * 6 / 10;
/// Cells across and down that share out the patches of a level, and patches in each.
const CELLS: [usize; 2] = [24, 16];
const PER_CELL: usize = 3;
/// A residual beyond this many standard deviations counts less (Huber's constant for 95 % efficiency).
const HUBER: f32 = 1.345;
/// Angle that derivatives are taken over, radians.
const SMALL_TURN: f64 = 1e-4;

/// A square of the reference frame's land on one level.
#[derive(Clone, Debug)]
pub(super) struct Patch {
    x: usize,
    y: usize,
    /// Pixels of the frame in one of the level.
    frame_px: f64,
    /// Of each pixel: whether it is land, its value, its slopes.
    land: Vec<bool>,
    values: Vec<f32>,
    slopes: Vec<[f32; 2]>,
    /// Directions of the four corners.
    corners: [Vector3<f64>; 4],
    /// How the middle moves with a turn of the camera.
    pub(super) pixels_per_radian: Matrix2x3<f64>,
}

/// What the patches of a level say together.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    /// Of the least-squares step: step = −normal⁻¹ gradient.
    pub(super) normal: Matrix3<f64>,
    pub(super) gradient: Vector3<f64>,
    /// Σ of products about the patch means: of both, of the reference, of the frame.
    product: f64,
    own: f64,
    other: f64,
}

impl Sums {
    pub(super) fn plus(self, more: Self) -> Self {
        Self {
            normal: self.normal + more.normal,
            gradient: self.gradient + more.gradient,
            product: self.product + more.product,
            own: self.own + more.own,
            other: self.other + more.other,
        }
    }

    /// Correlation of the detail: 1 for the same picture, 0 for another.
    pub(super) fn agreement(&self) -> f64 {
        let scale = (self.own * self.other).sqrt();
        if scale > 0.0 { self.product / scale } else { 0.0 }
    }
}

/// The patches of a level with the strongest slopes, spread over the picture.
pub(super) fn best_patches(plane: &Plane<f32>, land: &Plane<f32>, lens: &Lens, frame_px: f64) -> Vec<Patch> {
    let size = plane.size();
    let mut cells: Vec<Vec<(f64, usize, usize)>> = vec![Vec::new(); CELLS[0] * CELLS[1]];
    for y in (BORDER..(size.height.max(EDGE + BORDER) - EDGE - BORDER)).step_by(EDGE) {
        for x in (BORDER..(size.width.max(EDGE + BORDER) - EDGE - BORDER)).step_by(EDGE) {
            let (n_land, strength) = strength(plane, land, x, y);
            if n_land >= LEAST_PIXELS {
                let cell = (y * CELLS[1] / size.height) * CELLS[0] + x * CELLS[0] / size.width;
                cells[cell].push((strength, x, y));
            }
        }
    }
    let mut patches = Vec::new();
    for cell in &mut cells {
        cell.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
        patches
            .extend(cell.iter().take(PER_CELL).filter_map(|&(_, x, y)| Patch::new(plane, land, lens, frame_px, x, y)));
    }
    patches
}

/// Pixels of land in a patch, and the sum of their squared slopes.
fn strength(plane: &Plane<f32>, land: &Plane<f32>, left: usize, top: usize) -> (usize, f64) {
    let (mut n_land, mut sum) = (0, 0.0);
    for y in top..top + EDGE {
        for x in (left..left + EDGE).filter(|&x| land.at(x, y) >= LAND) {
            let [across, down] = slopes(plane, x, y).map(f64::from);
            sum += across * across + down * down;
            n_land += 1;
        }
    }
    (n_land, sum)
}

/// Light of the frame over that of the reference, by the sums over all patches where they stand; 1.0 in the dark.
pub(super) fn common_gain(patches: &[Patch], plane: &Plane<f32>) -> f32 {
    let (mut own, mut other) = (0.0, 0.0);
    for patch in patches {
        for (place, (&value, _)) in patch.values.iter().zip(&patch.land).enumerate().filter(|(_, (_, land))| **land) {
            own += f64::from(value);
            other += f64::from(plane.at(patch.x + place % EDGE, patch.y + place / EDGE));
        }
    }
    if own > 0.0 && other > 0.0 { (other / own) as f32 } else { 1.0 }
}

impl Patch {
    fn new(plane: &Plane<f32>, land: &Plane<f32>, lens: &Lens, frame_px: f64, x: usize, y: usize) -> Option<Self> {
        let reach = lens.reach();
        let in_frame = |place: f64| place * frame_px + 0.5 * (frame_px - 1.0);
        let ray = |dx: f64, dy: f64| lens.ray(reach, Point { x: in_frame(x as f64 + dx), y: in_frame(y as f64 + dy) });
        let (last, middle) = (EDGE as f64 - 1.0, 0.5 * (EDGE as f64 - 1.0));
        let center = ray(middle, middle)?;
        let turned = |axis: usize, angle: f64| {
            let mut turn = Vector3::zeros();
            turn[axis] = angle;
            lens.point(reach, &(Rotation3::new(turn) * center))
        };
        let mut pixels_per_radian = Matrix2x3::zeros();
        for axis in 0..3 {
            let (there, back) = (turned(axis, SMALL_TURN)?, turned(axis, -SMALL_TURN)?);
            let scale = 1.0 / (2.0 * SMALL_TURN * frame_px);
            pixels_per_radian[(0, axis)] = scale * (there.x - back.x);
            pixels_per_radian[(1, axis)] = scale * (there.y - back.y);
        }
        let places = || (0..EDGE * EDGE).map(|place| (x + place % EDGE, y + place / EDGE));
        Some(Self {
            x,
            y,
            frame_px,
            land: places().map(|(x, y)| land.at(x, y) >= LAND).collect(),
            values: places().map(|(x, y)| value(plane, x, y)).collect(),
            slopes: places().map(|(x, y)| slopes(plane, x, y)).collect(),
            corners: [ray(0.0, 0.0)?, ray(last, 0.0)?, ray(0.0, last)?, ray(last, last)?],
            pixels_per_radian,
        })
    }

    /// The detail of the patch against that of another picture, shifted by whole pixels.
    pub(super) fn compare_at_whole_shift(&self, plane: &Plane<f32>, dx: isize, dy: isize) -> Sums {
        let at = |place: usize| {
            let inside = |place: usize, len: usize| place >= 1 && place + 1 < len;
            let x = (self.x + place % EDGE).checked_add_signed(dx).filter(|&x| inside(x, plane.width()))?;
            let y = (self.y + place / EDGE).checked_add_signed(dy).filter(|&y| inside(y, plane.height()))?;
            Some(value(plane, x, y))
        };
        let seen: Vec<(usize, f32)> =
            (0..EDGE * EDGE).filter(|&place| self.land[place]).filter_map(|place| Some((place, at(place)?))).collect();
        self.agreement(&seen, |_| 1.0).sums
    }

    /// Residuals, slopes and agreement against another picture seen through a turn of the camera.
    pub(super) fn compare(
        &self,
        plane: &Plane<f32>,
        lens: &Lens,
        reach: Reach,
        rotation: &Rotation3<f64>,
        gain: f32,
    ) -> Sums {
        let Some(seen) = self.seen_through(plane, lens, reach, rotation) else { return Sums::default() };
        if seen.len() < LEAST_PIXELS {
            return Sums::default();
        }
        let first = self.light(&seen, |_| 1.0, 0.0, gain);
        let sigma = first.sigma(self, &seen);
        let weight = |residual: f32| if residual.abs() > HUBER * sigma { HUBER * sigma / residual.abs() } else { 1.0 };
        let light = self.light(&seen, |idx| weight(first.residual(self, seen[idx])), sigma * sigma, gain);
        let mut sums = self.agreement(&seen, |idx| weight(light.residual(self, seen[idx]))).sums;
        let per_variance = 1.0 / f64::from(sigma * sigma).max(1e-30);
        for &(place, value) in &seen {
            let residual = light.residual(self, (place, value));
            let share = f64::from(weight(residual)) * per_variance;
            let slope = self.slopes[place].map(|slope| f64::from(light.gain * slope));
            let row = self.pixels_per_radian.row(0) * slope[0] + self.pixels_per_radian.row(1) * slope[1];
            let column = row.transpose();
            sums.normal += share * column * row;
            sums.gradient += share * f64::from(residual) * column;
        }
        sums
    }

    /// Land pixels of the patch that the other picture shows, with its values there.
    fn seen_through(
        &self,
        plane: &Plane<f32>,
        lens: &Lens,
        reach: Reach,
        rotation: &Rotation3<f64>,
    ) -> Option<Vec<(usize, f32)>> {
        let mut corners = [[0.0_f32; 2]; 4];
        for (corner, ray) in corners.iter_mut().zip(&self.corners) {
            let point = lens.point(reach, &(rotation * ray))?;
            let of_level = |place: f64| (place - 0.5 * (self.frame_px - 1.0)) / self.frame_px;
            *corner = [of_level(point.x) as f32, of_level(point.y) as f32];
        }
        let step = 1.0 / (EDGE as f32 - 1.0);
        let mut seen = Vec::with_capacity(EDGE * EDGE);
        for place in (0..EDGE * EDGE).filter(|&place| self.land[place]) {
            let (across, down) = ((place % EDGE) as f32 * step, (place / EDGE) as f32 * step);
            let [x, y]: [f32; 2] = std::array::from_fn(|axis| {
                let upper = corners[0][axis] + across * (corners[1][axis] - corners[0][axis]);
                let lower = corners[2][axis] + across * (corners[3][axis] - corners[2][axis]);
                upper + down * (lower - upper)
            });
            if let Some(value) = between(plane, x, y) {
                seen.push((place, value));
            }
        }
        Some(seen)
    }

    /// The factor and shift that bring the patch to the light of the other picture. `pull` draws the factor to
    /// `gain`, which noise in the patch would lessen.
    fn light(&self, seen: &[(usize, f32)], weight: impl Fn(usize) -> f32, pull: f32, gain: f32) -> Light {
        let Agreement { own_mean, other_mean, total, sums } = self.agreement(seen, weight);
        let pull = f64::from(pull) * total;
        let fitted = (sums.product + pull * f64::from(gain)) / (sums.own + pull).max(1e-30);
        let fitted = fitted.clamp(0.25 * f64::from(gain), 4.0 * f64::from(gain));
        Light { gain: fitted as f32, shift: (other_mean - fitted * own_mean) as f32 }
    }

    /// Weighted means of both, and the products about them.
    fn agreement(&self, seen: &[(usize, f32)], weight: impl Fn(usize) -> f32) -> Agreement {
        let (mut total, mut own_mean, mut other_mean) = (0.0, 0.0, 0.0);
        for (idx, &(place, value)) in seen.iter().enumerate() {
            let share = f64::from(weight(idx));
            total += share;
            own_mean += share * f64::from(self.values[place]);
            other_mean += share * f64::from(value);
        }
        let per_total = if total > 0.0 { 1.0 / total } else { 0.0 };
        (own_mean, other_mean) = (own_mean * per_total, other_mean * per_total);
        let mut sums = Sums::default();
        for (idx, &(place, value)) in seen.iter().enumerate() {
            let share = f64::from(weight(idx));
            let (own, other) = (f64::from(self.values[place]) - own_mean, f64::from(value) - other_mean);
            sums.product += share * own * other;
            sums.own += share * own * own;
            sums.other += share * other * other;
        }
        Agreement { own_mean, other_mean, total, sums }
    }
}

struct Agreement {
    own_mean: f64,
    other_mean: f64,
    total: f64,
    sums: Sums,
}

/// The light of the other picture from that of the patch.
#[derive(Clone, Copy)]
struct Light {
    gain: f32,
    shift: f32,
}

impl Light {
    fn residual(self, patch: &Patch, (place, value): (usize, f32)) -> f32 {
        value - self.gain * patch.values[place] - self.shift
    }

    /// Robust standard deviation of the residuals.
    fn sigma(self, patch: &Patch, seen: &[(usize, f32)]) -> f32 {
        let mut sizes: Vec<f32> = seen.iter().map(|&seen| self.residual(patch, seen).abs()).collect();
        (SIGMA_PER_MAD * median(&mut sizes).unwrap_or(0.0)).max(f32::MIN_POSITIVE.sqrt())
    }
}
