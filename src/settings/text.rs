//! A sheaf as TOML text and back; `docs/sheaf-files.md` explains every key.

use std::path::Path;
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use toml::Table;

use crate::develop::{DevelopSettings, GradientRemoval, Stretch, WhiteBalance};
use crate::export::Compression;
use crate::settings::SHEAF_VERSION;
use crate::settings::check::{endless_number, line_of_key, toml_fault, unknown_keys};
use crate::settings::choices::{Colors, Combine, FileFormat, Writing};
use crate::settings::mask::{mask_from_text, mask_to_text};
use crate::settings::paths::{path_from_text, path_to_text};
use crate::settings::sheaf::{Decider, Landscape, Light, Mark, MaskSource, Sheaf};

/// What a text holds.
#[derive(Debug)]
pub(super) struct Read {
    pub(super) sheaf: Sheaf,
    /// Keys that this program does not know.
    pub(super) unknown: Vec<String>,
    /// The sheaf file that an autosaved copy belongs to.
    pub(super) autosaved_from: Option<String>,
}

/// Why a text is no sheaf.
#[derive(Debug, PartialEq)]
pub(super) enum Problem {
    /// Of a later version than this program reads.
    Newer(i64),
    /// Something else: where, and what.
    Wrong(Option<usize>, String),
}

/// Sheaf to text for a file in `base`; says what cannot be written.
pub(super) fn to_text(sheaf: &Sheaf, base: Option<&Path>, autosaved_from: Option<&Path>) -> Result<String, String> {
    let written = Written::new(sheaf, base, autosaved_from)?;
    let body = toml::to_string_pretty(&written).map_err(|error| format!("cannot be put into words: {error}"))?;
    Ok(format!("# One night for Nightsheaf. docs/sheaf-files.md explains every key.\n\n{body}"))
}

/// Text of a file in `base` to sheaf.
pub(super) fn from_text(text: &str, base: &Path) -> Result<Read, Problem> {
    let of_toml = |error: toml::de::Error| {
        let (line, what) = toml_fault(text, &error);
        Problem::Wrong(line, format!("found damaged text ({what}) where that of a sheaf is needed"))
    };
    let found: Table = toml::from_str(text).map_err(of_toml)?;
    match found.get("version").map(toml::Value::as_integer) {
        Some(Some(version)) if version > i64::from(SHEAF_VERSION) => return Err(Problem::Newer(version)),
        Some(Some(version)) if version == i64::from(SHEAF_VERSION) => {}
        Some(_) => return Err(wrong(text, "version", "the version is none that ever was")),
        None => {
            return Err(Problem::Wrong(None, "found text with no version where that of a sheaf is needed".to_owned()));
        }
    }
    if let Some(key) = endless_number(&found) {
        return Err(wrong(text, &key, &format!("{key} is not a number")));
    }
    let written: Written = toml::from_str(text).map_err(of_toml)?;
    let known = Table::try_from(&written).map_err(|error| Problem::Wrong(None, error.to_string()))?;
    let unknown = unknown_keys(&found, &known);
    if let Some((key, problem)) = written.problem() {
        return Err(wrong(text, key, &problem));
    }
    let autosaved_from = written.autosaved_from.clone();
    let sheaf = written.sheaf(base).map_err(|(key, problem)| wrong(text, key, &problem))?;
    Ok(Read { sheaf, unknown, autosaved_from })
}

fn wrong(text: &str, key: &str, what: &str) -> Problem {
    Problem::Wrong(line_of_key(text, key), what.to_owned())
}

/// The file as it stands.
#[derive(Debug, Serialize, Deserialize)]
struct Written {
    version: u32,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    saved_by: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    autosaved_from: Option<String>,
    #[serde(default)]
    foreground: WrittenForeground,
    #[serde(default)]
    sky: WrittenSky,
    #[serde(default)]
    picture: DevelopSettings,
    #[serde(default)]
    output: WrittenOutput,
    #[serde(default)]
    calibration: WrittenCalibration,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    land: Option<WrittenLand>,
    lights: Vec<WrittenLight>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    mask: Option<WrittenMask>,
}

