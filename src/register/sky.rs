//! The turning sky as a check: all rotations of a burst share one axis, and the clock tells their angles.
//!
//! Rotations are free for each frame, so a wrong clock or a nudged tripod breaks nothing here; it is told.

use nalgebra::Vector3;

use super::start::SIDEREAL_RAD_PER_SEC;
use super::{AlignError, Registration};
use crate::pixels::Transform;

/// Clocks count whole seconds, shutters lag, batteries die: less than this is no finding.
const CLOCK_SLACK_SECS: f64 = 5.0;
/// A rotation this far from the common axis, as a motion at that axis in radians, is no turn of the sky alone.
const AXIS_SLACK_RAD: f64 = 2e-3;

/// What a person should know about clocks and tripod.
pub(crate) fn cross_check(
    frames: &[Result<Registration, AlignError>],
    clock_secs: &[Option<f64>],
    reference: usize,
) -> Vec<String> {
    let turns: Vec<(usize, Vector3<f64>)> = (frames.iter().enumerate())
        .filter(|(frame, _)| *frame != reference)
        .filter_map(|(frame, registration)| match &registration.as_ref().ok()?.reference_from_light {
            Transform::Camera(camera) => Some((frame, camera.rotation().scaled_axis())),
            Transform::Identity | Transform::Homography(_) => None,
        })
        .collect();
    let mut notes = Vec::new();
    let Some(axis) = common_axis(&turns) else { return notes };
    for (frame, turn) in &turns {
        let along = turn.dot(&axis);
        let across = (turn - axis * along).norm();
        if across > AXIS_SLACK_RAD {
            notes.push(format!(
                "frame {}: the camera was turned by {:.2}° beside the turn of the sky; was the tripod touched?",
                frame + 1,
                across.to_degrees()
            ));
        }
    }
    let Some(reference_secs) = clock_secs.get(reference).copied().flatten() else { return notes };
    let timed: Vec<(usize, f64, f64)> = (turns.iter())
        .filter_map(|(frame, turn)| {
            let secs = clock_secs[*frame]? - reference_secs;
            Some((*frame, secs, turn.dot(&axis) / SIDEREAL_RAD_PER_SEC))
        })
        .collect();
    // The axis is known but for its sign, and the reference's own clock may be the wrong one.
    let sign = timed.iter().map(|(_, clock, sky)| clock * sky).sum::<f64>().signum();
    let mut offsets: Vec<f64> = timed.iter().map(|(_, clock, sky)| clock - sign * sky).collect();
    offsets.sort_by(f64::total_cmp);
    let Some(&common) = offsets.get(offsets.len() / 2) else { return notes };
    for (frame, clock, sky) in timed {
        let off = clock - sign * sky - common;
        if off.abs() > CLOCK_SLACK_SECS + 0.02 * sky.abs() {
            notes.push(format!(
                "frame {}: its clock is {off:+.0} s off by the turn of the sky; the stars were believed",
                frame + 1
            ));
        }
    }
    notes
}

/// The axis that most of the turns share, each counted by its size; `None` for less than three frames.
fn common_axis(turns: &[(usize, Vector3<f64>)]) -> Option<Vector3<f64>> {
    if turns.len() < 3 {
        return None;
    }
    let largest = turns.iter().map(|(_, turn)| turn).max_by(|a, b| a.norm().total_cmp(&b.norm()))?;
    let mut axis = largest.try_normalize(1e-7)?;
    for _ in 0..10 {
        let mut sum = Vector3::zeros();
        for (_, turn) in turns {
            let along = turn.dot(&axis);
            let across = (turn - axis * along).norm();
            sum += turn * (along.signum() / (1.0 + (across / AXIS_SLACK_RAD).powi(2)));
        }
        axis = sum.try_normalize(1e-9)?;
    }
    Some(axis)
}
