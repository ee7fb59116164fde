//! What was done, to be read by a person or a program.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::calibrate::LineNoise;
use crate::develop::Falloff;
use crate::error::Error;
use crate::export::replace_file;
use crate::pipeline::report_settings::RunSettings;
use crate::pipeline::request::ExportSettings;
use crate::pixels::Projection;
use crate::register::{LensFit, LensParameter, Optics};

/// What became of a run. Names are stable: other programs read them.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Report {
    /// Name and version of the program.
    pub program: Program,
    /// The words of the command line that asked for the run, quoted for a shell; `None` for a run from the window.
    pub command: Option<String>,
    /// What was asked of the run.
    pub settings: RunSettings,
    /// What was asked of the picture's file; `None` where none was written.
    pub export: Option<ExportSettings>,
    /// Every light frame given, in the order given.
    pub frames: Vec<FrameReport>,
    /// Every frame given for the landscape alone, in the order given.
    pub land: Vec<LandFrameReport>,
    /// Whether the tripod stood still; `None` where there is no landscape to tell it.
    pub tripod: Option<TripodFinding>,
    /// File name of the reference frame.
    pub reference: String,
    /// The lens, where a camera explains the burst.
    pub lens: Option<LensReport>,
    /// The averaged calibration frames that were used.
    pub masters: Vec<MasterReport>,
    /// How much cleaner the picture is.
    pub noise: Option<NoiseReport>,
    /// Hot and dead pixels repaired.
    pub defects_repaired: usize,
    /// Offsets of whole rows and columns.
    pub banding: BandingReport,
    /// What the lens loses towards the corners.
    pub vignetting: VignettingReport,
    /// Gain and read noise as the burst shows them.
    pub noise_model: Option<NoiseModelReport>,
    /// Things a person should know; each a sentence.
    pub notes: Vec<String>,
    /// Wall time of each stage, in seconds.
    pub seconds: StageSeconds,
    /// Largest memory of this process and its children together, where the system tells.
    pub peak_memory_bytes: Option<u64>,
}

/// What the landscape tells of the tripod.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TripodFinding {
    /// It stood still.
    Still,
    /// It was knocked, and the landscape brought back.
    Knocked,
    /// The landscape is too dark to tell.
    TooDark,
    /// There is too little of it to tell.
    TooLittle,
}

/// Offsets that the readout of the sensor adds to whole rows of a frame and to whole columns of the burst.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BandingReport {
    /// Anew in each frame.
    pub rows: LineNoise,
    /// The same in all frames.
    pub columns: LineNoise,
}

/// What the lens loses towards the corners, and how that is known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct VignettingReport {
    /// What it is known from.
    pub source: FalloffSource,
    /// a₁, a₂, a₃: light left is 1 + a₁ r² + a₂ r⁴ + a₃ r⁶, r = 1 in the corners.
    pub terms: [f64; 3],
    /// Share of the light lost in the corners.
    pub corner_loss: f64,
    /// How sure that is, or why it is not known.
    pub remark: String,
}

/// What a falloff is known from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FalloffSource {
    /// It is not known.
    #[default]
    None,
    /// Flat frames: every frame was divided by them.
    Flats,
    /// The lens profile: made up for in development.
    Profile,
    /// The sky of the stack: made up for in development.
    Sky,
}

impl VignettingReport {
    pub(super) fn new(source: FalloffSource, falloff: &Falloff, remark: String) -> Self {
        Self { source, terms: falloff.terms, corner_loss: falloff.corner_loss(), remark }
    }

    pub(super) fn none(remark: String) -> Self {
        Self { remark, ..Self::default() }
    }
}

/// Gain and read noise of the camera, fitted on the burst (photon transfer), and the noise that follows from them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoiseModelReport {
    /// Electrons at the white level.
    pub electrons_at_white: f64,
    /// Electrons of one data number, of frames whose numbers are in proportion to the light.
    pub electrons_per_dn: Option<f64>,
    /// Standard deviation of reading one sample, without rounding; noise of the dark signal is in it where darks take
    /// that signal off.
    pub read_noise_electrons: f64,
    /// Standard deviation that rounding to whole data numbers adds: a twelfth of a square number, in electrons.
    #[serde(default)]
    pub rounding_electrons: Option<f64>,
    /// What `noise.single` should be.
    pub predicted_single: f64,
    /// What `noise.stack` should be with the weights used and nothing clipped.
    pub predicted_stack: f64,
}

