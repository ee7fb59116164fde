//! Arrows over the picture from where each star belongs to where it was found.
//!
//! They are lengthened so that they can be seen at any zoom; the factor is told beside them.

use eframe::egui::{Painter, Pos2, Rect, Stroke, pos2, vec2};

use crate::gui::state::{Shown, State};
use crate::gui::theme::Palette;
use crate::gui::view::Placement;
use crate::pipeline::{Arrow, round_below};

/// Length on the screen of a long arrow, in points; one in ten is longer.
const LONG_ARROW: f64 = 30.0;

/// Arrows drawn at most; of more, every second, third, ... is drawn.
const MOST_ARROWS: usize = 1500;

/// Draws the arrows of what is shown.
pub fn show(painter: &Painter, state: &State, placement: &Placement, palette: &Palette) {
    let magnification = magnification(state, placement);
    let clip = painter.clip_rect();
    let dark = palette.over_dark;
    for (from, to) in of_shown(state).0.map(|arrow| ends(arrow, magnification, placement)) {
        if !clip.intersects(Rect::from_two_pos(from, to).expand(4.0)) {
            continue;
        }
        let length = from.distance(to);
        let mut lines = vec![[from, to]];
        if length > 6.0 {
            let along = (to - from) * (4.5 / length);
            let across = vec2(along.y, -along.x) * 0.5;
            lines.extend([[to, to - along + across], [to, to - along - across]]);
        }
        painter.circle_filled(from, 2.6, dark);
        for line in &lines {
            painter.line_segment(*line, Stroke::new(2.8, dark));
        }
        painter.circle_filled(from, 1.7, palette.over_light);
        for line in lines {
            painter.line_segment(line, Stroke::new(1.2, palette.over_light));
        }
    }
}

/// What the arrows are: by how much longer, and what they come to.
#[must_use]
pub fn legend(state: &State, placement: &Placement) -> (String, Option<String>) {
    let (arrows, stride) = of_shown(state);
    let (mut n, mut squares) = (0_usize, 0.0);
    for arrow in arrows {
        n += 1;
        squares += arrow.error.x.powi(2) + arrow.error.y.powi(2);
    }
    if n == 0 {
        return ("No arrows here".to_owned(), Some(why_none(state).to_owned()));
    }
    let name = format!("Arrows {} × longer", magnification(state, placement));
    let share = if stride > 1 { format!(", 1 in {stride} drawn") } else { String::new() };
    (name, Some(format!("{n} stars{share}, {:.2} px off", (squares / n as f64).sqrt())))
}

fn why_none(state: &State) -> &'static str {
    match (state.shown, &state.report) {
        (_, None) => "stack the frames first",
        (Some(Shown::Frame(index)), Some(_)) => match state.fate(index) {
            Some(fate) if fate.used => "the sky was brought to this frame",
            _ => "this frame is not in the stack",
        },
        _ => "no star of another frame was matched",
    }
}

/// Arrows of the frame shown, or of all frames over the stack; every second, third, ... of many.
fn of_shown(state: &State) -> (Box<dyn Iterator<Item = &Arrow> + '_>, usize) {
    match state.shown {
        Some(Shown::Preview) => (Box::new(std::iter::empty()), 1),
        Some(Shown::Frame(index)) => {
            let path = state.sheaf.frames.get(index).map(|frame| &frame.path);
            let frame = state.residuals.iter().find(|frame| Some(&frame.file) == path);
            let arrows = frame.map_or(&[][..], |frame| &frame.in_frame);
            let stride = stride(arrows.len());
            (Box::new(arrows.iter().step_by(stride)), stride)
        }
        Some(Shown::Stack) => {
            let stride = stride(state.residuals.iter().map(|frame| frame.on_reference.len()).sum());
            let all = state.residuals.iter().flat_map(|frame| &frame.on_reference);
            (Box::new(all.step_by(stride)), stride)
        }
        None => (Box::new(std::iter::empty()), 1),
    }
}

fn stride(n_arrows: usize) -> usize {
    n_arrows.div_ceil(MOST_ARROWS).max(1)
}

