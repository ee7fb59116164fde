//! `nightsheaf-cli stack`: the whole job.

use std::env;
use std::fmt::Write as _;
use std::io::{self, Write};
use std::path::PathBuf;

use crate::cli::args::{StackArguments, is_page};
use crate::cli::progress::monitor;
use crate::cli::{Failure, use_threads};
use crate::job::CancelToken;
use crate::pipeline::{self, Combine, Report};

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
    let others = [&arguments.mask_output, &arguments.residuals, &arguments.clipped, &arguments.save_lens_profile];
    let others = others.into_iter().flatten().chain(&arguments.report);
    for path in [&arguments.output].into_iter().chain(others) {
        pipeline::check_output(&request, path)?;
    }
    let export = arguments.export_settings()?;
    export.check()?;
    for path in [&arguments.mask_output, &arguments.residuals, &arguments.clipped].into_iter().flatten() {
        pipeline::check_ending(path, &["png"], A_PNG)?;
    }
    check_reports(&arguments.report)?;
    if let Some(folder) = &arguments.layers {
        pipeline::check_layers(&request, folder)?;
    }
    if arguments.clipped.is_some() && request.combine != Combine::ClippedMean {
        return Err(pipeline::nothing_clipped().into());
    }
    request.output_folder = arguments.output.parent().map(std::path::Path::to_owned);
    let mut outcome = pipeline::run(&monitor, &request)?;
    outcome.report.command = Some(command_line());
    outcome.report.export = Some(export.clone());
    pipeline::export(&monitor, &outcome, &arguments.output, &export)?;
    if let Some(path) = &arguments.mask_output {
        pipeline::save_outcome_mask(&monitor, &outcome, path)?;
    }
    if let Some(path) = &arguments.residuals {
        pipeline::save_residual_picture(&outcome, path)?;
    }
    if let Some(path) = &arguments.clipped {
        pipeline::save_left_out_picture(&monitor, &outcome, path)?;
    }
    let layers = match &arguments.layers {
        Some(folder) => pipeline::save_layers(&monitor, &outcome, folder, &export)?,
        None => Vec::new(),
    };
    for path in &arguments.report {
        if is_page(path) { pipeline::save_report_page(&outcome, path)? } else { outcome.report.save(path)? }
    }
    if !arguments.quiet {
        let summary = summary(&outcome.report, arguments.timings);
        let written: String =
            [&arguments.output].into_iter().chain(&layers).map(|path| format!("wrote {}\n", path.display())).collect();
        write!(io::stdout(), "{summary}{written}")?;
    } else if arguments.timings {
        write!(io::stdout(), "{}", timings(&outcome.report))?;
    }
    // Last, because a burst that tells nothing of its lens still makes a picture.
    if let Some(path) = &arguments.save_lens_profile {
        pipeline::save_lens_profile(&outcome, path)?;
    }
    Ok(())
}

/// Frames aligned by the lens as it was known before, in the words of the report.
const LENS_HELD: &str = "lens held";

/// What masks and charts are written as.
const A_PNG: &str = "it is written as PNG";

/// Refuses reports whose names stand for something else.
pub(super) fn check_reports(paths: &[PathBuf]) -> Result<(), Failure> {
    let endings = ["json", "html", "htm"];
    Ok(paths.iter().try_for_each(|path| pipeline::check_ending(path, &endings, "a report is JSON or a page"))?)
}

/// The words that started the program, each quoted where a shell would take it apart.
pub(super) fn command_line() -> String {
    let words = env::args_os().map(|word| {
        let word = word.to_string_lossy().into_owned();
        let is_plain = |letter: char| letter.is_ascii_alphanumeric() || "-_./:=,+@%".contains(letter);
        if !word.is_empty() && word.chars().all(is_plain) { word } else { format!("'{}'", word.replace('\'', "'\\''")) }
    });
    words.collect::<Vec<_>>().join(" ")
}

/// What a person wants to know after a run.
pub(super) fn summary(report: &Report, with_timings: bool) -> String {
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

pub(super) fn timings(report: &Report) -> String {
    let mut text = String::new();
    for (stage, seconds) in &report.seconds.0 {
        let _ = writeln!(text, "{seconds:8.2} s  {stage}");
    }
    if let Some(bytes) = report.peak_memory_bytes {
        let _ = writeln!(text, "{:8.0} MiB peak memory", bytes as f64 / 1_048_576.0);
    }
    text
}
