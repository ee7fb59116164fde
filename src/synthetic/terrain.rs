//! Surfaces of the land: rock, snow, boulders, water, bark; detail down to the pixel, as photographs have.
//!
//! Colours are light over that of the dark sky and over daylight. Places are in widths of the frame.

use crate::pixels::Size;
use crate::synthetic::land::blend;
use crate::synthetic::noise::{hash, mix, plane_noise, plane_octaves, rise, slope_octaves, unit};

/// Light scattered by the air in front of far things.
pub(super) const HAZE: [f32; 3] = [0.90, 1.0, 1.15];

/// Surfaces for frames of one size.
#[derive(Clone, Copy, Debug)]
pub(super) struct Terrain {
    /// One pixel in widths of the frame.
    pixel: f32,
    bottom: f32,
    seed: u32,
}

impl Terrain {
    pub(super) fn new(size: Size, seed: u32) -> Self {
        let pixel = 1.0 / size.width as f32;
        Self { pixel, bottom: size.height as f32 * pixel, seed }
    }

    /// Octaves from `frequency` down to a wavelength of about two and a half pixels.
    fn octaves(&self, frequency: f32) -> u32 {
        (1.0 / (2.5 * self.pixel * frequency)).log2().clamp(1.0, 9.0) as u32
    }

    /// Light from the upper left on a rough surface: about 0 in shade, 1 in full light.
    fn relief(&self, u: f32, v: f32, frequency: f32, strength: f32, seed: u32) -> f32 {
        let octaves = self.octaves(frequency);
        let slope = slope_octaves(u * frequency, v * frequency, octaves, self.seed.wrapping_add(seed));
        let tilt = strength * slope;
        0.5 + 0.5 * tilt / (1.0 + tilt.abs())
    }

    /// Bare rock with gullies, strata and snow, `depth` below its outline.
    pub(super) fn rock(&self, u: f32, v: f32, depth: f32) -> [f32; 3] {
        let warp = plane_octaves(u * 9.0, v * 9.0, 3, self.seed.wrapping_add(400));
        let gullies = self.relief(u + 0.012 * warp, 0.45 * v, 15.0, 0.55, 410);
        let grain = self.relief(u, v, 48.0, 0.30, 420);
        let strata = 0.5 + 0.5 * ((v + 0.16 * u + 0.010 * warp) * 330.0).sin();
        let light = 0.55 * gullies + 0.35 * grain + 0.10 * strata;
        let stone = [0.33, 0.33, 0.36].map(|channel| channel * (0.15 + 1.5 * light));
        let lie = plane_octaves(u * 14.0, v * 9.0, self.octaves(14.0), self.seed.wrapping_add(430));
        let snow = rise(0.10, 0.34, lie + 0.55 * (0.5 - gullies) + 1.1 * (0.13 - depth).clamp(-0.3, 0.1));
        let drift = [0.78, 0.86, 0.98].map(|channel| channel * (0.45 + 0.55 * grain));
        let surface = blend(stone, drift, 0.85 * snow);
        // Air in front of the foot of the ridge.
        blend(surface, HAZE.map(|channel| 0.62 * channel), 0.06 + 0.22 * rise(0.02, 0.22, depth))
    }

    /// Grass, gravel and boulders, `depth` below the outline of the slope.
    pub(super) fn slope(&self, u: f32, v: f32, depth: f32) -> [f32; 3] {
        let near = 1.0 + 3.0 * (self.bottom - v).max(0.0);
        let bumps = self.relief(u, v * 1.7, 11.0, 0.30, 500);
        let grain = self.relief(u * near, v * 2.2, 60.0, 0.5, 510);
        let tufts = 0.5 + 0.6 * plane_octaves(u * 34.0, v * 90.0, self.octaves(90.0), self.seed.wrapping_add(520));
        let mut color = [0.330, 0.345, 0.300].map(|channel| channel * (0.35 + 0.75 * bumps + 0.7 * grain * tufts));
        for (scale, seed) in [(26.0, 530), (62.0, 540), (150.0, 550)] {
            color = self.boulders(color, u * scale, v * 1.8 * scale, scale, grain, seed);
        }
        color.map(|channel| channel * (0.72 + 0.28 * rise(0.0, 0.05, depth)))
    }

