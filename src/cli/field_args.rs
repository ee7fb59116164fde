//! Words of the command line for the night before and the hour in the field.

use std::path::PathBuf;

use clap::{ArgGroup, Args};

/// `measure`.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("direction").multiple(true).args(["azimuth", "altitude", "latitude"])))]
pub struct MeasureArguments {
    /// Frames, or folders of them
    #[arg(required = true, value_name = "PATH")]
    pub frames: Vec<PathBuf>,
    /// The field check of every frame: focus, shape, trail, sky, and what to change. One frame alone gets it anyway
    #[arg(long)]
    pub check: bool,
    /// Go on measuring frames as they come into one folder, until Ctrl-C
    #[arg(long)]
    pub live: bool,
    /// One JSON list instead of lines; with --live one JSON object a line
    #[arg(long)]
    pub json: bool,
    /// Focal length in mm, where the frames do not tell it
    #[arg(long, value_name = "MM", value_parser = positive)]
    pub focal: Option<f64>,
    /// Width of the sensor in mm, where the frames do not tell it
    #[arg(long, value_name = "MM", value_parser = positive)]
    pub sensor_width: Option<f64>,
    /// Declination of the sky in the middle of the frame, degrees, for the predicted trail
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, value_parser = half_circle, conflicts_with = "direction")]
    pub declination: Option<f64>,
    /// Direction of a level camera from north through east, degrees, for the predicted trail
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, value_parser = circle, requires_all = ["altitude", "latitude"])]
    pub azimuth: Option<f64>,
    /// How high the middle of the frame is, degrees
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, value_parser = half_circle, requires_all = ["azimuth", "latitude"])]
    pub altitude: Option<f64>,
    /// Latitude of the place, degrees; used here and sent nowhere
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, value_parser = half_circle, requires_all = ["azimuth", "altitude"])]
    pub latitude: Option<f64>,
    /// Threads to work with; all cores where not given
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    pub threads: Option<u16>,
}

/// `plan`.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("zone").required(true).args(["time_zone", "utc_offset"])))]
pub struct PlanArguments {
    /// Degrees, north is positive; used here and sent nowhere
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    pub latitude: f64,
    /// Degrees, east is positive
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    pub longitude: f64,
    /// The evening's date, as in 2027-03-10
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub date: jiff::civil::Date,
    /// Clock of the place by name, as in Europe/Zurich
    #[arg(long, value_name = "NAME")]
    pub time_zone: Option<String>,
    /// Clock of the place by its offset, as in +01:00
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true)]
    pub utc_offset: Option<String>,
    /// Focal length in mm [default: that of the test frame, or 12]
    #[arg(long, value_name = "MM")]
    pub focal: Option<f64>,
    /// The f-number [default: that of the test frame, or 2]
    #[arg(long, value_name = "F")]
    pub aperture: Option<f64>,
    /// Width of the sensor in mm [default: that of the test frame, or 23.5]
    #[arg(long, value_name = "MM")]
    pub sensor_width: Option<f64>,
    /// Pixels along the width [default: those of the test frame, or 6000]
    #[arg(long, value_name = "N")]
    pub pixels: Option<usize>,
    /// Declination of the sky in the middle of the frame, degrees
    #[arg(long, value_name = "DEGREES", default_value_t = 0.0, allow_negative_numbers = true, conflicts_with_all = ["azimuth", "altitude"])]
    pub declination: f64,
    /// Direction of a level camera from north through east, degrees, instead of a declination
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, requires = "altitude")]
    pub azimuth: Option<f64>,
    /// How high the middle of the frame is, degrees
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, requires = "azimuth")]
    pub altitude: Option<f64>,
    /// Trail that is accepted, px
    #[arg(long, value_name = "PX", default_value_t = 3.0, conflicts_with = "trail_circle")]
    pub trail: f64,
    /// Trail that is accepted, as a circle of confusion in µm
    #[arg(long, value_name = "UM")]
    pub trail_circle: Option<f64>,
    /// From this altitude on the galactic center is worth a picture, degrees
    #[arg(long, value_name = "DEGREES", default_value_t = 10.0, allow_negative_numbers = true)]
    pub center_above: f64,
    /// Frames in the burst
    #[arg(long, value_name = "N", default_value_t = 16)]
    pub frames: usize,
    /// Exposure of a frame in s [default: the rule of the trade]
    #[arg(long, value_name = "SECS")]
    pub exposure: Option<f64>,
    /// From the end of one exposure to the start of the next, s
    #[arg(long, value_name = "SECS", default_value_t = 1.0)]
    pub gap: f64,
    /// A test frame under this sky: its own noise says how bright the sky is and what reading costs
    #[arg(long, value_name = "FILE", conflicts_with_all = ["sky", "read_noise"])]
    pub test_frame: Option<PathBuf>,
    /// Brightness of the sky, magnitudes per square arcsecond; a dark site has about 21.5
    #[arg(long, value_name = "MAG", default_value_t = 21.1)]
    pub sky: f64,
    /// Read noise in electrons; about 2 at the ISO used at night
    #[arg(long, value_name = "ELECTRONS", default_value_t = 2.0)]
    pub read_noise: f64,
    /// Brightness of the faint light that is wanted, magnitudes per square arcsecond
    #[arg(long, value_name = "MAG", default_value_t = 22.0)]
    pub target: f64,
    /// Also write the plan as one page for the phone or the printer
    #[arg(long, value_name = "FILE.pdf")]
    pub page: Option<PathBuf>,
    /// JSON instead of a page
    #[arg(long)]
    pub json: bool,
}

fn date(text: &str) -> Result<jiff::civil::Date, String> {
    let needed = |_| "needs a date as in 2027-03-10: year, month, day";
    text.parse().map_err(needed).map_err(str::to_owned)
}

fn positive(text: &str) -> Result<f64, String> {
    number(text, "needs a number above 0", |value| value > 0.0)
}

fn half_circle(text: &str) -> Result<f64, String> {
    number(text, "needs degrees from -90 to 90", |value| (-90.0..=90.0).contains(&value))
}

fn circle(text: &str) -> Result<f64, String> {
    number(text, "needs degrees from -360 to 360", |value| (-360.0..=360.0).contains(&value))
}

fn number(text: &str, needed: &str, fits: impl Fn(f64) -> bool) -> Result<f64, String> {
    text.parse().ok().filter(|value| fits(*value)).ok_or_else(|| needed.to_owned())
}
