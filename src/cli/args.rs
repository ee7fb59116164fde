//! Words of the command line to requests.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

pub use crate::cli::beside::BesideArguments;
pub use crate::cli::field_args::{MeasureArguments, PlanArguments};
use crate::cli::values::{memory_size, positive_f32, white_balance};
use crate::cli::words::{ColorsWord, CombineWord, CompressionWord, CornerWord, FormatWord, SpaceWord, Switch};
use crate::error::Error;
use crate::pipeline::format_at;
use crate::pipeline::{Colors, Combine, Compression, DevelopSettings, ExportSettings, FileFormat, GradientRemoval};
use crate::pipeline::{MaskChoice, MasterCache, OutputSpace, ReferenceChoice, Request, Vignetting, WhiteBalance};

/// One clean picture from a burst of night landscape frames on a fixed tripod.
#[derive(Debug, Parser)]
#[command(name = "nightsheaf-cli", version, arg_required_else_help = true)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Stack a burst into one picture
    Stack(Box<StackArguments>),
    /// Make the picture of a saved sheaf, byte for byte as the window does
    Export(ExportArguments),
    /// Measure the frames of a burst, one line each
    Measure(Box<MeasureArguments>),
    /// Propose which part of the burst is landscape
    Mask(MaskArguments),
    /// Plan a night: how long to expose, how many frames, when it is dark
    Plan(Box<PlanArguments>),
}

impl Command {
    /// Whether it decodes many frames and holds them in memory.
    #[must_use]
    pub fn works_on_frames(&self) -> bool {
        match self {
            Self::Stack(_) | Self::Export(_) | Self::Mask(_) | Self::Measure(_) => true,
            Self::Plan(_) => false,
        }
    }
}

/// `stack`.
#[derive(Debug, Args)]
pub struct StackArguments {
    /// Light frames, or folders of them
    #[arg(required = true, value_name = "PATH")]
    pub lights: Vec<PathBuf>,
    /// File to write; its folder must exist
    #[arg(short, long, value_name = "FILE")]
    pub output: PathBuf,
    /// Dark frame or a folder of them; may be given several times
    #[arg(long, value_name = "PATH")]
    pub darks: Vec<PathBuf>,
    /// Flat frame or a folder of them; may be given several times
    #[arg(long, value_name = "PATH")]
    pub flats: Vec<PathBuf>,
    /// Bias frame or a folder of them; may be given several times
    #[arg(long, value_name = "PATH")]
    pub bias: Vec<PathBuf>,
    /// Frame or folder of frames for the landscape alone, such as longer exposures; may be given several times
    #[arg(long, value_name = "PATH")]
    pub land: Vec<PathBuf>,
    /// Grey picture whose white is foreground, upright as exported; `auto` proposes one, `none` is sky only
    #[arg(long, value_name = "FILE|auto|none", default_value = "auto")]
    pub mask: String,
    /// Frame that the sky is brought to
    #[arg(long, value_name = "FILE|auto", default_value = "auto")]
    pub reference: String,
    /// Light frame to leave out; may be given several times
    #[arg(long, value_name = "FILE")]
    pub skip: Vec<PathBuf>,
    /// How the samples of one pixel become one
    #[arg(long, value_enum, default_value_t = CombineWord::ClippedMean)]
    pub combine: CombineWord,
    /// How samples of the mosaic become colors of the sky, in a clipped mean of raw frames
    #[arg(long, value_enum, default_value_t = ColorsWord::Auto)]
    pub colors: ColorsWord,
    /// Leave out samples so many standard deviations below the centre
    #[arg(long, value_name = "SIGMA", default_value_t = 3.0, value_parser = positive_f32, allow_negative_numbers = true)]
    pub drop_below: f32,
    /// Leave out samples so many standard deviations above the centre
    #[arg(long, value_name = "SIGMA", default_value_t = 3.0, value_parser = positive_f32, allow_negative_numbers = true)]
    pub drop_above: f32,
    /// Color space of the picture; camera-linear is the stack as measured
    #[arg(long, value_enum, default_value_t = SpaceWord::Srgb)]
    pub space: SpaceWord,
    /// Kind of file; taken from the ending of the output where not given
    #[arg(long, value_enum)]
    pub format: Option<FormatWord>,
    /// What counts as colorless: as-shot, daylight, tungsten, sky, or three camera values R,G,B
    #[arg(long, value_name = "BALANCE", default_value = "as-shot", value_parser = white_balance)]
    pub white_balance: WhiteBalance,
    /// Give the corners the light that the lens lost, where its profile or the sky tells: auto or off
    #[arg(long, value_enum, default_value_t = CornerWord::Auto)]
    pub vignetting: CornerWord,
    /// Level uneven sky glow
    #[arg(long, value_enum, default_value_t = Switch::Off)]
    pub gradient: Switch,
    /// Brightness in stops
    #[arg(long, value_name = "STOPS", default_value_t = 0.0, allow_negative_numbers = true)]
    pub exposure: f32,
    /// Start from the lens as an earlier burst measured it
    #[arg(long, value_name = "FILE.toml")]
    pub lens_profile: Option<PathBuf>,
    /// What is written beside the picture.
    #[command(flatten)]
    pub beside: BesideArguments,
    /// How a TIFF is packed
    #[arg(long, value_enum, default_value_t = CompressionWord::None)]
    pub compression: CompressionWord,
    /// Quality of a JPEG
    #[arg(long, value_name = "1-100", default_value_t = ExportSettings::default().jpeg_quality, value_parser = clap::value_parser!(u8).range(1..=100))]
    pub quality: u8,
    /// Let the files tell where the camera stood, if the frames do; left out otherwise
    #[arg(long)]
    pub keep_place: bool,
    /// Where averaged calibration frames are kept for the next run: `auto` is your cache folder, `off` keeps none
    #[arg(long, value_name = "FOLDER|auto|off", default_value = "auto")]
    pub master_cache: String,
    /// Folder for the temporary file; beside the output where not given
    #[arg(long, value_name = "FOLDER")]
    pub scratch: Option<PathBuf>,
    /// Most memory to take, as in 1.5GiB or 900MiB
    #[arg(long, value_name = "SIZE", default_value = "1.5GiB", value_parser = memory_size)]
    pub memory: u64,
    /// Threads to work with; all cores where not given
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub threads: Option<u16>,
    /// Print nothing but errors
    #[arg(short, long)]
    pub quiet: bool,
    /// Print the seconds of each stage
    #[arg(long)]
    pub timings: bool,
}

