//! What a person asks of one run.

use std::path::PathBuf;
use std::sync::Arc;

use crate::develop::DevelopSettings;
use crate::export::Compression;
use crate::foreground::ForegroundMask;
use crate::pipeline::gather::FrameKind;
use crate::raw::FrameScale;
use crate::settings::{Colors, Combine, FileFormat, Writing};
use crate::stack::CombineRule;

/// One run: which frames, which choices. Everything has a default that is right for most nights.
#[derive(Clone, Debug)]
pub struct Request {
    /// Light frames, files only, in the order of the night where known. Calibration frames among them are found
    /// and used as what they are.
    pub lights: Vec<PathBuf>,
    /// Dark frames: same exposure, ISO and camera, no light.
    pub darks: Vec<PathBuf>,
    /// Flat frames: an evenly lit surface through the same lens.
    pub flats: Vec<PathBuf>,
    /// Bias frames: the shortest exposure, no light.
    pub bias: Vec<PathBuf>,
    /// Calibration frames that lie beside the lights: used where none of their kind is given above.
    pub beside: Vec<(FrameKind, PathBuf)>,
    /// Where averaged calibration frames are kept for the next run.
    pub master_cache: MasterCache,
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
    /// How samples of the mosaic become colors of the sky.
    pub colors: Colors,
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
    /// Also stack the sky and the land alone, all over the frame, so that they can be joined anew in an editor.
    pub keep_layers: bool,
    /// How large the frames are read; a mask that is given has this scale.
    pub scale: FrameScale,
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
            beside: Vec::new(),
            master_cache: MasterCache::User,
            land: Vec::new(),
            skip: Vec::new(),
            mask: MaskChoice::Auto,
            reference: ReferenceChoice::Auto,
            lens_profile: None,
            combine: Combine::ClippedMean,
            colors: Colors::Auto,
            drop_below_sigma: 3.0,
            drop_above_sigma: 3.0,
            scratch_folder: None,
            output_folder: None,
            memory_bytes: DEFAULT_MEMORY_BYTES,
            keep_single: false,
            keep_layers: false,
            scale: FrameScale::Full,
            decoder_program: None,
        }
    }
}

/// Where averaged calibration frames are kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MasterCache {
    /// In the user's own cache folder.
    User,
    /// In this folder.
    Folder(PathBuf),
    /// Nowhere.
    Off,
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

/// The file to write.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct ExportSettings {
    /// Kind of file.
    pub format: FileFormat,
    /// The look.
    pub develop: DevelopSettings,
    /// How a TIFF is packed.
    pub compression: Compression,
    /// Of a JPEG, 1 to 100.
    pub jpeg_quality: u8,
    /// Whether the file may tell where the camera stood.
    pub keep_place: bool,
}

impl Default for ExportSettings {
    fn default() -> Self {
        let Writing { compression, jpeg_quality, keep_place } = Writing::default();
        let (format, develop) = (FileFormat::default(), DevelopSettings::default());
        Self { format, develop, compression, jpeg_quality, keep_place }
    }
}
