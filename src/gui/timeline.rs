//! Where each frame stands on the night line: capture time across, gaps kept, frames without time after them.

use crate::gui::sheaf::Frame;
use crate::pipeline::{FrameKind, MeasureSummary};

/// The marks of a burst, positions as shares of the line, 0 left to 1 right.
#[derive(Clone, Debug, PartialEq)]
pub struct Timeline {
    /// One for each frame, in the order of the frames; `None` for what calibrates the others and is no part of
    /// the night.
    pub marks: Vec<Option<Mark>>,
    /// Pauses that are much longer than the rhythm of the burst.
    pub gaps: Vec<Gap>,
    /// First and last moment of the burst by the camera's clock, in seconds, where it is known.
    pub clock: Option<(f64, f64)>,
    /// Where these moments lie on the line.
    pub clock_at: (f32, f32),
    /// How many frames stand behind the others because their time is not known.
    pub n_untimed: usize,
    /// Where those begin.
    pub untimed_from: f32,
    /// How many dark, flat and bias frames are among the frames and stand apart.
    pub n_apart: [(FrameKind, usize); 3],
}

/// One frame on the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Begin of the exposure.
    pub start: f32,
    /// End of the exposure.
    pub end: f32,
    /// Star width over the tallest that the line shows, 0 to 1; `None` without stars.
    pub height: Option<f32>,
    /// Sky level between the darkest (0) and the brightest (1) frame.
    pub shade: f32,
}

/// A pause.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// Where it begins.
    pub start: f32,
    /// Where it ends.
    pub end: f32,
    /// How long it is.
    pub secs: f64,
}

/// A line is at least so many frames long, so that a single one is a mark and not a wall.
const LEAST_SLOTS: usize = 8;

/// A pause counts as a gap from so many times the usual distance of frames on.
const GAP_FROM: f64 = 3.0;

/// Width of the tallest mark over the median star width: wider stars are cut there.
const TALLEST: f32 = 2.4;

/// Sky levels closer together than this share of the brightest have nearly the same shade.
const LEAST_SHADE_SPAN: f32 = 0.25;

impl Timeline {
    /// Lays a burst out. Until all frames are measured they stand in file order.
    #[must_use]
    pub fn of(frames: &[Frame]) -> Self {
        let measured = frames.iter().all(|frame| frame.finding.is_some());
        let times: Vec<Option<(f64, f64)>> = frames.iter().map(|frame| exposure(frame).filter(|_| measured)).collect();
        let n_lights = frames.iter().filter(|frame| frame.calibrates_as().is_none()).count();
        let n_timed = times.iter().flatten().count();
        let n_untimed = n_lights - n_timed;
        let untimed_from = n_timed as f32 / n_lights.max(1) as f32;
        let slot = (1.0 - untimed_from) / n_untimed.max(if n_timed == 0 { LEAST_SLOTS } else { 1 }) as f32;
        let clock = clock_span(&times);
        let (first, last) = clock.unwrap_or((0.0, 1.0));
        // A frame or two would fill the line: time goes on around them.
        let longest = times.iter().flatten().map(|(begin, stop)| stop - begin).fold(0.0, f64::max);
        let span = (last - first).max(LEAST_SLOTS as f64 * longest).max(1e-3);
        let before = 0.5 * (span - (last - first));
        let across = |secs: f64| ((secs - first + before) / span) as f32 * untimed_from;
        let heights = heights(frames);
        let shades = shades(frames);
        let mut next_slot = untimed_from;
        let mut marks = Vec::with_capacity(frames.len());
        for (idx, time) in times.iter().enumerate() {
            if frames[idx].calibrates_as().is_some() {
                marks.push(None);
                continue;
            }
            let (start, end) = match time {
                Some((begin, stop)) => (across(*begin), across(*stop)),
                None => {
                    next_slot += slot;
                    (next_slot - 0.75 * slot, next_slot - 0.25 * slot)
                }
            };
            marks.push(Some(Mark { start, end, height: heights[idx], shade: shades[idx] }));
        }
        let gaps = gaps(&times, across);
        let count = |kind| (kind, frames.iter().filter(|frame| frame.calibrates_as() == Some(kind)).count());
        let n_apart = [FrameKind::Dark, FrameKind::Flat, FrameKind::Bias].map(count);
        Self { marks, gaps, clock, clock_at: (across(first), across(last)), n_untimed, untimed_from, n_apart }
    }
}

/// The lights as they stand on the line, from left to right, by their places in the list.
#[must_use]
pub fn night_order(frames: &[Frame]) -> Vec<usize> {
    let measured = frames.iter().all(|frame| frame.finding.is_some());
    let begin = |idx: usize| exposure(&frames[idx]).filter(|_| measured).map_or(f64::INFINITY, |(begin, _)| begin);
    let mut order: Vec<usize> = (0..frames.len()).filter(|&idx| frames[idx].calibrates_as().is_none()).collect();
    // Frames without time keep the order of the list, behind the others.
    order.sort_by(|&a, &b| begin(a).total_cmp(&begin(b)));
    order
}

