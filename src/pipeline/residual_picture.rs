//! The residuals of a burst drawn as arrows, a panel a frame, upright as the exported picture.
//!
//! A dot is where a star belongs by the reference frame, the arrow leads to where it was found, longer by a factor
//! that is told. In the first panel neighbors of all frames are averaged: what is left there is no noise.

use std::io::{Cursor, Write};
use std::path::Path;

use image::{Rgb, RgbImage};

use crate::error::Error;
use crate::export::{ExportError, replace_file};
use crate::pipeline::lettering;
use crate::pipeline::residuals::{Arrow, round_below, typical_error_px};
use crate::pipeline::run::{Outcome, file_name};
use crate::pixels::{Orientation, Point, Size};

/// Longer side of a panel.
const PANEL: f64 = 460.0;
/// Between panels and around them.
const GAP: u32 = 26;
/// Height of the two lines above each panel.
const CAPTION: u32 = 40;
/// Height of the head of the sheet.
const HEAD: u32 = 72;
/// Panels side by side at most.
const MOST_COLUMNS: u32 = 6;
/// Length of a long arrow; one in ten is longer.
const LONG_ARROW: f64 = 24.0;
/// Longest scale bar.
const LONGEST_BAR: f64 = 150.0;
/// Arrows in a panel at most; of more, every second, third, ... is drawn.
const MOST_ARROWS: usize = 400;
/// Cells along the longer side in the panel of means.
const CELLS: f64 = 14.0;
/// Stars that a mean is taken of at least.
const LEAST_IN_CELL: usize = 4;

const GROUND: Rgb<u8> = Rgb([17, 20, 23]);
const FIELD: Rgb<u8> = Rgb([29, 33, 38]);
const INK: Rgb<u8> = Rgb([222, 217, 204]);
const QUIET: Rgb<u8> = Rgb([140, 142, 138]);
const ARROW: Rgb<u8> = Rgb([238, 190, 110]);

/// Draws the residuals of an outcome as a PNG, whole or not at all.
pub fn save_residual_picture(outcome: &Outcome, path: &Path) -> Result<(), Error> {
    let sheet = draw(outcome);
    replace_file(path, u64::from(sheet.width()) * u64::from(sheet.height()), |out| {
        // The encoder goes back and forth; the sheet is small enough to be held.
        let mut encoded = Cursor::new(Vec::new());
        let written = sheet.write_to(&mut encoded, image::ImageFormat::Png);
        written.map_err(|error| ExportError::Encode(error.to_string()))?;
        Ok(out.write_all(encoded.get_ref())?)
    })
    .map_err(|source| Error::Export { path: path.to_owned(), source })
}

/// One panel: two lines above and the arrows.
struct Panel {
    lines: [String; 2],
    arrows: Vec<Arrow>,
}

fn draw(outcome: &Outcome) -> RgbImage {
    let (size, orientation) = (outcome.picture.image.size(), outcome.picture.orientation);
    let all: Vec<Arrow> = outcome.residuals.iter().flat_map(|frame| frame.on_reference.iter().copied()).collect();
    let mut panels = vec![of_all(&all, size)];
    panels.extend(outcome.residuals.iter().map(|frame| of_frame(&file_name(&frame.file), &frame.on_reference)));
    let sheet = Sheet::new(size, orientation, panels.len(), typical_error_px(&all));
    let mut picture = sheet.empty();
    sheet.head(&mut picture, &outcome.report.reference);
    for (idx, panel) in (0_u32..).zip(&panels) {
        sheet.panel(&mut picture, idx, panel);
    }
    picture
}

