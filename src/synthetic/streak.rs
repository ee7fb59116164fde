//! Points of light drawn through the lens onto the filters: stars, and what crosses the sky.
//!
//! A streak is a row of steps; each step is a normal distribution integrated over the pixels,
//! drawn for each colour at its own place (lateral colour), so no demosaic is needed to make a mosaic.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use crate::pixels::{Cfa, Point, Size};
use crate::synthetic::noise::normal_share_below;

/// Steps are drawn this many standard deviations wide; the light beyond is 2e-6 of the whole.
const REACH_SIGMAS: f64 = 4.8;

/// What crosses the sky.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MoverKind {
    /// An even line.
    Satellite,
    /// Faint red and green lines with white flashes.
    Aircraft,
    /// A lamp carried in front of the land: a wide, uneven, warm line.
    Torch,
}

/// Something that crosses the frame in a straight line.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mover {
    /// What it is.
    pub kind: MoverKind,
    /// The light frame at whose opening it stands at `start`; it shines in this frame and the next.
    pub frame: usize,
    /// Place at that time, in widths of the frame right and down from its corner.
    pub start: [f64; 2],
    /// Widths of the frame a second.
    pub width_per_sec: [f64; 2],
    /// Green electrons along one pixel of its path; blinking and swaying lights vary about it.
    pub electrons_per_px: f64,
}

/// The path of a mover while one frame was exposed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrailSegment {
    /// Light frame, counted from 0.
    pub frame: usize,
    /// What it is.
    pub kind: MoverKind,
    /// Where it was when the shutter opened.
    pub from: Point,
    /// Where it was when the shutter closed.
    pub to: Point,
}

impl Mover {
    /// Its path in light frame `idx`; `None` where it is dark or wholly outside the frame.
    #[must_use]
    pub fn segment(&self, idx: usize, size: Size, interval_secs: f64, exposure_secs: f64) -> Option<TrailSegment> {
        if idx < self.frame || idx > self.frame + 1 {
            return None;
        }
        let width = size.width as f64;
        let place = |secs: f64| Point {
            x: width * (self.start[0] + self.width_per_sec[0] * secs),
            y: width * (self.start[1] + self.width_per_sec[1] * secs),
        };
        let opening = (idx - self.frame) as f64 * interval_secs;
        let (from, to) = (place(opening), place(opening + exposure_secs));
        let inside = |point: Point| {
            (-0.5..width - 0.5).contains(&point.x) && (-0.5..size.height as f64 - 0.5).contains(&point.y)
        };
        let seen = (0..=100).any(|step| {
            let t = f64::from(step) / 100.0;
            inside(Point { x: from.x + t * (to.x - from.x), y: from.y + t * (to.y - from.y) })
        });
        seen.then_some(TrailSegment { frame: idx, kind: self.kind, from, to })
    }

    /// The light along its path; flashes are counted from the opening of the shutter.
    pub(super) fn streak(&self, segment: &TrailSegment, sigma_px: f64, exposure_secs: f64) -> Streak {
        let length_px = segment.from.distance(segment.to);
        let n_steps = (2.0 * length_px).ceil().max(1.0) as usize;
        let electrons = self.electrons_per_px * length_px / n_steps as f64;
        let steps = (0..n_steps)
            .map(|step| {
                let t = (step as f64 + 0.5) / n_steps as f64;
                let color = self.color(t * exposure_secs);
                Step {
                    position: Point {
                        x: segment.from.x + t * (segment.to.x - segment.from.x),
                        y: segment.from.y + t * (segment.to.y - segment.from.y),
                    },
                    electrons: color.map(|channel| (channel * electrons) as f32),
                }
            })
            .collect();
        let widening = if self.kind == MoverKind::Torch { 3.0 } else { 1.0 };
        Streak { sigma_px: widening * sigma_px, steps }
    }

    /// Light of each channel over the mean green light, by time since the shutter opened.
    fn color(&self, secs: f64) -> [f64; 3] {
        match self.kind {
            MoverKind::Satellite => [0.45, 1.0, 0.68],
            MoverKind::Torch => {
                let sway = 1.0 + 0.7 * (4.1 * secs).sin();
                [0.75 * sway, sway, 0.35 * sway]
            }
            // A white flash of 0.08 s every 1.1 s, a red one between, and a steady weak light.
            MoverKind::Aircraft => match secs.rem_euclid(1.1) {
                phase if phase < 0.08 => [2.7, 6.0, 4.2],
                phase if (0.5..0.62).contains(&phase) => [2.4, 0.5, 0.15],
                _ => [0.16, 0.22, 0.12],
            },
        }
    }
}

/// A row of points of light of one width.
#[derive(Clone, Debug)]
pub(super) struct Streak {
    pub(super) sigma_px: f64,
    pub(super) steps: Vec<Step>,
}

