//! The few kinds of controls that the side column is made of.

use eframe::egui::{
    Align, Align2, Button, Color32, CursorIcon, DragValue, FontId, Id, Layout, Response, RichText, Role, ScrollArea,
    Sense, Shape, Slider, Stroke, TextStyle, TextWrapMode, Ui, WidgetInfo, pos2, vec2,
};

use crate::gui::shortcuts::on_this_platform;
use crate::gui::theme::{TARGET, palette};

/// The line that names a section and, while it is folded, says what it holds. `true` when clicked.
pub fn section_line(ui: &mut Ui, title: &str, summary: &str, unfolded: bool) -> bool {
    let palette = palette(ui);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 32.0), Sense::click());
    response.widget_info(|| {
        let state = if unfolded { "unfolded" } else { "folded" };
        WidgetInfo::selected(Role::Button, true, unfolded, format!("{title}, {state}"))
    });
    let painter = ui.painter();
    painter.hline(rect.x_range(), rect.top(), Stroke::new(1.0, palette.line));
    let lit = response.hovered() || response.has_focus();
    let ink = if lit { palette.lamp } else { palette.ink };
    let middle = rect.center().y + 1.0;
    let title_font = TextStyle::Heading.resolve(ui.style());
    let named = painter.text(pos2(rect.left(), middle), Align2::LEFT_CENTER, title, title_font, ink);
    if !unfolded {
        let room = rect.right() - named.right() - 12.0;
        let galley = fitted(ui, summary, room, palette.quiet);
        let at = pos2(rect.right() - galley.size().x, middle - galley.size().y / 2.0);
        painter.galley(at, galley, palette.quiet);
    }
    if response.has_focus() {
        painter.vline(rect.left() - 8.0, rect.shrink2(vec2(0.0, 7.0)).y_range(), Stroke::new(2.0, palette.lamp));
    }
    let does = if unfolded { "Fold this section" } else { "Unfold this section" };
    response.on_hover_cursor(CursorIcon::PointingHand).on_hover_text(does).clicked()
}

/// One line of small text, cut at `room` points.
fn fitted(ui: &Ui, text: &str, room: f32, ink: Color32) -> std::sync::Arc<eframe::egui::Galley> {
    let font = TextStyle::Small.resolve(ui.style());
    let mut job = eframe::egui::text::LayoutJob::simple_singleline(text.to_owned(), font, ink);
    job.wrap = eframe::egui::text::TextWrapping::truncate_at_width(room.max(0.0));
    ui.painter().layout_job(job)
}

/// The next step, in the lamp colour; `why_not` says why it cannot be pressed at present.
pub fn lamp_button(ui: &mut Ui, text: &str, hint: &str, width: f32, why_not: Option<&str>) -> Response {
    let palette = palette(ui);
    let ready = why_not.is_none();
    let label = RichText::new(text).size(15.0).color(if ready { palette.on_lamp } else { palette.quiet });
    let fill = if ready { palette.lamp } else { palette.raised };
    let size = vec2(width, 36.0);
    let button = Button::new(label).fill(fill).stroke(Stroke::NONE).min_size(size);
    let response = ui.add_enabled_ui(ready, |ui| ui.add_sized(size, button)).inner;
    explained(response, hint, why_not)
}

/// An ordinary button.
pub fn plain_button(ui: &mut Ui, text: &str, hint: &str) -> Response {
    button_unless(ui, None, text, hint)
}

/// An ordinary button that cannot be pressed while there is a reason, which it tells; it wraps as others do.
pub fn button_unless(ui: &mut Ui, why_not: Option<&str>, text: &str, hint: &str) -> Response {
    // A button moves to the next line as a whole; its words stay together.
    let button = Button::new(text).wrap_mode(TextWrapMode::Extend).min_size(TARGET);
    let response = ui.add_enabled(why_not.is_none(), button);
    explained(response, hint, why_not)
}

/// What something does when it is pressed, or why it cannot be pressed at present.
pub fn explained(response: Response, hint: &str, why_not: Option<&str>) -> Response {
    match why_not {
        None => {
            let hint = on_this_platform(&response.ctx, hint);
            response.on_hover_text(hint)
        }
        Some(why) => {
            let text = on_this_platform(&response.ctx, &format!("{hint}. Not now: {why}"));
            response.on_disabled_hover_text(text)
        }
    }
}

