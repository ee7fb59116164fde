//! `nightsheaf-cli plan`: the night before, as a page or as JSON.

use std::io::{self, Write};

use jiff::civil::Date;

use crate::cli::Failure;
use crate::cli::args::PlanArguments;
use crate::plan::{Aim, Camera, Place, PlanError, PlanRequest, plan, time_zone};

pub(super) fn run(arguments: &PlanArguments) -> Result<(), Failure> {
    let plan = plan(&request(arguments)?)?;
    let mut out = io::stdout().lock();
    if arguments.json {
        serde_json::to_writer_pretty(&mut out, &plan).map_err(io::Error::from)?;
        writeln!(out)?;
    } else {
        writeln!(out, "{plan}")?;
    }
    Ok(())
}

fn request(arguments: &PlanArguments) -> Result<PlanRequest, Failure> {
    let place = Place { latitude_deg: arguments.latitude, longitude_deg: arguments.longitude };
    let date: Date = arguments.date;
    let zone = arguments.time_zone.as_deref().or(arguments.utc_offset.as_deref());
    let zone = time_zone(zone.expect("the command line asks for one of the two"))?;
    Ok(PlanRequest {
        camera: Camera {
            focal_mm: arguments.focal,
            aperture: arguments.aperture,
            sensor_width_mm: arguments.sensor_width,
            sensor_height_mm: None,
            width_px: arguments.pixels,
        },
        aim: Aim::Declination(arguments.declination),
        ..PlanRequest::new(place, date, zone)
    })
}

impl From<PlanError> for Failure {
    fn from(error: PlanError) -> Self {
        Self::Usage(error.to_string())
    }
}
