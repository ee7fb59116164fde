//! How the values on the canvas are spread: one ridge for each channel, with the shares cut at either end.

use eframe::egui::{Align2, Pos2, Role, Sense, Shape, Stroke, TextStyle, Ui, WidgetInfo, pos2, vec2};

use crate::gui::theme::palette;
use crate::gui::tone::Histogram;

/// Height of one ridge.
const RIDGE: f32 = 24.0;

/// Room for the share cut at black, and for the one cut at white.
const SHARE: f32 = 60.0;

const CHANNELS: [(&str, &str); 3] = [("R", "red"), ("G", "green"), ("B", "blue")];

/// Draws the three ridges below each other.
pub fn show(ui: &mut Ui, spread: &Histogram) {
    let palette = palette(ui);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 3.0 * RIDGE + 20.0), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, in_words(spread)));
    let small = TextStyle::Small.resolve(ui.style());
    let painter = ui.painter();
    let chart = rect.shrink2(vec2(SHARE, 0.0)).translate(vec2(8.0, 0.0));
    for (text, x, align) in [
        ("cut at black", rect.left(), Align2::LEFT_TOP),
        ("values", chart.center().x, Align2::CENTER_TOP),
        ("cut at white", rect.right(), Align2::RIGHT_TOP),
    ] {
        painter.text(pos2(x, rect.top()), align, text, small.clone(), palette.quiet);
    }
    // The first and last steps hold what is cut, which the figures tell better.
    let inner =
        |channel: usize| spread.shares[channel].iter().skip(1).take(spread.shares[channel].len().saturating_sub(2));
    let tallest = (0..3).flat_map(inner).copied().fold(1e-6, f32::max);
    for (idx, (letter, _)) in CHANNELS.iter().enumerate() {
        let base = rect.top() + 18.0 + RIDGE * (idx as f32 + 1.0);
        painter.hline(chart.x_range(), base, Stroke::new(1.0, palette.line));
        let n = spread.shares[idx].len().max(2) as f32 - 1.0;
        // The root keeps the few bright stars in sight beside the many pixels of sky.
        let point = |(step, share): (usize, &f32)| -> Pos2 {
            let height = (share / tallest).min(1.0).sqrt() * (RIDGE - 4.0);
            pos2(chart.left() + step as f32 / n * chart.width(), base - height)
        };
        let points: Vec<Pos2> = spread.shares[idx].iter().enumerate().map(point).collect();
        painter.add(Shape::line(points, Stroke::new(1.2, palette.ink)));
        let middle = base - 7.0;
        painter.text(pos2(rect.left(), middle), Align2::LEFT_CENTER, *letter, small.clone(), palette.ink);
        for (share, x, align) in [
            (spread.black[idx], chart.left() - 6.0, Align2::RIGHT_CENTER),
            (spread.white[idx], rect.right(), Align2::RIGHT_CENTER),
        ] {
            // A channel of which much is cut is told louder.
            let ink = if share > LOUD { palette.lamp } else { palette.quiet };
            painter.text(pos2(x, middle), align, percent(share), small.clone(), ink);
        }
    }
    response.on_hover_text("How often each brightness occurs, dark left, bright right, and how many pixels are cut");
}

/// A share that deserves to be seen.
const LOUD: f32 = 0.005;

fn percent(share: f32) -> String {
    let percent = 100.0 * share;
    if share > 0.0 && percent < 0.01 { "< 0.01 %".to_owned() } else { format!("{percent:.2} %") }
}

/// For who cannot see it.
fn in_words(spread: &Histogram) -> String {
    let cut = |idx: usize| {
        let (black, white) = (percent(spread.black[idx]), percent(spread.white[idx]));
        format!("{} {black} cut at black, {white} cut at white", CHANNELS[idx].1)
    };
    format!("Histogram: {}, {}, {}", cut(0), cut(1), cut(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_cut_is_told_in_words() {
        let spread = Histogram { black: [0.25, 0.0, 0.00001], white: [0.0, 0.5, 0.0], ..Histogram::default() };
        let words = in_words(&spread);
        assert!(words.contains("red 25.00 % cut at black") && words.contains("green 0.00 % cut at black"), "{words}");
        assert!(words.contains("50.00 % cut at white") && words.contains("blue < 0.01 % cut"), "{words}");
    }
}
