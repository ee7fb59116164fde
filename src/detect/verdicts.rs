//! What a frame deserves, by comparison with the other frames of its burst.
//!
//! A figure stands out when it is both many spreads (scaled median absolute deviations) and a telling share
//! away from the burst's median; no figure of a camera or a site enters. The limits are the common practice of
//! culling by eye, no source.

use serde::{Deserialize, Serialize};

use crate::detect::FrameMeasure;
use crate::pixels::statistics::{SIGMA_PER_MAD, median};

/// What a measured frame deserves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Fine.
    Use,
    /// Usable, with a doubt.
    Warn,
    /// Left out unless a person says otherwise.
    SetAside,
}

/// A verdict and its reason in plain words; the reason is empty where there is nothing to say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// What the frame deserves.
    pub verdict: Verdict,
    /// Why, with the figure and the burst's median.
    pub reason: String,
}

/// Fewer stars cannot be matched with another frame.
const MIN_STARS: usize = 10;

/// Spreads from the median beyond which a figure stands out.
const MANY_SPREADS: f32 = 5.0;

/// Trail beyond the burst's, in star widths: a doubt, and a fault.
const TRAIL_FWHM: [f32; 2] = [0.5, 1.0];
/// Elongation over the burst's.
const ELONGATION_RATIO: [f32; 2] = [1.25, 1.6];
/// Star width over the burst's. A tenth more is what a lens drifts while it cools.
const FWHM_RATIO: [f32; 2] = [1.08, 1.3];
/// Stars left of the burst's number, and light left in them.
const STARS_RATIO: [f32; 2] = [0.7, 0.4];
const LIGHT_RATIO: [f32; 2] = [0.85, 0.6];
/// Sky over the burst's.
const SKY_RATIO: [f32; 2] = [1.3, 2.0];
/// Share of clipped samples beyond the burst's.
const CLIPPED_MORE: [f32; 2] = [0.002, 0.02];

/// Judges each frame of a burst; `None` stands for a frame that could not be measured.
#[must_use]
pub fn judge(measures: &[Option<&FrameMeasure>]) -> Vec<Judgement> {
    let burst = Burst::new(measures);
    measures.iter().map(|measure| burst.judge(*measure)).collect()
}

/// A figure over the burst.
#[derive(Clone, Copy)]
struct Typical {
    median: f32,
    spread: f32,
}

impl Typical {
    fn of(measures: &[Option<&FrameMeasure>], figure: impl Fn(&FrameMeasure) -> Option<f32>) -> Option<Self> {
        let mut values: Vec<f32> = measures.iter().flatten().copied().filter_map(&figure).collect();
        let median_value = median(&mut values)?;
        values.iter_mut().for_each(|value| *value = (*value - median_value).abs());
        Some(Self { median: median_value, spread: SIGMA_PER_MAD * median(&mut values)? })
    }

    fn stands_out(self, value: f32) -> bool {
        (value - self.median).abs() > MANY_SPREADS * self.spread
    }

    /// Which of two limits, at doubt and at fault, a figure exceeds, if it stands out at all.
    fn above(self, value: f32, excess: f32, limits: [f32; 2]) -> Verdict {
        match (self.stands_out(value), excess > limits[0], excess > limits[1]) {
            (true, _, true) => Verdict::SetAside,
            (true, true, false) => Verdict::Warn,
            _ => Verdict::Use,
        }
    }
}

struct Burst {
    trail: Option<Typical>,
    elongation: Option<Typical>,
    fwhm: Option<Typical>,
    stars: Option<Typical>,
    light: Option<Typical>,
    light_rank: usize,
    sky: Option<Typical>,
    clipped: Option<Typical>,
}

impl Burst {
    fn new(measures: &[Option<&FrameMeasure>]) -> Self {
        let stars = Typical::of(measures, |measure| Some(measure.stars.len() as f32));
        let light_rank = stars.map_or(0, |stars| (stars.median / 4.0) as usize);
        Self {
            trail: Typical::of(measures, |measure| measure.trail_px),
            elongation: Typical::of(measures, |measure| measure.elongation),
            fwhm: Typical::of(measures, |measure| measure.fwhm_px),
            stars,
            light: Typical::of(measures, |measure| star_light(measure, light_rank)),
            light_rank,
            sky: Typical::of(measures, |measure| Some(sky_level(measure))),
            clipped: Typical::of(measures, |measure| Some(measure.clipped_fraction as f32)),
        }
    }