#[derive(Debug, Default, Serialize, Deserialize)]
struct WrittenForeground {
    #[serde(default)]
    landscape: Landscape,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(default)]
struct WrittenSky {
    combine: Combine,
    colors: Colors,
    drop_below_sigma: f32,
    drop_above_sigma: f32,
    #[serde(skip_serializing_if = "Option::is_none")]
    reference: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lens_profile: Option<String>,
}

impl Default for WrittenSky {
    fn default() -> Self {
        let Sheaf { combine, colors, drop_below_sigma, drop_above_sigma, .. } = Sheaf::default();
        Self { combine, colors, drop_below_sigma, drop_above_sigma, reference: None, lens_profile: None }
    }
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(default)]
struct WrittenOutput {
    format: FileFormat,
    compression: Compression,
    quality: u8,
    keep_place: bool,
}

impl Default for WrittenOutput {
    fn default() -> Self {
        Self::new(FileFormat::default(), Writing::default())
    }
}

impl WrittenOutput {
    fn new(format: FileFormat, writing: Writing) -> Self {
        let Writing { compression, jpeg_quality, keep_place } = writing;
        Self { format, compression, quality: jpeg_quality, keep_place }
    }
}

#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(default)]
struct WrittenCalibration {
    darks: Vec<String>,
    flats: Vec<String>,
    bias: Vec<String>,
}

#[derive(Debug, Serialize, Deserialize)]
struct WrittenLand {
    #[serde(default)]
    frames: Vec<String>,
}

#[derive(Debug, Serialize, Deserialize)]
struct WrittenLight {
    file: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    aside: Option<bool>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    by: Option<Decider>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    reason: Option<String>,
}

#[derive(Debug, Serialize, Deserialize)]
struct WrittenMask {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    file: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    png: Option<String>,
}

impl Written {
    fn new(sheaf: &Sheaf, base: Option<&Path>, autosaved_from: Option<&Path>) -> Result<Self, String> {
        let text = |path: &Path| {
            let no_text = || format!("names {}, whose name is no Unicode text: rename that file", path.display());
            path_to_text(path, base).ok_or_else(no_text)
        };
        let texts = |paths: &[std::path::PathBuf]| paths.iter().map(|path| text(path)).collect::<Result<Vec<_>, _>>();
        let optional = |path: &Option<std::path::PathBuf>| path.as_deref().map(text).transpose();
        let light = |light: &Light| {
            let (aside, by, reason) = match &light.mark {
                None => (None, None, None),
                Some(mark) => (Some(mark.aside), Some(mark.by), Some(mark.reason.clone())),
            };
            Ok::<_, String>(WrittenLight {
                file: text(&light.path)?,
                aside,
                by,
                reason: reason.filter(|reason| !reason.is_empty()),
            })
        };
        let mask = match &sheaf.mask {
            None => None,
            Some(MaskSource::File(path)) => Some(WrittenMask { file: Some(text(path)?), png: None }),
            Some(MaskSource::Inside(mask)) => Some(WrittenMask { file: None, png: Some(mask_to_text(mask)?) }),
        };
        Ok(Self {
            version: SHEAF_VERSION,
            saved_by: Some(format!("Nightsheaf {}", env!("CARGO_PKG_VERSION"))),
            autosaved_from: autosaved_from.map(|path| path.display().to_string()),
            foreground: WrittenForeground { landscape: sheaf.landscape },
            sky: WrittenSky {
                combine: sheaf.combine,
                colors: sheaf.colors,
                drop_below_sigma: sheaf.drop_below_sigma,
                drop_above_sigma: sheaf.drop_above_sigma,
                reference: optional(&sheaf.reference)?,
                lens_profile: optional(&sheaf.lens_profile)?,
            },
            picture: sheaf.develop.clone(),
            output: WrittenOutput::new(sheaf.format, sheaf.writing),
            calibration: WrittenCalibration {
                darks: texts(&sheaf.darks)?,
                flats: texts(&sheaf.flats)?,
                bias: texts(&sheaf.bias)?,
            },
            land: (!sheaf.land.is_empty())
                .then(|| texts(&sheaf.land))
                .transpose()?
                .map(|frames| WrittenLand { frames }),
            lights: sheaf.lights.iter().map(light).collect::<Result<_, _>>()?,
            mask,
        })
    }

