//! `nightsheaf-cli plan`: the night before, as a page or as JSON.

use std::io::{self, Write};

use jiff::civil::Date;

use crate::cli::Failure;
use crate::cli::args::PlanArguments;
use crate::cli::progress::monitor;
use crate::job::CancelToken;
use crate::pipeline::{self, CameraHint, FrameFinding};
use crate::plan::{
    Aim, BurstRequest, Camera, LightSource, Place, PlanError, PlanRequest, WantedTrail, plan, time_zone,
};

pub(super) fn run(arguments: &PlanArguments, cancel: &CancelToken) -> Result<(), Failure> {
    if let Some(page) = &arguments.page {
        pipeline::check_page_target(page)?;
    }
    let test_frame = test_frame(arguments, cancel)?;
    let plan = plan(&request(arguments, test_frame.as_ref())?)?;
    if let Some(page) = &arguments.page {
        pipeline::save_plan_page(page, &plan)?;
    }
    let mut out = io::stdout().lock();
    if arguments.json {
        serde_json::to_writer_pretty(&mut out, &plan).map_err(io::Error::from)?;
        writeln!(out)?;
    } else {
        writeln!(out, "{plan}")?;
        if let Some(page) = &arguments.page {
            writeln!(out, "wrote {}", page.display())?;
        }
    }
    Ok(())
}

fn test_frame(arguments: &PlanArguments, cancel: &CancelToken) -> Result<Option<FrameFinding>, Failure> {
    let Some(path) = &arguments.test_frame else { return Ok(None) };
    let hint = CameraHint { focal_mm: arguments.focal, sensor_width_mm: arguments.sensor_width, aim: None };
    Ok(Some(pipeline::check_one_frame(&monitor(cancel, true), path, hint)?))
}

fn request(arguments: &PlanArguments, test_frame: Option<&FrameFinding>) -> Result<PlanRequest, Failure> {
    let place = Place { latitude_deg: arguments.latitude, longitude_deg: arguments.longitude };
    let date: Date = arguments.date;
    let zone = arguments.time_zone.as_deref().or(arguments.utc_offset.as_deref());
    let zone = time_zone(zone.expect("the command line asks for one of the two"))?;
    let light = match test_frame {
        Some(finding) => measured_light(finding)?,
        None => LightSource::Typical { sky_mag_per_arcsec2: arguments.sky, read_noise_e: arguments.read_noise },
    };
    let exposure_of_frame = test_frame.and_then(|finding| finding.metadata.exposure_secs);
    Ok(PlanRequest {
        camera: camera(arguments, test_frame),
        aim: match (arguments.azimuth, arguments.altitude) {
            (Some(azimuth_deg), Some(altitude_deg)) => Aim::Horizon { azimuth_deg, altitude_deg },
            _ => Aim::Declination(arguments.declination),
        },
        wanted_trail: arguments.trail_circle.map_or(WantedTrail::Px(arguments.trail), WantedTrail::CircleUm),
        galactic_above_deg: arguments.center_above,
        burst: BurstRequest {
            exposure_secs: arguments.exposure.or(exposure_of_frame),
            n_frames: arguments.frames,
            gap_secs: arguments.gap,
            light,
            target_mag_per_arcsec2: arguments.target,
        },
        ..PlanRequest::new(place, date, zone)
    })
}

/// What was given, else what the test frame says, else the default.
fn camera(arguments: &PlanArguments, test_frame: Option<&FrameFinding>) -> Camera {
    let default = Camera::default();
    let metadata = test_frame.map(|finding| &finding.metadata);
    let size = test_frame.and_then(|finding| finding.size);
    let sensor_width_mm = arguments.sensor_width.or(metadata.and_then(|metadata| metadata.sensor_width_mm));
    let sensor_width_mm = sensor_width_mm.unwrap_or(default.sensor_width_mm);
    Camera {
        focal_mm: arguments.focal.or(metadata.and_then(|metadata| metadata.focal_mm)).unwrap_or(default.focal_mm),
        aperture: arguments.aperture.or(metadata.and_then(|metadata| metadata.aperture)).unwrap_or(default.aperture),
        sensor_width_mm,
        sensor_height_mm: size.map(|size| sensor_width_mm * size.height as f64 / size.width.max(1) as f64),
        width_px: arguments.pixels.or(size.map(|size| size.width)).unwrap_or(default.width_px),
    }
}

fn measured_light(finding: &FrameFinding) -> Result<LightSource, Failure> {
    let light = finding.field.as_ref().and_then(|facts| facts.light_source(&finding.metadata));
    light.ok_or_else(|| {
        Failure::Usage(format!(
            "{} does not tell its light and noise: give a raw frame with its exposure in the file, or leave \
             --test-frame out and give --sky and --read-noise",
            finding.path.display()
        ))
    })
}

impl From<PlanError> for Failure {
    fn from(error: PlanError) -> Self {
        Self::Usage(error.to_string())
    }
}