fn of_all(all: &[Arrow], size: Size) -> Panel {
    let cell = (size.width.max(size.height) as f64 / CELLS).max(1.0);
    let columns = (size.width as f64 / cell).ceil() as usize;
    let rows = (size.height as f64 / cell).ceil() as usize;
    let mut cells = vec![(Arrow { from: Point::default(), error: Point::default() }, 0_usize); columns * rows];
    for arrow in all {
        // Stars lie inside the frame; the cast of a place left of it gives the first cell.
        let (column, row) = ((arrow.from.x / cell) as usize, (arrow.from.y / cell) as usize);
        let (sum, n) = &mut cells[row.min(rows - 1) * columns + column.min(columns - 1)];
        for (sum, one) in [(&mut sum.from, arrow.from), (&mut sum.error, arrow.error)] {
            sum.x += one.x;
            sum.y += one.y;
        }
        *n += 1;
    }
    let mean = |(sum, n): &(Arrow, usize)| {
        let over = |point: Point| Point { x: point.x / *n as f64, y: point.y / *n as f64 };
        Arrow { from: over(sum.from), error: over(sum.error) }
    };
    let arrows: Vec<Arrow> = cells.iter().filter(|(_, n)| *n >= LEAST_IN_CELL).map(mean).collect();
    let lines = ["All frames, means of neighbors".to_owned(), format!("{} stars, rms {}", all.len(), rms(all))];
    Panel { lines, arrows }
}

fn of_frame(name: &str, arrows: &[Arrow]) -> Panel {
    let stride = arrows.len().div_ceil(MOST_ARROWS).max(1);
    let drawn = if stride > 1 { format!(" (1 in {stride} drawn)") } else { String::new() };
    let lines = [name.to_owned(), format!("{} stars{drawn}, rms {}", arrows.len(), rms(arrows))];
    Panel { lines, arrows: arrows.iter().step_by(stride).copied().collect() }
}

fn rms(arrows: &[Arrow]) -> String {
    if arrows.is_empty() {
        return "unknown".to_owned();
    }
    let squares: f64 = arrows.iter().map(|arrow| arrow.error.x.powi(2) + arrow.error.y.powi(2)).sum();
    format!("{:.3} px", (squares / arrows.len() as f64).sqrt())
}

/// Where everything lies.
struct Sheet {
    stored: Size,
    orientation: Orientation,
    columns: u32,
    rows: u32,
    panel: [u32; 2],
    /// Pixels of the sheet for one of the frame.
    scale: f64,
    /// How much longer arrows are drawn.
    magnification: f64,
}

impl Sheet {
    fn new(stored: Size, orientation: Orientation, n_panels: usize, typical_px: Option<f64>) -> Self {
        let upright = orientation.upright_size(stored);
        let scale = PANEL / upright.width.max(upright.height) as f64;
        let n_panels = u32::try_from(n_panels).expect("a burst has far fewer frames");
        let columns = n_panels.isqrt().saturating_add(1).clamp(2, MOST_COLUMNS).min(n_panels.max(2));
        // At most the longer side of a panel.
        let side = |len: usize| (len as f64 * scale).round() as u32;
        Self {
            stored,
            orientation,
            columns,
            rows: n_panels.div_ceil(columns),
            panel: [side(upright.width), side(upright.height)],
            scale,
            magnification: round_below(LONG_ARROW / (typical_px.unwrap_or(1.0).max(1e-4) * scale)),
        }
    }

    fn empty(&self) -> RgbImage {
        let width = GAP + self.columns * (self.panel[0] + GAP);
        let height = HEAD + self.rows * (CAPTION + self.panel[1] + GAP);
        RgbImage::from_pixel(width, height, GROUND)
    }

    /// What is drawn, by how much longer, and a bar to measure with.
    fn head(&self, picture: &mut RgbImage, reference: &str) {
        let title = format!("Where stars fall on {reference}");
        lettering::write(picture, [GAP, 18], 2, INK, &title);
        let bar_px = round_below(LONGEST_BAR / (self.magnification * self.scale));
        let length = bar_px * self.magnification * self.scale;
        let [left, middle] = [f64::from(GAP), 53.0];
        let all = Area::of(picture);
        stroke(picture, all, [left, middle], [left + length, middle], 2.0, ARROW);
        for end in [left, left + length] {
            stroke(picture, all, [end, middle - 5.0], [end, middle + 5.0], 2.0, ARROW);
        }
        let text = format!("{bar_px} px: arrows are drawn {} × longer", self.magnification);
        // A bar is at most 150 pixels long.
        lettering::write(picture, [GAP + length.ceil() as u32 + 16, 46], 2, INK, &text);
    }

