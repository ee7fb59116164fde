//! Repeatable randomness: streams of random numbers, and smooth noise over the plane and in space.
//!
//! Gradient noise on a lattice: K. Perlin, "Improving noise" (2002), with an integer hash of our own
//! for the gradients. Octaves halve wavelength and amplitude.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// What a stream of random numbers is for; no two uses share numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Use {
    Stars = 1,
    HotPixels,
    LightNoise,
    DarkNoise,
    FlatNoise,
    BiasNoise,
    /// Offsets of the rows of a frame, and of the columns of all frames.
    Offsets,
    /// Masked margins.
    Margins,
}

/// The stream of numbers for one use, frame and row.
pub(super) fn stream(seed: u64, purpose: Use, frame: usize, row: usize) -> ChaCha8Rng {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream((purpose as u64) << 56 | (frame as u64) << 32 | row as u64);
    random
}

/// A number for a place of a lattice, the same every time.
pub(super) fn hash(x: i32, y: i32, z: i32, seed: u32) -> u32 {
    let mut mixed = (x as u32).wrapping_mul(0x9E37_79B1)
        ^ (y as u32).wrapping_mul(0x85EB_CA77)
        ^ (z as u32).wrapping_mul(0xC2B2_AE3D)
        ^ seed.wrapping_mul(0x27D4_EB2F);
    for multiplier in [0x7FEB_352D_u32, 0x846C_A68B] {
        mixed = (mixed ^ (mixed >> 15)).wrapping_mul(multiplier);
    }
    mixed ^ (mixed >> 16)
}

/// A hash as a number from 0 to 1.
pub(super) fn unit(hash: u32) -> f32 {
    (hash >> 8) as f32 / (1u32 << 24) as f32
}

/// Smooth noise over the plane, about -0.8 to 0.8, wavelength about 1.
pub(super) fn plane_noise(x: f32, y: f32, seed: u32) -> f32 {
    let cell = Cell::around(x, y, seed);
    let [a, b, c, d] = cell.values();
    mix(mix(a, b, fade(cell.fx)), mix(c, d, fade(cell.fx)), fade(cell.fy))
}

/// Slope of [`plane_noise`] to the right plus its slope down: what light from the upper left shows.
pub(super) fn plane_slope(x: f32, y: f32, seed: u32) -> f32 {
    let cell = Cell::around(x, y, seed);
    let [a, b, c, d] = cell.values();
    let (u, v) = (fade(cell.fx), fade(cell.fy));
    let [ga, gb, gc, gd] = cell.gradients.map(|(gx, gy)| gx + gy);
    let of_gradients = mix(mix(ga, gb, u), mix(gc, gd, u), v);
    of_gradients + fade_slope(cell.fx) * mix(b - a, d - c, v) + fade_slope(cell.fy) * mix(c - a, d - b, u)
}

/// A cell of the lattice, and a place in it.
struct Cell {
    fx: f32,
    fy: f32,
    /// At the corners: upper left, upper right, lower left, lower right.
    gradients: [(f32, f32); 4],
}

impl Cell {
    #[inline]
    fn around(x: f32, y: f32, seed: u32) -> Self {
        let (ix, iy) = (whole(x), whole(y));
        let across = [ix, ix.wrapping_add(1)].map(|place| (place as u32).wrapping_mul(0x9E37_79B1));
        let down = [iy, iy.wrapping_add(1)].map(|place| (place as u32).wrapping_mul(0x85EB_CA77));
        let seed = seed.wrapping_mul(0x27D4_EB2F);
        let gradients = [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(dx, dy)| {
            let mixed = across[dx] ^ down[dy] ^ seed;
            let mixed = (mixed ^ (mixed >> 15)).wrapping_mul(0x7FEB_352D);
            GRADIENTS[(mixed >> 29) as usize]
        });
        Self { fx: x - ix as f32, fy: y - iy as f32, gradients }
    }

    #[inline]
    fn values(&self) -> [f32; 4] {
        let [a, b, c, d] = self.gradients;
        let value = |(gx, gy): (f32, f32), dx: f32, dy: f32| gx * (self.fx - dx) + gy * (self.fy - dy);
        [value(a, 0.0, 0.0), value(b, 1.0, 0.0), value(c, 0.0, 1.0), value(d, 1.0, 1.0)]
    }
}

/// Octaves of [`plane_noise`] from wavelength 1 down.
pub(super) fn plane_octaves(x: f32, y: f32, octaves: u32, seed: u32) -> f32 {
    let mut sum = 0.0;
    let (mut scale, mut amplitude) = (1.0, 1.0);
    for octave in 0..octaves {
        sum += amplitude * plane_noise(x * scale, y * scale, seed.wrapping_add(octave));
        scale *= 2.03;
        amplitude *= 0.5;
    }
    sum
}