/// A word that can be switched on; underlined while it is.
pub fn word(ui: &mut Ui, text: &str, group: &str, chosen: bool, hint: &str) -> Response {
    let palette = palette(ui);
    let font = TextStyle::Body.resolve(ui.style());
    let ink = if chosen { palette.ink } else { palette.quiet };
    let galley = ui.painter().layout_no_wrap(text.to_owned(), font, ink);
    let (rect, response) = ui.allocate_exact_size(vec2(galley.size().x, TARGET.y), Sense::click());
    let name = format!("{group}: {text}");
    response.widget_info(|| WidgetInfo::selected(Role::RadioButton, true, chosen, &name));
    let lit = response.hovered() || response.has_focus();
    let ink = if lit { palette.lamp } else { ink };
    let at = pos2(rect.left(), rect.center().y - galley.size().y / 2.0);
    ui.painter().galley_with_override_text_color(at, galley, ink);
    if chosen || response.has_focus() {
        let width = if chosen { 2.0 } else { 1.0 };
        ui.painter().hline(rect.x_range(), rect.bottom() - 2.0, Stroke::new(width, palette.lamp));
    }
    explained(response.on_hover_cursor(CursorIcon::PointingHand), hint, None)
}

/// Something that is on or off: a lozenge, filled while it is on. `true` when it is to change.
pub fn switch(ui: &mut Ui, text: &str, on: bool, hint: &str) -> bool {
    let palette = palette(ui);
    let font = TextStyle::Body.resolve(ui.style());
    let galley = ui.painter().layout_no_wrap(text.to_owned(), font, palette.ink);
    let (rect, response) = ui.allocate_exact_size(vec2(galley.size().x + 22.0, TARGET.y), Sense::click());
    response.widget_info(|| WidgetInfo::selected(Role::CheckBox, ui.is_enabled(), on, text));
    let lit = response.hovered() || response.has_focus();
    let ink = if lit { palette.lamp } else { palette.ink };
    let center = pos2(rect.left() + 7.0, rect.center().y);
    let corners = [vec2(0.0, -7.0), vec2(5.0, 0.0), vec2(0.0, 7.0), vec2(-5.0, 0.0)].map(|corner| center + corner);
    let fill = if on { palette.lamp } else { Color32::TRANSPARENT };
    let edge = if on || lit { palette.lamp } else { palette.quiet };
    ui.painter().add(Shape::convex_polygon(corners.to_vec(), fill, Stroke::new(1.2, edge)));
    let at = pos2(rect.left() + 20.0, rect.center().y - galley.size().y / 2.0);
    ui.painter().galley_with_override_text_color(at, galley, ink);
    if response.has_focus() {
        ui.painter().hline(rect.x_range(), rect.bottom() - 2.0, Stroke::new(1.0, palette.lamp));
    }
    explained(response.on_hover_cursor(CursorIcon::PointingHand), hint, None).clicked()
}

/// One of a choice of words.
pub struct WordOf<T> {
    /// What it stands for.
    pub value: T,
    /// The word.
    pub text: &'static str,
    /// What it does, in one sentence.
    pub hint: &'static str,
}

/// A choice of words under its name; the word that was clicked.
pub fn words<T: PartialEq + Copy>(ui: &mut Ui, name: &str, current: T, all: &[WordOf<T>]) -> Option<T> {
    let mut chosen = None;
    quiet(ui, name);
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 16.0;
        for one in all {
            if word(ui, one.text, name, one.value == current, one.hint).clicked() {
                chosen = Some(one.value);
            }
        }
    });
    chosen
}

/// What a slider moves.
pub struct Scale {
    /// Its name.
    pub name: &'static str,
    /// What it does, in one sentence.
    pub hint: &'static str,
    /// Its unit, with a space before it.
    pub unit: &'static str,
    /// From where to where.
    pub range: std::ops::RangeInclusive<f32>,
    /// Where it stands by itself; a tick marks the place and a double click goes back to it.
    pub default: f32,
    /// Decimal places shown.
    pub decimals: usize,
}

