//! What a person asks of one run.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::develop::DevelopSettings;
use crate::foreground::ForegroundMask;
use crate::stack::CombineRule;

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
    /// Other frames for the landscape alone, such as longer exposures from the same tripod; the sky is then made
    /// from the lights and the landscape from these.
    pub land: Vec<PathBuf>,
    /// Light frames to leave out.
    pub skip: Vec<PathBuf>,
    /// Which part is landscape.
    pub mask: MaskChoice,
    /// Which light frame the sky is brought to.
    pub reference: ReferenceChoice,
    /// The lens as an earlier burst measured it, to start from.
    pub lens_profile: Option<PathBuf>,
    /// How the samples of one pixel become one.
    pub combine: Combine,
    /// Samples this many standard deviations below the centre are left out.
    pub drop_below_sigma: f32,
    /// Samples this many standard deviations above the centre are left out.
    pub drop_above_sigma: f32,
    /// Folder for the scratch file; the output's where `None`.
    pub scratch_folder: Option<PathBuf>,
    /// Folder that the picture will be written to, where it is known.
    pub output_folder: Option<PathBuf>,
    /// Most memory that the run may take, child processes counted.
    pub memory_bytes: u64,
    /// Also keep the reference frame alone, to compare with.
    pub keep_single: bool,
    /// Program that decodes a frame when started with the private argument; the running one where `None`.
    pub decoder_program: Option<PathBuf>,
}

impl Request {
    /// How the stack is to combine the samples of a pixel.
    #[must_use]
    pub fn combine_rule(&self) -> CombineRule {
        match self.combine {
            Combine::ClippedMean => CombineRule::ClippedMean {
                drop_below_sigma: self.drop_below_sigma,
                drop_above_sigma: self.drop_above_sigma,
            },
            Combine::Mean => CombineRule::Mean,
            Combine::Median => CombineRule::Median,
            Combine::Maximum => CombineRule::Maximum,
        }
    }
}

/// 1.5 GiB: leaves room on a laptop of 8 GB.
pub const DEFAULT_MEMORY_BYTES: u64 = 3 << 29;

impl Default for Request {
    fn default() -> Self {
        Self {
            lights: Vec::new(),
            darks: Vec::new(),
            flats: Vec::new(),
            bias: Vec::new(),
            land: Vec::new(),
            skip: Vec::new(),
            mask: MaskChoice::Auto,
            reference: ReferenceChoice::Auto,
            lens_profile: None,
            combine: Combine::ClippedMean,
            drop_below_sigma: 3.0,
            drop_above_sigma: 3.0,
            scratch_folder: None,
            output_folder: None,
            memory_bytes: DEFAULT_MEMORY_BYTES,
            keep_single: false,
            decoder_program: None,
        }
    }
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
    Given(Arc<ForegroundMask>),
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
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ExportSettings {
    /// Kind of file.
    pub format: FileFormat,
    /// The look.
    pub develop: DevelopSettings,
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
    /// Linear DNG: the raw editor's white balance still works.
    Dng,
    /// 16-bit PNG.
    Png,
    /// JPEG.
    Jpeg,
}

impl FileFormat {
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
}
