//! Words that stand for choices on the command line.

use clap::ValueEnum;

use crate::pipeline::FileFormat;

/// [`Combine`](crate::pipeline::Combine) as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum CombineWord {
    /// Mean of the samples that agree
    ClippedMean,
    /// Mean of all
    Mean,
    /// The middle one
    Median,
    /// The brightest: star trails
    Maximum,
}

/// [`Colors`](crate::pipeline::Colors) as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ColorsWord {
    /// What is better for the burst at hand
    Auto,
    /// Each frame is given all colors at every pixel before it is moved
    Interpolated,
    /// Each sample counts in its own color alone; for long bursts
    Sampled,
}

/// [`OutputSpace`](crate::pipeline::OutputSpace) as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SpaceWord {
    /// For screens and the web
    Srgb,
    /// A wide space for further editing
    Rec2020,
    /// The stack as measured: linear camera values, black at 1024, white level at 65535, not turned upright
    CameraLinear,
}

/// [`FileFormat`] as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum FormatWord {
    /// 16-bit TIFF
    Tiff16,
    /// 32-bit float TIFF, linear
    Tiff32f,
    /// Linear DNG: the raw editor's white balance still works
    Dng,
    /// 16-bit PNG
    Png,
    /// JPEG
    Jpeg,
}

/// [`Vignetting`](crate::pipeline::Vignetting) as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum CornerWord {
    /// Where it is known without doubt
    Auto,
    /// Leave them
    Off,
}

/// [`Compression`](crate::pipeline::Compression) as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum CompressionWord {
    /// Not at all: quickest, read by all
    None,
    /// Without loss; smaller
    Deflate,
}

/// Off or on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Switch {
    /// Leave it
    Off,
    /// Do it
    On,
}

impl FormatWord {
    pub(super) fn format(self) -> FileFormat {
        match self {
            Self::Tiff16 => FileFormat::Tiff16,
            Self::Tiff32f => FileFormat::Tiff32f,
            Self::Dng => FileFormat::Dng,
            Self::Png => FileFormat::Png,
            Self::Jpeg => FileFormat::Jpeg,
        }
    }
}
