//! `nightsheaf-cli measure`: one line a frame, or one JSON list.

use std::io::{self, Write};

use serde::Serialize;

use crate::cli::args::MeasureArguments;
use crate::cli::progress::monitor;
use crate::cli::{Failure, use_threads};
use crate::job::CancelToken;
use crate::pipeline::{self, FrameFinding, MeasureRequest, Verdict};

pub(super) fn run(arguments: &MeasureArguments, cancel: &CancelToken) -> Result<(), Failure> {
    use_threads(arguments.threads);
    let monitor = monitor(cancel, arguments.json);
    let request = MeasureRequest { lights: pipeline::collect_frames(&arguments.frames)?, ..MeasureRequest::default() };
    let findings = pipeline::measure(&monitor, &request, |_, _| {})?;
    let mut out = io::stdout().lock();
    if arguments.json {
        let rows: Vec<Row> = findings.iter().map(Row::new).collect();
        serde_json::to_writer_pretty(&mut out, &rows).map_err(io::Error::from)?;
        writeln!(out)?;
    } else {
        for finding in &findings {
            writeln!(out, "{}", line(finding))?;
        }
    }
    Ok(())
}

/// One frame as other programs read it; the names are fixed.
#[derive(Debug, Serialize)]
struct Row<'a> {
    file: String,
    stars: usize,
    fwhm_px: Option<f32>,
    elongation: Option<f32>,
    trail_px: Option<f32>,
    sky_level: Option<f32>,
    verdict: Verdict,
    reason: &'a str,
}

impl<'a> Row<'a> {
    fn new(finding: &'a FrameFinding) -> Self {
        let measures = finding.measures.as_ref();
        Self {
            file: finding.path.display().to_string(),
            stars: measures.map_or(0, |measures| measures.stars),
            fwhm_px: measures.and_then(|measures| measures.fwhm_px),
            elongation: measures.and_then(|measures| measures.elongation),
            trail_px: measures.and_then(|measures| measures.trail_px),
            sky_level: measures.map(|measures| measures.sky_level),
            verdict: finding.verdict,
            reason: &finding.reason,
        }
    }
}

fn line(finding: &FrameFinding) -> String {
    let name = finding.path.display();
    let verdict = match finding.verdict {
        Verdict::Use => "use",
        Verdict::Warn => "warn",
        Verdict::SetAside => "set aside",
    };
    let reason = if finding.reason.is_empty() { String::new() } else { format!(": {}", finding.reason) };
    let Some(measures) = &finding.measures else { return format!("{name}  {verdict}{reason}") };
    let number = |value: Option<f32>| value.map_or("-".to_owned(), |value| format!("{value:.2}"));
    format!(
        "{name}  {} stars  FWHM {} px  elongation {}  trail {} px  sky {:.4}  {verdict}{reason}",
        measures.stars,
        number(measures.fwhm_px),
        number(measures.elongation),
        number(measures.trail_px),
        measures.sky_level,
    )
}
