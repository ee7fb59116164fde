//! The terminal front end: words to a request, the run, and its outcome as text and exit code.

pub mod args;
pub mod beside;
mod export;
pub mod field_args;
mod mask;
mod measure;
mod measure_row;
mod plan;
mod progress;
mod stack;
mod values;
pub mod words;

use std::io::{self, Write};
use std::process::ExitCode;

use clap::Parser;

use crate::cli::args::{Arguments, Command};
use crate::error::{Error, FramesFor, InWords, WithSources};
use crate::job::CancelToken;

/// Exit codes: done.
const DONE: u8 = 0;
/// The work failed.
const FAILED: u8 = 1;
/// The words of the command line are wrong.
const USAGE: u8 = 2;
/// Stopped by Ctrl-C: 128 and the number of the signal.
const CANCELLED: u8 = 130;

/// Parses the process's own arguments, does what they ask and says how it went.
///
/// What works on frames begins with `before_frames`, which may start the program anew.
#[must_use]
pub fn main(before_frames: fn()) -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version are answers, not errors; a closed terminal leaves nobody to tell.
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { USAGE } else { DONE });
        }
    };
    if arguments.command.works_on_frames() {
        before_frames();
    }
    let cancel = CancelToken::default();
    let asked = cancel.clone();
    // Without a handler Ctrl-C still ends the process, only less tidily.
    let _ = ctrlc::set_handler(move || asked.cancel());
    ExitCode::from(report_error(run(arguments, &cancel)))
}

fn run(arguments: Arguments, cancel: &CancelToken) -> Result<(), Failure> {
    match arguments.command {
        Command::Stack(arguments) => stack::run(&arguments, cancel),
        Command::Export(arguments) => export::run(&arguments, cancel),
        Command::Mask(arguments) => mask::run(&arguments, cancel).map_err(Failure::of_mask),
        Command::Measure(arguments) => measure::run(&arguments, cancel),
        Command::Plan(arguments) => plan::run(&arguments, cancel),
    }
}

/// Why a command did not end well.
#[derive(Debug)]
enum Failure {
    /// The run.
    Run(Error),
    /// A value that the parser could not judge.
    Usage(String),
    /// Its own output could not be written.
    Output(io::Error),
}

impl Failure {
    /// Too few frames for a mask are told as such.
    fn of_mask(self) -> Self {
        match self {
            Self::Run(error) => Self::Run(error.wanted_for(FramesFor::Mask)),
            other => other,
        }
    }
}

impl From<Error> for Failure {
    fn from(error: Error) -> Self {
        Self::Run(error)
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        Self::Output(error)
    }
}

/// Says what went wrong on standard error and gives the exit code.
fn report_error(result: Result<(), Failure>) -> u8 {
    let (text, code) = match result {
        Ok(()) => return DONE,
        // A reader that has seen enough (`| head`) is no failure.
        Err(Failure::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => return DONE,
        Err(Failure::Output(error)) => (format!("cannot write to the terminal: {}", InWords(&error)), FAILED),
        Err(Failure::Run(Error::Cancelled(_))) => ("cancelled, nothing was written".to_owned(), CANCELLED),
        Err(Failure::Usage(message)) => (format!("error: {message}"), USAGE),
        Err(Failure::Run(error)) => (format!("error: {}", WithSources(&error)), FAILED),
    };
    // Nobody is left to tell when standard error is closed.
    let _ = writeln!(io::stderr(), "{text}");
    code
}

/// Limits the worker threads; the default is one a core.
fn use_threads(threads: Option<u16>) {
    if let Some(threads) = threads {
        // Fails only when the pool is already running, and then the program works all the same.
        let _ = rayon::ThreadPoolBuilder::new().num_threads(usize::from(threads)).build_global();
    }
}