    fn panel(&self, picture: &mut RgbImage, idx: u32, panel: &Panel) {
        let left = GAP + idx % self.columns * (self.panel[0] + GAP);
        let top = HEAD + idx / self.columns * (CAPTION + self.panel[1] + GAP);
        for ((line, ink), below) in panel.lines.iter().zip([INK, QUIET]).zip([0, 20]) {
            lettering::write(picture, [left, top + below], 2, ink, &shortened(line, self.panel[0]));
        }
        let top = top + CAPTION;
        for (x, y) in (left..left + self.panel[0]).flat_map(|x| (top..top + self.panel[1]).map(move |y| (x, y))) {
            picture.put_pixel(x, y, FIELD);
        }
        let area = Area { left, top, right: left + self.panel[0], bottom: top + self.panel[1] };
        for arrow in &panel.arrows {
            let (from, to) = self.ends(arrow);
            let place = |point: Point| [f64::from(left) + point.x, f64::from(top) + point.y];
            draw_arrow(picture, area, place(from), place(to));
        }
    }

    /// Both ends of an arrow in the panel.
    fn ends(&self, arrow: &Arrow) -> (Point, Point) {
        let Arrow { from, error } = *arrow;
        let tip = Point { x: from.x + self.magnification * error.x, y: from.y + self.magnification * error.y };
        let place = |point: Point| {
            let upright = self.orientation.upright_point(point, self.stored);
            Point { x: (upright.x + 0.5) * self.scale - 0.5, y: (upright.y + 0.5) * self.scale - 0.5 }
        };
        (place(from), place(tip))
    }
}

/// The beginning of a line that is wider than its panel.
fn shortened(line: &str, room: u32) -> String {
    let mut line = line.to_owned();
    while lettering::width(2, &line) > room {
        line.pop();
    }
    line
}

/// The part of the sheet that may be drawn on; right and bottom are the first pixels outside.
#[derive(Clone, Copy)]
struct Area {
    left: u32,
    top: u32,
    right: u32,
    bottom: u32,
}

impl Area {
    fn of(picture: &RgbImage) -> Self {
        Self { left: 0, top: 0, right: picture.width(), bottom: picture.height() }
    }
}

fn draw_arrow(picture: &mut RgbImage, area: Area, from: [f64; 2], to: [f64; 2]) {
    stroke(picture, area, from, from, 3.0, ARROW);
    stroke(picture, area, from, to, 1.2, ARROW);
    let [x, y] = [to[0] - from[0], to[1] - from[1]];
    let length = x.hypot(y);
    if length > 7.0 {
        let [along, across] = [[x / length * 4.5, y / length * 4.5], [y / length * 2.2, -x / length * 2.2]];
        for side in [1.0, -1.0] {
            let barb = [to[0] - along[0] + side * across[0], to[1] - along[1] + side * across[1]];
            stroke(picture, area, to, barb, 1.2, ARROW);
        }
    }
}

