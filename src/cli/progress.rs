//! How far a run is: a bar on a terminal, one line a step elsewhere.

use std::io::{self, IsTerminal, Write};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::job::{CancelToken, Monitor, Progress};

/// A monitor that shows its progress on standard error, or nowhere when `quiet`.
pub(super) fn monitor(cancel: &CancelToken, quiet: bool) -> Monitor {
    if quiet {
        Monitor::new(cancel.clone(), |_| {})
    } else if io::stderr().is_terminal() {
        Monitor::new(cancel.clone(), bar())
    } else {
        Monitor::new(cancel.clone(), lines())
    }
}

fn bar() -> impl Fn(Progress) + Send + Sync {
    let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr());
    let template = "{msg:<24} {wide_bar} {pos:>4} of {len:<4} {eta:>4} left";
    bar.set_style(ProgressStyle::with_template(template).expect("the template is valid"));
    bar.enable_steady_tick(Duration::from_millis(200));
    let shown = Mutex::new("");
    move |progress| {
        let mut shown = shown.lock().unwrap_or_else(PoisonError::into_inner);
        if *shown != progress.step {
            *shown = progress.step;
            bar.reset();
            bar.set_message(progress.step);
        }
        bar.set_length(progress.total as u64);
        bar.set_position(progress.done as u64);
    }
}

fn lines() -> impl Fn(Progress) + Send + Sync {
    let shown = Mutex::new("");
    move |progress| {
        let mut shown = shown.lock().unwrap_or_else(PoisonError::into_inner);
        if *shown != progress.step {
            *shown = progress.step;
            // Progress is a courtesy: a closed standard error does not stop the work.
            let _ = writeln!(io::stderr(), "{} …", progress.step);
        }
    }
}
