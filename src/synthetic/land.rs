//! What stands in front of the sky: outlines with exact soft edges.
//!
//! Everything is a function of the place in the frame of the unknocked camera, so a shaken or knocked
//! frame is drawn by asking at moved places; nothing is resampled. Heights and lengths are in widths of
//! the frame, measured down from its top. An edge is the outline seen through the lens: a step smoothed
//! by the width of a star, so its alpha is what an ideal mask would hold.
//! The shore of the lake follows the horizon of the camera: point it low to see much water.

use nalgebra::Rotation3;
use serde::{Deserialize, Serialize};

use crate::pixels::{Point, Size};
use crate::synthetic::camera::{Camera, altitude_rad};
use crate::synthetic::noise::{crest_octaves, mix, normal_share_below, plane_noise, plane_octaves};
use crate::synthetic::scene::Scene;
use crate::synthetic::terrain::{self, Terrain};
use crate::synthetic::trees::Trees;

/// What stands in front of the sky.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LandKind {
    /// Nothing: sky only.
    None,
    /// A toothed ridge of rock and snow, a near slope with boulders, and a tarn that reflects the sky's glow.
    Ridge,
    /// The same outline nearly black.
    Silhouette,
    /// The same outline, lit: brighter than the sky.
    Bright,
    /// Bare trees in front of low hills: thin branches, and sky between them.
    Trees,
    /// A low far shore, and water that reflects the stars.
    Lake,
    /// A house with lit windows on a meadow.
    Building,
    /// A ridge that partly dissolves in haze.
    Haze,
    /// No sky at all.
    Only,
}

/// The land at one place.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct LandSample {
    /// 0 sky, 1 land.
    pub(super) alpha: f32,
    /// Light over that of the dark sky, and over daylight, where it covers.
    pub(super) color: [f32; 3],
    /// Share of the starlight of the mirrored sky that is reflected here.
    pub(super) mirror: f32,
}

/// The land of one scene.
#[derive(Clone, Debug)]
pub(super) struct Land {
    kind: LandKind,
    width: f64,
    edge_sigma_px: f64,
    far: Profile,
    near: Profile,
    terrain: Terrain,
    trees: Option<Trees>,
}

impl Land {
    pub(super) fn new(scene: &Scene, camera: &Camera) -> Self {
        let size = scene.size;
        let seed = scene.seed as u32;
        let bottom = (size.height as f64 / size.width as f64) as f32;
        let fine = size.width as f32 / 3.0;
        let kind = scene.land;
        let psf_sigma_px = scene.psf_fwhm_px / super::burst::FWHM_PER_SIGMA;
        let near = |u: f32| match kind {
            LandKind::Lake => horizon(size, camera, u) + 0.004,
            _ => bottom * 0.855 + 0.018 * plane_octaves(u * 2.1, 7.7, 6, seed) - 0.03 * (u - 0.5) * (u - 0.2),
        };
        let far = Profile::new(size, |u| match kind {
            LandKind::Lake => horizon(size, camera, u) - 0.02 - 0.014 * crest_octaves(u * 5.0, 0.5, 5, seed),
            LandKind::Building => bottom * 0.80 + 0.012 * plane_octaves(u * 2.2, 0.3, 4, seed),
            LandKind::Trees => bottom * 0.86 + 0.02 * plane_octaves(u * 2.6, 0.3, 4, seed),
            // In a gap of the ridge the near slope is the outline.
            _ => toothed(u, bottom, fine, seed).min(near(u)),
        });
        let near = Profile::new(size, near);
        let width = size.width as f64;
        let ground = |u: f32| (far.at(f64::from(u) * width) / width) as f32;
        let trees = (kind == LandKind::Trees).then(|| Trees::new(size, &ground, seed));
        Self {
            kind,
            width,
            // A pixel is a box of width 1: its variance is 1/12.
            edge_sigma_px: psf_sigma_px.hypot(1.0 / 12.0_f64.sqrt()),
            far,
            near,
            terrain: Terrain::new(size, seed),
            trees,
        }
    }

    /// The land at a place in the frame of the unknocked camera.
    pub(super) fn at(&self, x: f64, y: f64) -> LandSample {
        let (u, v) = ((x / self.width) as f32, (y / self.width) as f32);
        let far = self.covered(&self.far, x, y);
        let outline = match self.kind {
            LandKind::None => return LandSample::default(),
            LandKind::Only => 1.0,
            _ => far,
        };
        match self.kind {
            LandKind::None => LandSample::default(),
            LandKind::Trees => self.trees_at(x, y, u, v, outline),
            _ if outline < 1e-6 && self.kind != LandKind::Building => LandSample::default(),
            LandKind::Lake => self.lake_at(x, y, u, v, outline),
            LandKind::Building => self.building_at(x, u, v, outline),
            _ => {
                let depth = v - (self.far.at(x) / self.width) as f32;
                let color = self.mountains(x, y, u, v, depth);
                LandSample { alpha: outline, color: self.lit(color, u, v, depth), mirror: 0.0 }
            }
        }
    }

