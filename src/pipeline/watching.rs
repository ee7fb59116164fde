//! New frames in a folder, measured as they come from a cable or a card.
//!
//! The folder is looked at again and again, which works on every system and on network drives. A file counts
//! as whole once its size and its time have stood still for a while; one that changes later is measured anew.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant, SystemTime};

use crate::error::Error;
use crate::job::Monitor;
use crate::pipeline::burst::judge_readings;
use crate::pipeline::gather::frames_of_folder;
use crate::pipeline::lights::Reading;
use crate::pipeline::measuring::{FrameFinding, MeasureRequest, measure_with_readings};

/// How long a file must stand still: cameras write a frame in bursts with pauses below a second.
pub const SETTLE: Duration = Duration::from_millis(1500);

/// Between two looks at the folder.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// Between two looks at whether to stop.
const NAP: Duration = Duration::from_millis(100);

/// The frame files of a folder, each told once it is whole.
#[derive(Debug)]
pub struct FolderWatch {
    folder: PathBuf,
    settle: Duration,
    files: BTreeMap<PathBuf, Sighting>,
}

/// A file as it was when it last changed.
#[derive(Clone, Copy, Debug)]
struct Sighting {
    bytes: u64,
    modified: Option<SystemTime>,
    since: Instant,
    told: bool,
}

impl FolderWatch {
    /// A watch that has seen nothing yet.
    #[must_use]
    pub fn new(folder: &Path, settle: Duration) -> Self {
        Self { folder: folder.to_owned(), settle, files: BTreeMap::new() }
    }

    /// The files that have become whole since the last look, by name; `now` is the time of this look.
    ///
    /// # Errors
    /// [`Error::Folder`] when the folder cannot be listed.
    pub fn look(&mut self, now: Instant) -> Result<Vec<PathBuf>, Error> {
        let present = frames_of_folder(&self.folder)?;
        self.files.retain(|path, _| present.contains(path));
        let mut whole = Vec::new();
        for path in present {
            // A file that vanished since the list was made is not there.
            let Ok(metadata) = fs::metadata(&path) else { continue };
            let (bytes, modified) = (metadata.len(), metadata.modified().ok());
            let file = self.files.entry(path.clone()).or_insert(Sighting { bytes, modified, since: now, told: false });
            if (file.bytes, file.modified) != (bytes, modified) {
                *file = Sighting { bytes, modified, since: now, told: false };
            }
            if !file.told && bytes > 0 && now.duration_since(file.since) >= self.settle {
                file.told = true;
                whole.push(path);
            }
        }
        Ok(whole)
    }

    /// Files that are there and not whole yet.
    #[must_use]
    pub fn n_waiting(&self) -> usize {
        self.files.values().filter(|file| !file.told).count()
    }
}

/// Measures the frames of a folder as they come; returns why it ended, which is when it is cancelled or the
/// folder cannot be read any more.
///
/// `on_frame` hears of each frame, and again where its verdict changes as others join. A file that cannot be
/// read is told as set aside with its reason. The frames named in `request` itself are not looked at.
pub fn watch(
    monitor: &Monitor,
    folder: &Path,
    request: &MeasureRequest,
    mut on_frame: impl FnMut(FrameFinding) + Send,
) -> Error {
    watch_between(monitor, folder, request, || false, &mut on_frame)
}

/// As [`watch`], for a machine that has other work at times: no frame is measured while `held` says so.
pub fn watch_between(
    monitor: &Monitor,
    folder: &Path,
    request: &MeasureRequest,
    held: impl Fn() -> bool,
    mut on_frame: impl FnMut(FrameFinding) + Send,
) -> Error {
    let mut watch = FolderWatch::new(folder, SETTLE);
    let mut night = Night::default();
    loop {
        let whole = match watch.look(Instant::now()) {
            Ok(whole) => whole,
            Err(error) => return error,
        };
        for path in whole {
            while held() {
                if let Err(cancelled) = monitor.check() {
                    return cancelled.into();
                }
                thread::sleep(NAP);
            }
            match night.take(monitor, request, path) {
                Ok(changed) => changed.into_iter().for_each(&mut on_frame),
                Err(error) => return error,
            }
        }
        let next_look = Instant::now() + LOOK_EVERY;
        while Instant::now() < next_look {
            if let Err(cancelled) = monitor.check() {
                return cancelled.into();
            }
            thread::sleep(NAP);
        }
    }
}