    fn judge(&self, measure: Option<&FrameMeasure>) -> Judgement {
        let Some(measure) = measure else {
            return Judgement { verdict: Verdict::SetAside, reason: "could not be measured".to_owned() };
        };
        let shaken = self.shaken(measure);
        // A camera that moved draws stars wide by itself, and where it moved far, splits and fades them: one fault, not
        // three.
        let moved = shaken.as_ref().map_or(Verdict::Use, |(verdict, _)| *verdict);
        let is_clear = moved < Verdict::SetAside;
        let mut findings: Vec<(Verdict, String)> = [
            shaken,
            self.out_of_focus(measure).filter(|(verdict, _)| moved < *verdict),
            self.headlight(measure),
            self.clouded(measure).filter(|_| is_clear),
            too_few_stars(measure).filter(|_| is_clear),
        ]
        .into_iter()
        .flatten()
        .filter(|(verdict, _)| *verdict != Verdict::Use)
        .collect();
        findings.sort_by_key(|(verdict, _)| std::cmp::Reverse(*verdict));
        let verdict = findings.first().map_or(Verdict::Use, |(verdict, _)| *verdict);
        let reasons: Vec<String> = findings.into_iter().map(|(_, reason)| reason).collect();
        Judgement { verdict, reason: reasons.join("; ") }
    }

    fn shaken(&self, measure: &FrameMeasure) -> Option<(Verdict, String)> {
        let (trail, trail_px) = (self.trail?, measure.trail_px?);
        let by_trail = trail.above(trail_px, (trail_px - trail.median) / self.fwhm?.median, TRAIL_FWHM);
        let (elongation, long) = (self.elongation?, measure.elongation?);
        let by_elongation = elongation.above(long, long / elongation.median, ELONGATION_RATIO);
        let reason = if by_trail >= by_elongation {
            format!(
                "shaken: stars are drawn out over {trail_px:.1} px, in the burst's median frame over {:.1} px",
                trail.median
            )
        } else {
            format!(
                "shaken: stars are {long:.2} times as long as wide, in the burst's median frame {:.2}",
                elongation.median
            )
        };
        Some((by_trail.max(by_elongation), reason))
    }

    fn out_of_focus(&self, measure: &FrameMeasure) -> Option<(Verdict, String)> {
        let (fwhm, wide_px) = (self.fwhm?, measure.fwhm_px?);
        let verdict = fwhm.above(wide_px, wide_px / fwhm.median, FWHM_RATIO);
        let reason = format!("soft: stars are {wide_px:.2} px wide, in the burst's median frame {:.2} px", fwhm.median);
        Some((verdict, reason))
    }

    fn headlight(&self, measure: &FrameMeasure) -> Option<(Verdict, String)> {
        let (sky, level) = (self.sky?, sky_level(measure));
        // A sky at the black level has no ratio.
        let ratio = if sky.median > 0.0 { level / sky.median } else { 0.0 };
        let by_sky = sky.above(level, ratio, SKY_RATIO);
        let (clipped, share) = (self.clipped?, measure.clipped_fraction as f32);
        let by_clipping = clipped.above(share, share - clipped.median, CLIPPED_MORE);
        let reason = if by_sky >= by_clipping {
            format!(
                "lit up: the sky is at {:.1} %, in the burst's median frame at {:.1} %",
                100.0 * level,
                100.0 * sky.median
            )
        } else {
            format!(
                "lit up: {:.1} % of it is clipped, of the burst's median frame {:.1} %",
                100.0 * share,
                100.0 * clipped.median
            )
        };
        Some((by_sky.max(by_clipping), reason))
    }

