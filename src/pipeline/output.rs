//! An outcome to a file: developed while it is written, upright, with profile and exposure data.

use std::borrow::Cow;
use std::fs;
use std::path::{Path, PathBuf};

use crate::develop::{DevelopSettings, Development, OutputSpace};
use crate::error::Error;
use crate::export::{self, ExportError, FileMetadata, Finished, TiffPicture};
use crate::foreground::ForegroundMask;
use crate::job::{Cancelled, Monitor};
use crate::pipeline::mask_file::{grey_png, mask_codes, save_mask, write_grey};
use crate::pipeline::request::{ExportSettings, MaskChoice, Request};
use crate::pipeline::run::{Outcome, same_file};
use crate::pixels::{LinearImage, Orientation};
use crate::raw::Metadata;
use crate::settings::FileFormat;
use crate::stack::share_of_land;

/// Writes the picture of an outcome; the file appears whole or not at all.
pub fn export(monitor: &Monitor, outcome: &Outcome, path: &Path, settings: &ExportSettings) -> Result<(), Error> {
    settings.check()?;
    monitor.step("Writing the picture", 0, 1)?;
    let development = development_to_write(outcome, settings);
    export_developed(monitor, outcome, path, settings, development)
}

/// How the picture is to look that [`export_developed`] writes: known before the first strip of it is made; `None` for
/// the stack as measured.
#[must_use]
pub fn development_to_write(outcome: &Outcome, settings: &ExportSettings) -> Option<Development> {
    let is_developed = settings.develop.space != OutputSpace::CameraLinear && settings.format != FileFormat::Dng;
    is_developed.then(|| development(outcome, &settings.develop))
}

/// As [`export()`], with the development that was made before.
pub fn export_developed(
    monitor: &Monitor,
    outcome: &Outcome,
    path: &Path,
    settings: &ExportSettings,
    development: Option<Development>,
) -> Result<(), Error> {
    settings.check()?;
    let job = ExportJob::new(outcome, settings, development);
    job.write(monitor, &outcome.picture.image, path, settings.format).map_err(|error| named(error, path))
}

/// Writes the sky alone, the land alone and the share of the land in the join to a folder, which is made where it is
/// missing; the files written.
/// All of them take their places together, or none does.
///
/// Where the chosen kind of file is for the finished picture only (DNG, JPEG), the layers are 16-bit TIFF.
pub fn save_layers(
    monitor: &Monitor,
    outcome: &Outcome,
    folder: &Path,
    settings: &ExportSettings,
) -> Result<Vec<PathBuf>, Error> {
    let Some(layers) = &outcome.layers else { return Ok(Vec::new()) };
    monitor.step("Writing the layers", 0, 1)?;
    let (format, ending) = match settings.format {
        FileFormat::Png => (FileFormat::Png, "png"),
        FileFormat::Tiff32f => (FileFormat::Tiff32f, "tiff"),
        FileFormat::Tiff16 | FileFormat::Dng | FileFormat::Jpeg => (FileFormat::Tiff16, "tiff"),
    };
    let job = ExportJob::new(outcome, settings, development_to_write(outcome, settings));
    let beside = if folder.is_dir() { folder } else { folder.parent().unwrap_or(folder) };
    let staging = export::staging_folder(beside).map_err(|error| named(error, folder))?;
    let mut names = Vec::new();
    let pictures = [("sky", Some(&layers.sky)), ("land", layers.land.as_ref())];
    for (name, image) in pictures.into_iter().filter_map(|(name, image)| Some((name, image?))) {
        let name = format!("{name}.{ending}");
        let written = job.write(monitor, image, &staging.path().join(&name), format);
        written.map_err(|error| named(error, &folder.join(&name)))?;
        names.push(name);
    }
    monitor.check()?;
    let name = "mask.png".to_owned();
    let is_turned = settings.develop.space != OutputSpace::CameraLinear;
    let orientation = if is_turned { outcome.picture.orientation } else { Orientation::Normal };
    let join = ForegroundMask(mask_of(outcome).0.map(share_of_land));
    let codes = mask_codes(&join, orientation);
    let written = grey_png(&codes).and_then(|encoded| write_grey(&staging.path().join(&name), codes.size(), &encoded));
    written.map_err(|error| named(error, &folder.join(&name)))?;
    names.push(name);
    monitor.no_way_back()?;
    put_in_place(staging.path(), folder, &names)
}

/// Moves files of these names to a folder, which is made where it is missing; where they are then.
fn put_in_place(staging: &Path, folder: &Path, names: &[String]) -> Result<Vec<PathBuf>, Error> {
    let paths: Vec<PathBuf> = names.iter().map(|name| folder.join(name)).collect();
    let is_new = match fs::create_dir(folder) {
        Err(source) if !folder.is_dir() => return Err(named(source.into(), folder)),
        made => made.is_ok(),
    };
    let free = || paths.iter().try_for_each(|path| export::check_target(path).map_err(|error| named(error, path)));
    let take_place = |(path, name): (&PathBuf, &String)| {
        export::move_into_place(&staging.join(name), path).map_err(|error| named(error, path))
    };
    let moved = free().and_then(|()| paths.iter().zip(names).try_for_each(take_place));
    if moved.is_err() && is_new {
        // Nobody asked for a folder without its files; one that holds some of them stays.
        let _ = fs::remove_dir(folder);
    }
    moved.map(|()| paths)
}

fn named(error: ExportError, path: &Path) -> Error {
    match error {
        ExportError::Cancelled(Cancelled) => Error::Cancelled(Cancelled),
        source => Error::Export { path: path.to_owned(), source },
    }
}

