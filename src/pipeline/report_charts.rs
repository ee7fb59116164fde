//! The charts of the report page, as inline SVG (W3C SVG 2): the night line, what is left between the stars, and how
//! it grows towards the corners. Colours come from the page's style sheet by class.

use std::fmt::Write as _;

use jiff::civil;

use crate::pipeline::report::{FrameReport, NoiseReport};
use crate::pipeline::report_page::escaped;
use crate::pipeline::residuals::{Arrow, round_below, typical_error_px};
use crate::pipeline::run::file_name;
use crate::pixels::{Orientation, Point, Size};

/// Width of every chart in its own units.
const WIDTH: f64 = 720.0;
/// Star width of the tallest mark over the median; wider stars are cut there.
const TALLEST: f64 = 2.0;
/// Arrows at most; of more, every second, third, ... is drawn.
const MOST_ARROWS: usize = 700;
/// Length of a long arrow.
const LONG_ARROW: f64 = 26.0;
/// Longest scale bar.
const LONGEST_BAR: f64 = 160.0;

/// A chart being drawn. Writing to a string cannot fail.
struct Chart {
    text: String,
}

impl Chart {
    fn new(height: f64, label: &str) -> Self {
        let text = format!("<svg viewBox=\"0 0 {WIDTH} {height:.0}\" role=\"img\" aria-label=\"{}\">", escaped(label));
        Self { text }
    }

    fn line(&mut self, class: &str, from: [f64; 2], to: [f64; 2]) {
        let [[x1, y1], [x2, y2]] = [from, to];
        let _ = write!(
            self.text,
            "<line class=\"{class}\" x1=\"{x1:.1}\" y1=\"{y1:.1}\" x2=\"{x2:.1}\" y2=\"{y2:.1}\"></line>"
        );
    }

    fn dot(&mut self, class: &str, [x, y]: [f64; 2], radius: f64) {
        let _ = write!(self.text, "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius}\"></circle>");
    }

    fn words(&mut self, [x, y]: [f64; 2], anchor: &str, words: &str) {
        let _ = write!(self.text, "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>", escaped(words));
    }

    fn finish(mut self) -> String {
        self.text.push_str("</svg>");
        self.text
    }
}

/// Each frame over capture time: height is star width, depth of colour is sky level; hollow is not used.
pub(super) fn night_line(frames: &[FrameReport]) -> String {
    const BASE: f64 = 150.0;
    const ROOM: f64 = 110.0;
    let mut chart = Chart::new(196.0, "Each frame over capture time");
    let times: Vec<Option<f64>> = frames.iter().map(|frame| clock_secs(frame.capture_time.as_deref()?)).collect();
    let spans = spans(frames, &times);
    let widths: Vec<f64> = frames.iter().filter_map(|frame| frame.fwhm_px.map(f64::from)).collect();
    let median_width = middle(widths).unwrap_or(1.0);
    let skies: Vec<f64> = frames.iter().filter_map(|frame| frame.sky_level.map(f64::from)).collect();
    let (darkest, brightest) =
        skies.iter().fold((f64::MAX, f64::MIN), |(low, high), &sky| (low.min(sky), high.max(sky)));
    chart.line("axis", [0.0, BASE], [WIDTH, BASE]);
    for (frame, [left, right]) in frames.iter().zip(spans) {
        let height = frame.fwhm_px.map_or(0.12, |fwhm| (f64::from(fwhm) / (TALLEST * median_width)).min(1.0)) * ROOM;
        let share =
            frame.sky_level.map_or(0.0, |sky| (f64::from(sky) - darkest) / (brightest - darkest).max(0.25 * brightest));
        let width = (right - left).max(3.0);
        let class = if frame.used { "used" } else { "aside" };
        let _ = write!(
            chart.text,
            "<rect class=\"{class}\" x=\"{left:.1}\" y=\"{:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" \
             fill-opacity=\"{:.2}\"><title>{}</title></rect>",
            BASE - height,
            if frame.used { 0.45 + 0.55 * share } else { 0.0 },
            escaped(&about(frame))
        );
    }
    let usual = BASE - ROOM / TALLEST;
    chart.line("guide", [0.0, usual], [WIDTH, usual]);
    chart.words([WIDTH, usual - 5.0], "end", &format!("stars {median_width:.2} px wide"));
    let clock = |frame: Option<&FrameReport>| {
        frame.and_then(|frame| frame.capture_time.as_deref()?.get(11..19)).unwrap_or("first").to_owned()
    };
    if times.iter().all(Option::is_some) {
        let order = |a: &&FrameReport, b: &&FrameReport| a.capture_time.cmp(&b.capture_time);
        chart.words([0.0, BASE + 26.0], "start", &clock(frames.iter().min_by(order)));
        chart.words([WIDTH, BASE + 26.0], "end", &clock(frames.iter().max_by(order)));
    } else {
        chart.words([0.0, BASE + 26.0], "start", "in the order given: not every file tells its time");
    }
    chart.finish()
}