/// Name and number above, rail below; the new value if it was moved.
pub fn slide(ui: &mut Ui, scale: &Scale, value: f32) -> Option<f32> {
    let palette = palette(ui);
    let mut moved = value;
    let mut changed = false;
    ui.horizontal(|ui| {
        quiet(ui, scale.name).on_hover_text(scale.hint);
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let number = DragValue::new(&mut moved)
                .range(scale.range.clone())
                .fixed_decimals(scale.decimals)
                .speed((scale.range.end() - scale.range.start()) / 300.0)
                .suffix(scale.unit);
            let response = ui.add(number).accessible_name(format!("{} value", scale.name));
            changed |= response.on_hover_text("Drag, or click to type a number").changed();
        });
    });
    ui.spacing_mut().slider_width = ui.available_width();
    let slider = Slider::new(&mut moved, scale.range.clone()).show_value(false);
    let response = ui.add(slider).accessible_name(scale.name);
    let share = (scale.default - scale.range.start()) / (scale.range.end() - scale.range.start());
    let rail = response.rect.shrink2(vec2(response.rect.height() / 2.5, 0.0));
    let tick = rail.left() + share * rail.width();
    let low = response.rect.bottom() - 4.0;
    ui.painter().vline(tick, low..=low + 4.0, Stroke::new(1.0, palette.quiet));
    changed |= response.changed();
    if response.double_clicked() && value != scale.default {
        return Some(scale.default);
    }
    response.on_hover_text(format!("{} (double click: {}{})", scale.hint, scale.default, scale.unit));
    (changed && moved != value).then_some(moved)
}

/// Small quiet text.
pub fn quiet(ui: &mut Ui, text: &str) -> Response {
    let ink = palette(ui).quiet;
    ui.label(RichText::new(unbroken(text)).small().color(ink))
}

/// What stands behind a number and must not begin the next line.
const UNITS: [&str; 17] =
    ["px", "s", "ms", "min", "h", "%", "mm", "µm", "EV", "σ", "K", "e", "°", "GiB", "MiB", "×", "points"];

/// The same with spaces at which no line breaks between a number and its unit, and around ±.
#[must_use]
pub fn unbroken(text: &str) -> String {
    let mut joined = String::with_capacity(text.len() + 8);
    let mut words = text.split(' ').peekable();
    let mut is_number = false;
    while let Some(word) = words.next() {
        joined.push_str(word);
        is_number = word.ends_with(|last: char| last.is_ascii_digit()) || (is_number && word == "±");
        if let Some(next) = words.peek() {
            let unit = next.trim_end_matches([',', '.', ';', ':', ')', '?']);
            let belongs = is_number && (UNITS.contains(&unit) || *next == "±") || word == "±" || word == "σ";
            joined.push(if belongs { '\u{a0}' } else { ' ' });
        }
    }
    joined
}

/// A key as it is printed on the keyboard.
pub fn key_cap(ui: &mut Ui, text: &str) {
    let palette = palette(ui);
    let text = on_this_platform(ui.ctx(), text);
    let galley = ui.painter().layout_no_wrap(text, FontId::proportional(12.5), palette.ink);
    let (rect, _) = ui.allocate_exact_size(galley.size() + vec2(12.0, 5.0), Sense::hover());
    let inside = eframe::egui::StrokeKind::Inside;
    ui.painter().rect_stroke(rect, 3.0, Stroke::new(1.0, palette.line), inside);
    ui.painter().galley(rect.center() - galley.size() / 2.0, galley, palette.ink);
}

/// Room that a scroll bar takes beside what it moves.
pub const SCROLL_BAR: f32 = 10.0;

/// What lies over the picture: as wide as it likes to be and as tall as it needs, but never beyond the window;
/// what is too tall is scrolled.
pub fn sheet<T>(ui: &mut Ui, width: f32, contents: impl FnOnce(&mut Ui) -> T) -> T {
    let window = ui.ctx().content_rect().size();
    let margin = 2.0 * 18.0 + 16.0;
    let width = width.min(window.x - margin);
    let height = (window.y - margin).max(60.0);
    ui.set_width(width);
    // What lies over the picture is else no taller than 400 points.
    ui.set_max_height(height);
    let area = ScrollArea::vertical().max_height(height).auto_shrink([false, true]);
    area.show(ui, |ui| {
        ui.set_max_width(width - SCROLL_BAR);
        contents(ui)
    })
    .inner
}

/// An id for something of which there is one in the window.
#[must_use]
pub fn single(name: &str) -> Id {
    Id::unique(("nightsheaf", name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_keeps_its_unit_on_its_line() {
        for (text, expected) in [
            ("stars trail 0.8 px, sky 2 % of white", "stars trail 0.8_px, sky 2_% of white"),
            ("focal length 500.2 ± 0.3 px", "focal length 500.2_±_0.3_px"),
            ("noise σ 0.123 %", "noise σ_0.123_%"),
            ("10 of 11 frames in the stack", "10 of 11 frames in the stack"),
            ("night-001.dng stands apart", "night-001.dng stands apart"),
            ("f/2 and ISO 3200", "f/2 and ISO 3200"),
        ] {
            assert_eq!(unbroken(text), expected.replace('_', "\u{a0}"), "{text}");
        }
    }
}
