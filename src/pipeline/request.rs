//! What a person asks of one run.

use std::path::PathBuf;

use crate::foreground::ForegroundMask;

/// One run: which frames, which choices. Everything has a default that is right for most nights.
#[derive(Clone, Debug)]
pub struct Request {
    /// Light frames, files only, in the order of the night where known.
    pub lights: Vec<PathBuf>,
    /// Dark frames: same exposure, ISO and camera, no light.
    pub darks: Vec<PathBuf>,
    /// Flat frames: an evenly lit surface through the same lens.
    pub flats: Vec<PathBuf>,
    /// Bias frames: the shortest exposure, no light.
    pub bias: Vec<PathBuf>,
    /// Light frames to leave out.
    pub skip: Vec<PathBuf>,
    /// Which part is landscape.
    pub mask: MaskChoice,
    /// Which light frame the sky is brought to.
    pub reference: ReferenceChoice,
    /// How the samples of one pixel become one.
    pub combine: Combine,
    /// Samples this many standard deviations below the centre are left out.
    pub drop_below_sigma: f32,
    /// Samples this many standard deviations above the centre are left out.
    pub drop_above_sigma: f32,
    /// Folder for the scratch file; the system's temporary folder or the output's where `None`.
    pub scratch_folder: Option<PathBuf>,
    /// Most memory that the run may take, child processes counted.
    pub memory_bytes: u64,
    /// Also keep the reference frame alone, to compare with.
    pub keep_single: bool,
}

/// Which part is landscape.
#[derive(Clone, Debug)]
pub enum MaskChoice {
    /// Proposed from the burst.
    Auto,
    /// Sky only: nothing stands still.
    None,
    /// A grey picture, white is foreground, upright as exported.
    File(PathBuf),
    /// Already in memory, in sensor coordinates.
    Given(ForegroundMask),
}

/// Which light frame the sky is brought to.
#[derive(Clone, Debug)]
pub enum ReferenceChoice {
    /// The sharpest frame near the middle of the burst.
    Auto,
    /// This one.
    File(PathBuf),
}

/// How the samples of one pixel become one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
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

/// The file to write.
#[derive(Clone, Debug, PartialEq)]
pub struct ExportSettings {
    /// Kind of file.
    pub format: FileFormat,
}

/// Kind of file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FileFormat {
    /// 16-bit TIFF.
    #[default]
    Tiff16,
    /// 32-bit float TIFF, linear.
    Tiff32f,
    /// 16-bit PNG.
    Png,
    /// JPEG.
    Jpeg,
}