    /// Ridge, near slope and tarn.
    fn mountains(&self, x: f64, y: f64, u: f32, v: f32, depth: f32) -> [f32; 3] {
        let near = self.covered(&self.near, x, y);
        let rock = if near < 1.0 { self.terrain.rock(u, v, depth) } else { [0.0; 3] };
        if near <= 0.0 {
            return rock;
        }
        let slope = self.terrain.slope(u, v, v - (self.near.at(x) / self.width) as f32);
        let water = self.terrain.tarn_share(u, v);
        let ground = if water > 0.0 { blend(slope, self.terrain.tarn(u, v), water) } else { slope };
        blend(rock, ground, near)
    }

    /// The light that falls on the land, by kind.
    fn lit(&self, color: [f32; 3], u: f32, v: f32, depth: f32) -> [f32; 3] {
        match self.kind {
            LandKind::Silhouette => color.map(|channel| 0.12 * channel),
            LandKind::Bright => color.map(|channel| 0.6 + 7.0 * channel),
            LandKind::Haze => {
                let drift = 0.5 + 0.5 * plane_noise(u * 2.3, v * 4.0, 77);
                let share = (1.0 - 0.55 * drift) * (-depth.max(0.0) / 0.16).exp();
                let haze = terrain::HAZE.map(|channel| 0.95 * channel);
                blend(color, haze, (1.15 * share).clamp(0.0, 0.92))
            }
            _ => color,
        }
    }

    fn lake_at(&self, x: f64, y: f64, u: f32, v: f32, outline: f32) -> LandSample {
        let water = self.covered(&self.near, x, y);
        let shore = self.terrain.slope(u, v, 0.02);
        let color = blend(shore, self.terrain.open_water(u, v), water);
        LandSample { alpha: outline, color, mirror: 0.55 * water }
    }

    fn building_at(&self, x: f64, u: f32, v: f32, outline: f32) -> LandSample {
        let ground_v = (self.far.at(0.36 * self.width) / self.width) as f32 + 0.01;
        let house = House { ground_v, pixel: (self.edge_sigma_px / self.width) as f32 };
        let (walls, color) = house.at(u, v, &self.terrain);
        let meadow =
            if outline > 0.0 { self.terrain.slope(u, v, v - (self.far.at(x) / self.width) as f32) } else { [0.0; 3] };
        let alpha = 1.0 - (1.0 - outline) * (1.0 - walls);
        let share = if alpha > 0.0 { walls / alpha } else { 0.0 };
        LandSample { alpha, color: blend(meadow, color, share.min(1.0)), mirror: 0.0 }
    }

    fn trees_at(&self, x: f64, y: f64, u: f32, v: f32, outline: f32) -> LandSample {
        let wood = self.trees.as_ref().map_or(0.0, |trees| trees.covered(x, y, self.edge_sigma_px));
        let alpha = 1.0 - (1.0 - outline) * (1.0 - wood);
        if alpha < 1e-6 {
            return LandSample::default();
        }
        let hill =
            if outline > 0.0 { self.terrain.slope(u, v, v - (self.far.at(x) / self.width) as f32) } else { [0.0; 3] };
        LandSample { alpha, color: blend(hill, self.terrain.bark(u, v), wood / alpha), mirror: 0.0 }
    }

    /// Share of a pixel below the profile.
    fn covered(&self, profile: &Profile, x: f64, y: f64) -> f32 {
        let depth_px = y - profile.at(x);
        if depth_px.abs() > 400.0 * self.edge_sigma_px {
            return if depth_px > 0.0 { 1.0 } else { 0.0 };
        }
        let slope = profile.at(x + 0.5) - profile.at(x - 0.5);
        normal_share_below(depth_px / (self.edge_sigma_px * 1.0_f64.hypot(slope))) as f32
    }
}

/// Height of an outline at every half pixel across the frame and a margin on both sides.
#[derive(Clone, Debug)]
struct Profile {
    heights_px: Vec<f32>,
}

/// Pixels beyond the frame for which the outline is known; a knock may bring them into view.
const MARGIN_PX: f64 = 256.0;

