//! The parent's side of decoding: one child process a frame, with limits, watched while it works.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};
use std::{env, thread};

use crate::job::CancelToken;
use crate::raw::child::{CHILD_ARGUMENT, FACTS_ARGUMENT};
use crate::raw::error::DecodeError;
use crate::raw::facts::FrameFacts;
use crate::raw::frame::RawFrame;
use crate::raw::message::{read_facts, read_result};
use crate::system::kind_of;

/// Of all children of this process, as systems count it themselves.
static LARGEST_CHILD: AtomicU64 = AtomicU64::new(0);

/// The most memory that any decoding child of this process had; 0 where the system does not tell.
#[must_use]
pub fn largest_child_bytes() -> u64 {
    LARGEST_CHILD.load(Ordering::Relaxed)
}

/// How often the watcher looks at the clock and the cancel token.
const WATCH_INTERVAL: Duration = Duration::from_millis(20);
/// Memory that any decoder may have, however small the file: 100 megapixels of 16-bit RGB and as much again, and a
/// quarter of that for its own work.
const BASE_MEMORY_BYTES: u64 = 3 << 29;
/// Memory a byte of the file: the file itself twice, and the picture of a well compressed raw.
const MEMORY_BYTES_PER_FILE_BYTE: u64 = 16;

/// What one frame may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Address space of the child, where the system can limit it; small files get less.
    pub memory_bytes: u64,
    /// Wall time of the child.
    pub wall_time: Duration,
    /// Pixels of the picture.
    pub pixels: usize,
    /// Size of the file.
    pub file_bytes: u64,
}

impl Default for Limits {
    /// Beyond every camera on the market: 160 megapixels, 1 GiB of file.
    fn default() -> Self {
        Self { memory_bytes: 2 << 30, wall_time: Duration::from_secs(60), pixels: 160_000_000, file_bytes: 1 << 30 }
    }
}

impl Limits {
    /// Address space of the child that decodes a file of so many bytes.
    #[must_use]
    pub fn memory_for(&self, file_bytes: u64) -> u64 {
        self.memory_bytes.min(BASE_MEMORY_BYTES + MEMORY_BYTES_PER_FILE_BYTE * file_bytes)
    }
}

/// Decodes files in child processes; frames may be decoded side by side from several threads.
#[derive(Clone, Debug)]
pub struct Decoder {
    /// The program to start: one whose `main` begins with [`serve_if_asked`](crate::raw::serve_if_asked).
    pub program: PathBuf,
    /// What one frame may take.
    pub limits: Limits,
}

impl Decoder {
    /// A decoder that starts the running program once more, with the default limits.
    pub fn this_program() -> io::Result<Self> {
        Ok(Self { program: env::current_exe()?, limits: Limits::default() })
    }

    /// The frame in the file at `path`; a cancel kills the child at once.
    pub fn decode(&self, path: &Path, cancel: &CancelToken) -> Result<RawFrame, DecodeError> {
        let received = self.run(CHILD_ARGUMENT, path, cancel, |output| read_result(output, self.limits.pixels))?;
        LARGEST_CHILD.fetch_max(received.peak_memory_bytes.unwrap_or(0), Ordering::Relaxed);
        Ok(received.frame)
    }

    /// What the file at `path` says of itself, without its samples.
    pub fn facts(&self, path: &Path, cancel: &CancelToken) -> Result<FrameFacts, DecodeError> {
        self.run(FACTS_ARGUMENT, path, cancel, read_facts)
    }