    fn clouded(&self, measure: &FrameMeasure) -> Option<(Verdict, String)> {
        let (stars, count) = (self.stars?, measure.stars.len() as f32);
        let by_count = below(stars, count, STARS_RATIO);
        let light = self.light.filter(|light| light.median > 0.0)?;
        let left = star_light(measure, self.light_rank).unwrap_or(0.0);
        let by_light = below(light, left, LIGHT_RATIO);
        let reason = format!(
            "clouded: {count:.0} stars with {:.0} % of the light, in the burst's median frame {:.0} stars",
            100.0 * left / light.median,
            stars.median
        );
        // One sign is a doubt at most; cloud shows in both.
        let both = by_count.min(by_light);
        Some((if both == Verdict::Use { by_count.max(by_light).min(Verdict::Warn) } else { both }, reason))
    }
}

fn below(typical: Typical, value: f32, limits: [f32; 2]) -> Verdict {
    typical.above(value, typical.median / value.max(1e-9), limits.map(f32::recip))
}

fn too_few_stars(measure: &FrameMeasure) -> Option<(Verdict, String)> {
    let found = measure.stars.len();
    (found < MIN_STARS).then(|| {
        (
            Verdict::SetAside,
            format!("too few stars: found {found}, needs {MIN_STARS}; check focus and clouds, or expose longer"),
        )
    })
}

/// Flux of the star of this rank: falls in proportion to what cloud takes, whatever the number of stars.
fn star_light(measure: &FrameMeasure, rank: usize) -> Option<f32> {
    measure.stars.get(rank).map(|star| star.flux as f32)
}

