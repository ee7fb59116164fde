//! Master frames from the calibration frames of a request.

use std::path::PathBuf;

use crate::calibrate::{Built, Masters, Setup, master_bias, master_dark, master_flat};
use crate::error::Error;
use crate::job::Monitor;
use crate::pipeline::lights::decode;
use crate::pipeline::request::Request;
use crate::pipeline::run::file_name;
use crate::raw::{Decoder, FrameScale, RawFrame};

/// Headroom above the white level where no flat lifts anything.
const PLAIN_HEADROOM: f32 = 1.05;
/// A flat may lift dark corners to this many times the white level; what it would lift further is dust or a
/// lens hood, and is held there.
const MOST_FLAT_LIFT: f32 = 6.0;

/// Masters that fit frames taken like `light`; what does not fit or cannot be read is noted.
pub(super) fn load(
    monitor: &Monitor,
    decoder: &Decoder,
    request: &Request,
    light: &RawFrame,
    notes: &mut Vec<String>,
) -> Result<Masters, Error> {
    let reader = Reader { monitor, decoder, scale: request.scale };
    let bias = reader.build("bias", &request.bias, notes, |n, frame| master_bias(n, frame))?;
    let dark = reader.build("dark", &request.darks, notes, |n, frame| master_dark(n, frame))?;
    let flat = reader.build("flat", &request.flats, notes, |n, frame| master_flat(n, bias.as_ref(), frame))?;
    let (masters, mismatches) = Masters::for_lights(&Setup::of(light), bias, dark, flat);
    notes.extend(mismatches.into_iter().map(|(kind, mismatch)| format!("the {kind} frames are {mismatch}")));
    Ok(masters)
}

/// The largest calibrated value that the scratch store must hold.
pub(super) fn highest_value(masters: &Masters) -> f32 {
    let Some(flat) = masters.flat() else { return PLAIN_HEADROOM };
    let lowest = flat.planes.iter().flat_map(|plane| plane.samples()).copied().fold(f32::INFINITY, f32::min);
    PLAIN_HEADROOM * (1.0 / lowest.max(1.0 / MOST_FLAT_LIFT)).max(1.0)
}

struct Reader<'a> {
    monitor: &'a Monitor,
    decoder: &'a Decoder,
    scale: FrameScale,
}

impl Reader<'_> {
    /// One master; a frame that cannot be read or is unlike the first is noted and left out.
    fn build(
        &self,
        kind: &'static str,
        paths: &[PathBuf],
        notes: &mut Vec<String>,
        build: impl FnOnce(usize, &mut dyn FnMut(usize) -> Result<Option<RawFrame>, Error>) -> Result<Built, Error>,
    ) -> Result<Option<crate::calibrate::Master>, Error> {
        if paths.is_empty() {
            return Ok(None);
        }
        let mut unread: Vec<Option<String>> = vec![None; paths.len()];
        let mut n_read = 0;
        let mut frame = |idx: usize| -> Result<Option<RawFrame>, Error> {
            self.monitor.step("Averaging calibration frames", n_read.min(2 * paths.len()), 2 * paths.len())?;
            n_read += 1;
            match decode(self.monitor, self.decoder, &paths[idx], self.scale)? {
                Ok(raw) => Ok(Some(raw)),
                Err(reason) => {
                    unread[idx] = Some(reason);
                    Ok(None)
                }
            }
        };
        let (master, left_out) = build(paths.len(), &mut frame)?;
        for (path, reason) in paths.iter().zip(&unread) {
            if let Some(reason) = reason {
                notes.push(format!("{kind} frame {} was left out: {reason}", file_name(path)));
            }
        }
        for (idx, mismatch) in left_out {
            notes.push(format!("{kind} frame {} is {mismatch}", file_name(&paths[idx])));
        }
        if master.is_none() {
            notes.push(format!("none of the {} {kind} frames could be used", paths.len()));
        }
        Ok(master)
    }
}