/// Begin and end of an exposure by the camera's clock.
fn exposure(frame: &Frame) -> Option<(f64, f64)> {
    if frame.calibrates_as().is_some() {
        return None;
    }
    let begin = frame.clock_secs()?;
    let secs = frame.finding.as_ref().and_then(|finding| finding.metadata.exposure_secs).unwrap_or(0.0);
    Some((begin, begin + secs))
}

/// What was measured on a light frame.
pub(super) fn light_measures(frame: &Frame) -> Option<MeasureSummary> {
    frame.finding.as_ref().filter(|_| frame.calibrates_as().is_none())?.measures
}

fn clock_span(times: &[Option<(f64, f64)>]) -> Option<(f64, f64)> {
    let first = times.iter().flatten().map(|time| time.0).min_by(f64::total_cmp)?;
    let last = times.iter().flatten().map(|time| time.1).max_by(f64::total_cmp)?;
    Some((first, last))
}

fn heights(frames: &[Frame]) -> Vec<Option<f32>> {
    let width = |frame: &Frame| light_measures(frame)?.fwhm_px;
    let mut known: Vec<f32> = frames.iter().filter_map(width).collect();
    let widest = known.iter().copied().fold(0.0, f32::max);
    let usual = crate::pixels::statistics::median(&mut known).unwrap_or(1.0);
    let tallest = widest.clamp(1.3 * usual, TALLEST * usual).max(1e-3);
    frames.iter().map(|frame| width(frame).map(|width| (width / tallest).min(1.0))).collect()
}

fn shades(frames: &[Frame]) -> Vec<f32> {
    let level = |frame: &Frame| Some(light_measures(frame)?.sky_level);
    let known: Vec<f32> = frames.iter().filter_map(level).collect();
    let darkest = known.iter().copied().fold(f32::INFINITY, f32::min);
    let brightest = known.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let span = (brightest - darkest).max(LEAST_SHADE_SPAN * brightest).max(1e-6);
    frames.iter().map(|frame| level(frame).map_or(0.0, |level| ((level - darkest) / span).clamp(0.0, 1.0))).collect()
}

fn gaps(times: &[Option<(f64, f64)>], across: impl Fn(f64) -> f32) -> Vec<Gap> {
    let mut sorted: Vec<(f64, f64)> = times.iter().flatten().copied().collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut rhythm: Vec<f32> = sorted.windows(2).map(|pair| (pair[1].0 - pair[0].0) as f32).collect();
    let Some(usual) = crate::pixels::statistics::median(&mut rhythm) else { return Vec::new() };
    let pauses = sorted.windows(2).filter(|pair| pair[1].0 - pair[0].0 > GAP_FROM * f64::from(usual.max(0.1)));
    pauses.map(|pair| Gap { start: across(pair[0].1), end: across(pair[1].0), secs: pair[1].0 - pair[0].1 }).collect()
}

/// Hours, minutes and seconds of the camera's clock.
#[must_use]
pub fn time_of_day(clock_secs: f64) -> String {
    // A remainder of the day is at most 86,400; the cast is exact.
    let secs = clock_secs.rem_euclid(86_400.0) as u32;
    format!("{:02}:{:02}:{:02}", secs / 3600, secs / 60 % 60, secs % 60)
}

