//! Why something that is asked for cannot be done at present: for buttons, for the list of commands, and for keys.

use crate::gui::action::Action;
use crate::gui::calibration::CalibrationKind;
use crate::gui::keep::Keep;
use crate::gui::sheaf::Frame;
use crate::gui::state::{Shown, State};
use crate::pipeline::{Combine, MIN_FRAMES};

const NO_FRAMES: &str = "there are no frames yet: drop some on the window first";
const NO_STACK: &str = "there is no stack yet: stack the frames first";
const NO_PICTURE: &str = "no picture is shown yet: show a frame or a stack first";
const NO_LAND: &str = "there is no landscape yet: draw it, or wait until it is found";

/// Why not, where nothing else would say so.
#[must_use]
pub fn why_not(state: &State, action: &Action) -> Option<&'static str> {
    let calibration = &state.sheaf.calibration;
    let none = |is_so: bool, why: &'static str| is_so.then_some(why);
    match action {
        Action::Step(_) => none(state.sheaf.frames.is_empty(), NO_FRAMES),
        Action::ToggleAside => single_frame(state).or_else(|| unread(state)),
        Action::ToggleReference => single_frame(state).or_else(|| unread(state)).or_else(|| {
            let Some(Shown::Frame(index)) = state.shown else { return None };
            let calibrates = state.sheaf.frames.get(index)?.calibrates_as().is_some();
            none(calibrates, "this frame calibrates the others and shows no sky: show a light frame first")
        }),
        Action::Show(Shown::Stack) => none(state.report.is_none(), NO_STACK),
        Action::Show(Shown::Preview) => {
            none(state.preview.is_none(), "there is no preview yet: it is made once two frames are measured")
        }
        Action::ChangeEdge(_) | Action::ChooseMaskTarget => none(state.sheaf.mask.is_none(), NO_LAND),
        Action::TakeTool(_) | Action::TakeBrush(_) | Action::ChooseMask => none(!state.has_picture, NO_PICTURE),
        Action::TogglePicking => none(!state.has_picture && !state.picking, NO_PICTURE),
        Action::LayBrushDown => none(!state.painting && !state.picking, "no tool is in hand"),
        Action::CloseShape | Action::DropCorner => {
            none(state.corners.is_empty(), "no corner is set yet: take the polygon or the level line first")
        }
        // Done once the correction is.
        Action::Undo | Action::Redo if state.correcting => None,
        Action::Undo => none(!state.can_travel.0, "nothing was changed yet that could be taken back"),
        Action::Redo => none(!state.can_travel.1, "nothing was taken back that could be made again"),
        Action::ClearCalibration(kind) => {
            let why = match kind {
                CalibrationKind::Dark => "no dark frames were chosen",
                CalibrationKind::Flat => "no flat frames were chosen",
                CalibrationKind::Bias => "no bias frames were chosen",
            };
            none(calibration.of(*kind).is_empty(), why)
        }
        Action::ClearLandFrames => none(calibration.land.is_empty(), "the landscape has no frames of its own"),
        Action::UseLensProfile(None) => none(calibration.lens_profile.is_none(), "no lens profile is in use"),
        Action::ChooseLensProfileTarget => none(
            state.report.as_ref().is_some_and(|report| report.lens.is_none()),
            "the stars of this stack measured no lens",
        ),
        Action::ChooseLeftOutTarget => none(
            state.report.as_ref().is_some_and(|report| report.settings.combine != Combine::ClippedMean),
            "only a clipped mean leaves something out, and this stack is none",
        ),
        Action::ChoosePageTarget => none(
            state.planned.plan.is_none() || !state.planned.has_place,
            "there is no plan with a place yet: open the plan and fill in latitude and longitude",
        ),
        Action::StopWatching => none(state.watching.is_none(), "no folder is watched"),
        Action::CopyNotice(_) | Action::Dismiss(_) => none(state.notices.is_empty(), "there is no notice"),
        _ => None,
    }
}