fn sky_level(measure: &FrameMeasure) -> f32 {
    let [red, green, blue] = measure.sky_level;
    0.25 * (red + 2.0 * green + blue)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{Background, Mesh, Star};
    use crate::pixels::{Plane, Point, Size};

    /// A frame of `count` stars with fluxes from `light` down to a tenth of it, 2.5 px wide, under a sky of 0.02;
    /// `wobble` makes it a little unlike the others, as frames are.
    fn frame(count: usize, light: f64, wobble: f32) -> FrameMeasure {
        let star = |index: usize| Star {
            centroid: Point { x: index as f64, y: 0.0 },
            centroid_sigma_px: 0.05,
            flux: light * 10f64.powf(-(index as f64) / count as f64),
            snr: 50.0,
            peak: 0.1,
            fwhm_px: 2.5,
            elongation: 1.1,
            angle_rad: 0.0,
            saturated: false,
        };
        let mesh = || Mesh { cells: Plane::filled(Size { width: 1, height: 1 }, 0.02), cell_px: 64 };
        FrameMeasure {
            stars: (0..count).map(star).collect(),
            background: Background { level: [mesh(), mesh(), mesh()], rms: mesh() },
            fwhm_px: Some(2.5 + 0.02 * wobble),
            elongation: Some(1.1 + 0.01 * wobble),
            trail_px: Some(0.8 + 0.1 * wobble),
            sky_level: [0.02 + 0.0004 * wobble; 3],
            sky_noise: 0.001,
            clipped_fraction: 1e-5,
            color_shifts: Vec::new(),
        }
    }

    fn good_burst() -> Vec<FrameMeasure> {
        [0.0, 0.5, -0.7, 1.0, -0.4, 0.3, -1.0, 0.8, 0.1]
            .into_iter()
            .map(|wobble: f32| frame((500.0 + 10.0 * wobble) as usize, 1.0 + 0.01 * f64::from(wobble), wobble))
            .collect()
    }

    /// Judges a good burst with one more frame; all others must stay in use.
    fn judge_with(odd: FrameMeasure) -> Judgement {
        let mut burst = good_burst();
        burst.push(odd);
        let mut judgements = judge(&burst.iter().map(Some).collect::<Vec<_>>());
        let last = judgements.pop().expect("a judgement a frame");
        assert!(judgements.iter().all(|judgement| judgement.verdict == Verdict::Use), "good frames: {judgements:?}");
        last
    }

    fn check(odd: FrameMeasure, verdict: Verdict, reason: &str) {
        let judgement = judge_with(odd);
        assert_eq!(judgement.verdict, verdict, "{}", judgement.reason);
        assert_eq!(judgement.reason, reason, "the reason in plain words");
    }

    #[test]
    fn a_frame_like_the_others_has_no_reason() {
        check(frame(495, 0.99, 0.2), Verdict::Use, "");
    }

    #[test]
    fn a_shaken_frame_is_set_aside() {
        let odd = FrameMeasure { trail_px: Some(6.1), ..frame(480, 0.95, 0.0) };
        check(
            odd,
            Verdict::SetAside,
            "shaken: stars are drawn out over 6.1 px, in the burst's median frame over 0.8 px",
        );
    }

    /// Doubles are fewer, fainter and wider than the stars that they are made of.
    #[test]
    fn what_a_shake_does_to_stars_is_told_as_the_shake_alone() {
        let shaken = FrameMeasure { trail_px: Some(6.1), fwhm_px: Some(3.8), ..frame(150, 0.4, 0.0) };
        check(
            shaken,
            Verdict::SetAside,
            "shaken: stars are drawn out over 6.1 px, in the burst's median frame over 0.8 px",
        );
        // A doubt of a shake does not explain thick cloud.
        let clouded = judge_with(FrameMeasure { trail_px: Some(2.5), ..frame(150, 0.4, 0.0) });
        assert_eq!(clouded.verdict, Verdict::SetAside, "{}", clouded.reason);
        assert!(clouded.reason.starts_with("clouded: ") && clouded.reason.contains("shaken: "), "{}", clouded.reason);
    }

    #[test]
    fn a_focus_drift_of_a_tenth_is_a_doubt_and_of_a_half_a_fault() {
        let soft = |fwhm_px| FrameMeasure { fwhm_px: Some(fwhm_px), ..frame(490, 1.0, 0.0) };
        let reason = "soft: stars are 2.75 px wide, in the burst's median frame 2.50 px";
        check(soft(2.75), Verdict::Warn, reason);
        let reason = "soft: stars are 3.80 px wide, in the burst's median frame 2.50 px";
        check(soft(3.8), Verdict::SetAside, reason);
    }

    #[test]
    fn thin_cloud_is_a_doubt_and_thick_cloud_a_fault() {
        let judgement = judge_with(frame(300, 0.85, 0.0));
        assert_eq!(judgement.verdict, Verdict::Warn, "{}", judgement.reason);
        assert!(judgement.reason.starts_with("clouded: 300 stars with "), "{}", judgement.reason);
        assert_eq!(judge_with(frame(150, 0.4, 0.0)).verdict, Verdict::SetAside, "thick cloud");
    }

    #[test]
    fn a_headlight_is_set_aside_and_a_rising_moon_is_not() {
        let lit = FrameMeasure { sky_level: [0.06; 3], ..frame(450, 1.0, 0.0) };
        let reason = "lit up: the sky is at 6.0 %, in the burst's median frame at 2.0 %";
        check(lit, Verdict::SetAside, reason);
        let mut burst = good_burst();
        for (idx, measure) in burst.iter_mut().enumerate() {
            measure.sky_level = [0.02 + 0.002 * idx as f32; 3];
        }
        let judgements = judge(&burst.iter().map(Some).collect::<Vec<_>>());
        assert!(judgements.iter().all(|judgement| judgement.verdict == Verdict::Use), "{judgements:?}");
    }

    #[test]
    fn a_frame_without_stars_says_how_many_it_has() {
        let odd = FrameMeasure { fwhm_px: None, elongation: None, trail_px: None, ..frame(3, 1.0, 0.0) };
        let judgement = judge_with(odd);
        assert_eq!(judgement.verdict, Verdict::SetAside, "{}", judgement.reason);
        assert!(judgement.reason.contains("too few stars: found 3, needs 10"), "{}", judgement.reason);
    }

    #[test]
    fn bursts_of_one_or_two_frames_and_unmeasured_frames_are_judged() {
        let (good, soft) = (frame(500, 1.0, 0.0), FrameMeasure { fwhm_px: Some(4.0), ..frame(500, 1.0, 0.0) });
        assert_eq!(judge(&[]), [], "no frame");
        assert_eq!(judge(&[Some(&good)])[0].verdict, Verdict::Use, "one frame has nothing to differ from");
        let pair = judge(&[Some(&good), Some(&soft)]);
        assert!(pair.iter().all(|judgement| judgement.verdict == Verdict::Use), "two cannot outvote each other");
        assert_eq!(judge(&[None, Some(&good)])[0].verdict, Verdict::SetAside, "not measured");
    }
}