/// The frames so far, in the order in which they came.
#[derive(Default)]
struct Night {
    findings: Vec<FrameFinding>,
    readings: Vec<Reading>,
}

impl Night {
    /// Measures one more frame; all findings that are new or changed.
    fn take(&mut self, monitor: &Monitor, request: &MeasureRequest, path: PathBuf) -> Result<Vec<FrameFinding>, Error> {
        let one = MeasureRequest { lights: vec![path.clone()], ..request.clone() };
        let (finding, reading) = match measure_with_readings(monitor, &one, |_, _| {}) {
            Ok((mut findings, mut readings)) => {
                let finding = findings.pop().expect("a frame that was asked for has a finding");
                // A frame that is no light has no reading.
                let reading = readings.pop().unwrap_or_else(|| Err(finding.reason.clone()));
                (finding, reading)
            }
            Err(Error::TooFewFrames { set_aside, .. }) => {
                let reason = set_aside.into_iter().map(|(_, reason)| reason).collect::<Vec<_>>().join("; ");
                (FrameFinding::unread(path.clone(), reason.clone()), Err(reason))
            }
            Err(error) => return Err(error),
        };
        match self.findings.iter().position(|known| known.path == path) {
            Some(idx) => (self.findings[idx], self.readings[idx]) = (finding, reading),
            None => {
                self.findings.push(finding);
                self.readings.push(reading);
            }
        }
        let judgements = judge_readings(&self.readings);
        let mut changed = Vec::new();
        for (finding, judgement) in self.findings.iter_mut().zip(judgements) {
            let same = finding.verdict == judgement.verdict && finding.reason == judgement.reason;
            (finding.verdict, finding.reason) = (judgement.verdict, judgement.reason);
            if !same || finding.path == path {
                changed.push(finding.clone());
            }
        }
        Ok(changed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(paths: &[PathBuf]) -> Vec<String> {
        paths.iter().filter_map(|path| path.file_name()).map(|name| name.to_string_lossy().into_owned()).collect()
    }

    #[test]
    fn a_file_is_told_once_and_only_when_it_stands_still() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let mut watch = FolderWatch::new(folder.path(), Duration::from_secs(2));
        let start = Instant::now();
        let at = |secs: u64| start + Duration::from_secs(secs);
        let look = |watch: &mut FolderWatch, secs| names(&watch.look(at(secs)).expect("a folder"));
        let path = folder.path().join("b.dng");
        fs::write(&path, b"half").expect("a small file");
        assert_eq!((look(&mut watch, 0), watch.n_waiting()), (vec![], 1), "just seen");
        fs::write(&path, b"half and more").expect("a small file");
        assert!(look(&mut watch, 2).is_empty(), "it grew since");
        assert!(look(&mut watch, 3).is_empty(), "it stands still for one second");
        assert_eq!(look(&mut watch, 4), ["b.dng"], "two seconds");
        assert_eq!((look(&mut watch, 9), watch.n_waiting()), (vec![], 0), "told before");
        fs::write(&path, b"half and more and the rest").expect("a small file");
        assert!(look(&mut watch, 10).is_empty(), "it changed again");
        assert_eq!(look(&mut watch, 12), ["b.dng"], "so it is told again");
    }

    #[test]
    fn empty_files_and_other_files_wait_and_a_lost_folder_is_said() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().to_owned();
        let mut watch = FolderWatch::new(&path, Duration::ZERO);
        fs::write(path.join("a.dng"), b"").expect("an empty file");
        fs::write(path.join("notes.txt"), b"x").expect("a small file");
        assert!(watch.look(Instant::now()).expect("a folder").is_empty(), "nothing to measure");
        folder.close().expect("our own folder");
        let error = watch.look(Instant::now()).expect_err("the folder is gone");
        assert!(error.to_string().contains(&path.display().to_string()), "{error}");
    }
}
