//! Wall time of each stage, and the most memory that a run took.

use std::time::Instant;

use crate::job;
use crate::pipeline::report::Report;
use crate::raw::largest_child_bytes;

/// Gives each stage the time since the stage before it ended.
pub(super) struct StageClock {
    last: Instant,
}

impl StageClock {
    pub(super) fn start() -> Self {
        Self { last: Instant::now() }
    }

    /// Books the time since the last call on `stage`, which may have been worked on before.
    pub(super) fn lap(&mut self, report: &mut Report, stage: &str) {
        self.lap_shared(report, [(stage, 1.0)]);
    }

    /// Books it on stages that ran side by side, in proportion to the time that all threads spent on each.
    pub(super) fn lap_shared<const N: usize>(&mut self, report: &mut Report, stages: [(&str, f64); N]) {
        let now = Instant::now();
        let secs = now.duration_since(self.last).as_secs_f64();
        let whole: f64 = stages.iter().map(|(_, spent)| spent).sum();
        for (stage, spent) in stages {
            let share = if whole > 0.0 { spent / whole } else { 1.0 / N as f64 };
            match report.seconds.0.iter_mut().find(|(name, _)| name == stage) {
                Some((_, so_far)) => *so_far += share * secs,
                None => report.seconds.0.push((stage.to_owned(), share * secs)),
            }
        }
        self.last = now;
    }
}

/// The most memory so far of this process, and of `n_children` decoding children beside it, each taken at the
/// largest that any of them was: an upper bound. `None` where the system does not tell.
pub(super) fn peak_memory_bytes(n_children: usize) -> Option<u64> {
    Some(job::peak_memory_bytes()? + n_children as u64 * largest_child_bytes())
}
