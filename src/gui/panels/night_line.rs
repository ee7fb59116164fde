//! The night line: the burst over capture time. Height is star width, shade is sky level, a gap is a gap.

use std::path::Path;

use eframe::egui::{
    Align2, Color32, CursorIcon, EventFilter, Id, Painter, Pos2, Rect, Response, Role, Sense, Shape, Stroke,
    StrokeKind, TextStyle, Ui, WidgetInfo, pos2, vec2,
};

use crate::gui::action::Action;
use crate::gui::panels::frames::spoken;
use crate::gui::panels::plan::drift;
use crate::gui::sheaf::Frame;
use crate::gui::state::{Shown, State};
use crate::gui::theme::{Palette, palette};
use crate::gui::timeline::{Mark, Timeline, duration, light_measures, time_of_day};
use crate::gui::widgets::{single, unbroken};
use crate::pipeline::{FrameKind, Verdict};

/// Height of the whole line.
pub const HEIGHT: f32 = 124.0;

/// Room for the legend at the left.
const LEGEND: f32 = 150.0;

/// Room for the mark of the stack at the right.
const STACK: f32 = 108.0;

/// Two clocks closer together than this become one span.
const ROOM_OF_TWO_CLOCKS: f32 = 130.0;

/// Room for times and signs below the marks.
const BELOW: f32 = 38.0;

/// The line with its legend and the mark of the stack.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let palette = palette(ui);
    let (_, all) = ui.allocate_space(vec2(ui.available_width(), HEIGHT));
    let whole = ui.interact(all, focus_id(), Sense::focusable_noninteractive());
    whole.widget_info(|| WidgetInfo::labeled(Role::Group, true, "Night line: arrow keys step through the frames"));
    let chart =
        Rect { min: pos2(all.left() + LEGEND, all.top() + 12.0), max: pos2(all.right() - STACK, all.bottom() - BELOW) };
    let frames = &state.sheaf.frames;
    let line = Timeline::of(frames);
    legend(ui, all, frames, &line, state.measuring);
    ui.painter().hline(chart.x_range(), chart.bottom(), Stroke::new(1.0, palette.line));
    times(ui, chart, &line);
    let mut action = None;
    keep_arrow_keys(ui, &whole);
    if whole.has_focus() {
        ui.painter().rect_stroke(all.shrink(3.0), 3.0, Stroke::new(1.0, palette.lamp), StrokeKind::Inside);
    }
    let marked = Marked { chosen: state.chosen(), reference: state.reference() };
    for (index, (frame, mark)) in frames.iter().zip(&line.marks).enumerate() {
        let Some(mark) = mark else { continue };
        if let Some(asked) = mark_of(ui, chart, index, frame, mark, &marked) {
            action = Some(asked);
        }
    }
    drift::show(ui, chart, frames, &line.marks);
    stack_mark(
        ui,
        Rect { min: pos2(chart.right() + 18.0, chart.top()), max: pos2(all.right() - 14.0, chart.bottom()) },
        state,
    )
    .or(action)
}

/// The line as something that can have the keyboard's focus.
#[must_use]
pub fn focus_id() -> Id {
    single("night line")
}

/// While the line has the focus, arrow keys step through the frames instead of moving the focus.
fn keep_arrow_keys(ui: &Ui, whole: &Response) {
    if whole.has_focus() {
        let filter = EventFilter { horizontal_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(whole.id, filter));
    }
}

/// What is chosen, and which frame the sky is brought to.
struct Marked<'a> {
    chosen: Vec<usize>,
    reference: Option<&'a Path>,
}

