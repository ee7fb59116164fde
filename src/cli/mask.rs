//! `nightsheaf-cli mask`: the proposed landscape as a picture, and how sure it is.

use std::io::{self, Write};

use serde::Serialize;

use crate::cli::args::MaskArguments;
use crate::cli::progress::monitor;
use crate::cli::{Failure, use_threads};
use crate::job::CancelToken;
use crate::pipeline::{self, Doubt, LOW_CONFIDENCE, Request};
use crate::pixels::Rect;

pub(super) fn run(arguments: &MaskArguments, cancel: &CancelToken) -> Result<(), Failure> {
    use_threads(arguments.threads);
    let monitor = monitor(cancel, arguments.json);
    pipeline::check_ending(&arguments.output, &["png"], "a mask is written as PNG")?;
    // Calibration frames beside the lights are found as for a stack: the mask is to be the same.
    let gathered = pipeline::gather_frames(&arguments.lights)?;
    let request = Request {
        lights: gathered.lights,
        beside: gathered.calibration,
        scratch_folder: arguments.scratch.clone(),
        output_folder: arguments.output.parent().map(std::path::Path::to_owned),
        ..Request::default()
    };
    let found = pipeline::propose_mask(&monitor, &request)?;
    let proposal = &found.proposal;
    pipeline::save_mask(&monitor, &arguments.output, &proposal.mask, found.orientation)?;
    let doubts = proposal.upright_doubts(found.orientation);
    let notes = proposal.notes.iter().chain(&found.tripod_notes);
    let answer = Answer {
        foreground_fraction: proposal.foreground_fraction(),
        confidence: proposal.confidence,
        notes: notes.map(String::as_str).collect(),
        doubts: doubts.iter().map(AnswerDoubt::new).collect(),
    };
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
    for note in &answer.notes {
        writeln!(out, "note: {note}")?;
    }
    if answer.confidence < LOW_CONFIDENCE {
        let place = match doubts.first().map(Doubt::middle) {
            Some(at) => format!(", first of all near ({:.0}, {:.0})", at.x, at.y),
            None => String::new(),
        };
        writeln!(out, "note: the confidence is low: look at the mask and correct it{place}")?;
    }
    writeln!(out, "wrote {}", arguments.output.display())?;
    Ok(())
}

/// The names are fixed: other programs read them.
#[derive(Debug, Serialize)]
struct Answer<'a> {
    foreground_fraction: f64,
    confidence: f64,
    notes: Vec<&'a str>,
    /// The most doubtful first.
    doubts: Vec<AnswerDoubt>,
}

/// A place in pixels of the mask that is written, which is upright.
#[derive(Debug, Serialize)]
struct AnswerDoubt {
    x: usize,
    y: usize,
    width: usize,
    height: usize,
    confidence: f64,
}

impl AnswerDoubt {
    fn new(doubt: &Doubt) -> Self {
        let Rect { x, y, size } = doubt.rect;
        Self { x, y, width: size.width, height: size.height, confidence: doubt.confidence }
    }
}
