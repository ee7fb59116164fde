//! `nightsheaf-cli measure`: one line a frame or one JSON list, the field check, and the live folder.

use std::io::{self, Write};

use crate::cli::args::MeasureArguments;
use crate::cli::measure_row::Row;
use crate::cli::progress::monitor;
use crate::cli::{Failure, use_threads};
use crate::error::Error;
use crate::job::{CancelToken, Monitor};
use crate::pipeline::{self, CameraHint, FrameFinding, MeasureRequest, Verdict, ZONES_ALONG};
use crate::pixels::Size;
use crate::plan::Aim;

pub(super) fn run(arguments: &MeasureArguments, cancel: &CancelToken) -> Result<(), Failure> {
    use_threads(arguments.threads);
    let monitor = monitor(cancel, arguments.json || arguments.live);
    if arguments.live {
        return live(arguments, &monitor);
    }
    let lights = pipeline::collect_frames(&arguments.frames)?;
    let request = MeasureRequest { lights, hint: hint(arguments), ..MeasureRequest::default() };
    let findings = pipeline::measure(&monitor, &request, |_, _| {})?;
    let all: Vec<&FrameFinding> = findings.iter().collect();
    let mut out = io::stdout().lock();
    if arguments.json {
        let rows: Vec<Row<'_>> = (0..all.len()).map(|idx| Row::new(&all, idx)).collect();
        serde_json::to_writer_pretty(&mut out, &rows).map_err(io::Error::from)?;
        writeln!(out)?;
        return Ok(());
    }
    for (idx, finding) in all.iter().enumerate() {
        writeln!(out, "{}", line(finding))?;
        if arguments.check || all.len() == 1 {
            write_check(&mut out, &all, idx)?;
        }
    }
    if let Some(drift) = pipeline::focus_drift(&all) {
        writeln!(out, "{}", drift.warning())?;
    }
    Ok(())
}

fn hint(arguments: &MeasureArguments) -> CameraHint {
    let direction = arguments.azimuth.zip(arguments.altitude).zip(arguments.latitude);
    let aim = match (arguments.declination, direction) {
        (Some(declination_deg), _) => Some((Aim::Declination(declination_deg), 0.0)),
        (None, Some(((azimuth_deg, altitude_deg), latitude_deg))) => {
            Some((Aim::Horizon { azimuth_deg, altitude_deg }, latitude_deg))
        }
        (None, None) => None,
    };
    CameraHint { focal_mm: arguments.focal, sensor_width_mm: arguments.sensor_width, aim }
}

/// Measures what comes into a folder until Ctrl-C, which is how watching ends.
fn live(arguments: &MeasureArguments, monitor: &Monitor) -> Result<(), Failure> {
    let [folder] = arguments.frames.as_slice() else {
        return Err(Failure::Usage(format!("--live watches one folder, {} paths were given", arguments.frames.len())));
    };
    let request = MeasureRequest { hint: hint(arguments), ..MeasureRequest::default() };
    let mut night = Night { json: arguments.json, check: arguments.check, ..Night::default() };
    let ended = pipeline::watch(monitor, folder, &request, |finding| night.take(finding, monitor));
    match (night.failed, ended) {
        (Some(error), _) => Err(error.into()),
        (None, Error::Cancelled(_)) => {
            let n = night.findings.len();
            let frames = if n == 1 { "frame" } else { "frames" };
            // Beside the lines, which other programs may read; nobody may be left to tell.
            let _ = writeln!(io::stderr(), "stopped watching {}: {n} {frames} measured", folder.display());
            Ok(())
        }
        (None, error) => Err(error.into()),
    }
}

/// What a live folder brought so far.
#[derive(Default)]
struct Night {
    json: bool,
    check: bool,
    findings: Vec<FrameFinding>,
    warned: bool,
    failed: Option<io::Error>,
}

impl Night {
    /// Prints a frame that is new; one whose verdict changed is printed again.
    fn take(&mut self, finding: FrameFinding, monitor: &Monitor) {
        let idx = match self.findings.iter().position(|known| known.path == finding.path) {
            Some(idx) => {
                self.findings[idx] = finding;
                idx
            }
            None => {
                self.findings.push(finding);
                self.findings.len() - 1
            }
        };
        if let Err(error) = self.print(idx) {
            // Nobody reads any more: the watch is over.
            monitor.cancel_token().cancel();
            self.failed = Some(error);
        }
    }

    fn print(&mut self, idx: usize) -> io::Result<()> {
        let all: Vec<&FrameFinding> = self.findings.iter().collect();
        let mut out = io::stdout().lock();
        if self.json {
            serde_json::to_writer(&mut out, &Row::new(&all, idx)).map_err(io::Error::from)?;
            writeln!(out)?;
        } else {
            writeln!(out, "{}", line(all[idx]))?;
            if self.check {
                write_check(&mut out, &all, idx)?;
            }
            let drift = pipeline::focus_drift(&all);
            if let Some(drift) = drift.as_ref().filter(|_| !self.warned) {
                writeln!(out, "{}", drift.warning())?;
            }
            self.warned = drift.is_some();
        }
        out.flush()
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

/// The field check as sentences, and the stars by where they stand.
fn write_check(out: &mut impl Write, all: &[&FrameFinding], idx: usize) -> io::Result<()> {
    let Some(check) = pipeline::field_check(all, idx) else { return Ok(()) };
    for (subject, sentence) in &check.lines {
        writeln!(out, "  {subject:<6}  {sentence}")?;
    }
    write_zones(out, all[idx])?;
    writeln!(out, "  {}", check.suggestion)
}

/// Widths across any trail as they lie in the upright picture; the long axis over the short one behind them.
fn write_zones(out: &mut impl Write, finding: &FrameFinding) -> io::Result<()> {
    let Some(facts) = finding.field.as_deref() else { return Ok(()) };
    let grid = Size { width: ZONES_ALONG, height: ZONES_ALONG };
    for y in 0..ZONES_ALONG {
        let cells = (0..ZONES_ALONG).map(|x| {
            let (column, row) = finding.orientation.stored_from_upright(x, y, grid);
            match facts.zones[row * ZONES_ALONG + column].ellipse {
                Some(ellipse) => format!("{:>5.2} px × {:.2}", ellipse.across_px, ellipse.elongation),
                None => format!("{:>14}", "few stars"),
            }
        });
        let label = if y == 0 { "Zones" } else { "" };
        writeln!(out, "  {label:<6}  {}", cells.collect::<Vec<_>>().join("   "))?;
    }
    Ok(())
}