/// A straight line with round ends and smooth edges; what lies outside is cut off.
fn stroke(picture: &mut RgbImage, area: Area, from: [f64; 2], to: [f64; 2], width: f64, ink: Rgb<u8>) {
    let reach = 0.5 * width + 0.5;
    let range = |axis: usize, least: u32, end: u32| {
        let low = from[axis].min(to[axis]) - reach;
        let high = from[axis].max(to[axis]) + reach;
        // Casts saturate at the edges of the picture.
        (low.floor() as u32).max(least)..(high.ceil() as u32).saturating_add(1).min(end)
    };
    let [x, y] = [to[0] - from[0], to[1] - from[1]];
    let squared = x * x + y * y;
    let columns = range(0, area.left, area.right);
    for row in range(1, area.top, area.bottom) {
        for column in columns.clone() {
            let [right, down] = [f64::from(column) - from[0], f64::from(row) - from[1]];
            let share = if squared > 0.0 { ((right * x + down * y) / squared).clamp(0.0, 1.0) } else { 0.0 };
            let cover = (reach - (right - share * x).hypot(down - share * y)).clamp(0.0, 1.0);
            let pixel = picture.get_pixel_mut(column, row);
            for (old, new) in pixel.0.iter_mut().zip(ink.0) {
                // Between two bytes.
                *old = (f64::from(*old) + cover * (f64::from(new) - f64::from(*old))).round() as u8;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STORED: Size = Size { width: 600, height: 400 };

    #[test]
    fn arrows_lead_where_the_star_was_found_in_every_orientation() {
        let arrow = Arrow { from: Point { x: 100.0, y: 50.0 }, error: Point { x: 0.3, y: 0.0 } };
        for (orientation, direction, panel) in [
            (Orientation::Normal, [1.0, 0.0], [460, 307]),
            (Orientation::Rotate90, [0.0, 1.0], [307, 460]),
            (Orientation::Rotate180, [-1.0, 0.0], [460, 307]),
            (Orientation::FlipHorizontal, [-1.0, 0.0], [460, 307]),
        ] {
            let sheet = Sheet::new(STORED, orientation, 5, Some(0.3));
            assert_eq!(sheet.panel, panel, "{orientation:?}");
            let (from, to) = sheet.ends(&arrow);
            let length = 0.3 * sheet.magnification * sheet.scale;
            let close = |a: f64, b: f64| (a - b).abs() < 1e-6;
            assert!(
                close(to.x - from.x, length * direction[0]) && close(to.y - from.y, length * direction[1]),
                "{orientation:?}"
            );
            assert!(length > 0.4 * LONG_ARROW && length <= LONG_ARROW, "{length} pixels on the sheet");
        }
    }

    #[test]
    fn means_of_neighbors_keep_what_is_common_and_lose_what_is_not() {
        let arrow = |idx: usize| {
            let error = Point { x: 0.2, y: if idx.is_multiple_of(2) { 1.0 } else { -1.0 } };
            Arrow { from: Point { x: 300.0 + 0.1 * idx as f64, y: 390.0 }, error }
        };
        let panel = of_all(&(0..10).map(arrow).collect::<Vec<_>>(), STORED);
        assert_eq!(panel.arrows.len(), 1, "one cell");
        let error = panel.arrows[0].error;
        assert!((error.x - 0.2).abs() < 1e-12 && error.y.abs() < 1e-12, "{error:?}");
        assert!(of_all(&[arrow(0)], STORED).arrows.is_empty(), "one star is no mean");
    }

    #[test]
    fn strokes_beyond_the_edge_are_cut_off() {
        let mut picture = RgbImage::new(20, 10);
        let all = Area::of(&picture);
        stroke(&mut picture, all, [-50.0, 4.0], [50.0, 4.0], 2.0, INK);
        let lit = picture.enumerate_pixels().filter(|(_, y, pixel)| *y == 4 && **pixel == INK).count();
        assert_eq!(lit, 20, "the whole row");
        stroke(&mut picture, all, [-9.0, -9.0], [-5.0, -5.0], 2.0, INK);
        stroke(&mut picture, all, [90.0, 90.0], [95.0, 95.0], 2.0, INK);
    }

    #[test]
    fn an_arrow_stays_in_its_panel() {
        let mut picture = RgbImage::new(40, 20);
        let area = Area { left: 10, top: 5, right: 30, bottom: 15 };
        for to in [[60.0, 10.0], [-20.0, 10.0], [20.0, -30.0], [20.0, 50.0]] {
            draw_arrow(&mut picture, area, [20.0, 10.0], to);
        }
        let inside = |x: u32, y: u32| (10..30).contains(&x) && (5..15).contains(&y);
        let strayed = picture.enumerate_pixels().filter(|&(x, y, pixel)| !inside(x, y) && pixel.0 != [0; 3]).count();
        assert_eq!(strayed, 0, "pixels outside");
        assert!(picture.pixels().any(|pixel| pixel.0 != [0; 3]), "and it is drawn");
    }
}
