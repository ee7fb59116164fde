//! A plan as one PDF page (ISO 32000-1): wide enough to be read on a phone, and printable.
//!
//! Text is set in Helvetica, one of the fonts that every reader of PDF has, with the encoding WinAnsi; the
//! widths of its letters are those of the published font metrics, here as Ghostscript tells them.

use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use crate::export::plan_chart::{CHART_HEIGHT, Chart};
use crate::plan::chart::night_chart;
use crate::plan::{Plan, Row, Section};

/// Width of the page in points: that of A5.
const WIDTH: f32 = 420.0;

/// White at the edges.
const MARGIN: f32 = 24.0;

/// Where the values of figures begin.
const VALUES: f32 = 132.0;

/// Where the times of the morning begin.
const MORNINGS: f32 = 190.0;

const BODY: f32 = 9.0;
const LEADING: f32 = 12.0;
const HEADING: f32 = 11.0;
const TITLE: f32 = 14.0;

const REGULAR: Name<'static> = Name(b"F1");
const BOLD: Name<'static> = Name(b"F2");

/// The bytes of the file.
#[must_use]
pub fn plan_page(plan: &Plan) -> Vec<u8> {
    let mut page = Page { texts: Vec::new(), y: MARGIN + TITLE };
    page.text(MARGIN, TITLE, BOLD, &plan.title());
    page.y += 12.0;
    let chart_top = page.y;
    page.y += CHART_HEIGHT + 10.0;
    for section in plan.sections() {
        page.section(&section);
    }
    let height = (page.y + MARGIN).max(WIDTH * std::f32::consts::SQRT_2);
    let mut content = Content::new();
    let chart = Chart { left: MARGIN, right: WIDTH - MARGIN, top: height - chart_top };
    chart.draw(&mut content, &night_chart(&plan.night));
    for text in &page.texts {
        draw_text(&mut content, text, height);
    }
    file(&plan.title(), height, &content.finish())
}

/// A line of text, `y` down from the top of the page to its base line.
struct Text {
    x: f32,
    y: f32,
    size: f32,
    font: Name<'static>,
    bytes: Vec<u8>,
}

/// The page as it fills from the top.
struct Page {
    texts: Vec<Text>,
    y: f32,
}

impl Page {
    fn text(&mut self, x: f32, size: f32, font: Name<'static>, text: &str) {
        self.texts.push(Text { x, y: self.y, size, font, bytes: win_ansi(text) });
    }

    fn section(&mut self, section: &Section) {
        self.y += 20.0;
        self.text(MARGIN, HEADING, BOLD, &section.title);
        if section.rows.iter().any(|row| matches!(row, Row::Times { .. })) {
            self.text(MARGIN + VALUES, BODY, REGULAR, "evening");
            self.text(MARGIN + MORNINGS, BODY, REGULAR, "morning");
        }
        self.y += 3.0;
        for row in &section.rows {
            match row {
                Row::Times { name, evening, morning } => {
                    self.y += LEADING;
                    self.text(MARGIN, BODY, REGULAR, name);
                    self.text(MARGIN + VALUES, BODY, REGULAR, evening);
                    self.text(MARGIN + MORNINGS, BODY, REGULAR, morning);
                }
                Row::Figure { name, value } => {
                    let lines = wrapped(value, WIDTH - 2.0 * MARGIN - VALUES);
                    for (index, line) in lines.iter().enumerate() {
                        self.y += LEADING;
                        if index == 0 {
                            self.text(MARGIN, BODY, REGULAR, name);
                        }
                        self.text(MARGIN + VALUES, BODY, REGULAR, line);
                    }
                }
                Row::Words(words) => {
                    for line in wrapped(words, WIDTH - 2.0 * MARGIN) {
                        self.y += LEADING;
                        self.text(MARGIN, BODY, REGULAR, &line);
                    }
                }
            }
        }
    }
}

/// Draws a small text beside the chart with its middle, left or right end at `x`.
pub(super) fn label(content: &mut Content, x: f32, y: f32, align: f32, text: &str) {
    const SMALL: f32 = 7.5;
    let left = x - align * width(text, SMALL);
    content.begin_text().set_font(REGULAR, SMALL).next_line(left, y).show(Str(&win_ansi(text))).end_text();
}

fn draw_text(content: &mut Content, text: &Text, height: f32) {
    content.set_fill_gray(0.0).begin_text().set_font(text.font, text.size);
    content.next_line(text.x, height - text.y).show(Str(&text.bytes)).end_text();
}

