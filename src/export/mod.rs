//! A picture in, a file out: TIFF, linear DNG, PNG, JPEG, each with color profile and exposure data.
//!
//! Pictures are turned upright while they are written, strip by strip, so that no second copy of
//! them is made. A file appears whole under its name or not at all.

mod dng;
mod exif;
mod gps;
pub mod icc;
mod jpeg;
mod plan_chart;
mod plan_page;
mod png;
mod replace;
mod strips;
mod tiff;
mod xmp;

use std::io;

pub use dng::write_dng;
pub use exif::FileMetadata;
pub use jpeg::{DEFAULT_JPEG_QUALITY, write_jpeg};
pub use plan_page::plan_page;
pub use png::write_png;
pub use replace::{check_target, move_into_place, replace_file, staging_folder};
pub use tiff::{Compression, write_tiff};

use crate::develop::Development;
use crate::job::Cancelled;
use crate::pixels::{ColorEncoding, EncodedImage, LinearImage, Orientation, Size};

/// A picture for the eye.
#[derive(Clone, Copy, Debug)]
pub enum Finished<'a> {
    /// Already developed.
    Encoded(&'a EncodedImage),
    /// Developed while it is written.
    Developed {
        /// The stack.
        image: &'a LinearImage,
        /// How it is to look.
        development: &'a Development,
    },
}

impl Finished<'_> {
    /// Width by height as stored.
    #[must_use]
    pub fn size(&self) -> Size {
        match self {
            Self::Encoded(image) => image.size(),
            Self::Developed { image, .. } => image.size(),
        }
    }

    /// What the numbers mean.
    #[must_use]
    pub fn encoding(&self) -> ColorEncoding {
        match self {
            Self::Encoded(image) => image.encoding,
            Self::Developed { development, .. } => development.encoding(),
        }
    }
}

/// What a TIFF can hold.
#[derive(Clone, Copy, Debug)]
pub enum TiffPicture<'a> {
    /// 16-bit integers, for the eye, turned upright.
    Finished(Finished<'a>, Orientation),
    /// 32-bit floats: linear light in the output primaries, balanced, nothing clipped, turned upright.
    Light(&'a LinearImage, &'a Development, Orientation),
    /// 16-bit integers: camera RGB as measured, black at [`CAMERA_BLACK`], the white level at 65535, not turned.
    Camera(&'a LinearImage),
}

impl TiffPicture<'_> {
    /// Width by height as stored.
    #[must_use]
    pub fn size(&self) -> Size {
        match self {
            Self::Finished(finished, _) => finished.size(),
            Self::Light(image, ..) | Self::Camera(image) => image.size(),
        }
    }
}

/// Code of black where the stack is written as measured: room for the noise below it.
pub const CAMERA_BLACK: u16 = 1024;

/// Why a file could not be written. The path is the caller's to add.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The folder of the file is not there.
    #[error("the folder does not exist; create it or choose another")]
    NoFolder,
    /// The name is that of a folder.
    #[error("this is a folder; add a file name")]
    IsFolder,
    /// The name is that of a pipe, a socket or a device.
    #[error("this is {0} and no file; choose another name")]
    NoFile(&'static str),
    /// The system refuses.
    #[error("no permission to write here; choose another folder")]
    Permission,
    /// Nothing can be written to this disk.
    #[error("the disk is write-protected; choose another")]
    ReadOnly,
    /// A file of this name is write-protected.
    #[error("the file there is write-protected; choose another name")]
    Protected,
    /// No space left.
    #[error("the disk is full, {needed_bytes} bytes are needed; free some space or choose another disk")]
    DiskFull {
        /// Size of the file, about.
        needed_bytes: u64,
    },
    /// More than the kind of file can hold.
    #[error("the picture is {size} pixels, {format} holds at most {limit} along a side; choose TIFF")]
    TooLarge {
        /// Kind of file.
        format: &'static str,
        /// The picture.
        size: Size,
        /// Most pixels along a side.
        limit: u32,
    },
    /// There is not one pixel.
    #[error("the picture is empty, {size} pixels")]
    Empty {
        /// The picture.
        size: Size,
    },
    /// Anything else that the system reports.
    #[error("the file could not be written")]
    Io(#[source] io::Error),
    /// Refused by the encoder.
    #[error("the file could not be encoded: {0}")]
    Encode(String),
    /// Asked to stop; the old file or none is there.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

impl From<io::Error> for ExportError {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => Self::NoFolder,
            io::ErrorKind::IsADirectory => Self::IsFolder,
            io::ErrorKind::PermissionDenied => Self::Permission,
            io::ErrorKind::ReadOnlyFilesystem => Self::ReadOnly,
            _ => Self::Io(error),
        }
    }
}

impl From<::tiff::TiffError> for ExportError {
    fn from(error: ::tiff::TiffError) -> Self {
        match error {
            ::tiff::TiffError::IoError(error) => error.into(),
            other => Self::Encode(other.to_string()),
        }
    }
}

/// Sides of a picture as the formats count them; refuses what is empty or beyond `limit`.
fn sides(size: Size, format: &'static str, limit: u32) -> Result<(u32, u32), ExportError> {
    if size.area() == 0 {
        return Err(ExportError::Empty { size });
    }
    let side = |len: usize| u32::try_from(len).ok().filter(|&len| len <= limit);
    side(size.width).zip(side(size.height)).ok_or(ExportError::TooLarge { format, size, limit })
}
