//! A linear picture with what is needed to show it.

use std::path::Path;

use crate::calibrate::{Masters, calibrate};
use crate::demosaic::demosaic;
use crate::develop::Falloff;
use crate::error::Error;
use crate::job::{Cancelled, Monitor};
use crate::pipeline::run::decoder;
use crate::pixels::{LinearImage, Orientation};
use crate::raw::{CameraColor, DecodeError};

/// A linear picture in camera RGB, as the sensor lies, with what is needed to show it.
#[derive(Clone, Debug)]
pub struct Picture {
    /// Camera RGB, 0.0 at black, 1.0 at the white level.
    pub image: LinearImage,
    /// From the camera's channels to standard color.
    pub color: CameraColor,
    /// How it is turned to be upright.
    pub orientation: Orientation,
    /// What its lens loses towards the corners, where that is known and no flat has made up for it.
    pub falloff: Option<Falloff>,
}

/// One light frame as it is, without calibration frames.
pub fn open_picture(monitor: &Monitor, path: &Path) -> Result<Picture, Error> {
    let decoder = decoder(None)?;
    let raw = decoder.decode(path, &monitor.cancel_token()).map_err(|error| match error {
        DecodeError::Cancelled => Error::Cancelled(Cancelled),
        source => Error::Decode { path: path.to_owned(), source },
    })?;
    monitor.check()?;
    let (color, orientation) = (raw.color, raw.orientation);
    let frame = calibrate(&raw, &Masters::default());
    monitor.check()?;
    Ok(Picture { image: demosaic(&frame), color, orientation, falloff: None })
}
