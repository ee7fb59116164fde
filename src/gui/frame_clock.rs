//! How long the window takes, for measurements: to its first picture, to stop work that is cancelled, and for
//! each frame of the screen while something is dragged, from its begin to that of the next: what the graphics do
//! after the window has given its shapes away is in it.
//!
//! Set the environment variable `NIGHTSHEAF_FRAME_TIMES` to a file, work with the window, close it, and read
//! the file.

use std::path::PathBuf;
use std::time::Instant;

/// Frames of the screen that are remembered: ten minutes at sixty a second.
const MOST_FRAMES: usize = 36_000;

/// Remembers frame times where a file for them was named.
#[derive(Debug, Default)]
pub struct FrameClock {
    target: Option<PathBuf>,
    /// Without a number where a drag begins.
    milliseconds: Vec<f32>,
    /// When the frame of the screen before this one began, where something was dragged in it.
    dragged: Option<Instant>,
    /// When the program began, as far as it knows.
    began: Option<Instant>,
    first_picture_secs: Option<f32>,
    /// When a cancel was asked for that is not done yet.
    cancel_asked: Option<Instant>,
    cancelled_secs: Vec<f32>,
}

impl FrameClock {
    /// Looks for the environment variable.
    #[must_use]
    pub fn from_environment() -> Self {
        let target = std::env::var_os("NIGHTSHEAF_FRAME_TIMES").map(PathBuf::from);
        Self { target, began: Some(Instant::now()), ..Self::default() }
    }

    /// Takes the program's own begin for that of the clock.
    pub fn begin_at(&mut self, began: Instant) {
        self.began = Some(began);
    }

    /// A picture is on the screen; the first one counts.
    pub fn note_picture(&mut self) {
        if let (None, Some(began)) = (self.first_picture_secs, self.began) {
            self.first_picture_secs = Some(began.elapsed().as_secs_f32());
        }
    }

    /// Long work is to be stopped.
    pub fn note_cancel_asked(&mut self) {
        self.cancel_asked.get_or_insert_with(Instant::now);
    }

    /// No long work is going on.
    pub fn note_idle(&mut self) {
        self.cancelled_secs.extend(self.cancel_asked.take().map(|asked| asked.elapsed().as_secs_f32()));
    }

    /// A frame of the screen begins; the window draws without a pause as long as this says so.
    pub fn note_frame(&mut self, now: Instant, dragging: bool) -> bool {
        let measures = self.target.is_some() && dragging && self.milliseconds.len() < MOST_FRAMES;
        let before = std::mem::replace(&mut self.dragged, measures.then_some(now));
        if measures {
            self.milliseconds.push(before.map_or(f32::NAN, |before| 1000.0 * (now - before).as_secs_f32()));
        }
        measures
    }

    /// Writes when the first picture was seen and how long each cancel took, then one time in milliseconds a line,
    /// with a line before each drag.
    pub fn save(&self) -> std::io::Result<()> {
        let Some(target) = &self.target else { return Ok(()) };
        let first = self.first_picture_secs.map(|secs| format!("# first picture after {secs:.2} s\n"));
        let line = |time: &f32| if time.is_nan() { "# a drag begins\n".to_owned() } else { format!("{time:.2}\n") };
        let lines: String = self.milliseconds.iter().map(line).collect();
        let cancels = self.cancelled_secs.iter().map(|secs| format!("# cancelled within {secs:.3} s\n"));
        std::fs::write(target, first.unwrap_or_default() + &cancels.collect::<String>() + &lines)
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn frames_of_the_screen_are_timed_from_begin_to_begin_while_something_is_dragged() {
        let began = Instant::now();
        let at = |milliseconds: u64| began + Duration::from_millis(milliseconds);
        let mut off = FrameClock::default();
        assert!(!off.note_frame(at(0), true) && !off.note_frame(at(9), true), "nobody asked for times");
        assert!(off.milliseconds.is_empty(), "and none are kept");

        let mut clock = FrameClock { target: Some("times".into()), ..FrameClock::default() };
        for (time, dragging) in
            [(0, false), (100, true), (120, true), (125, true), (130, false), (900, true), (910, true)]
        {
            assert_eq!(clock.note_frame(at(time), dragging), dragging, "{time}: drawn again at once");
        }
        let drags = clock.milliseconds.split(|time| time.is_nan()).skip(1);
        let times: Vec<Vec<i32>> = drags.map(|drag| drag.iter().map(|time| time.round() as i32).collect()).collect();
        assert_eq!(times, [vec![20, 5], vec![10]], "two drags, and no pause counts as a frame");
    }
}
