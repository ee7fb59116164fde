//! The child's side of decoding: limits first, then the decoder, then one flat message on standard output.

use std::ffi::OsString;
use std::io::{self, Read};
use std::path::Path;
use std::process::ExitCode;
use std::{env, panic, thread};

use crate::raw::adapters::decode_in_this_process;
use crate::raw::error::DecodeError;
use crate::raw::facts::facts_in_this_process;
use crate::raw::frame::RawFrame;
use crate::raw::message::{write_facts, write_result};

/// The private first argument that makes the program decode one frame and end.
pub(super) const CHILD_ARGUMENT: &str = "--decode-one-frame";

/// As it, but only to read what the file says of itself.
pub(super) const FACTS_ARGUMENT: &str = "--read-frame-facts";

/// Decoders spread their work over this many threads: many frames are decoded side by side.
const CHILD_THREADS: usize = 2;

/// Decodes one frame if the program was started for that: the first call in `main`.
///
/// `Some` is the exit code to end with; `None` says that the program was started by a person.
#[must_use]
pub fn serve_if_asked() -> Option<ExitCode> {
    let mut arguments = env::args_os().skip(1);
    let wanted = match arguments.next()? {
        word if word == CHILD_ARGUMENT => Wanted::Frame,
        word if word == FACTS_ARGUMENT => Wanted::Facts,
        _ => return None,
    };
    Some(serve(wanted, arguments).map_or(ExitCode::FAILURE, |()| ExitCode::SUCCESS))
}

/// Decodes a file within this process, which a damaged one can end, or keep for ever: for processes that have nothing
/// to lose. Everybody else asks a [`Decoder`](crate::raw::Decoder).
pub fn decode_unprotected(path: &Path, max_pixels: usize) -> Result<RawFrame, DecodeError> {
    decode_in_this_process(path, max_pixels).map_err(DecodeError::from)
}

enum Wanted {
    Frame,
    Facts,
}

fn serve(wanted: Wanted, mut arguments: impl Iterator<Item = OsString>) -> io::Result<()> {
    let bad_call = || io::Error::new(io::ErrorKind::InvalidInput, "memory, pixels and a path are needed");
    let mut number = || arguments.next()?.to_str()?.parse::<u64>().ok();
    let memory_bytes = number().ok_or_else(bad_call)?;
    let max_pixels = number().and_then(|pixels| usize::try_from(pixels).ok()).ok_or_else(bad_call)?;
    let path = arguments.next().ok_or_else(bad_call)?;

    limit_memory(memory_bytes);
    end_with_the_parent()?;
    // Decoders panic on damaged files and that is caught: nobody needs to see the trace.
    panic::set_hook(Box::new(|_| {}));
    // Only fails when a pool exists already, and none does.
    let _ = rayon::ThreadPoolBuilder::new().num_threads(CHILD_THREADS).build_global();
    let (path, out) = (Path::new(&path), &mut io::stdout().lock());
    match wanted {
        Wanted::Frame => write_result(decode_in_this_process(path, max_pixels), out),
        Wanted::Facts => write_facts(facts_in_this_process(path), out),
    }
}

/// Where the system has such a limit, an allocation beyond it fails instead of taking the machine's memory.
#[cfg(unix)]
fn limit_memory(bytes: u64) {
    // Not every system can (macOS ignores it): then the time and pixel limits are left.
    let _ = rlimit::setrlimit(rlimit::Resource::AS, bytes, bytes);
    let _ = rlimit::setrlimit(rlimit::Resource::CORE, 0, 0);
}

#[cfg(not(unix))]
fn limit_memory(_bytes: u64) {}

/// The parent holds the other end of standard input and never writes: its end is the parent's.
fn end_with_the_parent() -> io::Result<()> {
    thread::Builder::new().name("parent".to_owned()).stack_size(1 << 16).spawn(|| {
        let mut nothing = [0; 1];
        // Any return, with or without an error, says that nobody waits for the frame.
        let _ = io::stdin().read(&mut nothing);
        std::process::exit(1);
    })?;
    Ok(())
}
