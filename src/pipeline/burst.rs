//! From measured frames to frames on one sky: verdicts, reference, registration, light and weight.

use std::path::PathBuf;
use std::sync::Arc;

use crate::calibrate::{NoiseModel, PhotonTransfer};
use crate::detect::{ColorShift, Judgement, Verdict, judge};
use crate::error::{Error, FramesFor};
use crate::job::Monitor;
use crate::pipeline::MIN_FRAMES;
use crate::pipeline::lights::{Light, Reading};
use crate::pipeline::photometry::{FluxScale, sky_offset};
use crate::pipeline::reading::ReadBurst;
use crate::pipeline::request::{ReferenceChoice, Request};
use crate::pipeline::rows::RepairedRows;
use crate::pipeline::run::same_file;
use crate::pipeline::tripod::Tripod;
use crate::pixels::{Size, Transform};
use crate::raw::Metadata;
use crate::register::{FrameStars, LensFit, LensProfile, Optics, ReferenceMeasure, RegisterError, RegisterSettings};
use crate::register::{Registration, Residual, StarMatch};
use crate::register::{choose_reference, measure_lateral_color, register_burst};
use crate::stack::{Offset, StackFrame};

/// The frames that make the picture.
pub(super) struct Aligned {
    /// Index of the reference frame among all lights.
    pub(super) reference: usize,
    /// In the order of the lights.
    pub(super) frames: Vec<AlignedFrame>,
    /// For each light, why it is not used or what to know; empty where there is nothing to say.
    pub(super) reasons: Vec<String>,
    /// The lens of the burst, where a camera explains it.
    pub(super) lens: Option<LensFit>,
    /// What the lens was expected to be before the stars were asked.
    pub(super) optics: Optics,
    /// What the registration has to say of the burst.
    pub(super) notes: Vec<String>,
}

/// One of them.
pub(super) struct AlignedFrame {
    pub(super) idx: usize,
    pub(super) registration: Registration,
    pub(super) light_from_reference: Transform,
    pub(super) matches: Vec<StarMatch>,
    /// What is left between the two stars of each pair.
    pub(super) residuals: Vec<Residual>,
}

/// Sets frames aside by their measures, chooses the reference and registers the others on it.
pub(super) fn align(monitor: &Monitor, request: &Request, burst: &ReadBurst) -> Result<Aligned, Error> {
    let ReadBurst { paths, basis, readings, profile, .. } = burst;
    let wanted = wanted_reference(request, paths)?;
    let judgements = judge_readings(readings);
    let mut reasons: Vec<String> = judgements.iter().map(|judgement| judgement.reason.clone()).collect();
    let candidates: Vec<usize> = (0..readings.len())
        .filter(|&idx| readings[idx].is_ok() && (judgements[idx].verdict != Verdict::SetAside || wanted == Some(idx)))
        .collect();
    let too_few = |usable: usize, reasons: &[String]| Error::TooFewFrames {
        usable,
        given: paths.len(),
        wanted_for: FramesFor::Stack,
        set_aside: paths
            .iter()
            .cloned()
            .zip(reasons.iter().cloned())
            .filter(|(_, reason)| !reason.is_empty())
            .collect(),
    };
    if candidates.len() < MIN_FRAMES {
        return Err(too_few(candidates.len(), &reasons));
    }
    let light = |idx: usize| readings[idx].as_ref().expect("a candidate was read");
    let stars: Vec<FrameStars<'_>> = candidates
        .iter()
        .map(|&idx| FrameStars {
            stars: &light(idx).measure.stars,
            capture_time_secs: mid_exposure(&light(idx).metadata),
        })
        .collect();
    let reference = match wanted.and_then(|wanted| candidates.iter().position(|&idx| idx == wanted)) {
        Some(position) => position,
        None => choose_reference(&candidates.iter().map(|&idx| reference_measure(light(idx))).collect::<Vec<_>>()),
    };
    let optics = optics(basis.size, &light(candidates[reference]).metadata, profile.clone());
    let burst = register_burst(monitor, &stars, reference, &optics, &RegisterSettings::default());
    let mut burst = burst.map_err(|error| match error {
        RegisterError::Cancelled(cancelled) => Error::Cancelled(cancelled),
        source @ RegisterError::Reference { .. } => {
            reasons[candidates[reference]] = source.to_string();
            too_few(0, &reasons)
        }
    })?;
    if let Some(fit) = &burst.lens {
        let shifts: Vec<&[ColorShift]> =
            candidates.iter().map(|&idx| light(idx).measure.color_shifts.as_slice()).collect();
        let lateral = measure_lateral_color(&shifts, &fit.lens, basis.size);
        burst.set_channel_scale(lateral.channel_scale);
        burst.notes.extend(lateral.note());
    }
    let mut frames = Vec::new();
    let pairs = burst.matches.into_iter().zip(burst.residuals);
    for ((&idx, registration), (matches, residuals)) in candidates.iter().zip(burst.frames).zip(pairs) {
        match registration {
            Ok(registration) => match registration.reference_from_light.inverse() {
                Some(light_from_reference) => {
                    frames.push(AlignedFrame { idx, registration, light_from_reference, matches, residuals })
                }
                None => reasons[idx] = "its registration flattens the sky".to_owned(),
            },
            Err(reason) => reasons[idx] = reason.to_string(),
        }
    }
    if frames.len() < MIN_FRAMES {
        return Err(too_few(frames.len(), &reasons));
    }
    let (lens, notes) = (burst.lens, burst.notes);
    Ok(Aligned { reference: candidates[reference], frames, reasons, lens, optics, notes })
}

