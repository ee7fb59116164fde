//! Undo and redo: each edit holds the other side of itself and is exchanged with the sheaf.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::gui::sheaf::{Calibration, Choices, Land, Sheaf};
use crate::gui::strokes::MaskPatch;
use crate::pipeline::ForegroundMask;

/// Edits kept at most.
const MOST_EDITS: usize = 200;

/// What they may hold at most. A change of the whole mask holds 4 bytes a pixel: 96 MB at 24 megapixels.
const MOST_BYTES: usize = 512 << 20;

/// Changes of choices that follow each other faster are one edit: a slider that is dragged.
const ONE_GESTURE: Duration = Duration::from_millis(800);

/// One change of the sheaf, seen from its other side.
#[derive(Clone, Debug)]
pub enum Edit {
    /// Whether frames are wanted, by path: their places in the list change when others join.
    Wanted(Vec<(PathBuf, Option<bool>)>),
    /// Squares of the mask.
    Stroke(Arc<MaskPatch>),
    /// Mask and what is landscape.
    Mask(Land, Option<Arc<ForegroundMask>>),
    /// All choices.
    Choices(Box<Choices>),
    /// Calibration frames and the lens profile.
    Calibration(Box<Calibration>),
}

impl Edit {
    /// Exchanges what the edit holds with the sheaf.
    fn swap(&mut self, sheaf: &mut Sheaf) {
        match self {
            Self::Wanted(frames) => {
                for (path, wanted) in frames {
                    if let Some(frame) = sheaf.frames.iter_mut().find(|frame| frame.path == *path) {
                        std::mem::swap(wanted, &mut frame.wanted);
                    }
                }
            }
            Self::Stroke(patch) => {
                if let Some(mask) = &mut sheaf.mask {
                    Arc::make_mut(patch).swap(Arc::make_mut(mask));
                }
            }
            Self::Mask(land, mask) => {
                std::mem::swap(land, &mut sheaf.land);
                std::mem::swap(mask, &mut sheaf.mask);
            }
            Self::Choices(choices) => std::mem::swap(&mut **choices, &mut sheaf.choices),
            Self::Calibration(calibration) => std::mem::swap(&mut **calibration, &mut sheaf.calibration),
        }
    }

    /// The large part of what it holds.
    fn bytes(&self) -> usize {
        match self {
            Self::Stroke(patch) => patch.bytes(),
            Self::Mask(_, Some(mask)) => size_of_val(mask.0.samples()),
            Self::Mask(_, None) | Self::Wanted(_) | Self::Choices(_) | Self::Calibration(_) => 0,
        }
    }
}

/// Edits behind and before the present.
#[derive(Debug, Default)]
pub struct History {
    done: Vec<Edit>,
    undone: Vec<Edit>,
    last_choice: Option<Instant>,
}

impl History {
    /// Remembers an edit that was just made.
    pub fn record(&mut self, edit: Edit) {
        self.undone.clear();
        self.last_choice = None;
        self.done.push(edit);
        let mut bytes: usize = self.done.iter().map(Edit::bytes).sum();
        // The last one can always be taken back.
        while self.done.len() > 1 && (self.done.len() > MOST_EDITS || bytes > MOST_BYTES) {
            bytes -= self.done.remove(0).bytes();
        }
    }

    /// Remembers choices as they were; a gesture of many small changes is one edit.
    pub fn record_choices(&mut self, before: Choices, now: Instant) {
        let recent = self.last_choice.is_some_and(|last| now.duration_since(last) < ONE_GESTURE);
        if !(recent && matches!(self.done.last(), Some(Edit::Choices(_)))) {
            self.record(Edit::Choices(Box::new(before)));
        }
        self.last_choice = Some(now);
    }

    /// What the pointer does: a press begins a gesture, and however long it is held that stays one.
    pub fn follow_pointer(&mut self, pressed: bool, held: bool, now: Instant) {
        if pressed {
            self.last_choice = None;
        } else if held && self.last_choice.is_some() {
            self.last_choice = Some(now);
        }
    }

    /// Takes the last edit back; `false` if there is none.
    pub fn undo(&mut self, sheaf: &mut Sheaf) -> bool {
        exchange(&mut self.done, &mut self.undone, sheaf)
    }

    /// Makes the last edit taken back again; `false` if there is none.
    pub fn redo(&mut self, sheaf: &mut Sheaf) -> bool {
        exchange(&mut self.undone, &mut self.done, sheaf)
    }

    /// Whether the next step back, or forward, changes what is landscape.
    #[must_use]
    pub fn touches_mask(&self, back: bool) -> bool {
        let next = if back { self.done.last() } else { self.undone.last() };
        matches!(next, Some(Edit::Stroke(_) | Edit::Mask(..)))
    }

    /// The squares of the next step back, or forward, where that changes squares of the mask alone.
    #[must_use]
    pub fn next_stroke(&self, back: bool) -> Option<&Arc<MaskPatch>> {
        match if back { self.done.last() } else { self.undone.last() } {
            Some(Edit::Stroke(patch)) => Some(patch),
            _ => None,
        }
    }

