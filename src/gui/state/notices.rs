//! What a person should know: what went wrong, what is done, what is good to know.

use crate::gui::state::State;

/// Something a person should know.
#[derive(Clone, Debug, PartialEq)]
pub struct Notice {
    /// How bad it is.
    pub tone: NoticeTone,
    /// What it is about.
    pub subject: Subject,
    /// What was found and what to do.
    pub text: String,
}

/// How bad it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoticeTone {
    /// What was asked for is done; it goes with the next thing that is asked for.
    Done,
    /// Good to know; it stays until it is put away.
    Note,
    /// Something was not done; it stays until the same is tried again.
    Failure,
}

/// What a notice is about: a later one about the same takes its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Subject {
    /// Frames and folders on their way into the list.
    Adding,
    /// Calibration frames, frames for the landscape, and lens profiles.
    Calibration,
    /// A frame on its way to the canvas.
    Showing,
    /// The run.
    Stacking,
    /// The picture that is written.
    Export,
    /// The picture of what clipping left out.
    LeftOut,
    /// Sky, land and mask, apart.
    Layers,
    /// The page of the report.
    Report,
    /// The mask's file, and corrections of it.
    Mask,
    /// The color picked as grey.
    Grey,
    /// The page of the plan.
    Plan,
    /// The folder that is watched.
    Watching,
    /// The sheaf's file.
    Sheaf,
    /// Copies of unsaved work.
    Copies,
    /// Preferences and what the window remembers.
    Preferences,
    /// Something that was asked for and cannot be done just now.
    Command,
    /// A dialog of the desktop.
    Dialog,
    /// The window itself.
    Window,
}

impl State {
    /// Tells the person something that failed. What failed with it before is said in the same breath.
    pub fn fail(&mut self, subject: Subject, text: impl Into<String>) {
        self.n_failures += 1;
        self.tell(Notice { tone: NoticeTone::Failure, subject, text: text.into() });
    }

    /// Tells the person something good to know.
    pub fn note(&mut self, subject: Subject, text: impl Into<String>) {
        self.tell(Notice { tone: NoticeTone::Note, subject, text: text.into() });
    }

    /// Tells the person that what was asked for is done: what failed of it before is over.
    pub fn done(&mut self, subject: Subject, text: impl Into<String>) {
        self.settle(subject);
        self.tell(Notice { tone: NoticeTone::Done, subject, text: text.into() });
    }

    /// The same is tried again, or it went well: what failed before is over. What names a loss stays.
    pub fn settle(&mut self, subject: Subject) {
        self.notices.retain(|notice| notice.subject != subject || notice.tone == NoticeTone::Note);
    }

    /// Something else is asked for: nobody needs to read any more that the last thing went well.
    pub fn forget_what_is_done(&mut self) {
        self.notices.retain(|notice| notice.tone != NoticeTone::Done);
    }

    fn tell(&mut self, notice: Notice) {
        self.notices.retain(|other| *other != notice && !says_all_of(&notice.text, &other.text));
        let says_it = |other: &Notice| {
            says_all_of(&other.text, &notice.text) || (other.tone, &other.text) == (notice.tone, &notice.text)
        };
        if self.notices.iter().any(says_it) {
            return;
        }
        let same = |other: &Notice| other.subject == notice.subject && other.tone == notice.tone;
        match (self.notices.iter().position(same), notice.tone) {
            // Several failures of one attempt, such as paths given together.
            (Some(index), NoticeTone::Failure) if notice.subject == Subject::Adding => {
                let text = &mut self.notices[index].text;
                if !text.lines().any(|line| line == notice.text) {
                    *text = format!("{text}\n{}", notice.text);
                }
            }
            (Some(index), NoticeTone::Failure | NoticeTone::Done) => {
                self.notices.remove(index);
                self.notices.push(notice);
            }
            _ => self.notices.push(notice),
        }
    }
}

/// Whether `text` names the file that `other` says cannot be read, with the same reason.
fn says_all_of(text: &str, other: &str) -> bool {
    other.split_once(" cannot be read: ").is_some_and(|(file, why)| {
        // A name alone on its line, not the end of another.
        let names_it = |line: &str| line.trim_start().starts_with(file);
        text != other && text.lines().any(names_it) && text.contains(why)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_already_is_not_said_again() {
        let alone = (Subject::Showing, "/n/diary.dng cannot be read: it is no picture");
        let whole = (Subject::Adding, "0 of 1 frames can be used, a stack needs 2\n  /n/diary.dng: it is no picture");
        for order in [[alone, whole], [whole, alone]] {
            let mut state = State::default();
            order.into_iter().for_each(|(subject, text)| state.fail(subject, text));
            let texts: Vec<&str> = state.notices.iter().map(|notice| notice.text.as_str()).collect();
            assert_eq!(texts, [whole.1], "the one that says more, in any order");
            state.fail(Subject::Showing, whole.1);
            assert_eq!(state.notices.len(), 1, "the same of something else: {:?}", state.notices);
        }
        let mut state = State::default();
        for text in ["11.dng cannot be read: it is no picture", "1.dng cannot be read: it is no picture"] {
            // The second time it is said already.
            state.fail(Subject::Adding, text);
            state.fail(Subject::Adding, text);
        }
        let text = "11.dng cannot be read: it is no picture\n1.dng cannot be read: it is no picture";
        assert_eq!(state.notices.len(), 1, "given together, told together");
        assert_eq!(state.notices[0].text, text, "also a name that ends like another's");
    }

    #[test]
    fn a_notice_makes_room_for_the_next_about_the_same_and_a_loss_stays() {
        let told = |state: &State| state.notices.iter().map(|notice| notice.text.clone()).collect::<Vec<_>>();
        let mut state = State::default();
        state.note(Subject::Sheaf, "tarn.toml is damaged: its copy is open");
        state.fail(Subject::Export, "night.gif has an ending that stands for no picture");
        state.fail(Subject::Showing, "a.dng cannot be read: it is cut short");
        state.fail(Subject::Showing, "b.dng cannot be read: it is cut short");
        assert_eq!(told(&state).len(), 3, "the frame shown now takes the place of the one before: {:?}", told(&state));
        state.done(Subject::Export, "night.tif is written");
        assert!(!told(&state).iter().any(|text| text.contains("night.gif")), "it went well after all");
        state.done(Subject::Sheaf, "tarn.toml is saved");
        state.settle(Subject::Showing);
        state.forget_what_is_done();
        assert_eq!(told(&state), ["tarn.toml is damaged: its copy is open"], "what names a loss stays");
    }
}