/// Writes the foreground mask of an outcome; all sky where there is none.
pub fn save_outcome_mask(monitor: &Monitor, outcome: &Outcome, path: &Path) -> Result<(), Error> {
    save_mask(monitor, path, &mask_of(outcome), outcome.picture.orientation)
}

fn mask_of(outcome: &Outcome) -> Cow<'_, ForegroundMask> {
    match outcome.foreground.as_deref() {
        Some(mask) => Cow::Borrowed(mask),
        None => Cow::Owned(ForegroundMask::all_sky(outcome.picture.image.size())),
    }
}

/// Refuses a file that cannot be written, or that would take the place of a frame or of the mask that is read, before
/// the work begins.
pub fn check_output(request: &Request, path: &Path) -> Result<(), Error> {
    let named = [&request.lights, &request.land, &request.darks, &request.flats, &request.bias].into_iter().flatten();
    let mut frames = named.chain(request.beside.iter().map(|(_, path)| path));
    if frames.any(|frame| same_file(frame, path)) {
        return Err(Error::OverFrame { path: path.to_owned() });
    }
    if matches!(&request.mask, MaskChoice::File(mask) if same_file(mask, path)) {
        return Err(Error::OverMask { path: path.to_owned() });
    }
    export::check_target(path).map_err(|source| Error::Export { path: path.to_owned(), source })
}

/// The kind of file that is written at `path` where `chosen` is: the ending decides, the choice where there is none.
///
/// Refuses an ending that stands for no picture that can be written, before any work begins.
pub fn format_at(path: &Path, chosen: FileFormat) -> Result<FileFormat, Error> {
    chosen.for_path(path).ok_or_else(|| Error::Ending {
        path: path.to_owned(),
        what: format!("has an ending that stands for no picture that can be written: {}", FileFormat::ENDINGS),
    })
}

/// Refuses a file whose ending is none of `endings`; one without an ending may hold anything.
pub fn check_ending(path: &Path, endings: &[&str], what: &str) -> Result<(), Error> {
    match path.extension() {
        Some(found) if !endings.iter().any(|ending| found.eq_ignore_ascii_case(ending)) => {
            let named = endings.iter().map(|ending| format!(".{ending}")).collect::<Vec<_>>().join(" or ");
            Err(Error::Ending {
                path: path.to_owned(),
                what: format!("has an ending that stands for something else: {what}, name it {named}"),
            })
        }
        _ => Ok(()),
    }
}

/// Refuses a folder that no layers can be written to, before the work begins; makes none yet.
pub fn check_layers(request: &Request, folder: &Path) -> Result<(), Error> {
    if folder.is_dir() {
        return ["sky.tiff", "sky.png", "land.tiff", "land.png", "mask.png"]
            .iter()
            .try_for_each(|name| check_output(request, &folder.join(name)));
    }
    if folder.exists() {
        return Err(Error::Settings { what: "the layers need a folder, and a file has its name: choose another name" });
    }
    export::check_target(folder).map_err(|source| named(source, folder))
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

/// What all pictures of one outcome share when they are written.
struct ExportJob<'a> {
    outcome: &'a Outcome,
    settings: &'a ExportSettings,
    metadata: FileMetadata,
    /// `None` for the stack as measured.
    development: Option<Development>,
}

impl<'a> ExportJob<'a> {
    fn new(outcome: &'a Outcome, settings: &'a ExportSettings, development: Option<Development>) -> Self {
        Self { outcome, settings, metadata: file_metadata(outcome, settings), development }
    }

    /// Writes `image`, the picture or a layer of it.
    fn write(
        &self,
        monitor: &Monitor,
        image: &LinearImage,
        path: &Path,
        format: FileFormat,
    ) -> Result<(), ExportError> {
        let (color, orientation) = (&self.outcome.picture.color, self.outcome.picture.orientation);
        let (metadata, compression) = (&self.metadata, self.settings.compression);
        if format == FileFormat::Dng {
            return export::write_dng(monitor, path, image, color, orientation, metadata);
        }
        let prepared;
        let development = match &self.development {
            Some(development) => development,
            None if self.settings.develop.space == OutputSpace::CameraLinear => {
                return export::write_tiff(monitor, path, TiffPicture::Camera(image), metadata, compression);
            }
            None => {
                prepared = development(self.outcome, &self.settings.develop);
                &prepared
            }
        };
        let finished = Finished::Developed { image, development };
        match format {
            FileFormat::Tiff16 => {
                let picture = TiffPicture::Finished(finished, orientation);
                export::write_tiff(monitor, path, picture, metadata, compression)
            }
            FileFormat::Tiff32f => {
                let picture = TiffPicture::Light(image, development, orientation);
                export::write_tiff(monitor, path, picture, metadata, compression)
            }
            FileFormat::Png => export::write_png(monitor, path, finished, orientation, metadata),
            FileFormat::Jpeg => {
                export::write_jpeg(monitor, path, finished, orientation, metadata, self.settings.jpeg_quality)
            }
            FileFormat::Dng => unreachable!("written above"),
        }
    }
}

/// How the outcome is to look.
#[must_use]
pub fn development(outcome: &Outcome, settings: &DevelopSettings) -> Development {
    let picture = &outcome.picture;
    let (falloff, foreground) = (picture.falloff.as_ref(), outcome.foreground.as_deref());
    Development::prepare_through(falloff, &picture.image, &picture.color, foreground, settings)
}

fn file_metadata(outcome: &Outcome, settings: &ExportSettings) -> FileMetadata {
    let place = outcome.metadata.place.filter(|_| settings.keep_place);
    FileMetadata {
        first: Metadata { place, ..outcome.metadata.clone() },
        n_frames: outcome.n_frames,
        total_exposure_secs: outcome.total_exposure_secs,
        exposures_secs: outcome.exposures_secs.clone(),
    }
}