/// A length of time in the largest unit that tells enough.
#[must_use]
pub fn duration(secs: f64) -> String {
    if secs < 90.0 {
        format!("{secs:.0} s")
    } else if secs < 5400.0 {
        format!("{:.0} min", secs / 60.0)
    } else {
        format!("{:.1} h", secs / 3600.0)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::pipeline::{CaptureTime, FrameFinding, Metadata, Verdict};
    use crate::pixels::Orientation;

    /// A frame of 10 s taken at `clock_secs` whose stars are `fwhm_px` wide.
    pub(crate) fn frame(name: &str, clock_secs: Option<f64>, fwhm_px: f32) -> Frame {
        let capture_time = clock_secs.map(|clock_secs| CaptureTime { clock_secs, utc_offset_minutes: None });
        let measures = MeasureSummary {
            stars: 300,
            fwhm_px: Some(fwhm_px),
            elongation: Some(1.1),
            trail_px: Some(0.7),
            sky_level: 0.02,
            clipped_fraction: 0.0,
        };
        let finding = FrameFinding {
            path: name.into(),
            kind: FrameKind::Light,
            size: None,
            orientation: Orientation::Normal,
            metadata: Metadata { exposure_secs: Some(10.0), capture_time, ..Metadata::default() },
            measures: Some(measures),
            field: None,
            verdict: Verdict::Use,
            reason: String::new(),
        };
        Frame { finding: Some(finding), ..Frame::new(name.into()) }
    }

    #[test]
    fn a_gap_in_time_is_a_gap_on_the_line() {
        let frames: Vec<Frame> =
            [0.0, 12.0, 24.0, 36.0, 190.0].iter().map(|&secs| frame("f", Some(secs), 2.0)).collect();
        let line = Timeline::of(&frames);
        assert_eq!(line.clock, Some((0.0, 200.0)), "from the first begin to the last end");
        let mark = |idx: usize| line.marks[idx].expect("a light");
        assert_eq!(mark(0).end, 0.05, "10 s of 200");
        assert_eq!(mark(4).start, 0.95, "190 s of 200");
        assert_eq!(line.gaps.len(), 1, "one pause is longer than the rhythm");
        assert_eq!(line.gaps[0].secs, 144.0, "from 46 s to 190 s");
    }

    #[test]
    fn a_single_frame_is_a_mark_in_the_middle_of_its_time() {
        for time in [Some(500.0), None] {
            let line = Timeline::of(&[frame("a", time, 2.0)]);
            let mark = line.marks[0].expect("a light");
            assert!(mark.end - mark.start < 0.13, "it does not fill the line: {mark:?}");
            assert!(line.gaps.is_empty(), "and nothing is missing");
            if time.is_some() {
                assert!((mark.start + mark.end - 1.0).abs() < 1e-6, "in the middle: {mark:?}");
                assert_eq!(line.clock_at, (mark.start, mark.end), "the clock stands below it");
            }
        }
    }

    #[test]
    fn frames_without_time_stand_behind_the_others() {
        let frames = [frame("a", Some(0.0), 2.0), frame("b", None, 2.0), frame("c", Some(12.0), 2.0)];
        let line = Timeline::of(&frames);
        assert_eq!(line.n_untimed, 1, "one frame has no time");
        let mark = |idx: usize| line.marks[idx].expect("a light");
        assert!(mark(1).start > mark(2).end, "it stands behind the last timed frame");
        assert!(mark(1).end <= 1.0, "and on the line");
    }

    #[test]
    fn a_dark_among_the_frames_stands_apart_and_takes_no_room() {
        let lights = [frame("a", Some(0.0), 2.0), frame("b", Some(12.0), 2.0)];
        let mut dark = frame("d", Some(9000.0), 0.0);
        if let Some(finding) = &mut dark.finding {
            (finding.kind, finding.verdict) = (FrameKind::Dark, Verdict::SetAside);
        }
        let alone = Timeline::of(&lights);
        let [first, second] = lights;
        let mut frames = vec![first, dark, second];
        let line = Timeline::of(&frames);
        assert_eq!((line.marks[0], line.marks[2]), (alone.marks[0], alone.marks[1]), "as if it were not there");
        assert_eq!((line.marks[1], line.clock), (None, alone.clock), "its time is not the night's");
        assert_eq!(line.n_apart[0], (FrameKind::Dark, 1), "it is counted");
        frames[1].wanted = Some(true);
        let line = Timeline::of(&frames);
        assert!(line.marks[1].is_some() && line.n_apart[0].1 == 0, "the person says that it is a light");
    }

    #[test]
    fn lights_are_walked_through_by_time_and_what_has_none_comes_last() {
        let mut dark = frame("d", Some(6.0), 0.0);
        if let Some(finding) = &mut dark.finding {
            finding.kind = FrameKind::Dark;
        }
        let frames = [frame("b", Some(12.0), 2.0), dark, frame("x", None, 2.0), frame("a", Some(0.0), 2.0)];
        assert_eq!(night_order(&frames), [3, 0, 2], "the dark is no part of the night");
        let mut frames = frames.to_vec();
        frames[0].finding = None;
        assert_eq!(night_order(&frames), [0, 2, 3], "until all are measured they stand in file order");
    }

    #[test]
    fn height_is_in_proportion_to_star_width() {
        let frames = [frame("a", Some(0.0), 2.0), frame("b", Some(12.0), 2.0), frame("c", Some(24.0), 4.0)];
        let line = Timeline::of(&frames);
        let height = |idx: usize| line.marks[idx].expect("a light").height;
        assert_eq!(height(2), Some(1.0), "the widest");
        assert_eq!(height(0), Some(0.5), "half of it");
    }

    #[test]
    fn times_are_told_in_plain_figures() {
        assert_eq!(time_of_day(86_400.0 * 3.0 + 3_661.5), "01:01:01", "of the day");
        assert_eq!(duration(45.0), "45 s", "seconds");
        assert_eq!(duration(150.0), "2 min", "minutes, rounded to even");
    }
}
