//! Choices that a run, a sheaf file and both front ends share.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::export::{Compression, DEFAULT_JPEG_QUALITY};

/// How the samples of one pixel become one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Combine {
    /// Mean of the samples that agree.
    #[default]
    ClippedMean,
    /// Mean of all.
    Mean,
    /// The middle one.
    Median,
    /// The brightest: star trails.
    Maximum,
}

/// How samples of the mosaic become colors of the sky; concerns a clipped mean of raw frames.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Colors {
    /// What is better for the burst at hand.
    #[default]
    Auto,
    /// Each frame is given all colors at every pixel before it is moved.
    Interpolated,
    /// Each sample counts in its own color alone; the burst must be long enough to fill them.
    Sampled,
}

/// Kind of file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FileFormat {
    /// 16-bit TIFF.
    #[default]
    Tiff16,
    /// 32-bit float TIFF, linear.
    Tiff32f,
    /// Linear DNG: the raw editor's white balance still works.
    Dng,
    /// 16-bit PNG.
    Png,
    /// JPEG.
    Jpeg,
}

/// How a file is written, whatever its kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Writing {
    /// How a TIFF is packed.
    pub compression: Compression,
    /// Of a JPEG, 1 to 100.
    pub jpeg_quality: u8,
    /// Whether the file may tell where the camera stood.
    pub keep_place: bool,
}

impl Default for Writing {
    fn default() -> Self {
        Self { compression: Compression::default(), jpeg_quality: DEFAULT_JPEG_QUALITY, keep_place: false }
    }
}

impl FileFormat {
    /// What can be written, for messages.
    pub const ENDINGS: &str = "name the file .tif or .tiff, .dng, .png, .jpg or .jpeg";

    /// The kind of file that an ending stands for; `None` for an unknown one.
    #[must_use]
    pub fn from_ending(path: &Path) -> Option<Self> {
        match path.extension()?.to_str()?.to_ascii_lowercase().as_str() {
            "tif" | "tiff" => Some(Self::Tiff16),
            "dng" => Some(Self::Dng),
            "png" => Some(Self::Png),
            "jpg" | "jpeg" => Some(Self::Jpeg),
            _ => None,
        }
    }

    /// The kind of file to write at `path` where this one is chosen: the ending decides, the choice between
    /// kinds of one ending and where there is none; `None` where the ending stands for no picture.
    #[must_use]
    pub fn for_path(self, path: &Path) -> Option<Self> {
        if path.extension().is_none() {
            return Some(self);
        }
        match (Self::from_ending(path)?, self) {
            (Self::Tiff16, Self::Tiff32f) => Some(Self::Tiff32f),
            (found, _) => Some(found),
        }
    }

    /// The ending that such files usually have.
    #[must_use]
    pub fn ending(self) -> &'static str {
        match self {
            Self::Tiff16 | Self::Tiff32f => "tif",
            Self::Dng => "dng",
            Self::Png => "png",
            Self::Jpeg => "jpg",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ending_decides_and_the_choice_where_it_does_not() {
        let check = |path: &str, chosen: FileFormat, expected| {
            assert_eq!(chosen.for_path(Path::new(path)), expected, "{path} with {chosen:?}");
        };
        check("night", FileFormat::Png, Some(FileFormat::Png));
        check("night.jpg", FileFormat::Tiff16, Some(FileFormat::Jpeg));
        check("night.TIF", FileFormat::Tiff32f, Some(FileFormat::Tiff32f));
        check("night.tif", FileFormat::Png, Some(FileFormat::Tiff16));
        check("night.txt", FileFormat::Tiff16, None);
    }
}