/// Verdicts of all frames; one that was not read is set aside with its own reason.
pub(super) fn judge_readings(readings: &[Reading]) -> Vec<Judgement> {
    let measures: Vec<_> = readings.iter().map(|reading| reading.as_ref().ok().map(|light| &light.measure)).collect();
    let mut judgements = judge(&measures);
    for (judgement, reading) in judgements.iter_mut().zip(readings) {
        if let Err(reason) = reading {
            *judgement = Judgement { verdict: Verdict::SetAside, reason: reason.clone() };
        }
    }
    judgements
}

fn wanted_reference(request: &Request, paths: &[PathBuf]) -> Result<Option<usize>, Error> {
    match &request.reference {
        ReferenceChoice::Auto => Ok(None),
        ReferenceChoice::File(path) => match paths.iter().position(|light| same_file(light, path)) {
            Some(idx) => Ok(Some(idx)),
            None => Err(Error::NotAmongLights { path: path.clone() }),
        },
    }
}

fn reference_measure(light: &Light) -> ReferenceMeasure {
    ReferenceMeasure {
        n_stars: light.measure.stars.len(),
        fwhm_px: light.measure.fwhm_px,
        elongation: light.measure.elongation,
        capture_time_secs: mid_exposure(&light.metadata),
    }
}

/// The middle of the exposure by the camera's clock.
pub(super) fn mid_exposure(metadata: &Metadata) -> Option<f64> {
    let begin = metadata.capture_time?.clock_secs;
    Some(begin + metadata.exposure_secs.unwrap_or(0.0) / 2.0)
}

fn optics(size: Size, metadata: &Metadata, profile: Option<LensProfile>) -> Optics {
    let focal_px = match (metadata.focal_mm, metadata.sensor_width_mm) {
        (Some(focal_mm), Some(width_mm)) if width_mm > 0.0 => Some(focal_mm / width_mm * size.width as f64),
        _ => None,
    };
    // The same lens may have been measured on another camera.
    let profile = profile.map(|profile| profile.for_frames(size, metadata.sensor_width_mm));
    Optics { size, focal_px, profile }
}

