//! `nightsheaf-cli stack`: the whole job.

use std::fmt::Write as _;
use std::io::{self, Write};

use crate::cli::args::StackArguments;
use crate::cli::progress::monitor;
use crate::cli::{Failure, use_threads};
use crate::job::CancelToken;
use crate::pipeline::{self, ExportSettings, Report};

pub(super) fn run(arguments: &StackArguments, cancel: &CancelToken) -> Result<(), Failure> {
    use_threads(arguments.threads);
    let monitor = monitor(cancel, arguments.quiet);
    let mut request = arguments.request();
    request.lights = pipeline::collect_frames(&request.lights)?;
    for frames in [&mut request.land, &mut request.darks, &mut request.flats, &mut request.bias] {
        if !frames.is_empty() {
            *frames = pipeline::collect_frames(frames)?;
        }
    }
    let export = ExportSettings { format: arguments.file_format(), develop: arguments.develop_settings() };
    export.check()?;
    let others = [&arguments.mask_output, &arguments.report, &arguments.residuals, &arguments.save_lens_profile];
    for path in [&arguments.output].into_iter().chain(others.into_iter().flatten()) {
        pipeline::check_output(&request, path)?;
    }
    request.output_folder = arguments.output.parent().map(std::path::Path::to_owned);
    let outcome = pipeline::run(&monitor, &request)?;
    pipeline::export(&monitor, &outcome, &arguments.output, &export)?;
    if let Some(path) = &arguments.mask_output {
        pipeline::save_outcome_mask(&outcome, path)?;
    }
    if let Some(path) = &arguments.residuals {
        pipeline::save_residual_picture(&outcome, path)?;
    }
    if let Some(path) = &arguments.report {
        outcome.report.save(path)?;
    }
    if !arguments.quiet {
        let summary = summary(&outcome.report, arguments.timings);
        writeln!(io::stdout(), "{summary}wrote {}", arguments.output.display())?;
    } else if arguments.timings {
        write!(io::stdout(), "{}", timings(&outcome.report))?;
    }
    // Last, because a burst that tells nothing of its lens still makes a picture.
    if let Some(path) = &arguments.save_lens_profile {
        pipeline::save_lens_profile(&outcome, path)?;
    }
    Ok(())
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
    for frame in &report.frames {
        if let Some(reason) = &frame.registration_reason {
            simpler.entry((&frame.registration, reason)).or_default().push(frame.file.display().to_string());
        }
    }
    for ((registration, reason), files) in simpler {
        let which = if files.len() == 1 { files[0].clone() } else { format!("{} frames", files.len()) };
        let _ = writeln!(text, "note: {which}: aligned by {registration}: {reason}");
    }
    for note in &report.notes {
        let _ = writeln!(text, "note: {note}");
    }
    if let Some(noise) = &report.noise {
        let _ = writeln!(
            text,
            "sky noise {:.3e} in a single frame, {:.3e} in the stack: {:.2} times less (the frames allow {:.2})",
            noise.single, noise.stack, noise.gain, noise.ideal
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
