//! One long computation on a thread of its own: progress, cancellation, and a panic that is not fatal.
//!
//! Knows nothing of stars or windows: `wake` is the one thread back to whoever waits.

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use std::{io, thread};

pub use crate::system::let_the_window_go_first;

/// The run was asked to stop and did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("cancelled")]
pub struct Cancelled;

/// Where a computation stands: `done` of `total` parts of the named step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Progress {
    /// What is being done, as a person reads it.
    pub step: &'static str,
    /// Parts finished.
    pub done: usize,
    /// Parts in all.
    pub total: usize,
}

/// A request to stop, shared between the one who asks and the one who works.
#[derive(Clone, Debug, Default)]
pub struct CancelToken(Arc<AtomicBool>);

impl CancelToken {
    /// Asks the work to stop at its next step.
    pub fn cancel(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether a stop was asked for.
    #[must_use]
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

type Listener = Arc<dyn Fn(Progress) + Send + Sync>;

/// What a computation reports to and asks whether to go on.
pub struct Monitor {
    cancel: CancelToken,
    listener: Listener,
    /// Hears of each look at whether to go on.
    looks: Option<Arc<dyn Fn() + Send + Sync>>,
    /// Where work done aside stands.
    aside: Option<Arc<AtomicU8>>,
}

impl Monitor {
    /// A monitor that hands each progress to `listener` and stops once `cancel` says so.
    pub fn new(cancel: CancelToken, listener: impl Fn(Progress) + Send + Sync + 'static) -> Self {
        Self { cancel, listener: Arc::new(listener), looks: None, aside: None }
    }

    /// A monitor that nobody watches and nobody cancels.
    #[must_use]
    pub fn silent() -> Self {
        Self::new(CancelToken::default(), |_| {})
    }

    /// The same monitor, which calls `heard` just before each look at whether to go on: how often work looks is what
    /// bounds the time until it stops.
    #[must_use]
    pub fn hear_looks(self, heard: impl Fn() + Send + Sync + 'static) -> Self {
        Self { looks: Some(Arc::new(heard)), ..self }
    }

    /// The same monitor for a part of the work that is to be reported by this name, whatever its steps are called.
    #[must_use]
    pub fn named(&self, step: &'static str) -> Self {
        let listener = Arc::clone(&self.listener);
        Self {
            cancel: self.cancel.clone(),
            listener: Arc::new(move |progress| listener(Progress { step, ..progress })),
            looks: self.looks.clone(),
            aside: self.aside.clone(),
        }
    }

    /// Reports progress; `Err(Cancelled)` once the run should stop.
    pub fn step(&self, step: &'static str, done: usize, total: usize) -> Result<(), Cancelled> {
        self.check()?;
        (self.listener)(Progress { step, done, total });
        Ok(())
    }

    /// `Err(Cancelled)` once the run should stop; reports nothing.
    pub fn check(&self) -> Result<(), Cancelled> {
        if let Some(heard) = &self.looks {
            heard();
        }
        if self.cancel.is_cancelled() { Err(Cancelled) } else { Ok(()) }
    }

    /// As [`Monitor::check`], before what must not be left half done, such as a file that takes the place of another:
    /// from here on the work goes to its end, and whoever waits for it waits.
    pub fn no_way_back(&self) -> Result<(), Cancelled> {
        self.check()?;
        match &self.aside {
            Some(stands) if !settle(stands, COMMITTED) => Err(Cancelled),
            _ => Ok(()),
        }
    }

    /// The token that this monitor watches.
    #[must_use]
    pub fn cancel_token(&self) -> CancelToken {
        self.cancel.clone()
    }
}

/// Where work done aside stands: it may still be given up, it was, or it goes to its end.
const OPEN: u8 = 0;
const GIVEN_UP: u8 = 1;
const COMMITTED: u8 = 2;

/// Between two looks at whether work done aside is still wanted.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// Whether the work was open until now and is `settled` from now on.
fn settle(stands: &AtomicU8, settled: u8) -> bool {
    stands.compare_exchange(OPEN, settled, Ordering::AcqRel, Ordering::Acquire).is_ok()
}

/// Does work on as many threads as whoever asks for it has, which need not be all.
fn on_threads<T: Send>(n_threads: usize, work: impl FnOnce() -> T + Send) -> T {
    if rayon::current_num_threads() == n_threads {
        return work();
    }
    let name = move |index: usize| format!("aside {} of {n_threads}", index + 1);
    match rayon::ThreadPoolBuilder::new().num_threads(n_threads).thread_name(name).build() {
        Ok(pool) => pool.install(work),
        // A system without threads to spare.
        Err(_) => work(),
    }
}

/// Does work that cannot look by itself whether to go on, such as a decoder's, on a thread of its own: once it should
/// stop it is given up at once, and ends later with nobody to hear of it.
///
/// What is given up must leave nothing behind: the work calls [`Monitor::no_way_back`] before it changes anything.
pub fn aside<T: Send + 'static>(
    monitor: &Monitor,
    work: impl FnOnce(&Monitor) -> T + Send + 'static,
) -> Result<T, Cancelled> {
    monitor.check()?;
    let (sender, updates) = channel();
    let stands = Arc::new(AtomicU8::new(OPEN));
    let mut watching = progress_monitor(monitor.cancel_token(), sender.clone(), Arc::new(|| {}));
    watching.aside = Some(Arc::clone(&stands));
    let work = Arc::new(Mutex::new(Some(work)));
    let waiting = Arc::clone(&work);
    let take = move |work: &Mutex<Option<_>>| work.lock().unwrap_or_else(PoisonError::into_inner).take();
    let n_threads = rayon::current_num_threads();
    let spawned = thread::Builder::new().name("aside".to_owned()).spawn(move || {
        let Some(work) = take(&waiting) else { return };
        // Nobody hears of it where it was given up.
        let _ = match catch_unwind(AssertUnwindSafe(|| on_threads(n_threads, || work(&watching)))) {
            Ok(result) => sender.send(Update::Finished(result)),
            Err(panic) => sender.send(Update::Panicked(panic_message(panic.as_ref()))),
        };
    });
    if spawned.is_err()
        && let Some(work) = take(&work)
    {
        // A system without a thread to spare: the work is done here, and ends when it ends.
        return Ok(work(monitor));
    }
    loop {
        match updates.recv_timeout(LOOK_EVERY) {
            Ok(Update::Progress(Progress { step, done, total })) => {
                // Whether to go on is asked below.
                let _ = monitor.step(step, done, total);
            }
            Ok(Update::Finished(result)) => return Ok(result),
            Ok(Update::Panicked(message)) => resume_unwind(Box::new(message)),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => unreachable!("the work sends its end last"),
        }
        if monitor.check().is_err() && settle(&stands, GIVEN_UP) {
            return Err(Cancelled);
        }
    }
}

/// What a job tells the one who polls it.
#[derive(Debug, PartialEq)]
pub enum Update<T> {
    /// How far it is.
    Progress(Progress),
    /// Its result; nothing follows.
    Finished(T),
    /// It panicked, with the panic's message; nothing follows.
    Panicked(String),
}

/// A computation on its own thread. Dropping it cancels and waits.
#[derive(Debug)]
pub struct Job<T> {
    cancel: CancelToken,
    updates: Receiver<Update<T>>,
    thread: Option<thread::JoinHandle<()>>,
}

impl<T: Send + 'static> Job<T> {
    /// Runs `work` on its own named thread; calls `wake` after each update.
    pub fn spawn(
        name: &str,
        wake: impl Fn() + Send + Sync + 'static,
        work: impl FnOnce(&Monitor) -> T + Send + 'static,
    ) -> io::Result<Self> {
        let cancel = CancelToken::default();
        let (sender, updates) = channel();
        let wake = Arc::new(wake);
        let monitor = progress_monitor(cancel.clone(), sender.clone(), Arc::clone(&wake));
        let thread = thread::Builder::new().name(name.to_owned()).spawn(move || {
            let_the_window_go_first();
            let last = match catch_unwind(AssertUnwindSafe(|| work(&monitor))) {
                Ok(result) => Update::Finished(result),
                Err(panic) => Update::Panicked(panic_message(panic.as_ref())),
            };
            // The receiver is gone only when nobody waits for the result any more.
            let _ = sender.send(last);
            wake();
        })?;
        Ok(Self { cancel, updates, thread: Some(thread) })
    }