    /// The first value that no run can use, by its key.
    fn problem(&self) -> Option<(&'static str, String)> {
        let sigma =
            |key, value: f32| (value <= 0.0).then(|| (key, format!("{key} is {value}, it must be a number above 0")));
        let share = |key, value: f32| {
            let is_share = (0.0..=1.0).contains(&value);
            (!is_share).then(|| (key, format!("{key} is {value}, it must be a number from 0 to 1")))
        };
        let picture = &self.picture;
        let colorless = |neutral: [f64; 3]| {
            let all = neutral.iter().all(|&value| value > 0.0);
            (!all).then(|| ("picked", format!("picked is {neutral:?}, all three must be above 0")))
        };
        let quality = self.output.quality;
        let no_quality = !(1..=100).contains(&quality);
        let empty = self.lights.iter().any(|light| light.file.is_empty());
        sigma("drop_below_sigma", self.sky.drop_below_sigma)
            .or_else(|| sigma("drop_above_sigma", self.sky.drop_above_sigma))
            .or_else(|| match picture.stretch {
                Stretch::Auto { sky_level } => share("sky_level", sky_level),
                Stretch::Stops(_) => None,
            })
            .or_else(|| match picture.gradient {
                GradientRemoval::On { strength } => share("strength", strength),
                GradientRemoval::Off => None,
            })
            .or_else(|| match picture.white_balance {
                WhiteBalance::Picked(neutral) => colorless(neutral),
                _ => None,
            })
            .or_else(|| no_quality.then(|| ("quality", format!("quality is {quality}, it must be from 1 to 100"))))
            .or_else(|| empty.then(|| ("file", "a light frame has an empty name".to_owned())))
    }

    fn sheaf(self, base: &Path) -> Result<Sheaf, (&'static str, String)> {
        let path = |text: String| path_from_text(&text, base);
        let paths = |texts: Vec<String>| texts.into_iter().map(path).collect();
        let mask = match self.mask {
            Some(WrittenMask { png: Some(text), .. }) => {
                Some(MaskSource::Inside(Arc::new(mask_from_text(&text).map_err(|problem| ("png", problem))?)))
            }
            Some(WrittenMask { file: Some(file), png: None }) => Some(MaskSource::File(path(file))),
            Some(WrittenMask { file: None, png: None }) | None => None,
        };
        Ok(Sheaf {
            lights: self.lights.into_iter().map(|light| light.light(base)).collect(),
            darks: paths(self.calibration.darks),
            flats: paths(self.calibration.flats),
            bias: paths(self.calibration.bias),
            land: paths(self.land.map(|land| land.frames).unwrap_or_default()),
            landscape: self.foreground.landscape,
            mask,
            combine: self.sky.combine,
            colors: self.sky.colors,
            drop_below_sigma: self.sky.drop_below_sigma,
            drop_above_sigma: self.sky.drop_above_sigma,
            reference: self.sky.reference.map(path),
            lens_profile: self.sky.lens_profile.map(path),
            develop: self.picture,
            format: self.output.format,
            writing: Writing {
                compression: self.output.compression,
                jpeg_quality: self.output.quality,
                keep_place: self.output.keep_place,
            },
        })
    }
}

impl WrittenLight {
    fn light(self, base: &Path) -> Light {
        // Whoever writes `aside` by hand is a person.
        let by = self.by.unwrap_or(Decider::Person);
        let reason = self.reason.unwrap_or_default();
        let mark = self.aside.map(|aside| Mark { aside, by, reason });
        Light { path: path_from_text(&self.file, base), mark }
    }
}

#[cfg(test)]
#[path = "text_tests.rs"]
mod tests;