/// Noise of a single sample, from pairs of frames that follow each other around the reference.
/// `None` where the frames are too small to tell.
pub(super) fn noise_model(
    rows: &RepairedRows<'_>,
    aligned: &Aligned,
    fwhm_px: Option<f32>,
) -> Result<Option<NoiseModel>, Error> {
    let n = aligned.frames.len();
    let reference = aligned.frames.iter().position(|frame| frame.idx == aligned.reference).unwrap_or(0);
    let first = reference.saturating_sub(N_NOISE_PAIRS / 2).min(n.saturating_sub(N_NOISE_PAIRS + 1));
    let last = (first + N_NOISE_PAIRS).min(n - 1);
    let first_rows = rows.strip_rows(N_NOISE_STRIPS, NOISE_STRIP_ROWS);
    let strips = |position: usize| rows.strips(aligned.frames[position].idx, &first_rows, NOISE_STRIP_ROWS);
    let mut transfer = PhotonTransfer::default();
    let mut before = strips(first)?;
    let mut of_first_pair = None;
    for position in first + 1..=last {
        let frame = strips(position)?;
        let is_mosaic = transfer.add(&before, &frame);
        if position == first + 1 {
            of_first_pair = NoiseModel::from_pair(&before, &frame);
        }
        if !is_mosaic {
            break;
        }
        before = frame;
    }
    Ok(transfer.fit(fwhm_px).or(of_first_pair))
}

/// Pairs of frames that the noise model looks at.
const N_NOISE_PAIRS: usize = 4;
/// Strips of rows spread over the frame that the noise model looks at.
const N_NOISE_STRIPS: usize = 16;
/// Rows of each.
const NOISE_STRIP_ROWS: usize = 32;

/// A frame whose stars are wider by less than this share is as sharp: measures of width differ by as much.
const SAME_SHARPNESS: f32 = 1.03;
/// However soft a frame is that is kept, it counts this much.
const LEAST_SHARPNESS: f32 = 0.5;

/// What a frame counts for its sharpness: the light of a star in one pixel goes with the inverse square of its width.
fn sharpness(reference_fwhm_px: Option<f32>, fwhm_px: Option<f32>) -> f32 {
    match (reference_fwhm_px, fwhm_px) {
        (Some(sharp), Some(own)) if own > SAME_SHARPNESS * sharp => (sharp / own).powi(2).max(LEAST_SHARPNESS),
        _ => 1.0,
    }
}

/// The frames as the stack of the sky takes them: light matched to the reference, weighted by inverse variance
/// (which holds the transparency, since the scale is in it) and sharpness.
pub(super) fn sky_frames(
    aligned: &Aligned,
    readings: &[Reading],
    noise: Option<&NoiseModel>,
    tripod: &Tripod,
    size: Size,
) -> Vec<StackFrame> {
    let measure = |idx: usize| &readings[idx].as_ref().expect("an aligned frame was read").measure;
    let reference = measure(aligned.reference);
    let variance = |sky_level: f32| noise.map_or(1.0, |noise| noise.variance(sky_level));
    let reference_variance = variance(reference.sky_level[1]);
    aligned
        .frames
        .iter()
        .map(|frame| {
            let light = measure(frame.idx);
            let own = frame.idx == aligned.reference;
            let scale = match own {
                true => FluxScale::one(),
                false => FluxScale::between(&light.stars, &reference.stars, &frame.matches, size),
            };
            let offset = if own {
                Offset::Constant([0.0; 3])
            } else {
                let (from, to) = (&light.background.level, &reference.background.level);
                Offset::Smooth(Box::new(sky_offset(from, to, &frame.light_from_reference, &scale)))
            };
            let own_variance = scale.typical * scale.typical * variance(light.sky_level[1]) / reference_variance;
            let weight = sharpness(reference.fwhm_px, light.fwhm_px) / own_variance;
            StackFrame {
                mask_from_light: tripod.mask_from_light(frame.idx),
                weight,
                variance: own_variance,
                scale: scale.typical,
                local_scale: scale.local.map(Arc::new),
                offset,
                ..StackFrame::plain(frame.idx, frame.light_from_reference.clone())
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_soft_frame_counts_less_and_a_measure_off_by_chance_does_not() {
        assert_eq!(sharpness(Some(2.5), Some(2.55)), 1.0, "two per cent are chance");
        assert_eq!(sharpness(Some(2.5), Some(2.2)), 1.0, "a sharper one counts as the reference");
        assert!((sharpness(Some(2.5), Some(3.0)) - 0.694).abs() < 1e-3, "a fifth wider: 1 / 1.44");
        assert_eq!(sharpness(Some(2.5), Some(9.0)), 0.5, "kept, so it counts");
        assert_eq!(sharpness(None, Some(9.0)), 1.0, "nothing to compare with");
    }
}
