//! Where the proposed landscape may be wrong: dashed frames that ask for a stroke.

use eframe::egui::{Align2, Painter, Pos2, Rect, Shape, Stroke, TextStyle, Ui, pos2, vec2};

use crate::gui::theme::{PLATE_OPACITY, Palette, palette};
use crate::gui::view::Placement;
use crate::pipeline::{Found, LOW_CONFIDENCE};

/// Whether the person is to be asked for a stroke.
#[must_use]
pub fn asks_for_a_stroke(found: &Found) -> bool {
    found.confidence < LOW_CONFIDENCE || found.doubts.iter().any(|doubt| doubt.confidence < LOW_CONFIDENCE)
}

/// Frames the doubtful places.
pub fn show(ui: &Ui, found: &Found, placement: &Placement, canvas: Rect) {
    let palette = palette(ui);
    let painter = ui.painter().with_clip_rect(canvas);
    let doubtful = found.doubts.iter().filter(|doubt| doubt.confidence < LOW_CONFIDENCE);
    for (rank, doubt) in doubtful.enumerate() {
        let rect = doubt.rect;
        let low = pos2(rect.x as f32, rect.y as f32);
        let high = low + vec2(rect.size.width as f32, rect.size.height as f32);
        let corners = [low, high].map(|corner| placement.screen_from_stored(corner));
        let outline = Rect::from_two_pos(corners[0], corners[1]).intersect(placement.rect().shrink(2.0));
        if !outline.is_positive() || !canvas.intersects(outline) {
            continue;
        }
        dashed(&painter, outline, &palette);
        // One question is enough; the other frames speak for themselves.
        if rank == 0 {
            ask(ui, &painter, outline, canvas, &palette);
        }
    }
}

fn dashed(painter: &Painter, outline: Rect, palette: &Palette) {
    let corners = [outline.left_top(), outline.right_top(), outline.right_bottom(), outline.left_bottom()];
    let path: Vec<Pos2> = corners.into_iter().chain([corners[0]]).collect();
    painter.add(Shape::closed_line(corners.to_vec(), Stroke::new(3.0, palette.over_dark)));
    painter.extend(Shape::dashed_line(&path, Stroke::new(1.5, palette.over_light), 7.0, 5.0));
}

fn ask(ui: &Ui, painter: &Painter, outline: Rect, canvas: Rect, palette: &Palette) {
    let font = TextStyle::Small.resolve(ui.style());
    let galley = painter.layout_no_wrap("Land or sky? Draw a stroke here".to_owned(), font, palette.lamp);
    let size = galley.size() + vec2(14.0, 8.0);
    let above = outline.top() - size.y - 3.0;
    let top = if above > canvas.top() + 50.0 { above } else { outline.bottom() + 3.0 };
    let left = outline.left().clamp(canvas.left() + 8.0, (canvas.right() - size.x - 8.0).max(canvas.left() + 8.0));
    let plate = Align2::LEFT_TOP.anchor_size(pos2(left, top), size);
    painter.rect_filled(plate, 3.0, palette.wall.gamma_multiply(PLATE_OPACITY));
    painter.galley(plate.min + vec2(7.0, 4.0), galley, palette.lamp);
}