/// `export`.
#[derive(Debug, Args)]
pub struct ExportArguments {
    /// Sheaf file that the window saved
    #[arg(value_name = "SHEAF.toml")]
    pub sheaf: PathBuf,
    /// File to write; its folder must exist
    #[arg(short, long, value_name = "FILE")]
    pub output: PathBuf,
    /// Folder to look in, and below, for frames that are not where they were
    #[arg(long, value_name = "FOLDER")]
    pub frames: Option<PathBuf>,
    /// Kind of file; taken from the ending of the output, then from the sheaf where not given
    #[arg(long, value_enum)]
    pub format: Option<FormatWord>,
    /// What is written beside the picture.
    #[command(flatten)]
    pub beside: BesideArguments,
    /// Folder for the temporary file; beside the output where not given
    #[arg(long, value_name = "FOLDER")]
    pub scratch: Option<PathBuf>,
    /// Most memory to take, as in 1.5GiB or 900MiB
    #[arg(long, value_name = "SIZE", default_value = "1.5GiB", value_parser = memory_size)]
    pub memory: u64,
    /// Threads to work with; all cores where not given
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub threads: Option<u16>,
    /// Print nothing but errors
    #[arg(short, long)]
    pub quiet: bool,
    /// Print the seconds of each stage
    #[arg(long)]
    pub timings: bool,
}

/// `mask`.
#[derive(Debug, Args)]
pub struct MaskArguments {
    /// Light frames, or folders of them
    #[arg(required = true, value_name = "PATH")]
    pub lights: Vec<PathBuf>,
    /// Grey PNG to write, white is landscape; its folder must exist
    #[arg(short, long, value_name = "FILE.png")]
    pub output: PathBuf,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Folder for the temporary file; beside the output where not given
    #[arg(long, value_name = "FOLDER")]
    pub scratch: Option<PathBuf>,
    /// Threads to work with; all cores where not given
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub threads: Option<u16>,
}

impl StackArguments {
    /// The run asked for; folders among the paths are still to be expanded by the caller.
    #[must_use]
    pub fn request(&self) -> Request {
        Request {
            lights: self.lights.clone(),
            darks: self.darks.clone(),
            flats: self.flats.clone(),
            bias: self.bias.clone(),
            master_cache: match self.master_cache.as_str() {
                "auto" => MasterCache::User,
                "off" => MasterCache::Off,
                folder => MasterCache::Folder(PathBuf::from(folder)),
            },
            land: self.land.clone(),
            skip: self.skip.clone(),
            mask: match self.mask.as_str() {
                "auto" => MaskChoice::Auto,
                "none" => MaskChoice::None,
                file => MaskChoice::File(PathBuf::from(file)),
            },
            reference: match self.reference.as_str() {
                "auto" => ReferenceChoice::Auto,
                file => ReferenceChoice::File(PathBuf::from(file)),
            },
            lens_profile: self.lens_profile.clone(),
            combine: match self.combine {
                CombineWord::ClippedMean => Combine::ClippedMean,
                CombineWord::Mean => Combine::Mean,
                CombineWord::Median => Combine::Median,
                CombineWord::Maximum => Combine::Maximum,
            },
            colors: match self.colors {
                ColorsWord::Auto => Colors::Auto,
                ColorsWord::Interpolated => Colors::Interpolated,
                ColorsWord::Sampled => Colors::Sampled,
            },
            drop_below_sigma: self.drop_below,
            drop_above_sigma: self.drop_above,
            scratch_folder: self.scratch.clone(),
            memory_bytes: self.memory,
            ..Request::default()
        }
    }

