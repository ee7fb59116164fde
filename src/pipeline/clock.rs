//! Wall time of each stage, and the most memory that a run took.

use std::time::Instant;

use crate::pipeline::report::Report;

/// Gives each stage the time since the stage before it ended.
pub(super) struct StageClock {
    last: Instant,
}

impl StageClock {
    pub(super) fn start() -> Self {
        Self { last: Instant::now() }
    }

    /// Books the time since the last call on `stage`.
    pub(super) fn lap(&mut self, report: &mut Report, stage: &str) {
        let now = Instant::now();
        report.seconds.0.push((stage.to_owned(), now.duration_since(self.last).as_secs_f64()));
        self.last = now;
    }
}

/// The most memory so far of this process together with `n_children` children that ran at once, each
/// taken at the largest that any of them was: an upper bound. `None` where the system does not tell.
pub(super) fn peak_memory_bytes(n_children: usize) -> Option<u64> {
    let own = peak_of_this_process()?;
    Some(own + n_children as u64 * peak_of_a_child().unwrap_or(0))
}

/// The high-water mark of resident memory that Linux keeps.
#[cfg(target_os = "linux")]
fn peak_of_this_process() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    let kibibytes: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kibibytes * 1024)
}

#[cfg(all(unix, not(target_os = "linux")))]
fn peak_of_this_process() -> Option<u64> {
    largest_resident(nix::sys::resource::UsageWho::RUSAGE_SELF)
}

#[cfg(not(unix))]
fn peak_of_this_process() -> Option<u64> {
    None
}

#[cfg(unix)]
fn peak_of_a_child() -> Option<u64> {
    largest_resident(nix::sys::resource::UsageWho::RUSAGE_CHILDREN)
}

#[cfg(not(unix))]
fn peak_of_a_child() -> Option<u64> {
    None
}

/// POSIX leaves the unit open: kibibytes on Linux and the BSDs, bytes on Apple's systems.
#[cfg(unix)]
fn largest_resident(who: nix::sys::resource::UsageWho) -> Option<u64> {
    let unit = if cfg!(target_vendor = "apple") { 1 } else { 1024 };
    let largest = nix::sys::resource::getrusage(who).ok()?.max_rss();
    u64::try_from(largest).ok().map(|largest| largest * unit)
}
