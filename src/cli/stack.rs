//! `nightsheaf-cli stack`: the whole job.

use std::env;
use std::fmt::Write as _;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::cli::args::StackArguments;
use crate::cli::beside::BesideArguments;
use crate::cli::progress::monitor;
use crate::cli::{Failure, use_threads};
use crate::job::{CancelToken, Monitor};
use crate::pipeline::{self, ExportSettings, Report, Request};

pub(super) fn run(arguments: &StackArguments, cancel: &CancelToken) -> Result<(), Failure> {
    use_threads(arguments.threads);
    let monitor = monitor(cancel, arguments.quiet);
    let mut request = arguments.request();
    let gathered = pipeline::gather_frames(&request.lights)?;
    request.lights = gathered.lights;
    request.beside = gathered.calibration;
    for frames in [&mut request.land, &mut request.darks, &mut request.flats, &mut request.bias] {
        if !frames.is_empty() {
            *frames = pipeline::collect_frames(frames)?;
        }
    }
    let request =
        Request { output_folder: arguments.output.parent().map(Path::to_owned), ..arguments.beside.of(request) };
    pipeline::check_output(&request, &arguments.output)?;
    let export = arguments.export_settings()?;
    export.check()?;
    arguments.beside.check(&request)?;
    let (target, told) = (&arguments.output, Told { quiet: arguments.quiet, timings: arguments.timings });
    make(&monitor, &request, target, &export, &arguments.beside, told)
}

/// What of a run is printed.
#[derive(Clone, Copy)]
pub(super) struct Told {
    pub(super) quiet: bool,
    pub(super) timings: bool,
}

/// Makes the picture and all that is written beside it, and says so.
pub(super) fn make(
    monitor: &Monitor,
    request: &Request,
    target: &PathBuf,
    export: &ExportSettings,
    beside: &BesideArguments,
    told: Told,
) -> Result<(), Failure> {
    let mut outcome = pipeline::run(monitor, request)?;
    outcome.report.command = Some(command_line());
    outcome.report.export = Some(export.clone());
    pipeline::export(monitor, &outcome, target, export)?;
    let layers = beside.write(monitor, &outcome, export)?;
    if !told.quiet {
        let summary = summary(&outcome.report, told.timings);
        let written: String =
            [target].into_iter().chain(&layers).map(|path| format!("wrote {}\n", path.display())).collect();
        write!(io::stdout(), "{summary}{written}")?;
    } else if told.timings {
        write!(io::stdout(), "{}", timings(&outcome.report))?;
    }
    beside.write_lens(&outcome)
}

/// Frames aligned by the lens as it was known before, in the words of the report.
const LENS_HELD: &str = "lens held";

/// The words that started the program, each quoted where a shell would take it apart.
fn command_line() -> String {
    let words = env::args_os().map(|word| {
        let word = word.to_string_lossy().into_owned();
        let is_plain = |letter: char| letter.is_ascii_alphanumeric() || "-_./:=,+@%".contains(letter);
        if !word.is_empty() && word.chars().all(is_plain) { word } else { format!("'{}'", word.replace('\'', "'\\''")) }
    });
    words.collect::<Vec<_>>().join(" ")
}

/// What a person wants to know after a run.
fn summary(report: &Report, with_timings: bool) -> String {
    let used = report.frames.iter().filter(|frame| frame.used).count();
    let mut text = format!("{used} of {} frames stacked on {}\n", report.frames.len(), report.reference);
    for frame in report.frames.iter().filter(|frame| !frame.reason.is_empty()) {
        let word = if frame.used { "note" } else { "set aside" };
        let _ = writeln!(text, "{word}: {}: {}", frame.file.display(), frame.reason);
    }
    if !report.land.is_empty() {
        let used = report.land.iter().filter(|frame| frame.used).count();
        let _ = writeln!(text, "landscape from {used} of {} frames given for it", report.land.len());
    }
    for frame in report.land.iter().filter(|frame| !frame.reason.is_empty()) {
        let _ = writeln!(text, "set aside: {}: {}", frame.file.display(), frame.reason);
    }
    let mut simpler = std::collections::BTreeMap::<_, Vec<String>>::new();
    // That the lens was held is a note on the whole burst, below.
    for frame in report.frames.iter().filter(|frame| frame.registration != LENS_HELD) {
        if let Some(reason) = &frame.registration_reason {
            simpler.entry((&frame.registration, reason)).or_default().push(frame.file.display().to_string());
        }
    }
    for ((registration, reason), files) in simpler {
        let which = if files.len() == 1 { files[0].clone() } else { format!("{} frames", files.len()) };
        let _ = writeln!(text, "note: {which}: aligned by {registration}: {reason}");
    }
    for line in report.calibration_lines() {
        let _ = writeln!(text, "{line}");
    }
    for note in &report.notes {
        let _ = writeln!(text, "note: {note}");
    }
    if let Some(model) = &report.noise_model {
        let gain = model.electrons_per_dn.map_or(String::new(), |gain| format!("{gain:.3} electrons a data number, "));
        let rounding = model.rounding_electrons.map_or(String::new(), |e| format!(" (rounding adds {e:.2})"));
        let _ = writeln!(
            text,
            "camera noise: {gain}read noise {:.2} electrons{rounding}; predicted sky noise {:.3e} in a single frame, {:.3e} in the stack",
            model.read_noise_electrons, model.predicted_single, model.predicted_stack
        );
    }
    if let Some(noise) = &report.noise {
        let _ = writeln!(
            text,
            "sky noise {:.3e} in a single frame, {:.3e} in the stack: {:.2} ± {:.2} times less (the frames allow {:.2})",
            noise.single, noise.stack, noise.gain, noise.gain_sigma, noise.ideal
        );
    }
    if with_timings {
        text.push_str(&timings(report));
    }
    text
}

fn timings(report: &Report) -> String {
    let mut text = String::new();
    for (stage, seconds) in &report.seconds.0 {
        let _ = writeln!(text, "{seconds:8.2} s  {stage}");
    }
    if let Some(bytes) = report.peak_memory_bytes {
        let _ = writeln!(text, "{:8.0} MiB peak memory", bytes as f64 / 1_048_576.0);
    }
    text
}
