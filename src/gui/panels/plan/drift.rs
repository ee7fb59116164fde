//! The drift of the focus on the night line: a line over the marks, and a warning.

use eframe::egui::{Align2, Pos2, Rect, Role, Sense, Stroke, TextStyle, Ui, WidgetInfo, pos2};

use crate::gui::sheaf::Frame;
use crate::gui::theme::palette;
use crate::gui::timeline::Mark;
use crate::gui::widgets::single;
use crate::pipeline::{FrameFinding, focus_drift};

/// Draws the smoothed star width over the marks of a burst whose focus drifts, and says so.
pub fn show(ui: &mut Ui, chart: Rect, frames: &[Frame], marks: &[Option<Mark>]) {
    let known = frames.iter().enumerate().filter_map(|(index, frame)| Some((index, frame.finding.as_ref()?)));
    let known: Vec<_> = known.filter(|(index, _)| marks.get(*index).is_some_and(Option::is_some)).collect();
    let findings: Vec<&FrameFinding> = known.iter().map(|(_, finding)| *finding).collect();
    let Some(drift) = focus_drift(&findings) else { return };
    let palette = palette(ui);
    // Heights of marks are in proportion to star width: the tallest mark gives the scale.
    let scale = marks.iter().zip(frames).find_map(|(mark, frame)| {
        let width_px = frame.finding.as_ref()?.measures?.fwhm_px?;
        mark.as_ref()?.height.filter(|height| *height < 1.0).map(|height| height / width_px)
    });
    let Some(scale) = scale else { return };
    let point = |&(idx, width_px): &(usize, f32)| -> Option<Pos2> {
        let mark = marks.get(known.get(idx)?.0)?.as_ref()?;
        let x = chart.left() + 0.5 * (mark.start + mark.end) * chart.width();
        Some(pos2(x, chart.bottom() - (scale * width_px).min(1.0) * chart.height()))
    };
    let path: Vec<Pos2> = drift.smooth_px.iter().filter_map(point).collect();
    ui.painter().line(path, Stroke::new(2.0, palette.alarm));
    let small = TextStyle::Small.resolve(ui.style());
    let warning = drift.warning();
    let at = pos2(chart.left(), chart.top() - 11.0);
    let said = ui.painter().text(at, Align2::LEFT_TOP, &warning, small, palette.alarm);
    let response = ui.interact(said, single("focus drift"), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, &warning));
}