/// The same for all frames, so that they can be compared.
fn magnification(state: &State, placement: &Placement) -> f64 {
    let typical_px = state.typical_error_px.unwrap_or(1.0).max(1e-4);
    round_below(LONG_ARROW / (typical_px * f64::from(placement.points_per_px())))
}

/// Both ends of an arrow on the screen.
fn ends(arrow: &Arrow, magnification: f64, placement: &Placement) -> (Pos2, Pos2) {
    // Edges are drawn, not centres: the picture's corner is the origin.
    let place = |x: f64, y: f64| placement.screen_from_stored(pos2((x + 0.5) as f32, (y + 0.5) as f32));
    let Arrow { from, error } = arrow;
    (place(from.x, from.y), place(from.x + magnification * error.x, from.y + magnification * error.y))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gui::sheaf::Frame;
    use crate::gui::view::View;
    use crate::pipeline::FrameResiduals;
    use crate::pixels::{Orientation, Point, Size};

    const STORED: Size = Size { width: 600, height: 400 };

    fn placement(orientation: Orientation) -> Placement {
        View::default().place(STORED, orientation, Rect::from_min_size(pos2(0.0, 0.0), vec2(300.0, 300.0)), 1.0)
    }

    fn arrow(x: f64, error: f64) -> Arrow {
        Arrow { from: Point { x, y: 10.0 }, error: Point { x: error, y: 0.0 } }
    }

    /// Two frames, the second of which has been aligned on the first.
    fn state() -> State {
        let mut state = State { typical_error_px: Some(0.2), ..State::default() };
        state.sheaf.frames = ["a.dng", "b.dng"].map(|name| Frame::new(name.into())).into();
        state.residuals = vec![FrameResiduals {
            file: "b.dng".into(),
            on_reference: vec![arrow(100.0, 0.2); 4000],
            in_frame: vec![arrow(90.0, 0.2), arrow(95.0, 0.1)],
        }];
        state
    }

    #[test]
    fn each_frame_shows_its_own_stars_and_the_stack_those_of_all() {
        let mut state = state();
        state.shown = Some(Shown::Frame(1));
        assert_eq!(of_shown(&state).0.map(|arrow| arrow.from.x).collect::<Vec<_>>(), [90.0, 95.0], "the frame's own");
        state.shown = Some(Shown::Frame(0));
        assert_eq!(of_shown(&state).0.count(), 0, "the reference has none");
        state.shown = Some(Shown::Stack);
        assert_eq!(of_shown(&state).0.count(), 4000_usize.div_ceil(3), "every third, to stay fast");
    }

    #[test]
    fn an_arrow_turns_with_the_picture_and_is_as_long_as_told() {
        let state = state();
        for (orientation, direction) in [(Orientation::Normal, vec2(1.0, 0.0)), (Orientation::Rotate90, vec2(0.0, 1.0))]
        {
            let placement = placement(orientation);
            let factor = magnification(&state, &placement);
            let (from, to) = ends(&arrow(100.0, 0.2), factor, &placement);
            let expected = direction * (0.2 * factor) as f32 * placement.points_per_px();
            assert!(((to - from) - expected).length() < 1e-2, "{orientation:?}: {:?}", to - from);
            assert!(expected.length() > 11.0 && expected.length() < 30.1, "long enough to be seen");
        }
    }

    #[test]
    fn the_legend_says_what_is_seen_or_why_nothing_is() {
        let mut state = state();
        state.shown = Some(Shown::Frame(1));
        let (name, figures) = legend(&state, &placement(Orientation::Normal));
        assert_eq!(name, "Arrows 200 × longer", "30 points for 0.2 px at half a point a pixel, rounded down");
        assert_eq!(figures.as_deref(), Some("2 stars, 0.16 px off"), "root mean square of 0.2 and 0.1");
        state.shown = Some(Shown::Stack);
        let figures = legend(&state, &placement(Orientation::Normal)).1;
        assert_eq!(figures.as_deref(), Some("1334 stars, 1 in 3 drawn, 0.20 px off"), "not all are drawn");
        state.shown = Some(Shown::Frame(0));
        assert_eq!(legend(&state, &placement(Orientation::Normal)).1.as_deref(), Some("stack the frames first"), "why");
    }
}
