//! An outcome to a file: developed while it is written, upright, with profile and exposure data.

use std::path::Path;

use crate::develop::{DevelopSettings, Development, OutputSpace};
use crate::error::Error;
use crate::export::{self, Compression, DEFAULT_JPEG_QUALITY, ExportError, FileMetadata, Finished, TiffPicture};
use crate::job::{Cancelled, Monitor};
use crate::pipeline::mask_file::save_mask;
use crate::pipeline::request::{ExportSettings, FileFormat, Request};
use crate::pipeline::run::{Outcome, same_file};

/// Writes the picture of an outcome; the file appears whole or not at all.
pub fn export(monitor: &Monitor, outcome: &Outcome, path: &Path, settings: &ExportSettings) -> Result<(), Error> {
    settings.check()?;
    monitor.step("Writing the picture", 0, 1)?;
    let written = match settings.develop.space {
        OutputSpace::CameraLinear => write_as_measured(monitor, outcome, path, settings.format),
        OutputSpace::Srgb | OutputSpace::Rec2020 => write_developed(monitor, outcome, path, settings),
    };
    written.map_err(|error| match error {
        ExportError::Cancelled(Cancelled) => Error::Cancelled(Cancelled),
        source => Error::Export { path: path.to_owned(), source },
    })
}

/// Writes the foreground mask of an outcome; all sky where there is none.
pub fn save_outcome_mask(outcome: &Outcome, path: &Path) -> Result<(), Error> {
    let all_sky;
    let mask = match outcome.foreground.as_deref() {
        Some(mask) => mask,
        None => {
            all_sky = crate::foreground::ForegroundMask::all_sky(outcome.picture.image.size());
            &all_sky
        }
    };
    save_mask(path, mask, outcome.picture.orientation)
}

/// Refuses a file that cannot be written, or that would take the place of a frame, before the work begins.
pub fn check_output(request: &Request, path: &Path) -> Result<(), Error> {
    let mut frames =
        [&request.lights, &request.land, &request.darks, &request.flats, &request.bias].into_iter().flatten();
    if frames.any(|frame| same_file(frame, path)) {
        return Err(Error::OverFrame { path: path.to_owned() });
    }
    export::check_target(path).map_err(|source| Error::Export { path: path.to_owned(), source })
}

impl ExportSettings {
    /// Refuses choices that contradict each other.
    pub fn check(&self) -> Result<(), Error> {
        match (self.develop.space, self.format) {
            (OutputSpace::CameraLinear, FileFormat::Tiff32f | FileFormat::Png | FileFormat::Jpeg) => {
                Err(Error::Settings {
                    what: "the stack as measured is written as 16-bit TIFF or DNG: choose one of them",
                })
            }
            _ => Ok(()),
        }
    }
}

fn write_as_measured(monitor: &Monitor, outcome: &Outcome, path: &Path, format: FileFormat) -> Result<(), ExportError> {
    match format {
        FileFormat::Dng => write_dng(monitor, outcome, path),
        _ => {
            let picture = TiffPicture::Camera(&outcome.picture.image);
            export::write_tiff(monitor, path, picture, &file_metadata(outcome), Compression::None)
        }
    }
}

fn write_developed(
    monitor: &Monitor,
    outcome: &Outcome,
    path: &Path,
    settings: &ExportSettings,
) -> Result<(), ExportError> {
    if settings.format == FileFormat::Dng {
        return write_dng(monitor, outcome, path);
    }
    let development = development(outcome, &settings.develop);
    let (image, orientation) = (&outcome.picture.image, outcome.picture.orientation);
    let finished = Finished::Developed { image, development: &development };
    let metadata = file_metadata(outcome);
    match settings.format {
        FileFormat::Tiff16 => export::write_tiff(
            monitor,
            path,
            TiffPicture::Finished(finished, orientation),
            &metadata,
            Compression::None,
        ),
        FileFormat::Tiff32f => {
            let picture = TiffPicture::Light(image, &development, orientation);
            export::write_tiff(monitor, path, picture, &metadata, Compression::None)
        }
        FileFormat::Png => export::write_png(monitor, path, finished, orientation, &metadata),
        FileFormat::Jpeg => export::write_jpeg(monitor, path, finished, orientation, &metadata, DEFAULT_JPEG_QUALITY),
        FileFormat::Dng => unreachable!("written above"),
    }
}

fn write_dng(monitor: &Monitor, outcome: &Outcome, path: &Path) -> Result<(), ExportError> {
    let picture = &outcome.picture;
    export::write_dng(monitor, path, &picture.image, &picture.color, picture.orientation, &file_metadata(outcome))
}

/// How the outcome is to look.
#[must_use]
pub fn development(outcome: &Outcome, settings: &DevelopSettings) -> Development {
    Development::prepare(&outcome.picture.image, &outcome.picture.color, outcome.foreground.as_deref(), settings)
}

fn file_metadata(outcome: &Outcome) -> FileMetadata {
    FileMetadata {
        first: outcome.metadata.clone(),
        n_frames: outcome.n_frames,
        total_exposure_secs: outcome.total_exposure_secs,
    }
}
