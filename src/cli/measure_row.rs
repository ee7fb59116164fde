//! One measured frame as other programs read it.

use serde::Serialize;

use crate::pipeline::{self, FieldCheck, Focus, FrameFinding, Shape, Verdict, Zone};

/// The names are fixed; the first eight were there first.
#[derive(Debug, Serialize)]
pub(super) struct Row<'a> {
    file: String,
    stars: usize,
    fwhm_px: Option<f32>,
    elongation: Option<f32>,
    trail_px: Option<f32>,
    sky_level: Option<f32>,
    verdict: Verdict,
    reason: &'a str,
    clipped_fraction: Option<f64>,
    sky_electrons: Option<f64>,
    read_noise_electrons: Option<f64>,
    /// Trail in the middle of the frame, and the one that the turning sky draws there.
    middle_trail_px: Option<f32>,
    predicted_trail_px: Option<f64>,
    width_across_px: Option<f32>,
    best_width_across_px: Option<f32>,
    focus: Option<&'static str>,
    shape: Option<&'static str>,
    corner_stretch_px: Option<f64>,
    corner_growth: Option<f64>,
    tilt: Option<[f64; 2]>,
    zones: Vec<ZoneRow>,
    suggestion: Option<String>,
}

/// One of nine zones, from left to right and top to bottom of the frame as stored.
#[derive(Debug, Serialize)]
struct ZoneRow {
    x: f64,
    y: f64,
    stars: usize,
    fwhm_px: Option<f32>,
    width_across_px: Option<f32>,
    elongation: Option<f32>,
    angle_deg: Option<f32>,
}

impl ZoneRow {
    fn new(zone: &Zone) -> Self {
        let ellipse = zone.ellipse;
        Self {
            x: zone.place.x,
            y: zone.place.y,
            stars: zone.stars,
            fwhm_px: ellipse.map(|ellipse| ellipse.fwhm_px),
            width_across_px: ellipse.map(|ellipse| ellipse.across_px),
            elongation: ellipse.map(|ellipse| ellipse.elongation),
            angle_deg: ellipse.map(|ellipse| ellipse.angle_rad.to_degrees()),
        }
    }
}

impl<'a> Row<'a> {
    /// Frame `idx` among all.
    pub(super) fn new(all: &[&'a FrameFinding], idx: usize) -> Self {
        let finding = all[idx];
        let measures = finding.measures.as_ref();
        let facts = finding.field.as_deref();
        let check = pipeline::field_check(all, idx);
        let pattern = facts.and_then(|facts| facts.pattern);
        Self {
            file: finding.path.display().to_string(),
            stars: measures.map_or(0, |measures| measures.stars),
            fwhm_px: measures.and_then(|measures| measures.fwhm_px),
            elongation: measures.and_then(|measures| measures.elongation),
            trail_px: measures.and_then(|measures| measures.trail_px),
            sky_level: measures.map(|measures| measures.sky_level),
            verdict: finding.verdict,
            reason: &finding.reason,
            clipped_fraction: measures.map(|measures| measures.clipped_fraction),
            sky_electrons: facts.and_then(|facts| Some(facts.light?.sky_electrons)),
            read_noise_electrons: facts.and_then(|facts| Some(facts.light?.read_noise_electrons)),
            middle_trail_px: check.as_ref().and_then(|check| check.trail_px),
            predicted_trail_px: facts.and_then(|facts| Some(facts.predicted?.middle_px)),
            width_across_px: check.as_ref().and_then(|check| check.width_px),
            best_width_across_px: check.as_ref().and_then(|check| check.best.as_ref().map(|best| best.0)),
            focus: check.as_ref().map(focus),
            shape: check.as_ref().map(shape),
            corner_stretch_px: pattern.map(|pattern| pattern.radial_px.value),
            corner_growth: pattern.map(|pattern| pattern.corner_growth.value),
            tilt: pattern.map(|pattern| pattern.tilt.map(|slope| slope.value)),
            zones: facts.map_or_else(Vec::new, |facts| facts.zones.iter().map(ZoneRow::new).collect()),
            suggestion: check.map(|check| check.suggestion),
        }
    }
}

fn focus(check: &FieldCheck) -> &'static str {
    match check.focus {
        Focus::Sharp => "sharp",
        Focus::Soft => "soft",
        Focus::OutOfFocus => "out-of-focus",
        Focus::Alone => "alone",
        Focus::WideAlone => "wide-alone",
        Focus::Unknown => "unknown",
    }
}

fn shape(check: &FieldCheck) -> &'static str {
    match check.shape {
        Shape::Even => "even",
        Shape::Outward => "outward",
        Shape::Around => "around",
        Shape::OneSided(_) => "one-sided",
        Shape::MiddleSoft => "middle-soft",
        Shape::Unknown => "unknown",
    }
}