/// [`plane_slope`] of the octaves: each counts the same, for its amplitude halves as its wavelength does.
pub(super) fn slope_octaves(x: f32, y: f32, octaves: u32, seed: u32) -> f32 {
    let mut sum = 0.0;
    let mut scale = 1.0;
    for octave in 0..octaves {
        sum += plane_slope(x * scale, y * scale, seed.wrapping_add(octave));
        scale *= 2.03;
    }
    sum
}

/// Octaves with sharp crests: 1 minus the size of the noise; about 0 to 1.
pub(super) fn crest_octaves(x: f32, y: f32, octaves: u32, seed: u32) -> f32 {
    let mut sum = 0.0;
    let mut total = 0.0;
    let (mut scale, mut amplitude) = (1.0, 1.0);
    for octave in 0..octaves {
        sum += amplitude * (1.0 - 2.0 * plane_noise(x * scale, y * scale, seed.wrapping_add(octave)).abs());
        total += amplitude;
        scale *= 2.07;
        amplitude *= 0.46;
    }
    sum / total
}

/// Octaves of smooth noise in space, about -1 to 1.
pub(super) fn space_octaves(at: [f64; 3], octaves: u32, seed: u32) -> f32 {
    let mut sum = 0.0;
    let (mut scale, mut amplitude) = (1.0, 1.0);
    for octave in 0..octaves {
        sum += amplitude * space_noise(at.map(|value| (value * scale) as f32), seed.wrapping_add(octave));
        scale *= 2.03;
        amplitude *= 0.5;
    }
    sum
}

/// Values on a lattice, joined smoothly; -1 to 1.
fn space_noise(at: [f32; 3], seed: u32) -> f32 {
    let cell = at.map(whole);
    let [x, y, z] = cell;
    let [u, v, w] = std::array::from_fn(|axis| fade(at[axis] - cell[axis] as f32));
    let value = |dx, dy, dz| 2.0 * unit(hash(x + dx, y + dy, z + dz, seed)) - 1.0;
    let layer = |dz| mix(mix(value(0, 0, dz), value(1, 0, dz), u), mix(value(0, 1, dz), value(1, 1, dz), u), v);
    mix(layer(0), layer(1), w)
}

const GRADIENTS: [(f32, f32); 8] = {
    const D: f32 = std::f32::consts::FRAC_1_SQRT_2;
    [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0), (D, D), (D, -D), (-D, D), (-D, -D)]
};

/// The next whole number below; `f32::floor` is a call into a library on plain x86-64.
#[inline]
fn whole(value: f32) -> i32 {
    let toward_zero = value as i32;
    toward_zero - i32::from((toward_zero as f32) > value)
}

fn fade(t: f32) -> f32 {
    t * t * t * (t * (6.0 * t - 15.0) + 10.0)
}

fn fade_slope(t: f32) -> f32 {
    30.0 * t * t * (t * (t - 2.0) + 1.0)
}

/// From `a` at `t` = 0 to `b` at `t` = 1.
pub(super) fn mix(a: f32, b: f32, t: f32) -> f32 {
    a + (b - a) * t
}

/// From 0 below `from` to 1 above `to`, smoothly.
pub(super) fn rise(from: f32, to: f32, value: f32) -> f32 {
    let t = ((value - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Share of a normal distribution below `z` standard deviations.
///
/// Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26: error of erf below 1.5e-7.
pub(super) fn normal_share_below(z: f64) -> f64 {
    let x = z.abs() * std::f64::consts::FRAC_1_SQRT_2;
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let polynomial =
        t * (0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let above = 0.5 * polynomial * (-x * x).exp();
    if z < 0.0 { above } else { 1.0 - above }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz and Stegun, table 26.1: P(1) = 0.841345, P(2) = 0.977250.
    #[test]
    fn the_normal_distribution_agrees_with_the_table() {
        for (z, share) in [(0.0, 0.5), (1.0, 0.841_345), (2.0, 0.977_250), (-1.0, 0.158_655)] {
            let found = normal_share_below(z);
            assert!((found - share).abs() < 1e-6, "P({z}) = {found}, the table says {share}");
        }
    }

    #[test]
    fn the_slope_is_that_of_the_noise() {
        for step in 0..50 {
            let (x, y) = (step as f32 * 0.173 - 4.0, 2.5 - step as f32 * 0.091);
            let change = plane_noise(x + 5e-4, y + 5e-4, 3) - plane_noise(x - 5e-4, y - 5e-4, 3);
            let slope = plane_slope(x, y, 3);
            assert!((change / 1e-3 - slope).abs() < 2e-3, "slope {slope}, difference {}", change / 1e-3);
        }
    }

    #[test]
    fn noise_joins_smoothly_across_lattice_lines() {
        for step in 0..200 {
            let x = step as f32 * 0.05;
            let change = plane_noise(x + 0.001, 1.5, 7) - plane_noise(x, 1.5, 7);
            assert!(change.abs() < 0.005, "jump of {change} at {x}");
        }
    }
}
