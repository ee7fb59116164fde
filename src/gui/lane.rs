//! A lane runs one computation at a time; a newer one replaces the waiting one and cancels the running one.
//!
//! The result of a computation that was replaced is thrown away, so an old result never reaches a new view.

use std::time::{Duration, Instant};

use eframe::egui::Context;

use crate::error::InWords;
use crate::gui::whole::{StepShare, Whole};
use crate::job::{Job, Monitor, Progress, Update};

type Work<T> = Box<dyn FnOnce(&Monitor) -> T + Send>;

/// One computation at a time.
pub struct Lane<T> {
    name: &'static str,
    /// What its work consists of, as far as that is known.
    plan: Vec<StepShare>,
    running: Option<Running<T>>,
    waiting: Option<Work<T>>,
}

struct Running<T> {
    job: Job<T>,
    replaced: bool,
    state: Standing,
    whole: Whole,
}

/// How far a computation is.
#[derive(Clone, Copy, Debug)]
pub struct Standing {
    /// When it began.
    pub started: Instant,
    /// Its last report.
    pub progress: Option<Progress>,
    /// Share of the whole that is done, 0 to 1; never less than before.
    pub done: f32,
    /// Time that the whole still takes if it goes on as it went; `None` while that is a guess.
    pub left: Option<Duration>,
    /// Whether it was asked to stop.
    pub stopping: bool,
}

/// How a computation ended.
#[derive(Debug)]
pub enum Ended<T> {
    /// With its result.
    Result(T),
    /// With a panic or without a thread: what to tell the person.
    Broken(String),
}

impl<T: Send + 'static> Lane<T> {
    /// A lane with nothing to do; `name` names its threads.
    #[must_use]
    pub fn new(name: &'static str) -> Self {
        Self::with_plan(name, &[])
    }

    /// A lane whose work consists of known steps.
    #[must_use]
    pub fn with_plan(name: &'static str, plan: &[StepShare]) -> Self {
        Self { name, plan: plan.to_vec(), running: None, waiting: None }
    }

    /// Runs `work` as soon as what runs now has stopped.
    pub fn submit(&mut self, context: &Context, work: impl FnOnce(&Monitor) -> T + Send + 'static) -> Option<Ended<T>> {
        if let Some(running) = &mut self.running {
            running.job.cancel();
            running.replaced = true;
            self.waiting = Some(Box::new(work));
            return None;
        }
        self.start(context, Box::new(work))
    }

    /// Runs `work` after what runs now, whose result is still wanted; what waited before is forgotten.
    pub fn follow(&mut self, context: &Context, work: impl FnOnce(&Monitor) -> T + Send + 'static) -> Option<Ended<T>> {
        if self.running.is_some() {
            self.waiting = Some(Box::new(work));
            return None;
        }
        self.start(context, Box::new(work))
    }

    /// Asks what runs to stop, and forgets what waits.
    pub fn cancel(&mut self) {
        self.waiting = None;
        if let Some(running) = &mut self.running {
            running.job.cancel();
            running.state.stopping = true;
        }
    }

    /// Asks what runs to stop and throws its result away.
    pub fn abandon(&mut self) {
        self.cancel();
        if let Some(running) = &mut self.running {
            running.replaced = true;
        }
    }

    /// How far the running computation is, unless its result is no longer wanted.
    #[must_use]
    pub fn standing(&self) -> Option<Standing> {
        let running = self.running.as_ref().filter(|running| !running.replaced)?;
        let Running { state, whole, .. } = running;
        Some(Standing { done: whole.done(), left: whole.left(state.started, Instant::now()), ..*state })
    }

    /// Whether anything runs or waits whose result is wanted.
    #[must_use]
    pub fn is_busy(&self) -> bool {
        self.waiting.is_some() || self.standing().is_some()
    }

    /// Takes in what the running computation reported; its end, if it ended and is still wanted.
    pub fn poll(&mut self, context: &Context) -> Option<Ended<T>> {
        let running = self.running.as_mut()?;
        let mut ended = None;
        for update in running.job.poll() {
            match update {
                Update::Progress(progress) => running.note(progress),
                Update::Finished(result) => ended = Some(Ended::Result(result)),
                Update::Panicked(message) => ended = Some(Ended::Broken(broken(self.name, &message))),
            }
        }
        let ended = ended?;
        let replaced = running.replaced;
        let whole = self.running.take().filter(|running| !running.job.is_cancelled()).map(|running| running.whole);
        if let Some(plan) = whole.and_then(|whole| whole.learned(Instant::now())) {
            self.plan = plan;
        }
        if let Some(work) = self.waiting.take()
            && let Some(failed) = self.start(context, work)
        {
            return Some(failed);
        }
        (!replaced).then_some(ended)
    }

    fn start(&mut self, context: &Context, work: Work<T>) -> Option<Ended<T>> {
        let context = context.clone();
        let wake = move || context.request_repaint();
        match Job::spawn(self.name, wake, work) {
            Ok(job) => {
                let started = Instant::now();
                let state = Standing { started, progress: None, done: 0.0, left: None, stopping: false };
                self.running = Some(Running { job, replaced: false, state, whole: Whole::new(self.plan.clone()) });
                None
            }
            Err(error) => Some(Ended::Broken(format!("the system gives no thread for the work: {}", InWords(&error)))),
        }
    }
}

