//! How far work of several steps is as a whole: each step has its share of the time.
//!
//! The shares come from the last time on this machine, at first from a run of sixteen frames of 24 megapixels. A step
//! that is left out, such as the averaging of calibration frames where there are none, gives its share to those that
//! follow: what is done never shrinks, and the last step ends at the whole.

use std::time::{Duration, Instant};

use crate::job::Progress;

/// A step and its share of the time.
pub type StepShare = (&'static str, f32);

/// Steps of a run, in their order.
pub const RUN: &[StepShare] = &[
    ("Looking at the frames", 0.02),
    ("Looking for dark frames", 0.01),
    ("Opening the first frame", 0.01),
    ("Averaging calibration frames", 0.03),
    ("Reading frames", 0.22),
    ("Reading the frames for the landscape", 0.02),
    ("Aligning", 0.05),
    ("Finding the landscape", 0.04),
    ("Checking the tripod", 0.06),
    ("Looking for trails", 0.05),
    ("Stacking", 0.45),
    ("Measuring the noise", 0.01),
    ("Preparing the view", 0.03),
];

/// Steps of gathering and measuring, and of making the sample frames before.
pub const MEASURING: &[StepShare] = &[
    ("Making the sample frames", 0.4),
    ("Looking for frames", 0.01),
    ("Looking at the frames", 0.05),
    ("Looking for dark frames", 0.04),
    ("Opening the first frame", 0.02),
    ("Averaging calibration frames", 0.05),
    ("Reading frames", 0.43),
];

/// Steps of writing sky, land and mask apart: a run that ends otherwise.
pub const LAYERS: &[StepShare] = &[
    ("Looking at the frames", 0.01),
    ("Looking for dark frames", 0.01),
    ("Opening the first frame", 0.01),
    ("Averaging calibration frames", 0.02),
    ("Reading frames", 0.13),
    ("Reading the frames for the landscape", 0.01),
    ("Aligning", 0.03),
    ("Finding the landscape", 0.02),
    ("Checking the tripod", 0.04),
    ("Looking for trails", 0.03),
    ("Stacking", 0.26),
    ("Stacking the sky alone", 0.26),
    ("Stacking the land alone", 0.13),
    ("Measuring the noise", 0.01),
    ("Writing the layers", 0.01),
    ("Writing", 0.02),
];

/// Steps of writing the picture.
pub const WRITING: &[StepShare] = &[("Developing and writing", 0.15), ("Writing", 0.85)];

/// Before this much time nobody knows how long the rest takes.
const LEAST_ELAPSED: Duration = Duration::from_millis(1500);
/// Nor before this share is done.
const LEAST_SHARE: f32 = 0.03;

/// How far work of several steps is.
#[derive(Clone, Debug)]
pub struct Whole {
    plan: Vec<StepShare>,
    /// The present step's place in the plan.
    at: usize,
    /// The present step, and when it began.
    step: Option<(&'static str, Instant)>,
    /// Done before the present step, and with it.
    from: f32,
    to: f32,
    done: f32,
    /// Steps that ended, with the time that they took.
    took: Vec<(&'static str, Duration)>,
}

impl Whole {
    /// Nothing is done yet of work with these steps.
    #[must_use]
    pub fn new(plan: Vec<StepShare>) -> Self {
        Self { plan, at: 0, step: None, from: 0.0, to: 0.0, done: 0.0, took: Vec::new() }
    }

    /// Takes note of a report.
    pub fn note(&mut self, progress: Progress, now: Instant) {
        if self.step.is_none_or(|(step, _)| step != progress.step) {
            self.end_step(now);
            self.step = Some((progress.step, now));
            self.from = self.done;
            self.to = self.done;
            let ahead = self.plan[self.at..].iter().position(|(step, _)| *step == progress.step);
            if let Some(ahead) = ahead {
                self.at += ahead;
                let left: f32 = self.plan[self.at..].iter().map(|(_, share)| share).sum();
                self.to = self.from + (1.0 - self.from) * self.plan[self.at].1 / left.max(f32::MIN_POSITIVE);
            } else if self.plan.is_empty() {
                // Work of one step.
                self.to = 1.0;
            }
        }
        let share = (progress.done as f32 / progress.total.max(1) as f32).clamp(0.0, 1.0);
        self.done = self.done.max(self.from + (self.to - self.from) * share);
    }

    /// Share that is done, 0 to 1; never less than before.
    #[must_use]
    pub fn done(&self) -> f32 {
        self.done
    }

    /// Time that the rest takes if it goes on as it went since `started`; `None` while that is a guess.
    #[must_use]
    pub fn left(&self, started: Instant, now: Instant) -> Option<Duration> {
        let elapsed = now.duration_since(started);
        let is_known = self.done > LEAST_SHARE && elapsed > LEAST_ELAPSED;
        is_known.then(|| elapsed.mul_f32((1.0 - self.done) / self.done.max(LEAST_SHARE)))
    }

    /// The plan for the next time, from what each step took; `None` where the last step was not reached.
    #[must_use]
    pub fn learned(mut self, now: Instant) -> Option<Vec<StepShare>> {
        self.end_step(now);
        let last = self.plan.last()?.0;
        if self.took.last().is_none_or(|(step, _)| *step != last) {
            return None;
        }
        let took = |name: &str| -> Option<f32> {
            let all = self.took.iter().filter(|(step, _)| *step == name);
            let secs: f32 = all.map(|(_, time)| time.as_secs_f32()).sum();
            self.took.iter().any(|(step, _)| *step == name).then_some(secs)
        };
        let secs: f32 = self.took.iter().map(|(_, time)| time.as_secs_f32()).sum();
        // What was left out keeps its share, for a night that has it.
        Some(
            self.plan
                .iter()
                .map(|&(step, share)| (step, took(step).map_or(share, |took| took / secs.max(1e-3))))
                .collect(),
        )
    }

    fn end_step(&mut self, now: Instant) {
        if let Some((step, began)) = self.step.take() {
            self.took.push((step, now.duration_since(began)));
            self.done = self.done.max(self.to);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    fn tell(whole: &mut Whole, step: &'static str, done: usize, total: usize, now: Instant) -> f32 {
        whole.note(Progress { step, done, total }, now);
        whole.done()
    }

    #[test]
    fn a_run_goes_on_from_step_to_step_and_reaches_its_end() {
        let start = Instant::now();
        let mut whole = Whole::new(RUN.to_vec());
        let mut last = 0.0;
        for (second, &(step, _)) in RUN.iter().enumerate() {
            for done in [0, 3, 2, 7, 10] {
                let now = start + SECOND * second as u32;
                let share = tell(&mut whole, step, done, 10, now);
                assert!(share >= last && share <= 1.0001, "{step}, {done} of 10: {share} after {last}");
                last = share;
            }
        }
        assert!((last - 1.0).abs() < 1e-4, "the whole: {last}");
    }

    #[test]
    fn what_is_left_out_goes_to_what_follows_and_what_comes_twice_stands_still() {
        let now = Instant::now();
        let mut whole = Whole::new(vec![("a", 0.25), ("b", 0.25), ("c", 0.5)]);
        assert_eq!(tell(&mut whole, "a", 1, 1, now), 0.25, "a quarter");
        assert_eq!(tell(&mut whole, "unheard of", 1, 2, now), 0.25, "nobody knows how long that takes");
        assert_eq!(tell(&mut whole, "c", 0, 4, now), 0.25, "b is left out");
        assert_eq!(tell(&mut whole, "c", 2, 4, now), 0.625, "half of all that is left");
        assert_eq!(tell(&mut whole, "a", 0, 4, now), 1.0, "after the last step nothing is left");
        assert_eq!(tell(&mut whole, "a", 3, 4, now), 1.0, "and it never goes back");
    }

    #[test]
    fn the_time_left_is_that_of_the_whole() {
        let start = Instant::now();
        let mut whole = Whole::new(vec![("a", 0.2), ("b", 0.8)]);
        tell(&mut whole, "a", 1, 2, start);
        assert_eq!(whole.left(start, start + SECOND), None, "too early to tell");
        tell(&mut whole, "b", 0, 4, start + 5 * SECOND);
        let left = whole.left(start, start + 5 * SECOND).expect("a fifth is done");
        assert!((left.as_secs_f32() - 20.0).abs() < 0.1, "four fifths of five times as long: {left:?}");
    }

    #[test]
    fn the_next_run_knows_what_the_last_one_took() {
        let start = Instant::now();
        let plan = vec![("a", 0.5), ("b", 0.3), ("c", 0.2)];
        let mut whole = Whole::new(plan.clone());
        tell(&mut whole, "a", 0, 1, start);
        assert_eq!(whole.clone().learned(start + SECOND), None, "it was not ended");
        tell(&mut whole, "c", 0, 1, start + SECOND);
        let learned = whole.learned(start + 4 * SECOND).expect("to the end");
        assert_eq!(learned, [("a", 0.25), ("b", 0.3), ("c", 0.75)], "b was left out and keeps its share");
    }
}
