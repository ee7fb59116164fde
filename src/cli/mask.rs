//! `nightsheaf-cli mask`: the proposed landscape as a picture, and how sure it is.

use std::io::{self, Write};

use serde::Serialize;

use crate::cli::args::MaskArguments;
use crate::cli::progress::monitor;
use crate::cli::{Failure, use_threads};
use crate::job::CancelToken;
use crate::pipeline::{self, LOW_CONFIDENCE, Request};

pub(super) fn run(arguments: &MaskArguments, cancel: &CancelToken) -> Result<(), Failure> {
    use_threads(arguments.threads);
    let monitor = monitor(cancel, arguments.json);
    pipeline::check_ending(&arguments.output, &["png"], "a mask is written as PNG")?;
    let request = Request {
        lights: pipeline::collect_frames(&arguments.lights)?,
        scratch_folder: arguments.scratch.clone(),
        output_folder: arguments.output.parent().map(std::path::Path::to_owned),
        ..Request::default()
    };
    let found = pipeline::propose_mask(&monitor, &request)?;
    let proposal = &found.proposal;
    pipeline::save_mask(&monitor, &arguments.output, &proposal.mask, found.orientation)?;
    let answer = Answer { foreground_fraction: proposal.foreground_fraction(), confidence: proposal.confidence };
    let mut out = io::stdout().lock();
    if arguments.json {
        serde_json::to_writer_pretty(&mut out, &answer).map_err(io::Error::from)?;
        writeln!(out)?;
        return Ok(());
    }
    let percent = |share: f64| 100.0 * share;
    writeln!(
        out,
        "{:.1} % of the frame is landscape, confidence {:.0} %",
        percent(answer.foreground_fraction),
        percent(answer.confidence)
    )?;
    for (path, reason) in &found.set_aside {
        writeln!(out, "set aside: {}: {reason}", path.display())?;
    }
    for note in &proposal.notes {
        writeln!(out, "note: {note}")?;
    }
    if answer.confidence < LOW_CONFIDENCE {
        let place =
            proposal.doubt().map_or(String::new(), |at| format!(", first of all near ({:.0}, {:.0})", at.x, at.y));
        writeln!(out, "note: the confidence is low: look at the mask and correct it{place}")?;
    }
    writeln!(out, "wrote {}", arguments.output.display())?;
    Ok(())
}

/// The names are fixed: other programs read them.
#[derive(Debug, Serialize)]
struct Answer {
    foreground_fraction: f64,
    confidence: f64,
}