/// Left and right of each frame's mark: by the clock where all frames have one, evenly where not.
fn spans(frames: &[FrameReport], times: &[Option<f64>]) -> Vec<[f64; 2]> {
    let known: Option<Vec<f64>> = times.iter().copied().collect();
    let Some(known) = known.filter(|known| !known.is_empty()) else {
        let slot = WIDTH / frames.len().max(1) as f64;
        return (0..frames.len()).map(|idx| [idx as f64 * slot, (idx as f64 + 0.7) * slot]).collect();
    };
    let ends = || known.iter().zip(frames).map(|(time, frame)| time + frame.exposure_secs.unwrap_or(0.0));
    let first = known.iter().copied().fold(f64::MAX, f64::min);
    let span = (ends().fold(f64::MIN, f64::max) - first).max(1.0);
    // A little air to the right of the last frame for its outline.
    let across = |secs: f64| (secs - first) / span * (WIDTH - 4.0);
    known.iter().zip(ends()).map(|(&begin, end)| [across(begin), across(end)]).collect()
}

/// Seconds of the camera's clock; only differences count.
fn clock_secs(text: &str) -> Option<f64> {
    let time: civil::DateTime = text.get(..23)?.parse().ok()?;
    let since = time.duration_since(civil::date(2000, 1, 1).at(0, 0, 0, 0));
    Some(since.as_secs_f64())
}

fn middle(mut values: Vec<f64>) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

fn about(frame: &FrameReport) -> String {
    let mut words = file_name(&frame.file);
    if let Some(fwhm_px) = frame.fwhm_px {
        let _ = write!(words, ", {} stars {fwhm_px:.2} px wide", frame.stars);
    }
    if !frame.reason.is_empty() {
        let _ = write!(words, ", {}", frame.reason);
    }
    words
}

/// Where the stars of all frames fall, beside the reference frame's, as arrows many times too long.
pub(super) fn arrows(all: &[Arrow], stored: Size, orientation: Orientation) -> Option<String> {
    let typical_px = typical_error_px(all)?.max(1e-4);
    let upright = orientation.upright_size(stored);
    let scale = WIDTH / upright.width as f64;
    let height = upright.height as f64 * scale;
    let magnification = round_below(LONG_ARROW / (typical_px * scale));
    let mut chart = Chart::new(height + 34.0, "Where stars fall beside their places");
    let field = format!("width=\"{WIDTH}\" height=\"{height:.1}\"");
    // An inner picture cuts off what reaches beyond it: arrows end at the edge of the frame.
    let _ = write!(chart.text, "<svg {field} overflow=\"hidden\"><rect class=\"field\" {field}></rect>");
    let place = |point: Point| {
        let upright = orientation.upright_point(point, stored);
        [(upright.x + 0.5) * scale, (upright.y + 0.5) * scale]
    };
    for arrow in all.iter().step_by(all.len().div_ceil(MOST_ARROWS).max(1)) {
        let Arrow { from, error } = *arrow;
        let tip = Point { x: from.x + magnification * error.x, y: from.y + magnification * error.y };
        chart.dot("star", place(from), 1.6);
        chart.line("arrow", place(from), place(tip));
    }
    chart.text.push_str("</svg>");
    let bar_px = round_below(LONGEST_BAR / (magnification * scale));
    let length = bar_px * magnification * scale;
    let y = height + 18.0;
    chart.line("bar", [1.0, y], [1.0 + length, y]);
    chart.words(
        [length + 12.0, y + 5.0],
        "start",
        &format!("{bar_px} px; arrows are drawn {magnification} times longer"),
    );
    Some(chart.finish())
}