    /// Takes note that the squares of `edit` were exchanged beside the window and `other` is its other side; `false`
    /// where it is not the next step any more.
    pub fn travelled(&mut self, back: bool, edit: &Arc<MaskPatch>, other: MaskPatch) -> bool {
        if !self.next_stroke(back).is_some_and(|next| Arc::ptr_eq(next, edit)) {
            return false;
        }
        let (from, to) = if back { (&mut self.done, &mut self.undone) } else { (&mut self.undone, &mut self.done) };
        from.pop();
        to.push(Edit::Stroke(Arc::new(other)));
        true
    }

    /// Whether there is something to take back.
    #[must_use]
    pub fn can_undo(&self) -> bool {
        !self.done.is_empty()
    }

    /// Whether there is something to make again.
    #[must_use]
    pub fn can_redo(&self) -> bool {
        !self.undone.is_empty()
    }

    /// Forgets everything: another night.
    pub fn clear(&mut self) {
        *self = Self::default();
    }
}

fn exchange(from: &mut Vec<Edit>, to: &mut Vec<Edit>, sheaf: &mut Sheaf) -> bool {
    let Some(mut edit) = from.pop() else { return false };
    edit.swap(sheaf);
    to.push(edit);
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gui::sheaf::Frame;
    use crate::pixels::Size;

    #[test]
    fn setting_a_frame_aside_is_undone_and_redone() {
        let mut sheaf = Sheaf { frames: vec![Frame::new("a.dng".into())], ..Sheaf::default() };
        let mut history = History::default();
        history.record(Edit::Wanted(vec![("a.dng".into(), sheaf.frames[0].wanted.replace(false))]));
        // Another frame that comes before it.
        sheaf.frames.insert(0, Frame::new("0.dng".into()));
        assert!(history.undo(&mut sheaf), "there is an edit");
        assert_eq!(sheaf.frames[1].wanted, None, "as before");
        assert!(history.redo(&mut sheaf), "it can be made again");
        assert_eq!((sheaf.frames[0].wanted, sheaf.frames[1].wanted), (None, Some(false)), "aside again");
        assert!(!history.redo(&mut sheaf), "nothing more to redo");
    }

    #[test]
    fn old_edits_go_when_they_hold_too_much_and_the_last_one_stays() {
        let size = Size { width: 6000, height: 4000 };
        let mut history = History::default();
        for _ in 0..9 {
            history.record(Edit::Mask(Land::Painted, Some(Arc::new(ForegroundMask::all_sky(size)))));
        }
        let bytes: usize = history.done.iter().map(Edit::bytes).sum();
        assert!(bytes <= MOST_BYTES && history.done.len() == 5, "{} edits of {bytes} bytes", history.done.len());
        let size = Size { width: 12_000, height: 12_000 };
        history.record(Edit::Mask(Land::Painted, Some(Arc::new(ForegroundMask::all_sky(size)))));
        assert_eq!(history.done.len(), 1, "larger than all room, and still there");
    }

    #[test]
    fn a_dragged_slider_is_one_edit() {
        let mut sheaf = Sheaf::default();
        let mut history = History::default();
        let start = Instant::now();
        for step in 1..=5u16 {
            let before = sheaf.choices.clone();
            sheaf.choices.drop_above_sigma = 3.0 + f32::from(step);
            history.record_choices(before, start + Duration::from_millis(100 * u64::from(step)));
        }
        assert!(history.undo(&mut sheaf), "one edit");
        assert_eq!(sheaf.choices.drop_above_sigma, 3.0, "back to where the drag began");
        assert!(!history.can_undo(), "and no second one");
    }

    #[test]
    fn a_drag_is_one_edit_however_long_it_pauses_and_the_next_press_begins_another() {
        let (mut history, mut sheaf) = (History::default(), Sheaf::default());
        let start = Instant::now();
        let at = |milliseconds: u64| start + Duration::from_millis(milliseconds);
        let change = |history: &mut History, sheaf: &mut Sheaf, value: f32, now: Instant| {
            let before = sheaf.choices.clone();
            sheaf.choices.drop_above_sigma = value;
            history.record_choices(before, now);
        };
        history.follow_pointer(true, true, at(0));
        change(&mut history, &mut sheaf, 4.0, at(10));
        (1..30).for_each(|frame| history.follow_pointer(false, true, at(100 * frame)));
        change(&mut history, &mut sheaf, 5.0, at(3000));
        history.follow_pointer(true, true, at(3100));
        change(&mut history, &mut sheaf, 6.0, at(3110));
        assert!(history.undo(&mut sheaf), "the second press");
        assert_eq!(sheaf.choices.drop_above_sigma, 5.0, "as the first drag left it");
        assert!(history.undo(&mut sheaf), "the drag");
        assert_eq!(sheaf.choices.drop_above_sigma, 3.0, "as it was before");
        assert!(!history.can_undo(), "two edits in all");
    }
}
