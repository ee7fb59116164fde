//! Frames given for the landscape alone: read after the lights, into the same scratch store.
//!
//! They come from the same camera on the same tripod, but may be exposed longer or at another ISO. The masters
//! are matched to each setting of its own. A sample that reached the white level would be too dark once it is
//! scaled down, so it is marked: the lights show the lamp instead.

use std::path::PathBuf;

use crate::calibrate::{Masters, NoiseModel, PhotonTransfer, Setup, calibrate};
use crate::error::Error;
use crate::job::Monitor;
use crate::pipeline::gather::FrameKind;
use crate::pipeline::landscape::LandFrame;
use crate::pipeline::lights::{Basis, decode};
use crate::pipeline::masters;
use crate::pipeline::report::{LandFrameReport, Report};
use crate::pipeline::request::Request;
use crate::pipeline::rows::RepairedRows;
use crate::pixels::CalibratedFrame;
use crate::raw::{Decoder, Metadata, RawFrame};
use crate::scratch::ScratchStore;
use crate::stack::StackFrame;

/// Pixels around a sample at the white level that demosaic and charge may mix with it.
const OVERFLOW_PX: usize = 3;
/// Share of the brightest value of the store from which on a sample is marked.
const MARKED: f32 = 0.99;
/// Strips that the noise of these frames is measured on, and their rows.
const NOISE_STRIPS: (usize, usize) = (16, 32);

/// A frame for the landscape, or why it is not used.
pub(super) type LandReading = Result<LandLight, String>;

/// What remains of one after it was read.
#[derive(Clone, Debug)]
pub(super) struct LandLight {
    /// Its number in the scratch store.
    pub(super) frame: usize,
    metadata: Metadata,
}

/// What the frames are read with.
pub(super) struct LandPass<'a> {
    pub(super) decoder: &'a Decoder,
    pub(super) basis: &'a Basis,
    /// Calibration frames that lie beside the lights.
    pub(super) calibration: &'a [(FrameKind, PathBuf)],
    pub(super) store: &'a ScratchStore,
    /// Brightest value of the store.
    pub(super) highest: f32,
    /// Number of the first of them in the store.
    pub(super) first_frame: usize,
}

/// Reads the frames of `request.land` one after another.
pub(super) fn read(
    monitor: &Monitor,
    request: &Request,
    pass: &LandPass<'_>,
    notes: &mut Vec<String>,
) -> Result<Vec<LandReading>, Error> {
    let mut fitting: Option<(Setup, Masters)> = None;
    let mut readings = Vec::with_capacity(request.land.len());
    for (done, path) in request.land.iter().enumerate() {
        monitor.step("Reading the frames for the landscape", done, request.land.len())?;
        let raw = match decode(monitor, pass.decoder, path, request.scale)? {
            Ok(raw) => raw,
            Err(reason) => {
                readings.push(Err(reason));
                continue;
            }
        };
        if let Some(reason) = pass.basis.misfit(&raw) {
            readings.push(Err(reason));
            continue;
        }
        let setup = Setup::of(&raw);
        if fitting.as_ref().is_none_or(|(known, _)| *known != setup) {
            fitting = Some((setup, masters_for(monitor, request, pass, &raw, notes)?));
        }
        let masters = &fitting.as_ref().expect("just set").1;
        let frame = pass.first_frame + done;
        pass.store.write(frame, &with_marks(calibrate(&raw, masters), pass.highest))?;
        readings.push(Ok(LandLight { frame, metadata: raw.metadata }));
    }
    Ok(readings)
}

fn masters_for(
    monitor: &Monitor,
    request: &Request,
    pass: &LandPass<'_>,
    raw: &RawFrame,
    notes: &mut Vec<String>,
) -> Result<Masters, Error> {
    let mut own = Report::default();
    let masters = masters::load(monitor, pass.decoder, request, pass.calibration, raw, &mut own)?;
    notes.extend(own.notes.into_iter().map(|note| format!("for the landscape: {note}")));
    Ok(masters)
}

/// Samples at and around the white level become the brightest value there is.
fn with_marks(mut frame: CalibratedFrame, highest: f32) -> CalibratedFrame {
    let marked = frame.saturated.grow(OVERFLOW_PX);
    for plane in &mut frame.planes {
        for (sample, &marked) in plane.samples_mut().iter_mut().zip(marked.0.samples()) {
            if marked {
                *sample = highest;
            }
        }
    }
    frame
}