    /// The look asked for.
    #[must_use]
    pub fn develop_settings(&self) -> DevelopSettings {
        DevelopSettings {
            white_balance: self.white_balance,
            exposure_ev: self.exposure,
            vignetting: match self.vignetting {
                CornerWord::Auto => Vignetting::Auto,
                CornerWord::Off => Vignetting::Off,
            },
            gradient: match self.gradient {
                Switch::Off => GradientRemoval::Off,
                Switch::On => GradientRemoval::On { strength: 1.0 },
            },
            space: match self.space {
                SpaceWord::Srgb => OutputSpace::Srgb,
                SpaceWord::Rec2020 => OutputSpace::Rec2020,
                SpaceWord::CameraLinear => OutputSpace::CameraLinear,
            },
            ..DevelopSettings::default()
        }
    }

    /// The file asked for.
    ///
    /// # Errors
    /// As [`Self::file_format`].
    pub fn export_settings(&self) -> Result<ExportSettings, Error> {
        Ok(ExportSettings {
            format: self.file_format()?,
            develop: self.develop_settings(),
            compression: match self.compression {
                CompressionWord::None => Compression::None,
                CompressionWord::Deflate => Compression::Deflate,
            },
            jpeg_quality: self.quality,
            keep_place: self.keep_place,
        })
    }

    /// The kind of file: as asked, or by the ending of the output, or 16-bit TIFF where there is none.
    ///
    /// # Errors
    /// [`Error::Ending`] where the output ends as no picture does that can be written.
    pub fn file_format(&self) -> Result<FileFormat, Error> {
        let by_ending = format_at(&self.output, FileFormat::default())?;
        Ok(self.format.map_or(by_ending, FormatWord::format))
    }
}

impl ExportArguments {
    /// The kind of file: as asked, or by the ending of the output, or as the sheaf says where there is none.
    ///
    /// # Errors
    /// [`Error::Ending`] where the output ends as no picture does that can be written.
    pub fn file_format(&self, of_sheaf: FileFormat) -> Result<FileFormat, Error> {
        let by_ending = format_at(&self.output, of_sheaf)?;
        Ok(self.format.map_or(by_ending, FormatWord::format))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stack_arguments(words: &[&str]) -> StackArguments {
        let all = ["nightsheaf-cli", "stack"].iter().chain(words);
        match Arguments::try_parse_from(all).expect("valid words").command {
            Command::Stack(arguments) => *arguments,
            other => panic!("parsed as {other:?}"),
        }
    }

    #[test]
    fn only_what_holds_frames_in_memory_is_started_anew_for_large_pages() {
        let place = ["--latitude", "57", "--longitude", "-6", "--date", "2027-03-11", "--utc-offset", "+00:00"];
        for (words, expected) in [
            (&["stack", "a.dng", "-o", "a.tiff"][..], true),
            (&["export", "a.toml", "-o", "a.tiff"], true),
            (&["mask", "a.dng", "-o", "a.png"], true),
            (&["measure", "a.dng"], true),
            (&[&["plan"], &place[..]].concat(), false),
        ] {
            let all = ["nightsheaf-cli"].iter().chain(words);
            let command = Arguments::try_parse_from(all).expect("valid words").command;
            assert_eq!(command.works_on_frames(), expected, "{words:?}");
        }
        // Answers of the parser come before any work.
        for word in ["--version", "--help"] {
            assert!(Arguments::try_parse_from(["nightsheaf-cli", word]).is_err(), "{word}");
        }
    }

    #[test]
    fn the_command_line_is_consistent() {
        use clap::CommandFactory;
        Arguments::command().debug_assert();
    }

    #[test]
    fn the_kind_of_file_follows_the_ending_unless_asked() {
        let format = |words: &[&str]| stack_arguments(words).file_format().map_err(|error| error.to_string());
        assert_eq!(format(&["a", "-o", "x.png"]), Ok(FileFormat::Png), "by ending");
        assert_eq!(format(&["a", "-o", "x"]), Ok(FileFormat::Tiff16), "no ending");
        assert_eq!(format(&["a", "-o", "x.png", "--format", "jpeg"]), Ok(FileFormat::Jpeg), "as asked");
        for words in [&["a", "-o", "x.bmp"][..], &["a", "-o", "x.bmp", "--format", "png"]] {
            let refused = format(words).expect_err("a BMP is not written");
            assert!(refused.contains("x.bmp") && refused.contains(".png"), "{refused}");
        }
    }
}