    /// One size of boulders on a surface: a cell of the plane holds one or none.
    fn boulders(&self, ground: [f32; 3], x: f32, y: f32, scale: f32, grain: f32, seed: u32) -> [f32; 3] {
        // Rows of cells are shifted against each other and bent, so that no grid shows.
        let y = y + 0.3 * plane_noise(0.4 * x, 0.4 * y, seed.wrapping_add(1));
        let cell_y = y.floor() as i32;
        let x = x + 40.0 * unit(hash(cell_y, 0, 1, seed));
        let cell_x = x.floor() as i32;
        let number = |salt: u32| unit(hash(cell_x, cell_y, salt as i32, self.seed.wrapping_add(seed)));
        if number(0) > 0.42 {
            return ground;
        }
        let radius = 0.10 + 0.18 * number(1);
        let (dx, dy) = (x - cell_x as f32 - 0.44 - 0.08 * number(2), y - cell_y as f32 - 0.44 - 0.08 * number(3));
        let bump = 0.12 * plane_noise(x * 4.0, y * 4.0, seed);
        let from_center = dx.hypot(1.15 * dy) / radius + bump;
        let edge = self.pixel * scale / radius;
        let inside = rise(1.0 + edge, 1.0 - edge, from_center);
        let shadow = 0.55 * rise(1.35, 0.8, (dx - 0.3 * radius).hypot(dy - 0.3 * radius) / radius);
        let light = (0.55 - 0.55 * (dx + dy) / radius).clamp(0.12, 1.1) * (0.5 + grain);
        let stone = [0.50, 0.50, 0.51].map(|channel| channel * light * (0.7 + 0.5 * number(4)));
        blend(ground.map(|channel| channel * (1.0 - shadow)), stone, inside)
    }

    /// Share of the tarn at a place, with a ragged shore.
    pub(super) fn tarn_share(&self, u: f32, v: f32) -> f32 {
        let ragged = 0.16 * plane_octaves(u * 16.0, v * 40.0, self.octaves(40.0), self.seed.wrapping_add(600));
        let (across, down) = ((u - 0.34) / 0.255, (v - 0.925 * self.bottom) / (0.047 * self.bottom));
        let edge = 1.2 * self.pixel / (0.047 * self.bottom);
        rise(1.0 + edge, 1.0 - edge, across.hypot(down) + ragged)
    }

    /// The tarn: the glow of the sky in still water, darker where the ridge is mirrored.
    pub(super) fn tarn(&self, u: f32, v: f32) -> [f32; 3] {
        let down = ((v - 0.88 * self.bottom) / (0.09 * self.bottom)).clamp(0.0, 1.0);
        let mirrored = 0.030 * plane_octaves(u * 7.0, 3.3, 5, self.seed.wrapping_add(610));
        let sky = rise(0.30, 0.62, down + 9.0 * mirrored);
        let ripples = 1.0 + 0.10 * plane_octaves(u * 30.0, v * 420.0, 3, self.seed.wrapping_add(620));
        let dark = [0.16, 0.17, 0.18];
        let glow = [0.58 + 0.22 * u, 0.62, 0.68 - 0.10 * u];
        blend(dark, glow, sky * mix(0.75, 1.0, down)).map(|channel| channel * ripples)
    }

    /// Open water under the night sky.
    pub(super) fn open_water(&self, u: f32, v: f32) -> [f32; 3] {
        let down = ((v - 0.64 * self.bottom) / (0.36 * self.bottom)).clamp(0.0, 1.0);
        let ripples = 1.0 + 0.06 * plane_octaves(u * 18.0, v * 300.0, 3, self.seed.wrapping_add(630));
        [0.66, 0.72, 0.80].map(|channel| channel * mix(0.85, 0.45, down) * ripples)
    }

    /// Dark wood or masonry.
    pub(super) fn bark(&self, u: f32, v: f32) -> [f32; 3] {
        let grain = plane_octaves(u * 220.0, v * 60.0, self.octaves(220.0), self.seed.wrapping_add(700));
        [0.10, 0.098, 0.095].map(|channel| channel * (1.0 + 0.6 * grain))
    }
}