/// Averaged calibration frames of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MasterReport {
    /// `dark`, `flat` or `bias`.
    pub kind: String,
    /// Frames in the mean.
    pub frames: usize,
    /// How they were taken, in words.
    pub setting: String,
    /// Whether the mean was kept from an earlier run: not written, for the same frames give the same report.
    #[serde(skip)]
    pub from_cache: bool,
}

/// Name and version of the program.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Program(String);

impl Default for Program {
    fn default() -> Self {
        Self(concat!("Nightsheaf ", env!("CARGO_PKG_VERSION")).to_owned())
    }
}

impl std::fmt::Display for Program {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(&self.0)
    }
}

/// Wall time of each stage, in the order of the work.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StageSeconds(pub Vec<(String, f64)>);

impl Serialize for StageSeconds {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(stage, seconds)| (stage, seconds)))
    }
}

/// One light frame.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FrameReport {
    /// The file.
    #[serde(serialize_with = "path_text")]
    pub file: PathBuf,
    /// Whether the frame is part of the picture.
    pub used: bool,
    /// Why not, or what to know; empty where there is nothing to say.
    pub reason: String,
    /// Share in the mean before clipping, relative to the reference frame.
    pub weight: f64,
    /// What its starlight was multiplied by to be that of the reference frame: least and most over the frame, which
    /// differ where cloud lay over a part of it.
    pub scale_range: Option<[f32; 2]>,
    /// Registration model, or `none`.
    pub registration: String,
    /// Star pairs that agree.
    pub matched: usize,
    /// Their root mean square distance.
    pub rms_px: Option<f64>,
    /// Why the frame was not aligned by the lens fitted to the stars, where it was not.
    pub registration_reason: Option<String>,
    /// When the exposure began by the camera's clock, as in RFC 3339, with the offset where the camera tells one.
    pub capture_time: Option<String>,
    /// Shutter time.
    pub exposure_secs: Option<f64>,
    /// Stars found.
    pub stars: usize,
    /// Median width of the stars at half their height.
    pub fwhm_px: Option<f32>,
    /// Median of long over short axis of the stars; 1 is round.
    pub elongation: Option<f32>,
    /// Median level of the green sky, 1.0 at the white level.
    pub sky_level: Option<f32>,
    /// Distance of the star pairs from the middle of the picture to its corners; rings without stars are left out.
    pub residuals_by_radius: Vec<RadiusResidual>,
}

/// One frame given for the landscape alone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LandFrameReport {
    /// The file.
    #[serde(serialize_with = "path_text")]
    pub file: PathBuf,
    /// Whether the frame is part of the picture.
    pub used: bool,
    /// Why not; empty where there is nothing to say.
    pub reason: String,
    /// What its light was multiplied by to be that of the reference frame; 0 for a frame that was not used.
    pub scale: f64,
    /// Share in the mean before clipping, relative to the reference frame; 0 for a frame that was not used.
    pub weight: f64,
}

/// How well the stars of one ring around the middle of the picture fall on their places.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RadiusResidual {
    /// Middle of the ring as a share of the half diagonal.
    pub radius: f64,
    /// Root mean square distance of its star pairs.
    pub rms_px: f64,
    /// How many they are.
    pub n: usize,
}

/// The lens of the burst: what it is, and how that is known.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LensReport {
    /// How angles spread over the picture.
    pub projection: Projection,
    /// Whether the lens was fitted to the stars; otherwise it was held as it was known.
    pub fitted: bool,
    /// What it was known from before the stars were asked.
    pub start: LensStart,
    /// The lens profile given, whether or not the stars agreed with it.
    #[serde(serialize_with = "optional_path_text")]
    pub profile: Option<PathBuf>,
    /// Whether refraction by the air was fitted.
    pub refraction: bool,
    /// Focal length in pixels, distortion, principal point in pixels.
    pub parameters: Vec<LensParameter>,
    /// Stars that the lens was fitted to.
    pub stars: usize,
    /// Their sightings in all frames.
    pub sightings: usize,
    /// Ordinary error of a sighting over what the noise of its centroid explains; 1 is perfect.
    pub noise_ratio: f64,
    /// How the model was chosen; each a sentence.
    pub notes: Vec<String>,
}

