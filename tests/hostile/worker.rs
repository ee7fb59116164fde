//! Decodes case after case in a process of its own, which a case may end: the parent starts another then.
//!
//! The worker is this very test program, started once more with `NIGHTSHEAF_HOSTILE_CASES` naming its cases and the
//! file it writes to. A line a case: its number before; after it how many milliseconds it took, the most memory that the
//! worker had so far, and what became of it.

use std::fs::{self, File};
use std::io::Write;
use std::panic;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use nightsheaf::pixels::Layout;
use nightsheaf::raw::{Limits, RawFrame, TransferFunction, decode_unprotected};

use crate::cases::{Case, Good, case, good_files};

/// First case, one after the last, file to write to.
const ASKED: &str = "NIGHTSHEAF_HOSTILE_CASES";
const MAX_PIXELS: usize = 160_000_000;
/// The real decoder's child has as long.
const MOST_TIME: Duration = Duration::from_secs(60);

/// What became of a case.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Fate {
    Picture,
    Message,
    /// The process ended; the real decoder makes a message of it.
    Ended,
    /// What must not be.
    Wrong(String),
}

/// What the cases took that a worker answered.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Spent {
    pub(crate) longest: Duration,
    /// The most memory of a worker; 0 where the system does not tell.
    pub(crate) most_bytes: u64,
}

impl Spent {
    pub(crate) fn most(self, other: Self) -> Self {
        Self { longest: self.longest.max(other.longest), most_bytes: self.most_bytes.max(other.most_bytes) }
    }
}

/// The worker's life; returns at once in the parent.
pub(crate) fn work_if_asked() {
    let Some(asked) = std::env::var_os(ASKED) else { return };
    let asked = asked.into_string().expect("plain text");
    let words: Vec<&str> = asked.splitn(3, ' ').collect();
    let [first, end] = [words[0], words[1]].map(|word| word.parse::<usize>().expect("a number"));
    let limits = Limits::default();
    rlimit::setrlimit(rlimit::Resource::CORE, 0, 0).expect("a lower limit is allowed");
    static OUR_PANIC: Mutex<Option<String>> = Mutex::new(None);
    panic::set_hook(Box::new(|panic| {
        // Outside decoders panic on damaged files, which is caught; our own code must not.
        if let Some(place) = panic.location().filter(|place| place.file().starts_with("src/")) {
            *OUR_PANIC.lock().expect("no panic here") = Some(format!("panic at {place}"));
        }
    }));
    let good = good_files();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut results = File::options().append(true).create(true).open(words[2]).expect("the parent's folder");
    for number in first..end {
        writeln!(results, "{number}").expect("room for a line");
        let case = case(&good, number);
        let path = folder.path().join(&case.name);
        fs::write(&path, &case.bytes).expect("room for a small file");
        // As the real decoder's child has it.
        let memory_bytes = limits.memory_for(case.bytes.len() as u64);
        rlimit::setrlimit(rlimit::Resource::AS, memory_bytes, limits.memory_bytes)
            .expect("no higher limit is asked for");
        let began = Instant::now();
        let decoded = panic::catch_unwind(|| decode_unprotected(&path, MAX_PIXELS));
        let took = began.elapsed().as_millis();
        let ours = OUR_PANIC.lock().expect("no panic here").take();
        let verdict = match (ours, decoded) {
            (Some(place), _) => place,
            (None, Err(_)) => "ended".to_owned(),
            (None, Ok(Ok(frame))) => picture_fault(&frame, &case, folder.path()).unwrap_or("picture".to_owned()),
            (None, Ok(Err(error))) => message_fault(&error.to_string()).unwrap_or("message".to_owned()),
        };
        let verdict = verdict.replace('\n', " ");
        writeln!(results, "{number} {took} {} {verdict}", peak_memory_bytes()).expect("room for a line");
    }
    std::process::exit(0);
}

/// The most memory that this process had; 0 where the system does not tell.
fn peak_memory_bytes() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|line| line.trim().trim_end_matches(" kB").parse::<u64>().ok());
    kib.unwrap_or(0) << 10
}

