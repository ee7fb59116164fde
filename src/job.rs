//! One long computation on a thread of its own: progress, cancellation, and a panic that is not fatal.
//!
//! Knows nothing of stars or windows: `wake` is the one thread back to whoever waits.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::{io, thread};

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

type Listener = Box<dyn Fn(Progress) + Send + Sync>;

/// What a computation reports to and asks whether to go on.
pub struct Monitor {
    cancel: CancelToken,
    listener: Listener,
}

impl Monitor {
    /// A monitor that hands each progress to `listener` and stops once `cancel` says so.
    pub fn new(cancel: CancelToken, listener: impl Fn(Progress) + Send + Sync + 'static) -> Self {
        Self { cancel, listener: Box::new(listener) }
    }

    /// A monitor that nobody watches and nobody cancels.
    #[must_use]
    pub fn silent() -> Self {
        Self::new(CancelToken::default(), |_| {})
    }

    /// Reports progress; `Err(Cancelled)` once the run should stop.
    pub fn step(&self, step: &'static str, done: usize, total: usize) -> Result<(), Cancelled> {
        self.check()?;
        (self.listener)(Progress { step, done, total });
        Ok(())
    }

    /// `Err(Cancelled)` once the run should stop; reports nothing.
    pub fn check(&self) -> Result<(), Cancelled> {
        if self.cancel.is_cancelled() { Err(Cancelled) } else { Ok(()) }
    }

    /// The token that this monitor watches.
    #[must_use]
    pub fn cancel_token(&self) -> CancelToken {
        self.cancel.clone()
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
    fn a_panic_becomes_an_update() {
        let job = Job::<()>::spawn("test", || {}, |_| panic!("star {} fell", 7)).expect("a thread");
        let updates = wait_for_last(&job);
        assert_eq!(updates, [Update::Panicked("star 7 fell".to_owned())], "the message of the panic");
    }
}