/// As the landscape takes them: light expected from exposure, ISO and aperture against the reference's.
pub(super) fn frames(readings: &[LandReading], reference: &Metadata, highest: f32) -> Vec<LandFrame> {
    let usable = readings.iter().flatten();
    usable
        .map(|light| LandFrame {
            frame: light.frame,
            expected_scale: light_ratio(reference, &light.metadata) as f32,
            ceiling: MARKED * highest,
        })
        .collect()
}

/// Light of one exposure over that of another as the settings have it; what a file does not tell is the same.
fn light_ratio(of: &Metadata, over: &Metadata) -> f64 {
    let ratio = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) if a > 0.0 && b > 0.0 => a / b,
        _ => 1.0,
    };
    let iso = |metadata: &Metadata| metadata.iso.map(f64::from);
    ratio(of.exposure_secs, over.exposure_secs) * ratio(iso(of), iso(over)) * ratio(over.aperture, of.aperture).powi(2)
}

/// Noise of a sample of these frames, from two of them; `None` where there are not two.
pub(super) fn noise(rows: &RepairedRows<'_>, readings: &[LandReading]) -> Result<Option<NoiseModel>, Error> {
    let mut usable = readings.iter().flatten();
    let (Some(first), Some(second)) = (usable.next(), usable.next()) else { return Ok(None) };
    let alike = |value: fn(&Metadata) -> Option<f64>| value(&first.metadata) == value(&second.metadata);
    if !alike(|metadata| metadata.exposure_secs) || !alike(|metadata| metadata.iso.map(f64::from)) {
        return Ok(None);
    }
    let (n, height) = NOISE_STRIPS;
    let first_rows = rows.strip_rows(n, height);
    let strips = |frame: usize| rows.strips(frame, &first_rows, height);
    let (first, second) = (strips(first.frame)?, strips(second.frame)?);
    let mut transfer = PhotonTransfer::default();
    transfer.add(&first, &second);
    Ok(transfer.fit(None).or_else(|| NoiseModel::from_pair(&first, &second)))
}

/// What became of each of them.
pub(super) fn reports(paths: &[PathBuf], readings: &[LandReading], land: &[StackFrame]) -> Vec<LandFrameReport> {
    let report = |(path, reading): (&PathBuf, &LandReading)| {
        let stacked = reading.as_ref().ok().and_then(|light| land.iter().find(|frame| frame.frame == light.frame));
        let reason = match (reading, stacked) {
            (Err(reason), _) => reason.clone(),
            (Ok(_), None) => "its landscape was not found in the reference frame: \
                              take it from the same tripod with the same lens"
                .to_owned(),
            (Ok(_), Some(_)) => String::new(),
        };
        LandFrameReport {
            file: path.clone(),
            used: stacked.is_some(),
            reason,
            scale: stacked.map_or(0.0, |frame| f64::from(frame.scale)),
            weight: stacked.map_or(0.0, |frame| f64::from(frame.weight)),
        }
    };
    paths.iter().zip(readings).map(report).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Cfa, Layout, Mask, Plane, Size};

    #[test]
    fn four_times_the_time_at_half_the_iso_and_a_stop_closed_is_the_same_light() {
        let light = Metadata { exposure_secs: Some(15.0), iso: Some(3200), aperture: Some(2.0), ..Metadata::default() };
        let land = Metadata { exposure_secs: Some(60.0), iso: Some(1600), aperture: Some(2.828_427), ..light.clone() };
        assert!((light_ratio(&light, &land) - 1.0).abs() < 1e-6, "{}", light_ratio(&light, &land));
        let longer = Metadata { exposure_secs: Some(60.0), ..light.clone() };
        assert_eq!(light_ratio(&light, &longer), 0.25, "four times the time");
        assert_eq!(light_ratio(&light, &Metadata::default()), 1.0, "nothing is told");
    }

    #[test]
    fn a_lamp_and_what_it_spills_into_is_marked() {
        let size = Size { width: 20, height: 9 };
        let mut saturated = Mask::empty(size);
        saturated.0.set(10, 4, true);
        let frame =
            CalibratedFrame { layout: Layout::Mosaic(Cfa::RGGB), planes: vec![Plane::filled(size, 0.2)], saturated };
        let plane = &with_marks(frame, 1.05).planes[0];
        assert_eq!([plane.at(10, 4), plane.at(13, 7), plane.at(14, 4)], [1.05, 1.05, 0.2], "within 3 px");
    }
}
