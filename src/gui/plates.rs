//! The plates on the picture: what is seen on either side, and how clean it is.

use eframe::egui::{Align, Align2, Color32, Rect, TextStyle, Ui, Vec2, pos2, vec2};

use crate::gui::arrows;
use crate::gui::panels::frames::kind_in_words;
use crate::gui::state::{PreviewFacts, Shown, State};
use crate::gui::theme::{PLATE_OPACITY, Palette, palette};
use crate::gui::view::Placement;
use crate::pipeline::NoiseReport;

/// Names and noise of what is on either side.
pub(super) fn labels(ui: &Ui, state: &State, comparing: bool, canvas: Rect) {
    let noise = state.report.as_ref().and_then(|report| report.noise);
    if state.glow_shown && !matches!(state.shown, Some(Shown::Frame(_))) {
        let figures = if state.glow_found {
            "the light taken away from the sky, brightest as grey"
        } else {
            "nothing is taken away"
        };
        return plate(ui, canvas.shrink(8.0), Align2::LEFT_TOP, "Sky glow", Some(figures));
    }
    match state.shown {
        Some(Shown::Preview) if comparing => {
            let x = canvas.left() + state.divider * canvas.width();
            let left = Rect { max: pos2(x - 8.0, canvas.bottom()), ..canvas };
            let right = Rect { min: pos2(x + 8.0, canvas.top()), ..canvas };
            plate(ui, left, Align2::RIGHT_TOP, "Single frame", preview_noise(state).map(single_noise).as_deref());
            plate(ui, right, Align2::LEFT_TOP, "Preview", Some(&preview_figures(state)));
        }
        Some(Shown::Preview) if state.holding_single => {
            let single = preview_noise(state).map(single_noise);
            plate(ui, canvas.shrink(8.0), Align2::LEFT_TOP, "Single frame", single.as_deref());
        }
        Some(Shown::Preview) => {
            plate(ui, canvas.shrink(8.0), Align2::LEFT_TOP, "Preview", Some(&preview_figures(state)));
        }
        Some(Shown::Stack) if comparing => {
            let x = canvas.left() + state.divider * canvas.width();
            let left = Rect { max: pos2(x - 8.0, canvas.bottom()), ..canvas };
            let right = Rect { min: pos2(x + 8.0, canvas.top()), ..canvas };
            let single = noise.map(single_noise);
            plate(ui, left, Align2::RIGHT_TOP, "Single frame", single.as_deref());
            plate(ui, right, Align2::LEFT_TOP, "Stack", noise.map(stack_noise).as_deref());
        }
        Some(Shown::Stack) if state.holding_single => {
            let single = noise.map(single_noise);
            plate(ui, canvas.shrink(8.0), Align2::LEFT_TOP, "Single frame", single.as_deref());
        }
        Some(Shown::Stack) => {
            plate(ui, canvas.shrink(8.0), Align2::LEFT_TOP, "Stack", noise.map(stack_noise).as_deref())
        }
        Some(Shown::Frame(index)) => {
            if let Some(frame) = state.sheaf.frames.get(index) {
                let kind = frame.calibrates_as().map(|kind| format!("{} frame", kind_in_words(kind)));
                let standing = match (state.opening, frame.is_aside()) {
                    (true, _) => Some("opening…"),
                    (false, _) if frame.is_unread() => Some("cannot be read"),
                    (false, true) => Some(kind.as_deref().unwrap_or("set aside")),
                    (false, false) => state.previewing.then_some(PREVIEWING),
                };
                plate(ui, canvas.shrink(8.0), Align2::LEFT_TOP, &frame.name(), standing);
            }
        }
        None => {}
    }
}

/// What the arrows are, in the upper right corner.
pub(super) fn arrow_label(ui: &Ui, state: &State, placement: &Placement, canvas: Rect) {
    let (name, figures) = arrows::legend(state, placement);
    plate(ui, canvas.shrink(8.0), Align2::RIGHT_TOP, &name, figures.as_deref());
}

/// What a noise figure is called.
const NOISE: &str = "noise ";

/// Told while nothing of it is seen yet.
const PREVIEWING: &str = "a preview is being made…";

fn preview_noise(state: &State) -> Option<NoiseReport> {
    state.preview.as_ref()?.noise
}