    /// Asks the work to stop at its next step.
    pub fn cancel(&self) {
        self.cancel.cancel();
    }

    /// Whether a stop was asked for.
    #[must_use]
    pub fn is_cancelled(&self) -> bool {
        self.cancel.is_cancelled()
    }

    /// All updates since the last poll, oldest first.
    #[must_use]
    pub fn poll(&self) -> Vec<Update<T>> {
        self.updates.try_iter().collect()
    }
}

impl<T> Drop for Job<T> {
    fn drop(&mut self) {
        self.cancel.cancel();
        if let Some(thread) = self.thread.take() {
            // A panic was already caught inside the thread.
            let _ = thread.join();
        }
    }
}

fn progress_monitor<T: Send + 'static>(
    cancel: CancelToken,
    sender: Sender<Update<T>>,
    wake: Arc<impl Fn() + Send + Sync + 'static>,
) -> Monitor {
    Monitor::new(cancel, move |progress| {
        // As above: without a receiver nobody cares how far the work is.
        let _ = sender.send(Update::Progress(progress));
        wake();
    })
}

fn panic_message(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "no message".to_owned())
}

/// The most resident memory that this process ever had, where the system keeps count.
#[cfg(target_os = "linux")]
#[must_use]
pub fn peak_memory_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kibibytes: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kibibytes * 1024)
}