impl Profile {
    fn new(size: Size, height: impl Fn(f32) -> f32) -> Self {
        let width = size.width as f64;
        let n = (2.0 * (width + 2.0 * MARGIN_PX)) as usize;
        let place = |index: usize| (index as f64 / 2.0 - MARGIN_PX) / width;
        Self { heights_px: (0..n).map(|index| height(place(index) as f32) * width as f32).collect() }
    }

    fn at(&self, x: f64) -> f64 {
        let place = (2.0 * (x + MARGIN_PX)).clamp(0.0, (self.heights_px.len() - 2) as f64);
        let index = place as usize;
        let (left, right) = (self.heights_px[index], self.heights_px[index + 1]);
        f64::from(left) + (place - index as f64) * f64::from(right - left)
    }
}

/// Height at which the horizon is drawn, by halving; the lower edge of the search where it is not drawn.
fn horizon(size: Size, camera: &Camera, u: f32) -> f32 {
    let width = size.width as f64;
    let x = f64::from(u) * width;
    let (mut above, mut below) = (-0.5 * size.height as f64, 1.5 * size.height as f64);
    for _ in 0..40 {
        let y = 0.5 * (above + below);
        let sky = camera.direction(Point { x, y }, &Rotation3::identity()).is_some_and(|at| altitude_rad(&at) > 0.0);
        if sky { above = y } else { below = y }
    }
    (below / width) as f32
}

/// Teeth of all sizes down to a few pixels.
fn toothed(u: f32, bottom: f32, fine: f32, seed: u32) -> f32 {
    let octaves = |from: f32| (fine / from).log2().max(1.0) as u32;
    let massif = plane_octaves(u * 1.9 + 3.1, 1.7, 3, seed.wrapping_add(200));
    let teeth = crest_octaves(u * 4.0 + 0.5 * massif, 2.5, octaves(4.0), seed.wrapping_add(210));
    let rubble = plane_octaves(u * 45.0, 0.2, octaves(45.0), seed.wrapping_add(230));
    bottom * 0.87 - 0.085 * massif - 0.24 * teeth.max(0.0).powf(1.15) - 0.003 * rubble
}

/// A house: walls, a gable roof, a chimney, six windows, some of them lit.
struct House {
    ground_v: f32,
    pixel: f32,
}

impl House {
    fn at(&self, u: f32, v: f32, terrain: &Terrain) -> (f32, [f32; 3]) {
        let (left, right, height) = (0.25, 0.47, 0.085);
        let eaves = self.ground_v - height;
        let middle = 0.5 * (left + right);
        let walls = self.between(left, right, u) * self.between(eaves, self.ground_v + 0.03, v);
        let slope = 0.62;
        let roof_edge = eaves - 0.075 + slope * (u - middle).abs();
        let roof = self.between(left - 0.012, right + 0.012, u)
            * self.above(roof_edge, v, slope)
            * (1.0 - self.above(eaves + 0.008, v, 0.0));
        let chimney = self.between(0.405, 0.420, u) * self.between(eaves - 0.072, eaves - 0.01, v);
        let cover = 1.0 - (1.0 - walls) * (1.0 - roof) * (1.0 - chimney);
        let grain = terrain.bark(u, v);
        let mut color = blend(grain.map(|channel| 1.6 * channel), grain, roof.max(chimney));
        for (index, lit) in [true, false, true, true, false, false].into_iter().enumerate() {
            let (column, row) = ((index % 3) as f32, (index / 3) as f32);
            let from_u = left + 0.03 + 0.064 * column;
            let from_v = eaves + 0.016 + 0.036 * row;
            let pane = self.between(from_u, from_u + 0.028, u) * self.between(from_v, from_v + 0.022, v);
            let light = if lit { [24.0, 12.5, 4.6] } else { [0.05, 0.06, 0.08] };
            color = blend(color, light, pane * (1.0 - roof));
        }
        (cover, color)
    }

    fn above(&self, edge: f32, at: f32, slope: f32) -> f32 {
        normal_share_below(f64::from((at - edge) / (self.pixel * 1.0_f32.hypot(slope)))) as f32
    }

    fn between(&self, from: f32, to: f32, at: f32) -> f32 {
        self.above(from, at, 0.0) - self.above(to, at, 0.0)
    }
}

/// From `a` at share 0 to `b` at share 1.
pub(super) fn blend(a: [f32; 3], b: [f32; 3], share: f32) -> [f32; 3] {
    std::array::from_fn(|channel| mix(a[channel], b[channel], share))
}
