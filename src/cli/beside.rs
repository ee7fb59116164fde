//! What is written beside the picture, by `stack` and `export` alike: asked for, checked, written.

use std::path::{Path, PathBuf};

use clap::Args;

use crate::cli::Failure;
use crate::job::Monitor;
use crate::pipeline::{self, Combine, ExportSettings, Outcome, Request};

/// Files beside the picture.
#[derive(Debug, Args)]
pub struct BesideArguments {
    /// Also write the foreground mask that was used
    #[arg(long, value_name = "FILE.png")]
    pub mask_output: Option<PathBuf>,
    /// Also write the lens as the stars of this burst measured it, to start from next time
    #[arg(long, value_name = "FILE.toml")]
    pub save_lens_profile: Option<PathBuf>,
    /// Also draw what is left between the stars of each frame and those of the reference frame
    #[arg(long, value_name = "FILE.png")]
    pub residuals: Option<PathBuf>,
    /// Also write a grey picture of what clipping left out, brighter the more frames
    #[arg(long, value_name = "FILE.png")]
    pub clipped: Option<PathBuf>,
    /// Also write what was done, as JSON, or as a page to look at where the file ends in .html; may be given twice
    #[arg(long, value_name = "FILE")]
    pub report: Vec<PathBuf>,
    /// Also write the sky alone, the land alone and the mask to this folder, to join them anew in an editor
    #[arg(long, value_name = "FOLDER")]
    pub layers: Option<PathBuf>,
}

/// What masks and charts are written as.
const A_PNG: &str = "it is written as PNG";

impl BesideArguments {
    /// The run that keeps what these files need.
    #[must_use]
    pub fn of(&self, request: Request) -> Request {
        Request {
            keep_single: self.report.iter().any(|path| is_page(path)),
            keep_layers: self.layers.is_some(),
            ..request
        }
    }

    /// All files that are named; the layers have names of their own.
    pub(super) fn paths(&self) -> impl Iterator<Item = &PathBuf> {
        let others = [&self.mask_output, &self.residuals, &self.clipped, &self.save_lens_profile];
        others.into_iter().flatten().chain(&self.report)
    }

    /// Refuses what cannot be written, before the work begins.
    pub(super) fn check(&self, request: &Request) -> Result<(), Failure> {
        self.paths().try_for_each(|path| pipeline::check_output(request, path))?;
        for path in [&self.mask_output, &self.residuals, &self.clipped].into_iter().flatten() {
            pipeline::check_ending(path, &["png"], A_PNG)?;
        }
        for path in &self.report {
            pipeline::check_ending(path, &["json", "html", "htm"], "a report is JSON or a page")?;
        }
        if let Some(folder) = &self.layers {
            pipeline::check_layers(request, folder)?;
        }
        if self.clipped.is_some() && request.combine != Combine::ClippedMean {
            return Err(pipeline::nothing_clipped().into());
        }
        Ok(())
    }

    /// Writes all but the lens; the layers written.
    pub(super) fn write(
        &self,
        monitor: &Monitor,
        outcome: &Outcome,
        export: &ExportSettings,
    ) -> Result<Vec<PathBuf>, Failure> {
        if let Some(path) = &self.mask_output {
            pipeline::save_outcome_mask(monitor, outcome, path)?;
        }
        if let Some(path) = &self.residuals {
            pipeline::save_residual_picture(outcome, path)?;
        }
        if let Some(path) = &self.clipped {
            pipeline::save_left_out_picture(monitor, outcome, path)?;
        }
        let layers = match &self.layers {
            Some(folder) => pipeline::save_layers(monitor, outcome, folder, export)?,
            None => Vec::new(),
        };
        for path in &self.report {
            let report = &outcome.report;
            if is_page(path) {
                pipeline::save_report_page(monitor, outcome, report, path)?;
            } else {
                report.save(path)?;
            }
        }
        Ok(layers)
    }

    /// Writes the lens: last, because a burst that tells nothing of its lens still makes a picture.
    pub(super) fn write_lens(&self, outcome: &Outcome) -> Result<(), Failure> {
        if let Some(path) = &self.save_lens_profile {
            pipeline::save_lens_profile(outcome, path)?;
        }
        Ok(())
    }
}

/// Whether a report is asked for as a page.
fn is_page(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ["html", "htm"].iter().any(|page| ending.eq_ignore_ascii_case(page)))
}