/// What the preview is made of and how clean it is; a line more while the next one is made.
fn preview_figures(state: &State) -> String {
    let facts = state.preview.as_ref().map(PreviewFacts::in_words);
    let next = match (state.previewing, &state.no_preview) {
        (true, _) => Some(PREVIEWING.to_owned()),
        (false, Some(_)) => Some("of before the last choice".to_owned()),
        (false, None) => None,
    };
    let lines = [facts, preview_noise(state).map(stack_noise), next];
    lines.into_iter().flatten().collect::<Vec<_>>().join("\n")
}

fn single_noise(noise: NoiseReport) -> String {
    format!("{NOISE}σ {}", share(noise.single))
}

fn stack_noise(noise: NoiseReport) -> String {
    let NoiseReport { stack, gain, ideal, .. } = noise;
    format!("{NOISE}σ {}  ·  {gain:.2} times less (the frames allow {ideal:.2})", share(stack))
}

/// A share of the white level in parts that have digits to read.
fn share(value: f64) -> String {
    format!("{:.3} %", 100.0 * value)
}

/// Words on a dark plate in a corner of `room`; the figures are shortened, then left out, then all is, where they
/// would not fit.
fn plate(ui: &Ui, room: Rect, corner: Align2, name: &str, figures: Option<&str>) {
    let palette = palette(ui);
    let body = TextStyle::Body.resolve(ui.style());
    let small = TextStyle::Small.resolve(ui.style());
    let name = ui.painter().layout_no_wrap(name.to_owned(), body, palette.ink);
    let together = |lower: Vec2| vec2(name.size().x.max(lower.x) + 20.0, name.size().y + lower.y + 10.0);
    let fits = |lower: Vec2| together(lower).x <= room.width() && together(lower).y <= room.height();
    let figures = figures.and_then(|text| {
        let forms = shorter_and_shorter(text).into_iter();
        let mut galleys = forms.map(|form| ui.painter().layout_no_wrap(form, small.clone(), palette.quiet));
        galleys.find(|galley| fits(galley.size()))
    });
    let lower = figures.as_ref().map_or(Vec2::ZERO, |galley| galley.size());
    if !fits(lower) {
        return;
    }
    let rect = corner.align_size_within_rect(together(lower), room.shrink2(vec2(0.0, 8.0)));
    let painter = ui.painter();
    painter.rect_filled(rect, 3.0, ground(&palette));
    let right = corner.x() == Align::RIGHT;
    let at = |width: f32| if right { rect.right() - 10.0 - width } else { rect.left() + 10.0 };
    let top = rect.top() + 5.0;
    let below = top + name.size().y;
    painter.galley(pos2(at(name.size().x), top), name, palette.ink);
    if let Some(figures) = figures {
        painter.galley(pos2(at(figures.size().x), below), figures, palette.quiet);
    }
}

/// Figures as they are, then each on a line of its own, then what is in brackets too, then the noise alone, at last
/// without its name.
fn shorter_and_shorter(figures: &str) -> [String; 5] {
    let lines = figures.replace("  ·  ", "\n");
    let noise = lines.lines().find(|line| line.contains('σ')).or(lines.lines().next()).unwrap_or_default();
    let value = noise.trim_start_matches(NOISE);
    [figures, &lines, &lines.replace(" (", "\n("), noise, value].map(str::to_owned)
}

/// Behind words on the picture.
pub(super) fn ground(palette: &Palette) -> Color32 {
    palette.wall.gamma_multiply(PLATE_OPACITY)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_shortened_and_never_cut_inside_a_word() {
        let noise = NoiseReport { single: 0.004, stack: 0.001, gain: 3.9, gain_sigma: 0.1, ideal: 4.0 };
        let forms = shorter_and_shorter(&stack_noise(noise));
        let longest = |form: &str| form.lines().map(|line| line.chars().count()).max();
        assert!(forms.windows(2).all(|pair| longest(&pair[1]) < longest(&pair[0])), "{forms:?}");
        assert_eq!(forms[3..], ["noise σ 0.100 %", "σ 0.100 %"], "the noise itself stays to the end");
        let preview = format!("5 frames, before the full run\n{}", stack_noise(noise));
        assert_eq!(shorter_and_shorter(&preview)[3..], forms[3..], "also below other words");
        assert_eq!(shorter_and_shorter("opening…")[4], "opening…", "words without a figure");
        let words = |form: &str| form.replace(" · ", " ").split_whitespace().map(str::to_owned).collect::<Vec<_>>();
        assert_eq!(words(&forms[2]), words(&forms[0]), "the same words on lines of their own");
    }
}