/// What is wrong with a picture that came out of a damaged file.
fn picture_fault(frame: &RawFrame, case: &Case, folder: &Path) -> Option<String> {
    let sizes_agree = frame.planes.iter().all(|plane| plane.size() == frame.size());
    let n_planes = match frame.layout {
        Layout::Mosaic(_) => 1,
        Layout::Rgb => 3,
    };
    if frame.planes.len() != n_planes || !sizes_agree || frame.size().area() > MAX_PIXELS {
        return Some(format!("{} planes of {}", frame.planes.len(), frame.size()));
    }
    let levels_are_sound = frame.black_level.iter().all(|&level| level >= 0.0 && level < f32::from(frame.white_level));
    let neutral_is_sound = frame.color.as_shot_neutral.iter().all(|&level| level.is_finite() && level > 0.0);
    if !(levels_are_sound
        && neutral_is_sound
        && frame.color.camera_from_xyz.as_flattened().iter().all(|x| x.is_finite()))
    {
        return Some(format!("levels {:?} to {}, color {:?}", frame.black_level, frame.white_level, frame.color));
    }
    let whole = case.cut_from.as_ref()?;
    // A developed picture is judged by its samples too; only what follows them may be missing.
    let path = folder.join(format!("whole-{}", whole.name));
    fs::write(&path, &whole.bytes).expect("room for a small file");
    let expected = decode_unprotected(&path, MAX_PIXELS).expect("a good file");
    let same = expected.planes == frame.planes
        && (frame.transfer == TransferFunction::Linear) == (expected.transfer == TransferFunction::Linear);
    (!same).then(|| format!("another picture from {} of {} bytes", case.bytes.len(), whole.bytes.len()))
}

/// What is wrong with a message.
pub(crate) fn message_fault(message: &str) -> Option<String> {
    let foreign = ["rawler", "RawLoader", "dnglab", "http", "panic", "unwrap", "Error:", "Some(", "Err("];
    let found = foreign.iter().find(|word| message.contains(**word));
    match (found, message.len()) {
        (Some(word), _) => Some(format!("the message speaks of {word}: {message}")),
        (None, 0..20 | 500..) => Some(format!("a message of {} letters: {message}", message.len())),
        _ => None,
    }
}

/// All cases from `first` to `end`, through as many workers as it takes.
pub(crate) fn fates(first: usize, end: usize, folder: &Path) -> (Vec<Fate>, Spent) {
    let path = folder.join(format!("fates-{first}"));
    let mut fates = Vec::new();
    let mut spent = Spent::default();
    while first + fates.len() < end {
        let mut worker = start(first + fates.len(), end, &path);
        let stopped = watch(&mut worker, &path);
        let lines = fs::read_to_string(&path).unwrap_or_default();
        fs::write(&path, "").expect("our own file");
        let (done, begun) = read(&lines);
        for (fate, of_one) in done {
            fates.push(fate);
            spent = spent.most(of_one);
        }
        if begun {
            fates.push(if stopped { Fate::Wrong(format!("no answer in {MOST_TIME:?}")) } else { Fate::Ended });
        } else if !stopped {
            assert_eq!(first + fates.len(), end, "a worker ends before its cases do only by one of them: {lines}");
        }
    }
    (fates, spent)
}

fn start(first: usize, end: usize, path: &Path) -> Child {
    Command::new(std::env::current_exe().expect("this test"))
        .args(["--exact", "worker_process", "--test-threads", "1"])
        .env(ASKED, format!("{first} {end} {}", path.display()))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("this test can be started")
}

/// Waits for a worker, or stops it when no line came for too long.
fn watch(worker: &mut Child, path: &Path) -> bool {
    let length = || fs::metadata(path).map_or(0, |found| found.len());
    let mut last = (length(), Instant::now());
    loop {
        if worker.try_wait().expect("our own child").is_some() {
            return false;
        }
        let now = length();
        if now != last.0 {
            last = (now, Instant::now());
        } else if last.1.elapsed() > MOST_TIME {
            worker.kill().expect("our own child");
            worker.wait().expect("our own child");
            return true;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// The fates that are told with what each took, and whether one more case was begun.
fn read(lines: &str) -> (Vec<(Fate, Spent)>, bool) {
    let mut fates = Vec::new();
    let mut begun = false;
    for line in lines.lines() {
        let words: Vec<&str> = line.splitn(4, ' ').collect();
        let [_, took, bytes, verdict] = words[..] else {
            begun = true;
            continue;
        };
        begun = false;
        let number = |word: &str| word.parse().expect("a number of the worker");
        let spent = Spent { longest: Duration::from_millis(number(took)), most_bytes: number(bytes) };
        let fate = match verdict {
            "picture" => Fate::Picture,
            "message" => Fate::Message,
            "ended" => Fate::Ended,
            wrong => Fate::Wrong(wrong.to_owned()),
        };
        fates.push((fate, spent));
    }
    (fates, begun)
}

/// The file of a case, to be looked at by the real decoder.
pub(crate) fn file_of(good: &[Good], number: usize, folder: &Path) -> PathBuf {
    let case = case(good, number);
    let path = folder.join(format!("{number}-{}", case.name));
    fs::write(&path, &case.bytes).expect("room for a small file");
    path
}