/// The most resident memory that this process ever had, where the system keeps count.
#[cfg(not(target_os = "linux"))]
#[must_use]
pub fn peak_memory_bytes() -> Option<u64> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wait_for_last<T: Send + 'static>(job: &Job<T>) -> Vec<Update<T>> {
        let mut updates = Vec::new();
        while !matches!(updates.last(), Some(Update::Finished(_) | Update::Panicked(_))) {
            updates.push(job.updates.recv().expect("a job ends with its result"));
        }
        updates
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_job_and_what_it_starts_give_way_and_who_asked_for_it_does_not() {
        let niceness = || rustix::process::getpriority_process(None).expect("of this very thread");
        let own = niceness();
        let work = move |_: &Monitor| (niceness(), thread::spawn(niceness).join().expect("it only looks"));
        let job = Job::spawn("job", || {}, work).expect("a thread");
        let updates = wait_for_last(&job);
        let Some(Update::Finished((in_job, below))) = updates.last() else { panic!("{updates:?}") };
        assert!(*in_job > own && below == in_job, "{own} outside, {in_job} in the job, {below} in what it started");
        assert_eq!(niceness(), own, "the thread that asked");
    }

    #[test]
    fn a_cancelled_job_finishes_with_cancelled() {
        let job = Job::spawn(
            "test",
            || {},
            |monitor| {
                loop {
                    monitor.step("Waiting", 0, 1)?;
                    thread::yield_now();
                }
                #[allow(unreachable_code, reason = "names the type of the result")]
                Ok::<(), Cancelled>(())
            },
        )
        .expect("a thread");
        job.cancel();
        let updates = wait_for_last(&job);
        assert_eq!(updates.last(), Some(&Update::Finished(Err(Cancelled))), "the work stopped because it was asked to");
    }

    #[test]
    fn a_part_of_the_work_is_told_by_its_own_name_and_stops_with_the_whole() {
        let (cancel, told) = (CancelToken::default(), Arc::new(Mutex::new(Vec::new())));
        let hears = Arc::clone(&told);
        let monitor = Monitor::new(cancel.clone(), move |progress| hears.lock().expect("one thread").push(progress));
        let part = monitor.named("The sky alone");
        assert_eq!(part.step("Stacking", 3, 7), Ok(()), "nobody asked to stop");
        cancel.cancel();
        assert_eq!(part.step("Stacking", 4, 7), Err(Cancelled), "the whole is to stop");
        let expected = Progress { step: "The sky alone", done: 3, total: 7 };
        assert_eq!(*told.lock().expect("one thread"), [expected], "its figures by its name");
    }

    #[test]
    fn a_panic_becomes_an_update() {
        let job = Job::<()>::spawn("test", || {}, |_| panic!("star {} fell", 7)).expect("a thread");
        let updates = wait_for_last(&job);
        assert_eq!(updates, [Update::Panicked("star 7 fell".to_owned())], "the message of the panic");
    }

    /// The work never looks and never ends; the one who waits for it looks again and again, and goes.
    #[test]
    fn work_done_aside_is_given_up_while_it_is_still_busy() {
        let (release, held) = channel::<()>();
        let cancel = CancelToken::default();
        let (token, n_looks) = (cancel.clone(), std::sync::atomic::AtomicUsize::new(0));
        let monitor = Monitor::new(cancel, |_| {}).hear_looks(move || {
            if n_looks.fetch_add(1, Ordering::Relaxed) == 3 {
                token.cancel();
            }
        });
        let result = aside(&monitor, move |_| held.recv());
        assert_eq!(result, Err(Cancelled), "given up");
        drop(release);
    }

    /// Asked to stop after the point of no return, the work is waited for: what it changed is told.
    #[test]
    fn work_done_aside_that_cannot_go_back_is_waited_for() {
        let cancel = CancelToken::default();
        let token = cancel.clone();
        let monitor = Monitor::new(cancel, |_| {});
        let result = aside(&monitor, move |aside| {
            aside.no_way_back()?;
            token.cancel();
            thread::sleep(3 * LOOK_EVERY);
            Ok::<_, Cancelled>(7)
        });
        assert_eq!(result, Ok(Ok(7)), "it came to its end");
        let late = aside(&Monitor::silent(), |aside| {
            aside.cancel_token().cancel();
            aside.no_way_back()
        });
        assert!(matches!(late, Err(Cancelled) | Ok(Err(Cancelled))), "asked before, it changes nothing: {late:?}");
    }

    #[test]
    fn what_work_done_aside_tells_is_passed_on() {
        let told = Arc::new(Mutex::new(Vec::new()));
        let hears = Arc::clone(&told);
        let monitor = Monitor::new(CancelToken::default(), move |progress| {
            hears.lock().expect("nobody panics").push(progress.done);
        });
        let result = aside(&monitor, |aside| {
            (0..3).try_for_each(|done| aside.step("Counting", done, 3))?;
            Ok::<_, Cancelled>("done")
        });
        assert_eq!(result, Ok(Ok("done")), "nobody cancels");
        assert_eq!(*told.lock().expect("nobody panics"), [0, 1, 2], "in order");
    }
}
