//! The chart of the night: the light of the sky, Moon and galactic center, hours across.

use eframe::egui::{
    Align2, Color32, Painter, Pos2, Rect, Role, Sense, Shape, Stroke, TextStyle, Ui, WidgetInfo, pos2, vec2,
};

use crate::gui::theme::{Palette, palette};
use crate::plan::Plan;
use crate::plan::chart::{NightChart, SkyLight};

const HEIGHT: f32 = 150.0;

/// Room for the hours and the legend below.
const BELOW: f32 = 34.0;

/// Room for the altitudes at the left.
const LEFT: f32 = 26.0;

/// Altitudes from the lower to the upper edge.
const LOWEST_DEG: f64 = -20.0;
const HIGHEST_DEG: f64 = 90.0;

/// Draws the chart; under the pointer it tells the altitudes.
pub(super) fn show(ui: &mut Ui, plan: &Plan, chart: &NightChart) {
    let (all, response) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, spoken(plan)));
    let area = Area(Rect { min: all.min + vec2(LEFT, 4.0), max: all.max - vec2(6.0, BELOW) });
    let palette = palette(ui);
    let painter = ui.painter();
    for band in &chart.bands {
        let rect = Rect { min: area.at(band.start, HIGHEST_DEG), max: area.at(band.end, LOWEST_DEG) };
        painter.rect_filled(rect, 0.0, shade(&palette, band.light));
    }
    let small = TextStyle::Small.resolve(ui.style());
    for altitude in [0, 30, 60, 90] {
        let at = area.at(0.0, f64::from(altitude));
        painter.hline(area.0.x_range(), at.y, Stroke::new(1.0, palette.line));
        let (text, place) = (format!("{altitude}°"), pos2(at.x - 4.0, at.y));
        painter.text(place, Align2::RIGHT_CENTER, text, small.clone(), palette.quiet);
    }
    for (share, hour) in &chart.hours {
        let at = area.at(*share, LOWEST_DEG);
        painter.vline(at.x, at.y..=at.y + 3.0, Stroke::new(1.0, palette.quiet));
        if chart.hours.len() <= 16 || hour.ends_with(['0', '2', '4', '6', '8']) {
            painter.text(at + vec2(0.0, 4.0), Align2::CENTER_TOP, hour, small.clone(), palette.quiet);
        }
    }
    for &[start, end] in &chart.dark_windows {
        let y = area.at(0.0, LOWEST_DEG).y - 2.0;
        painter.hline(area.at(start, 0.0).x..=area.at(end, 0.0).x, y, Stroke::new(3.0, palette.lamp));
    }
    painter.extend(curve(&area, &chart.moon, Stroke::new(1.8, palette.lamp), false));
    painter.extend(curve(&area, &chart.galactic_center, Stroke::new(1.8, palette.ink), true));
    legend(painter, &area, &palette, &small);
    if let Some(pointer) = response.hover_pos().filter(|pointer| area.0.contains(*pointer)) {
        let share = f64::from((pointer.x - area.0.left()) / area.0.width());
        painter.vline(pointer.x, area.0.y_range(), Stroke::new(1.0, palette.quiet));
        response.on_hover_text(altitudes_at(chart, share));
    }
}

/// The chart in one sentence.
fn spoken(plan: &Plan) -> String {
    let windows: Vec<String> = plan
        .night
        .dark_windows
        .iter()
        .map(|window| format!("{} to {}", window.start.clock(), window.end.clock()))
        .collect();
    let dark = if windows.is_empty() { "never".to_owned() } else { windows.join(" and ") };
    format!("Chart of the night: dark without Moon {dark}")
}

fn altitudes_at(chart: &NightChart, share: f64) -> String {
    let altitude = |curve: &[[f64; 2]]| {
        let after = curve.iter().position(|point| point[0] >= share).unwrap_or(0).max(1);
        match (curve.get(after - 1), curve.get(after)) {
            (Some([x0, y0]), Some([x1, y1])) => y0 + (y1 - y0) * (share - x0) / (x1 - x0).max(1e-9),
            _ => 0.0,
        }
    };
    let (sun, moon, center) = (altitude(&chart.sun), altitude(&chart.moon), altitude(&chart.galactic_center));
    format!("Sun {sun:.0}°, Moon {moon:.0}°, galactic center {center:.0}°")
}

/// Where time and altitude are drawn.
struct Area(Rect);

impl Area {
    fn at(&self, share: f64, altitude_deg: f64) -> Pos2 {
        let up = (altitude_deg.clamp(LOWEST_DEG, HIGHEST_DEG) - LOWEST_DEG) / (HIGHEST_DEG - LOWEST_DEG);
        let across = share.clamp(0.0, 1.0) as f32;
        pos2(self.0.left() + across * self.0.width(), self.0.bottom() - up as f32 * self.0.height())
    }
}

/// A curve where it is above the lower edge; broken lines tell two curves apart without color.
fn curve(area: &Area, points: &[[f64; 2]], stroke: Stroke, dashed: bool) -> Vec<Shape> {
    let pieces = points.split(|point| point[1] <= LOWEST_DEG).filter(|piece| piece.len() > 1);
    pieces
        .flat_map(|piece| {
            let path: Vec<Pos2> = piece.iter().map(|&[share, altitude]| area.at(share, altitude)).collect();
            if dashed { Shape::dashed_line(&path, stroke, 6.0, 4.0) } else { vec![Shape::line(path, stroke)] }
        })
        .collect()
}

fn legend(painter: &Painter, area: &Area, palette: &Palette, small: &eframe::egui::FontId) {
    let y = area.0.bottom() + 27.0;
    let mut x = area.0.left();
    for (name, ink, dashed) in [("Moon", palette.lamp, false), ("Galactic center", palette.ink, true)] {
        let stroke = Stroke::new(1.8, ink);
        let ends = [pos2(x, y), pos2(x + 18.0, y)];
        if dashed {
            painter.extend(Shape::dashed_line(&ends, stroke, 6.0, 4.0));
        } else {
            painter.line_segment(ends, stroke);
        }
        let named = painter.text(pos2(x + 23.0, y), Align2::LEFT_CENTER, name, small.clone(), palette.quiet);
        x = named.right() + 16.0;
    }
    painter.hline(x..=x + 18.0, y, Stroke::new(3.0, palette.lamp));
    painter.text(pos2(x + 23.0, y), Align2::LEFT_CENTER, "Dark without Moon", small.clone(), palette.quiet);
}

/// From the light of day to the ground of the window; on paper from the paper to a deep shade.
fn shade(palette: &Palette, light: SkyLight) -> Color32 {
    let share = match light {
        SkyLight::Day => 0.0,
        SkyLight::Civil => 0.3,
        SkyLight::Nautical => 0.55,
        SkyLight::Astronomical => 0.78,
        SkyLight::Dark => 1.0,
    };
    let (day, dark) = if palette.dark {
        (mixed(palette.raised, palette.quiet, 0.35), palette.room)
    } else {
        (palette.wall, mixed(palette.wall, palette.ink, 0.34))
    };
    mixed(day, dark, share)
}

fn mixed(from: Color32, to: Color32, share: f32) -> Color32 {
    // Between two codes: at most 255.
    let mix = |from: u8, to: u8| (f32::from(from) + share * (f32::from(to) - f32::from(from))) as u8;
    Color32::from_rgb(mix(from.r(), to.r()), mix(from.g(), to.g()), mix(from.b(), to.b()))
}
