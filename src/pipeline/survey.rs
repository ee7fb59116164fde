//! Many files looked at side by side.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;

use crate::error::Error;
use crate::job::{Cancelled, Monitor};
use crate::raw::{DecodeError, Decoder, FrameFacts};

/// What each file says of itself; `None` where it cannot be read.
pub(super) fn survey(
    monitor: &Monitor,
    decoder: &Decoder,
    paths: &[PathBuf],
    n_at_once: usize,
) -> Result<Vec<Option<FrameFacts>>, Error> {
    side_by_side(monitor, "Looking at the frames", paths, n_at_once, |path| {
        match decoder.facts(path, &monitor.cancel_token()) {
            Ok(facts) => Ok(Some(facts)),
            Err(DecodeError::Cancelled) => Err(Cancelled.into()),
            // Decoding will find out why, and say it.
            Err(_) => Ok(None),
        }
    })
}

/// Does the same to all paths, some at a time; results in the order of the paths.
pub(super) fn side_by_side<T: Send>(
    monitor: &Monitor,
    step: &'static str,
    paths: &[PathBuf],
    n_at_once: usize,
    work: impl Fn(&Path) -> Result<T, Error> + Sync,
) -> Result<Vec<T>, Error> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::with_capacity(paths.len()));
    let worker = || -> Result<(), Error> {
        loop {
            let idx = next.fetch_add(1, Ordering::Relaxed);
            let Some(path) = paths.get(idx) else { return Ok(()) };
            monitor.step(step, idx, paths.len())?;
            let result = work(path)?;
            done.lock().unwrap_or_else(PoisonError::into_inner).push((idx, result));
        }
    };
    thread::scope(|scope| {
        let workers: Vec<_> = (0..n_at_once.clamp(1, paths.len().max(1))).map(|_| scope.spawn(worker)).collect();
        workers.into_iter().try_for_each(|worker| match worker.join() {
            Ok(result) => result,
            Err(panic) => std::panic::resume_unwind(panic),
        })
    })?;
    let mut done = done.into_inner().unwrap_or_else(PoisonError::into_inner);
    done.sort_unstable_by_key(|(idx, _)| *idx);
    Ok(done.into_iter().map(|(_, result)| result).collect())
}