fn file(title: &str, height: f32, content: &[u8]) -> Vec<u8> {
    let [catalog, pages, page, regular, bold, contents, info] = [1, 2, 3, 4, 5, 6, 7].map(Ref::new);
    let mut pdf = Pdf::new();
    pdf.catalog(catalog).pages(pages).lang(TextStr("en"));
    pdf.pages(pages).kids([page]).count(1);
    let mut only = pdf.page(page);
    only.media_box(Rect::new(0.0, 0.0, WIDTH, height)).parent(pages).contents(contents);
    only.resources().fonts().pair(REGULAR, regular).pair(BOLD, bold);
    only.finish();
    for (font, name) in [(regular, Name(b"Helvetica")), (bold, Name(b"Helvetica-Bold"))] {
        pdf.type1_font(font).base_font(name).encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    pdf.stream(contents, content);
    pdf.document_info(info).title(TextStr(title)).creator(TextStr("Nightsheaf"));
    pdf.finish()
}

/// Lines no wider than `most` points, broken at spaces; at least one.
fn wrapped(text: &str, most: f32) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("there is always a line");
        let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if line.is_empty() || width(&longer, BODY) <= most {
            *line = longer;
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

/// Code page 1252, in which what is not there is a question mark.
fn win_ansi(text: &str) -> Vec<u8> {
    let code = |letter: char| match letter {
        // The same as in Unicode.
        ' '..='~' | '\u{a0}'..='\u{ff}' => u8::try_from(u32::from(letter)).unwrap_or(b'?'),
        '–' => 0x96,
        '’' => 0x92,
        '…' => 0x85,
        _ => b'?',
    };
    text.chars().map(code).collect()
}

/// Width of a text in points.
fn width(text: &str, size: f32) -> f32 {
    let thousandths: u32 = win_ansi(text)
        .into_iter()
        .map(|code| match code {
            b' '..=b'~' => u32::from(WIDTHS[usize::from(code - b' ')]),
            b'\xb0' => 400,
            b'\xb2' => 333,
            // Letters with accents are as wide as those without; most are as wide as an e.
            _ => 556,
        })
        .sum();
    thousandths as f32 * size / 1000.0
}

/// Widths of Helvetica from the space to the tilde, in thousandths of its size.
#[rustfmt::skip]
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 222, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556,
    556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667,
    556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 222, 556,
    556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722,
    500, 500, 500, 334, 260, 334, 584,
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{Place, PlanRequest, plan, time_zone};

    fn plan_at(latitude_deg: f64, longitude_deg: f64, date: &str, zone: &str) -> Plan {
        let date = date.parse().expect("a valid date");
        let zone = time_zone(zone).expect("a known zone");
        plan(&PlanRequest::new(Place { latitude_deg, longitude_deg }, date, zone)).expect("a sound request")
    }

    #[test]
    fn every_letter_of_a_plan_is_in_the_encoding() {
        for plan in [
            plan_at(46.5, 8.0, "2027-03-10", "Europe/Zurich"),
            plan_at(69.65, 18.96, "2026-06-21", "Europe/Oslo"),
            plan_at(-36.8, 174.8, "2026-06-10", "UTC"),
        ] {
            let unknown =
                plan.to_string().chars().find(|&letter| letter != '\n' && win_ansi(&letter.to_string()) == b"?");
            assert_eq!(unknown, None, "a letter that the page cannot show in:\n{plan}");
        }
    }

    #[test]
    fn every_line_fits_between_the_margins() {
        let plan = plan_at(46.5, 8.0, "2027-03-10", "Europe/Zurich");
        let mut page = Page { texts: Vec::new(), y: 0.0 };
        plan.sections().iter().for_each(|section| page.section(section));
        for text in &page.texts {
            let words: String = text.bytes.iter().map(|&byte| char::from(byte)).collect();
            assert!(text.x + width(&words, text.size) <= WIDTH - MARGIN + 0.5, "{words:?} reaches beyond the margin");
        }
        // Names end where the values begin.
        for section in plan.sections() {
            for row in &section.rows {
                if let Row::Figure { name, .. } | Row::Times { name, .. } = row {
                    assert!(width(name, BODY) < VALUES - 3.0, "{name:?} runs into its value");
                }
            }
        }
    }

    /// By hand: H 722, i 222, space 278, 1 556.
    #[test]
    fn the_width_of_a_text_is_the_sum_of_its_letters() {
        assert_eq!(width("Hi 1", 10.0), 17.78, "in points");
        assert_eq!(wrapped("one two three", 34.0), ["one two", "three"], "33.5 points fit, 55.5 do not");
    }
}
