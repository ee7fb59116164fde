//! The window's title: what is being done, for the task bar and for whoever looks away.

use crate::gui::sheaf::file_name;
use crate::gui::state::{NoticeTone, State, Working};

/// The most telling fact first, the program's name last.
#[must_use]
pub fn title(state: &State, working: Option<&Working>) -> String {
    let parts = [fact(state, working), sheaf(state), Some("Nightsheaf".to_owned())];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

/// The sheaf's file, and whether something is not saved.
fn sheaf(state: &State) -> Option<String> {
    let name = state.keeping.path.as_deref().map(file_name);
    match (name, state.keeping.unsaved) {
        (Some(name), true) => Some(format!("{name}, not saved")),
        (None, true) => Some("not saved".to_owned()),
        (name, false) => name,
    }
}

fn fact(state: &State, working: Option<&Working>) -> Option<String> {
    if let Some(working) = working {
        let step = working.standing.progress.map_or(working.task, |progress| progress.step);
        return Some(format!("{step}, {:.0} %", 100.0 * working.standing.done));
    }
    if state.notices.last().is_some_and(|notice| notice.tone == NoticeTone::Failure) {
        return Some("Not done".to_owned());
    }
    if let Some(path) = &state.exported {
        return Some(format!("{} is written", file_name(path)));
    }
    if let Some(report) = &state.report {
        let used = report.frames.iter().filter(|frame| frame.used).count();
        return Some(format!("Stack of {used} frames"));
    }
    let n_frames = state.sheaf.n_lights();
    (n_frames > 0).then(|| if n_frames == 1 { "1 frame".to_owned() } else { format!("{n_frames} frames") })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gui::state::Subject;

    #[test]
    fn a_failure_comes_before_the_number_of_frames() {
        let mut state = State::default();
        assert_eq!(title(&state, None), "Nightsheaf", "nothing to tell");
        state.sheaf.frames.push(crate::gui::sheaf::Frame::new("a.dng".into()));
        assert_eq!(title(&state, None), "1 frame · Nightsheaf", "one frame");
        state.keeping.path = Some("/nights/tarn.toml".into());
        assert_eq!(title(&state, None), "1 frame · tarn.toml · Nightsheaf", "its file");
        state.keeping.unsaved = true;
        assert_eq!(title(&state, None), "1 frame · tarn.toml, not saved · Nightsheaf", "and the mark");
        state.keeping.path = None;
        assert_eq!(title(&state, None), "1 frame · not saved · Nightsheaf", "no file yet");
        state.keeping.unsaved = false;
        state.fail(Subject::Showing, "a.dng is cut short");
        assert_eq!(title(&state, None), "Not done · Nightsheaf", "the failure");
    }
}