/// One point of light: where green is drawn, and what each channel would collect under its own filter.
#[derive(Clone, Copy, Debug)]
pub(super) struct Step {
    pub(super) position: Point,
    pub(super) electrons: [f32; 3],
}

/// What a streak is drawn onto.
#[derive(Clone, Copy, Debug)]
pub(super) struct Canvas {
    pub(super) width: usize,
    pub(super) cfa: Cfa,
    pub(super) center: Point,
    pub(super) lateral_scale: [f64; 3],
}

impl Streak {
    /// Rows that the streak may touch.
    pub(super) fn rows(&self) -> Range<f64> {
        let margin = REACH_SIGMAS * self.sigma_px + 3.0;
        let ys = self.steps.iter().map(|step| step.position.y);
        ys.clone().fold(f64::INFINITY, f64::min) - margin..ys.fold(f64::NEG_INFINITY, f64::max) + margin
    }

    /// Adds the light to a band of rows, `first_row` on top.
    pub(super) fn draw(&self, band: &mut [f32], first_row: usize, canvas: &Canvas) {
        for step in &self.steps {
            for channel in 0..3 {
                self.draw_channel(step, channel, band, first_row, canvas);
            }
        }
    }

    fn draw_channel(&self, step: &Step, channel: usize, band: &mut [f32], first_row: usize, canvas: &Canvas) {
        let scale = canvas.lateral_scale[channel];
        let x = canvas.center.x + scale * (step.position.x - canvas.center.x);
        let y = canvas.center.y + scale * (step.position.y - canvas.center.y);
        let last_row = first_row + band.len() / canvas.width;
        let columns = self.reach(x, 0, canvas.width);
        let rows = self.reach(y, first_row, last_row);
        if rows.is_empty() || columns.is_empty() {
            return;
        }
        let mut across = [0.0_f32; 256];
        let across = &mut across[..columns.len()];
        self.shares(x, columns.start, across);
        let mut down = [0.0_f32; 256];
        let down = &mut down[..rows.len()];
        self.shares(y, rows.start, down);
        for (row, share_down) in rows.zip(down) {
            let light = step.electrons[channel] * *share_down;
            let start = (row - first_row) * canvas.width;
            let samples = &mut band[start + columns.start..start + columns.end];
            for parity in 0..2 {
                if canvas.cfa.color_at(columns.start + parity, row) as usize == channel {
                    let places = samples.iter_mut().zip(across.iter()).skip(parity).step_by(2);
                    places.for_each(|(sample, share_across)| *sample += light * share_across);
                }
            }
        }
    }

    fn reach(&self, at: f64, first: usize, end: usize) -> Range<usize> {
        let reach = (REACH_SIGMAS * self.sigma_px).min(120.0);
        let from = (at - reach).ceil().max(first as f64);
        let to = (at + reach).floor().min(end as f64 - 1.0);
        if to < from { 0..0 } else { from as usize..to as usize + 1 }
    }

    fn shares(&self, at: f64, first: usize, shares: &mut [f32]) {
        let share = |edge: f64| normal_share_below((edge - at) / self.sigma_px);
        let mut below = share(first as f64 - 0.5);
        for (place, value) in shares.iter_mut().enumerate() {
            let next = share((first + place) as f64 + 0.5);
            *value = (next - below) as f32;
            below = next;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_keeps_its_light_and_its_place() {
        let canvas = Canvas { width: 40, cfa: Cfa::RGGB, center: Point { x: 20.0, y: 20.0 }, lateral_scale: [1.0; 3] };
        let at = Point { x: 17.3, y: 21.8 };
        let streak = Streak { sigma_px: 1.6, steps: vec![Step { position: at, electrons: [1000.0; 3] }] };
        let mut whole = vec![0.0; 40 * 40];
        streak.draw(&mut whole, 0, &canvas);
        let mut halves = vec![0.0; 40 * 40];
        streak.draw(&mut halves[..22 * 40], 0, &canvas);
        streak.draw(&mut halves[22 * 40..], 22, &canvas);
        assert_eq!(whole, halves, "bands make no difference");
        let sum: f32 = whole.iter().sum();
        let x = whole.iter().enumerate().map(|(i, v)| (i % 40) as f32 * v).sum::<f32>() / sum;
        let y = whole.iter().enumerate().map(|(i, v)| (i / 40) as f32 * v).sum::<f32>() / sum;
        assert!((sum - 1000.0).abs() < 0.2, "sum {sum}");
        assert!((f64::from(x) - at.x).abs() < 1e-3 && (f64::from(y) - at.y).abs() < 1e-3, "centroid {x}, {y}");
    }
}