/// Why not, also where the attempt itself would say more.
#[must_use]
pub fn why_not_listed(state: &State, action: &Action) -> Option<&'static str> {
    let none = |is_so: bool, why: &'static str| is_so.then_some(why);
    why_not(state, action).or_else(|| match action {
        Action::Stack => none(state.sheaf.n_wanted() < MIN_FRAMES, "a stack needs at least two frames")
            .or_else(|| none(state.stacking, "a stack is being made already"))
            .or_else(|| none(state.filing, "a file is being read or written")),
        Action::ChooseExportTarget
        | Action::ChooseLensProfileTarget
        | Action::ChooseLeftOutTarget
        | Action::ChooseReportTarget => none(state.report.is_none(), NO_STACK),
        Action::ChooseLayersTarget => none(state.report.is_none(), NO_STACK)
            .or_else(|| none(state.stacking, "a stack is being made: wait for it or cancel it")),
        Action::ToggleResiduals => none(state.report.is_none() && !state.residuals_shown, NO_STACK),
        Action::Keep(Keep::Save | Keep::SaveAs) => none(state.sheaf.frames.is_empty(), NO_FRAMES),
        _ => None,
    })
}

fn single_frame(state: &State) -> Option<&'static str> {
    match state.shown {
        Some(Shown::Frame(_)) => None,
        _ if state.sheaf.frames.is_empty() => Some(NO_FRAMES),
        _ => Some("no single frame is shown: choose one on the night line first"),
    }
}

/// Where the frame shown, and each chosen with it, could not be read.
fn unread(state: &State) -> Option<&'static str> {
    let frames = &state.sheaf.frames;
    let mut chosen = state.chosen().into_iter().filter_map(|index| frames.get(index)).peekable();
    (chosen.peek().is_some() && chosen.all(Frame::is_unread))
        .then_some("this frame could not be read: put a good copy in its place and add it again")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gui::correcting::EdgeChange;
    use crate::pipeline::{FrameFinding, Report};

    #[test]
    fn what_cannot_be_done_has_a_reason_until_it_can() {
        let mut state = State::default();
        assert_eq!(why_not(&state, &Action::ToggleAside), Some(NO_FRAMES), "no frames");
        state.sheaf.frames.push(Frame::new("a.dng".into()));
        state.shown = Some(Shown::Stack);
        for action in [Action::ToggleAside, Action::ToggleReference] {
            let why = why_not(&state, &action).expect("the stack is no frame");
            assert!(why.contains("no single frame"), "{action:?}: {why}");
        }
        state.shown = Some(Shown::Frame(0));
        assert_eq!(why_not(&state, &Action::ToggleAside), None, "a frame is shown");
        state.sheaf.frames[0].finding = Some(FrameFinding::unread("a.dng".into(), "it ends early".to_owned()));
        for action in [Action::ToggleAside, Action::ToggleReference] {
            let why = why_not(&state, &action).expect("there is nothing of it that could take part");
            assert!(why.contains("could not be read"), "{action:?}: {why}");
        }
        assert_eq!(why_not(&state, &Action::Show(Shown::Stack)), Some(NO_STACK), "no run yet");
        assert_eq!(why_not(&state, &Action::ChangeEdge(EdgeChange::Invert)), Some(NO_LAND), "no mask yet");
        for action in [Action::ChooseLayersTarget, Action::ChooseReportTarget] {
            assert_eq!(why_not(&state, &action), None, "{action:?}: the attempt says more");
            assert_eq!(why_not_listed(&state, &action), Some(NO_STACK), "{action:?}: no run yet");
        }
        state.report = Some(Report::default());
        state.stacking = true;
        assert_eq!(why_not_listed(&state, &Action::ChooseReportTarget), None, "of the stack that is there");
        let why = why_not_listed(&state, &Action::ChooseLayersTarget).expect("one stack at a time");
        assert!(why.contains("is being made"), "{why}");
        state.stacking = false;
        assert_eq!(why_not_listed(&state, &Action::ChooseLayersTarget), None, "now they can be written");
        state.can_travel = (true, false);
        assert_eq!(why_not(&state, &Action::Undo), None, "something was done");
        assert!(why_not(&state, &Action::Redo).is_some(), "nothing was taken back");
        state.correcting = true;
        assert_eq!(why_not(&state, &Action::Redo), None, "there may be something to make again once it is corrected");
        assert_eq!(why_not(&state, &Action::Stack), None, "the attempt says more");
        assert!(why_not_listed(&state, &Action::Stack).is_some(), "one frame is no stack");
    }
}
