//! What was asked of a run, as the report tells it: enough to ask for the same again.

use std::path::PathBuf;

use serde::Serialize;

use crate::pipeline::report::{optional_path_text, path_texts};
use crate::pipeline::request::{MaskChoice, MasterCache, ReferenceChoice, Request};
use crate::settings::Colors;
use crate::settings::Combine;

/// The choices of a [`Request`], without the light frames, which the report lists themselves. Names are stable.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct RunSettings {
    /// Dark frames.
    #[serde(serialize_with = "path_texts")]
    pub darks: Vec<PathBuf>,
    /// Flat frames.
    #[serde(serialize_with = "path_texts")]
    pub flats: Vec<PathBuf>,
    /// Bias frames.
    #[serde(serialize_with = "path_texts")]
    pub bias: Vec<PathBuf>,
    /// Calibration frames that lay beside the lights, used for the kinds that were not given.
    #[serde(serialize_with = "path_texts")]
    pub beside: Vec<PathBuf>,
    /// Frames for the landscape alone.
    #[serde(serialize_with = "path_texts")]
    pub land: Vec<PathBuf>,
    /// Light frames that were left out by choice.
    #[serde(serialize_with = "path_texts")]
    pub skip: Vec<PathBuf>,
    /// `auto`, `none`, `painted`, or the file of the mask.
    pub mask: String,
    /// `auto`, or the frame that the sky was brought to.
    pub reference: String,
    /// The lens profile that the run began with.
    #[serde(serialize_with = "optional_path_text")]
    pub lens_profile: Option<PathBuf>,
    /// How the samples of one pixel became one.
    pub combine: Combine,
    /// How samples of the mosaic became colors of the sky.
    pub colors: Colors,
    /// Samples this many standard deviations below the centre were left out.
    pub drop_below_sigma: f32,
    /// Samples this many standard deviations above the centre were left out.
    pub drop_above_sigma: f32,
    /// Where averaged calibration frames were kept: `auto`, `off` or the folder.
    pub master_cache: String,
    /// Most memory that the run could take.
    pub memory_bytes: u64,
}

impl RunSettings {
    pub(super) fn new(request: &Request) -> Self {
        Self {
            darks: request.darks.clone(),
            flats: request.flats.clone(),
            bias: request.bias.clone(),
            beside: request.beside.iter().map(|(_, path)| path.clone()).collect(),
            land: request.land.clone(),
            skip: request.skip.clone(),
            mask: match &request.mask {
                MaskChoice::Auto => "auto".to_owned(),
                MaskChoice::None => "none".to_owned(),
                MaskChoice::Given(_) => "painted".to_owned(),
                MaskChoice::File(path) => path.display().to_string(),
            },
            reference: match &request.reference {
                ReferenceChoice::Auto => "auto".to_owned(),
                ReferenceChoice::File(path) => path.display().to_string(),
            },
            lens_profile: request.lens_profile.clone(),
            combine: request.combine,
            colors: request.colors,
            drop_below_sigma: request.drop_below_sigma,
            drop_above_sigma: request.drop_above_sigma,
            master_cache: match &request.master_cache {
                MasterCache::User => "auto".to_owned(),
                MasterCache::Folder(folder) => folder.display().to_string(),
                MasterCache::Off => "off".to_owned(),
            },
            memory_bytes: request.memory_bytes,
        }
    }
}