fn mark_of(ui: &mut Ui, chart: Rect, index: usize, frame: &Frame, mark: &Mark, marked: &Marked<'_>) -> Option<Action> {
    let palette = palette(ui);
    let left = chart.left() + mark.start * chart.width();
    let right = (chart.left() + mark.end * chart.width()).max(left + 3.0);
    let height = mark.height.map_or(7.0, |share| share * chart.height());
    let bar = Rect { min: pos2(left, chart.bottom() - height), max: pos2(right - 1.0, chart.bottom()) };
    // The whole height can be clicked, so that a low mark is as easy to hit as a tall one.
    let target = Rect { min: pos2(left - 1.0, chart.top()), max: pos2(right + 1.0, chart.bottom() + 20.0) };
    let response = ui.interact(target, single("mark").with(index), Sense::CLICK);
    let chosen = marked.chosen.contains(&index);
    let is_reference = marked.reference == Some(&*frame.path);
    let words = if is_reference { format!("{}, the sky is brought to it", spoken(frame)) } else { spoken(frame) };
    response.widget_info(|| WidgetInfo::selected(Role::Button, true, chosen, &words));
    let painter = ui.painter();
    let edge = if response.hovered() || chosen { palette.lamp } else { palette.quiet };
    if frame.is_aside() || frame.finding.is_none() || mark.height.is_none() {
        painter.rect_stroke(bar, 1.0, Stroke::new(1.0, edge), StrokeKind::Inside);
    } else {
        painter.rect_filled(bar, 0.0, shade(&palette, mark.shade));
        // The height is read at the upper edge.
        painter.hline(bar.x_range(), bar.top() + 1.0, Stroke::new(2.0, palette.ink));
        if response.hovered() || chosen {
            painter.rect_stroke(bar.expand(1.5), 1.0, Stroke::new(1.5, palette.lamp), StrokeKind::Middle);
        }
    }
    signs(painter, &palette, bar, frame, is_reference);
    if chosen {
        painter.hline(target.x_range(), chart.bottom() + 2.0, Stroke::new(3.0, palette.lamp));
    }
    let clicked = response.on_hover_cursor(CursorIcon::PointingHand).on_hover_text(unbroken(&words)).clicked();
    let extend = ui.input(|input| input.modifiers.shift);
    clicked.then_some(if extend { Action::ExtendTo(index) } else { Action::Show(Shown::Frame(index)) })
}

/// Signs beside the mark: a cross below for set aside, a dot below for a doubt, a wedge above for the reference.
fn signs(painter: &Painter, palette: &Palette, bar: Rect, frame: &Frame, is_reference: bool) {
    let below = pos2(bar.center().x, bar.bottom() + 12.0);
    let verdict = frame.finding.as_ref().map(|finding| finding.verdict);
    if frame.is_aside() {
        let stroke = Stroke::new(1.5, palette.alarm);
        for turn in [vec2(3.5, 3.5), vec2(3.5, -3.5)] {
            painter.line_segment([below - turn, below + turn], stroke);
        }
    } else if verdict == Some(Verdict::Warn) {
        painter.circle_filled(below, 2.5, palette.lamp);
    }
    if is_reference {
        let tip = pos2(bar.center().x, bar.top() - 3.0);
        let wedge: Vec<Pos2> = vec![tip, tip + vec2(-5.0, -8.0), tip + vec2(5.0, -8.0)];
        painter.add(Shape::convex_polygon(wedge, palette.lamp, Stroke::NONE));
    }
}

fn shade(palette: &Palette, share: f32) -> Color32 {
    let (dark, bright) = (palette.line, palette.ink);
    let mix = |from: u8, to: u8| {
        let value = f32::from(from) + (0.1 + 0.7 * share) * (f32::from(to) - f32::from(from));
        // Between two codes: at most 255.
        value as u8
    };
    Color32::from_rgb(mix(dark.r(), bright.r()), mix(dark.g(), bright.g()), mix(dark.b(), bright.b()))
}

/// What height and shade mean, with their range.
fn legend(ui: &Ui, all: Rect, frames: &[Frame], line: &Timeline, measuring: bool) {
    let palette = palette(ui);
    let range = |values: Vec<f32>| {
        let low = values.iter().copied().fold(f32::INFINITY, f32::min);
        let high = values.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        (low <= high).then_some((low, high))
    };
    let measures = || frames.iter().filter_map(light_measures);
    let widths = range(measures().filter_map(|found| found.fwhm_px).collect());
    let levels = range(measures().map(|found| 100.0 * found.sky_level).collect());
    let small = TextStyle::Small.resolve(ui.style());
    let mut at = all.min + vec2(16.0, 14.0);
    let texts = [
        ("Height: star width", widths.map(|(low, high)| format!("{low:.1} to {high:.1} px"))),
        ("Shade: sky level", levels.map(|(low, high)| format!("{low:.2} to {high:.2} %"))),
    ];
    for (name, values) in texts {
        let named = ui.painter().text(at, Align2::LEFT_TOP, name, small.clone(), palette.quiet);
        let values = values.unwrap_or_else(|| if measuring { "measuring…" } else { "not measured" }.to_owned());
        ui.painter().text(named.left_bottom(), Align2::LEFT_TOP, values, small.clone(), palette.ink);
        at.y += 40.0;
    }
    let apart = apart(line);
    if !apart.is_empty() {
        ui.painter().text(at, Align2::LEFT_TOP, format!("Apart: {apart}"), small, palette.quiet);
    }
}

/// Calibration frames that lie among the lights, in words.
fn apart(line: &Timeline) -> String {
    let counts = line.n_apart.iter().filter(|(_, n)| *n > 0);
    let words = counts.map(|(kind, n)| match (kind, n) {
        (FrameKind::Bias, _) => format!("{n} bias"),
        (FrameKind::Flat, 1) => "1 flat".to_owned(),
        (FrameKind::Flat, _) => format!("{n} flats"),
        (_, 1) => "1 dark".to_owned(),
        (_, _) => format!("{n} darks"),
    });
    words.collect::<Vec<_>>().join(", ")
}

