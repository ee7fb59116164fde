//! The chart of the night on the page of a plan.

use pdf_writer::Content;

use crate::export::plan_page::label;
use crate::plan::chart::{NightChart, SkyLight};

/// Height of the chart with its hours and its legend.
pub(super) const CHART_HEIGHT: f32 = 150.0;

/// Room for hours and legend below the curves.
const BELOW: f32 = 26.0;

/// Room for the numbers of the altitudes.
const LEFT: f32 = 22.0;

/// Altitudes from the lower to the upper edge.
const LOWEST_DEG: f64 = -20.0;
const HIGHEST_DEG: f64 = 90.0;

/// Where the chart stands, in points up from the lower edge of the page.
pub(super) struct Chart {
    pub(super) left: f32,
    pub(super) right: f32,
    pub(super) top: f32,
}

impl Chart {
    pub(super) fn draw(&self, content: &mut Content, chart: &NightChart) {
        content.save_state();
        for band in &chart.bands {
            let [x, end] = [self.x(band.start), self.x(band.end)];
            content.set_fill_gray(gray(band.light));
            content.rect(x, self.bottom(), end - x, self.top - self.bottom()).fill_nonzero();
        }
        content.set_line_width(0.4);
        for altitude in [0, 30, 60, 90] {
            let y = self.y(f64::from(altitude));
            content.set_stroke_gray(0.75).move_to(self.x(0.0), y).line_to(self.x(1.0), y).stroke();
            content.set_fill_gray(0.0);
            label(content, self.x(0.0) - 4.0, y - 2.5, 1.0, &format!("{altitude}°"));
        }
        for (share, hour) in &chart.hours {
            let x = self.x(*share);
            content.set_stroke_gray(0.4).move_to(x, self.bottom()).line_to(x, self.bottom() - 3.0).stroke();
            if chart.hours.len() <= 16 || hour.ends_with(['0', '2', '4', '6', '8']) {
                label(content, x, self.bottom() - 11.0, 0.5, hour);
            }
        }
        self.curve(content, &chart.moon, [0.9, 0.75, 0.35], None);
        self.curve(content, &chart.galactic_center, [0.55, 0.8, 1.0], Some(3.0));
        for &[start, end] in &chart.dark_windows {
            let y = self.bottom() + 1.5;
            content.set_stroke_gray(1.0).set_line_width(3.0).move_to(self.x(start), y).line_to(self.x(end), y).stroke();
        }
        self.legend(content);
        content.restore_state();
    }

    fn bottom(&self) -> f32 {
        self.top - (CHART_HEIGHT - BELOW)
    }

    fn x(&self, share: f64) -> f32 {
        let left = self.left + LEFT;
        left + share.clamp(0.0, 1.0) as f32 * (self.right - left)
    }

    fn y(&self, altitude_deg: f64) -> f32 {
        let share = (altitude_deg.clamp(LOWEST_DEG, HIGHEST_DEG) - LOWEST_DEG) / (HIGHEST_DEG - LOWEST_DEG);
        self.bottom() + share as f32 * (self.top - self.bottom())
    }

    fn curve(&self, content: &mut Content, points: &[[f64; 2]], [r, g, b]: [f32; 3], dash: Option<f32>) {
        content.set_stroke_rgb(r, g, b).set_line_width(1.4);
        content.set_dash_pattern(dash, 0.0);
        let mut drawing = false;
        for &[share, altitude] in points {
            let (x, y) = (self.x(share), self.y(altitude));
            // What is far below the horizon is not drawn along the lower edge.
            if altitude > LOWEST_DEG && drawing {
                content.line_to(x, y);
            } else if altitude > LOWEST_DEG {
                content.move_to(x, y);
            }
            drawing = altitude > LOWEST_DEG;
        }
        content.stroke();
        content.set_dash_pattern(None, 0.0);
    }

    /// What the curves and shades are, below the hours.
    fn legend(&self, content: &mut Content) {
        let y = self.bottom() - 23.0;
        let mut x = self.x(0.0);
        let entries = [("Moon", [0.8, 0.62, 0.15], None), ("Galactic center", [0.3, 0.6, 0.85], Some(3.0))];
        for (name, [r, g, b], dash) in entries {
            content.set_stroke_rgb(r, g, b).set_line_width(1.6).set_dash_pattern(dash, 0.0);
            content.move_to(x, y + 2.5).line_to(x + 16.0, y + 2.5).stroke().set_dash_pattern(None, 0.0);
            content.set_fill_gray(0.0);
            label(content, x + 20.0, y, 0.0, name);
            x += 88.0;
        }
        for (name, light) in [("Day", SkyLight::Day), ("Twilight", SkyLight::Nautical), ("Dark", SkyLight::Dark)] {
            content.set_fill_gray(gray(light)).set_stroke_gray(0.5).set_line_width(0.4);
            content.rect(x, y - 0.5, 10.0, 7.0).fill_nonzero_and_stroke().set_fill_gray(0.0);
            label(content, x + 14.0, y, 0.0, name);
            x += 54.0;
        }
    }
}

fn gray(light: SkyLight) -> f32 {
    match light {
        SkyLight::Day => 0.93,
        SkyLight::Civil => 0.75,
        SkyLight::Nautical => 0.55,
        SkyLight::Astronomical => 0.36,
        SkyLight::Dark => 0.16,
    }
}