/// Root mean square distance of the star pairs from the middle to the corner: a dot a frame, a line through all.
pub(super) fn by_radius(frames: &[FrameReport]) -> Option<String> {
    const LEFT: f64 = 104.0;
    const BASE: f64 = 190.0;
    const ROOM: f64 = 170.0;
    let rings = || frames.iter().flat_map(|frame| &frame.residuals_by_radius);
    let most = rings().map(|ring| ring.rms_px).fold(0.0, f64::max);
    if most <= 0.0 {
        return None;
    }
    let top = most * 1.1;
    let place = |radius: f64, rms_px: f64| [LEFT + radius * (WIDTH - LEFT - 10.0), BASE - rms_px / top * ROOM];
    let mut chart = Chart::new(232.0, "Residuals from the middle to the corner");
    let step = round_below(top / 2.0);
    for level in [0.0, step, 2.0 * step] {
        let [x, y] = place(1.0, level);
        chart.line(if level == 0.0 { "axis" } else { "guide" }, [LEFT, y], [x, y]);
        chart.words([LEFT - 8.0, y + 5.0], "end", &format!("{level:.2} px"));
    }
    for ring in rings() {
        chart.dot("star", place(ring.radius, ring.rms_px), 3.0);
    }
    let mut radii: Vec<f64> = rings().map(|ring| ring.radius).collect();
    radii.sort_unstable_by(f64::total_cmp);
    radii.dedup();
    let mean = |radius: f64| {
        let of_ring = || rings().filter(move |ring| ring.radius == radius);
        let n: usize = of_ring().map(|ring| ring.n).sum();
        (of_ring().map(|ring| ring.rms_px.powi(2) * ring.n as f64).sum::<f64>() / n as f64).sqrt()
    };
    let points: Vec<[f64; 2]> = radii.iter().map(|&radius| place(radius, mean(radius))).collect();
    for pair in points.windows(2) {
        chart.line("mean", pair[0], pair[1]);
    }
    for (radius, words, anchor) in [(0.0, "middle", "start"), (1.0, "corner", "end")] {
        chart.words([place(radius, 0.0)[0], BASE + 28.0], anchor, words);
    }
    Some(chart.finish())
}

/// How many times less noise there is than in one frame, beside what the frames allow.
pub(super) fn noise_bars(noise: &NoiseReport) -> String {
    let mut chart = Chart::new(128.0, "Noise gain beside what the frames allow");
    let most = noise.gain.max(noise.ideal).max(1.0);
    let bars = [(0.0, "used", noise.gain, "reached"), (66.0, "allowed", noise.ideal, "allowed by the frames")];
    for (y, class, value, words) in bars {
        chart.words([0.0, y + 22.0], "start", &format!("{value:.2} times less noise, {words}"));
        // A little room at the right for the outline.
        let length = value / most * (WIDTH - 2.0);
        let _ = write!(
            chart.text,
            "<rect class=\"{class}\" x=\"1\" y=\"{:.1}\" width=\"{length:.1}\" height=\"24\"></rect>",
            y + 32.0
        );
    }
    chart.finish()
}