/// Clock at both ends, lengths of the gaps, and a word for frames without time.
fn times(ui: &Ui, chart: Rect, line: &Timeline) {
    let palette = palette(ui);
    let small = TextStyle::Small.resolve(ui.style());
    let low = chart.bottom() + 19.0;
    let x = |share: f32| chart.left() + share * chart.width();
    let text = |at: f32, align: Align2, text: String| {
        ui.painter().text(pos2(at, low), align, text, small.clone(), palette.quiet)
    };
    if let Some((first, last)) = line.clock {
        let (left, right) = (x(line.clock_at.0), x(line.clock_at.1));
        if right - left < ROOM_OF_TWO_CLOCKS {
            let both = format!("{} to {}", time_of_day(first), time_of_day(last));
            text((left + right) / 2.0, Align2::CENTER_TOP, both);
        } else {
            text(left, Align2::LEFT_TOP, time_of_day(first));
            let gap = if line.n_untimed > 0 { 6.0 } else { 0.0 };
            text(right - gap, Align2::RIGHT_TOP, time_of_day(last));
        }
    }
    for gap in &line.gaps {
        let (from, to) = (x(gap.start), x(gap.end));
        if to - from > 54.0 {
            let middle = chart.bottom() - 12.0;
            ui.painter().hline(from + 4.0..=to - 4.0, chart.bottom() - 2.0, Stroke::new(1.0, palette.quiet));
            let at = pos2((from + to) / 2.0, middle);
            ui.painter().text(at, Align2::CENTER_CENTER, duration(gap.secs), small.clone(), palette.quiet);
        }
    }
    if line.n_untimed > 0 {
        let at = x(line.untimed_from);
        let word = if line.clock.is_some() { "no capture time" } else { "in file order" };
        if line.clock.is_some() {
            let dashes =
                Shape::dashed_line(&[pos2(at, chart.top()), pos2(at, low)], Stroke::new(1.0, palette.line), 3.0, 3.0);
            ui.painter().extend(dashes);
        }
        text(at + 6.0, Align2::LEFT_TOP, word.to_owned());
    }
}

/// The stack stands at the end of the night.
fn stack_mark(ui: &mut Ui, rect: Rect, state: &State) -> Option<Action> {
    let palette = palette(ui);
    let is_stacked = state.report.is_some();
    let ready = is_stacked || state.preview.is_some();
    let shown = if is_stacked { Shown::Stack } else { Shown::Preview };
    let chosen = state.shown == Some(shown);
    let sense = if ready { Sense::click() } else { Sense::hover() };
    let response = ui.interact(rect, single("stack mark"), sense);
    let name = if is_stacked { "Show the stack" } else { "Show the preview" };
    response.widget_info(|| WidgetInfo::selected(Role::Button, ready, chosen, name));
    let painter = ui.painter();
    let lit = chosen || response.has_focus() || (ready && response.hovered());
    let edge = if lit { palette.lamp } else { palette.line };
    // Sheets upon each other: many frames, one picture.
    for step in [8.0, 4.0, 0.0] {
        let sheet = Rect { min: rect.min + vec2(step, 8.0 - step), max: rect.max - vec2(8.0 - step, step) };
        painter.rect(sheet, 2.0, palette.wall, Stroke::new(1.0, edge), StrokeKind::Inside);
    }
    let ink = if ready { palette.ink } else { palette.quiet };
    let body = TextStyle::Body.resolve(ui.style());
    let center = Rect { min: rect.min + vec2(0.0, 8.0), max: rect.max - vec2(8.0, 0.0) }.center();
    let word = if is_stacked || !ready { "Stack" } else { "Preview" };
    painter.text(center, Align2::CENTER_CENTER, word, body, ink);
    if let Some(noise) = state.report.as_ref().and_then(|report| report.noise) {
        let small = TextStyle::Small.resolve(ui.style());
        let at = pos2(rect.center().x, rect.bottom() + 10.0);
        painter.text(at, Align2::CENTER_TOP, format!("{:.1} × cleaner", noise.gain), small, palette.quiet);
    }
    if chosen {
        painter.hline(rect.left()..=rect.right() - 8.0, rect.bottom() + 3.0, Stroke::new(3.0, palette.lamp));
    }
    let hint = match (is_stacked, ready) {
        (true, _) => "Show the stack beside the single frame (S)",
        (false, true) => "Show a stack of a few frames beside the single frame (V)",
        (false, false) => "There is no stack yet",
    };
    response.on_hover_text(hint).clicked().then_some(Action::Show(shown))
}