/// What a lens was known from before the stars were asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LensStart {
    /// A profile that an earlier burst left.
    Profile,
    /// The focal length that the camera states.
    StatedFocalLength,
    /// Nothing: all focal lengths that tripods carry were tried.
    Search,
}

impl LensReport {
    /// What is told of a lens.
    #[must_use]
    pub fn new(fit: &LensFit, optics: &Optics, profile: Option<PathBuf>, notes: &[String]) -> Self {
        Self {
            projection: fit.lens.projection,
            fitted: fit.fitted,
            start: match (fit.from_profile, optics.focal_px) {
                (true, _) => LensStart::Profile,
                (false, Some(_)) => LensStart::StatedFocalLength,
                (false, None) => LensStart::Search,
            },
            profile,
            refraction: fit.zenith.is_some(),
            parameters: fit.parameters.clone(),
            stars: fit.n_stars,
            sightings: fit.n_sightings,
            noise_ratio: fit.noise_ratio,
            notes: notes.to_vec(),
        }
    }
}

/// How much cleaner the picture is, on star-free sky, free of the smoothing of interpolation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoiseReport {
    /// Standard deviation of the reference frame alone, 1.0 at the white level.
    pub single: f64,
    /// Standard deviation of the stack.
    pub stack: f64,
    /// Single over stack.
    pub gain: f64,
    /// Standard error of that, from the number of blocks that it was measured on.
    pub gain_sigma: f64,
    /// What the frames kept allow: the square root of their number for equal weights.
    pub ideal: f64,
}

impl Report {
    /// What was done to the frames before they were stacked; each a line without a full stop.
    #[must_use]
    pub fn calibration_lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        for master in &self.masters {
            let frames = if master.frames == 1 { "frame" } else { "frames" };
            lines.push(format!("{}: {} {frames} of {}", master.kind, master.frames, master.setting));
        }
        let sigma = self.noise_model.map(|model| model.predicted_single).filter(|&sigma| sigma > 0.0);
        for (noise, name) in [(self.banding.rows, "row"), (self.banding.columns, "column")] {
            if noise.removed {
                let share = sigma.map_or(String::new(), |sigma| {
                    format!(", {:.0} % of the noise of a frame", 100.0 * noise.sigma / sigma)
                });
                lines.push(format!("{name} noise of {:.1e} removed{share}", noise.sigma));
            }
        }
        let VignettingReport { source, corner_loss, remark, .. } = &self.vignetting;
        let loss = format!("the lens loses {:.0} % of the light in the corners", 100.0 * corner_loss);
        match source {
            FalloffSource::Flats => lines.push(format!("{loss}: levelled by the flats")),
            FalloffSource::Profile => lines.push(format!("{loss}, by its profile: levelled in the picture")),
            FalloffSource::Sky => lines.push(format!("{loss}, by the sky ({remark}): levelled in the picture")),
            FalloffSource::None if remark.is_empty() => {}
            FalloffSource::None => lines.push(format!("the corners are left as they are: {remark}")),
        }
        lines
    }

    /// Writes the report as JSON, whole or not at all.
    pub fn save(&self, path: &Path) -> Result<(), Error> {
        let text = serde_json::to_string_pretty(self).expect("a report is plain data");
        replace_file(path, text.len() as u64, |out| Ok(out.write_all(text.as_bytes())?))
            .map_err(|source| Error::Export { path: path.to_owned(), source })
    }
}

/// A path as text; bytes that are no text are shown as such.
fn path_text<S: serde::Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&path.to_string_lossy())
}

/// The same of a path that need not be there.
pub(super) fn optional_path_text<S: serde::Serializer>(
    path: &Option<PathBuf>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    path.as_ref().map(|path| path.to_string_lossy()).serialize(serializer)
}

/// The same of several.
pub(super) fn path_texts<S: serde::Serializer>(paths: &[PathBuf], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(paths.iter().map(|path| path.to_string_lossy()))
}

/// A remark as it stands alone: with a capital, unless it begins with the name of a file or a figure.
#[must_use]
pub fn sentence(remark: &str) -> String {
    let first = remark.split([' ', ':', ',']).next().unwrap_or_default();
    let is_word = !first.is_empty() && first.chars().all(|letter| letter.is_ascii_lowercase());
    if is_word { format!("{}{}", first[..1].to_uppercase(), &remark[1..]) } else { remark.to_owned() }
}