    /// Starts a child and reads its message.
    fn run<T>(
        &self,
        argument: &str,
        path: &Path,
        cancel: &CancelToken,
        read: impl FnOnce(&mut ChildStdout) -> io::Result<Result<T, DecodeError>>,
    ) -> Result<T, DecodeError> {
        let file_bytes = check_file(path, self.limits.file_bytes)?;
        if cancel.is_cancelled() {
            return Err(DecodeError::Cancelled);
        }
        let memory_bytes = self.limits.memory_for(file_bytes);
        let mut child = self.start(argument, path, memory_bytes)?;
        let mut output = child.stdout.take().expect("standard output was piped");
        let child = Mutex::new(child);
        let (finished, is_finished) = channel::<()>();
        let watched = &child;
        let (received, stopped) = thread::scope(|scope| {
            let watcher = scope.spawn(move || watch(watched, is_finished, cancel, self.limits.wall_time));
            let received = read(&mut output);
            drop(finished);
            (received, watcher.join().expect("the watcher does not panic"))
        });
        // Close both ends before waiting, so that a child that still writes or waits ends too.
        drop(output);
        let mut child = child.into_inner().unwrap_or_else(PoisonError::into_inner);
        drop(child.stdin.take());
        let status =
            child.wait().map_err(|source| DecodeError::Io { action: "cannot wait for the decoder", source })?;
        match (received, stopped) {
            (_, Some(Stop::Cancelled)) => Err(DecodeError::Cancelled),
            (Ok(result), _) => result,
            (Err(_), Some(Stop::OutOfTime)) => Err(out_of_time(self.limits.wall_time)),
            // How the pipe broke says nothing: the end of the child is the reason.
            (Err(_), None) => Err(crashed(status, memory_bytes)),
        }
    }

    fn start(&self, argument: &str, path: &Path, memory_bytes: u64) -> Result<Child, DecodeError> {
        let mut command = Command::new(&self.program);
        command
            .arg(argument)
            .arg(memory_bytes.to_string())
            .arg(self.limits.pixels.to_string())
            .arg(path)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null());
        keep_from_the_terminal(&mut command);
        command.spawn().map_err(|source| DecodeError::Io { action: "cannot start the decoder", source })
    }
}

/// Ctrl-C belongs to the parent, which then ends its children itself.
#[cfg(unix)]
fn keep_from_the_terminal(command: &mut Command) {
    use std::os::unix::process::CommandExt;
    command.process_group(0);
}

/// No console window flashes up for a child.
#[cfg(windows)]
fn keep_from_the_terminal(command: &mut Command) {
    use std::os::windows::process::CommandExt;
    const CREATE_NO_WINDOW: u32 = 0x0800_0000;
    command.creation_flags(CREATE_NO_WINDOW);
}

#[cfg(not(any(unix, windows)))]
fn keep_from_the_terminal(_command: &mut Command) {}

/// The size of a file worth starting a child for.
fn check_file(path: &Path, max_bytes: u64) -> Result<u64, DecodeError> {
    let cannot_read = |source| DecodeError::Io { action: "cannot read the file", source };
    let found = fs::metadata(path).map_err(cannot_read)?;
    if !found.is_file() {
        let kind = kind_of(found.file_type());
        return Err(DecodeError::Unsupported(format!("found {kind} where a picture file is needed")));
    }
    if found.len() == 0 {
        let reason = "the file is empty (0 bytes): copy it from the card again";
        return Err(DecodeError::Malformed(reason.to_owned()));
    }
    if found.len() > max_bytes {
        return Err(DecodeError::LimitExceeded(format!(
            "the file has {} bytes where {max_bytes} are allowed: is it a single frame?",
            found.len()
        )));
    }
    // Asks for the permission here, where the system's own answer can be shown.
    fs::File::open(path).map_err(cannot_read)?;
    Ok(found.len())
}

/// Why the watcher ended a child.
enum Stop {
    Cancelled,
    OutOfTime,
}

/// Returns once the child's message is in (the sender is gone), or kills the child and says why.
fn watch(child: &Mutex<Child>, is_finished: Receiver<()>, cancel: &CancelToken, wall_time: Duration) -> Option<Stop> {
    let started = Instant::now();
    while let Err(RecvTimeoutError::Timeout) = is_finished.recv_timeout(WATCH_INTERVAL) {
        let stop = match () {
            () if cancel.is_cancelled() => Stop::Cancelled,
            () if started.elapsed() > wall_time => Stop::OutOfTime,
            () => continue,
        };
        // A child that cannot be killed has ended already.
        let _ = child.lock().unwrap_or_else(PoisonError::into_inner).kill();
        return Some(stop);
    }
    None
}

fn out_of_time(wall_time: Duration) -> DecodeError {
    DecodeError::LimitExceeded(format!(
        "no picture after {} s: the file is damaged, or its disk does not answer",
        wall_time.as_secs_f64()
    ))
}

fn crashed(status: ExitStatus, memory_bytes: u64) -> DecodeError {
    DecodeError::Malformed(format!(
        "the decoder ended without a picture ({status}): the file is damaged, or asks for more than {} MiB of memory",
        memory_bytes >> 20
    ))
}