impl<T> Running<T> {
    fn note(&mut self, progress: Progress) {
        self.whole.note(progress, Instant::now());
        self.state.progress = Some(progress);
    }
}

fn broken(name: &str, message: &str) -> String {
    format!("the {name} step failed by a fault of this program ({message}): nothing was changed, please report it")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Cancelled;

    fn wait<T: Send + 'static>(lane: &mut Lane<T>, context: &Context) -> Ended<T> {
        let deadline = Instant::now() + Duration::from_secs(20);
        loop {
            if let Some(ended) = lane.poll(context) {
                return ended;
            }
            assert!(Instant::now() < deadline, "the lane has nothing to show after 20 s");
            std::thread::yield_now();
        }
    }

    #[test]
    fn a_newer_request_replaces_the_running_one() {
        let context = Context::default();
        let mut lane = Lane::new("test");
        let endless = |monitor: &Monitor| {
            while monitor.check().is_ok() {
                std::thread::yield_now();
            }
            Err(Cancelled)
        };
        assert!(lane.submit(&context, endless).is_none(), "a thread is there");
        assert!(lane.submit(&context, |_| Ok(1)).is_none(), "it waits");
        assert!(lane.submit(&context, |_| Ok(2)).is_none(), "it replaces the waiting one");
        match wait(&mut lane, &context) {
            Ended::Result(result) => assert_eq!(result, Ok(2), "only the newest result arrives"),
            Ended::Broken(message) => panic!("{message}"),
        }
        assert!(!lane.is_busy(), "nothing is left to do");
    }

    #[test]
    fn a_panic_ends_as_a_message() {
        let context = Context::default();
        let mut lane = Lane::<()>::new("test");
        assert!(lane.submit(&context, |_| panic!("no stars")).is_none(), "a thread is there");
        match wait(&mut lane, &context) {
            Ended::Broken(message) => assert!(message.contains("no stars"), "{message}"),
            Ended::Result(()) => panic!("a panic has no result"),
        }
    }

    #[test]
    fn a_lane_tells_how_far_the_whole_is() {
        let context = Context::default();
        let mut lane = Lane::with_plan("test", &[("a", 0.25), ("b", 0.75)]);
        let (go_on, held) = std::sync::mpsc::channel::<()>();
        let work = move |monitor: &Monitor| {
            monitor.step("a", 1, 1)?;
            monitor.step("b", 1, 3)?;
            // Until the test has seen it.
            let _ = held.recv();
            Ok::<_, Cancelled>(())
        };
        assert!(lane.submit(&context, work).is_none(), "a thread is there");
        let deadline = Instant::now() + Duration::from_secs(20);
        let mut seen = Vec::new();
        while seen.last().is_none_or(|done| *done < 0.5) {
            assert!(lane.poll(&context).is_none(), "it goes on");
            seen.push(lane.standing().expect("it runs").done);
            assert!(Instant::now() < deadline, "half of it after 20 s");
        }
        assert!(seen.is_sorted() && seen.last() == Some(&0.5), "a quarter and a third of the rest: {:?}", seen.last());
        drop(go_on);
        assert!(matches!(wait(&mut lane, &context), Ended::Result(Ok(()))), "its end");
    }
}
