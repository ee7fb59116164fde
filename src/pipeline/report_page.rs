//! The report as one page (HTML, WHATWG living standard) that needs no other file and no network: for a person, on a
//! screen of any width.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

use crate::develop::{DevelopSettings, Development, OutputSpace};
use crate::error::Error;
use crate::export::replace_file;
use crate::job::{Cancelled, Monitor};
use crate::pipeline::picture::Picture;
use crate::pipeline::report::{FrameReport, Report, sentence};
use crate::pipeline::report_pictures::{Shown, detail, sky_piece, whole};
use crate::pipeline::run::{Outcome, file_name};
use crate::pipeline::{output, report_charts};

/// Writes the page of `report`, whole or not at all. The single frame is shown where the run kept it.
pub fn save_report_page(monitor: &Monitor, outcome: &Outcome, report: &Report, path: &Path) -> Result<(), Error> {
    let text = page(monitor, outcome, report)?;
    monitor.no_way_back()?;
    replace_file(path, text.len() as u64, |out| Ok(out.write_all(text.as_bytes())?))
        .map_err(|source| Error::Export { path: path.to_owned(), source })
}

/// Text as it may stand between tags and in attributes.
pub(super) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            // A name may hold what no page can.
            letter if letter.is_control() && letter != '\n' => out.push('\u{FFFD}'),
            letter => out.push(letter),
        }
    }
    out
}

const STYLE: &str = include_str!("report_page.css");

fn page(monitor: &Monitor, outcome: &Outcome, report: &Report) -> Result<String, Cancelled> {
    let used = report.frames.iter().filter(|frame| frame.used).count();
    let title = format!("{used} of {} frames on {}", report.frames.len(), report.reference);
    let sections = [
        head(outcome, report, &title),
        pictures(monitor, outcome, report)?,
        noise(report),
        night(report),
        residuals(outcome, report),
        frames(report),
        lens(report),
        list("Before the stack", &report.calibration_lines()),
        list("Worth knowing", &report.notes),
        repeat(report),
        work(report),
    ];
    Ok(format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n\
         <style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n{}</main>\n</body>\n</html>\n",
        escaped(&title),
        sections.concat()
    ))
}

fn section(title: &str, inside: &str) -> String {
    format!("<section>\n<h2>{}</h2>\n{inside}</section>\n", escaped(title))
}

fn paragraph(text: &str) -> String {
    format!("<p>{}</p>\n", escaped(text))
}

fn head(outcome: &Outcome, report: &Report, title: &str) -> String {
    let metadata = &outcome.metadata;
    let mut facts = Vec::new();
    facts.extend([&metadata.make, &metadata.model, &metadata.lens].into_iter().flatten().cloned());
    facts.extend(metadata.focal_mm.map(|focal| format!("{focal} mm")));
    facts.extend(metadata.aperture.map(|aperture| format!("f/{aperture}")));
    facts.extend(metadata.iso.map(|iso| format!("ISO {iso}")));
    facts.extend(metadata.exposure_secs.map(|secs| format!("{secs} s a frame")));
    facts.extend(outcome.total_exposure_secs.map(|secs| format!("{secs:.1} s in all")));
    let time = metadata
        .capture_time
        .and_then(|time| time.civil())
        .map(|civil| civil.strftime("%Y-%m-%d %H:%M:%S").to_string());
    facts.extend(time.map(|time| format!("from {time} on")));
    let program = &report.program;
    format!(
        "<header>\n<p class=\"program\">{}</p>\n<h1>{}</h1>\n<p>{}</p>\n</header>\n",
        escaped(&program.to_string()),
        escaped(title),
        escaped(&facts.join(" · "))
    )
}

fn figure(shown: &Shown, words: &str) -> String {
    let words = escaped(words);
    format!(
        "<figure><img src=\"{}\" width=\"{}\" height=\"{}\" alt=\"{words}\"><figcaption>{words}</figcaption></figure>\n",
        shown.address, shown.size.width, shown.size.height
    )
}

fn pictures(monitor: &Monitor, outcome: &Outcome, report: &Report) -> Result<String, Cancelled> {
    let asked = report.export.as_ref().map(|export| export.develop.clone()).unwrap_or_default();
    // A page is shown on a screen, whatever space the file has.
    let settings = DevelopSettings { space: OutputSpace::Srgb, ..asked };
    let development: Development = output::development(outcome, &settings);
    let piece = sky_piece(outcome.foreground.as_deref(), outcome.picture.image.size());
    let all: &dyn Fn(&Picture) -> Shown = &|picture| whole(picture, &development);
    let a_piece: &dyn Fn(&Picture) -> Shown = &|picture| detail(picture, &development, piece);
    let mut inside = String::new();
    for (class, words, shown) in [
        ("pair", ["Before: the reference frame alone", "After: the stack"], all),
        ("pair detail", ["Before, a piece of sky pixel by pixel", "After, the same piece"], a_piece),
    ] {
        let _ = writeln!(inside, "<div class=\"{class}\">");
        for (words, picture) in words.into_iter().zip([outcome.single.as_ref(), Some(&outcome.picture)]) {
            monitor.check()?;
            inside.extend(picture.map(|picture| figure(&shown(picture), words)));
        }
        inside.push_str("</div>\n");
    }
    Ok(section("Before and after", &inside))
}

fn noise(report: &Report) -> String {
    let Some(noise) = &report.noise else {
        return section(
            "Noise",
            &paragraph("There is too little clean sky, or there are too few frames, to measure it."),
        );
    };
    let used = report.frames.iter().filter(|frame| frame.used).count();
    let text = format!(
        "The sky of the stack has {:.2} ± {:.2} times less noise than the reference frame alone: {:.3e} instead of {:.3e}, with 1 \
         at the white level. {used} frames of equal weight would allow √{used} = {:.2}; with the weights and the sky of \
         these frames it is {:.2}.",
        noise.gain,
        noise.gain_sigma,
        noise.stack,
        noise.single,
        (used as f64).sqrt(),
        noise.ideal
    );
    let how =
        "Measured on means of 8 × 8 pixels of star-free sky, which the smoothing of interpolation hardly touches.";
    let predicted = report.noise_model.map_or(String::new(), |model| {
        let rounding =
            model.rounding_electrons.map_or(String::new(), |e| format!(", to which rounding adds {e:.2} electrons"));
        paragraph(&format!(
            "Light and camera predict {:.3e} for a single frame and {:.3e} for the stack: {:.0} electrons at the white \
             level, a read noise of {:.2} electrons{rounding}.",
            model.predicted_single, model.predicted_stack, model.electrons_at_white, model.read_noise_electrons
        ))
    });
    let bars = report_charts::noise_bars(noise);
    section("Noise", &format!("{}{predicted}{bars}\n{}", paragraph(&text), paragraph(how)))
}

fn night(report: &Report) -> String {
    let words = "Each mark is a frame at its time. The wider its stars the taller it is, the brighter its sky the fuller \
                 its color; hollow marks were not used.";
    section("The night", &format!("{}\n{}", report_charts::night_line(&report.frames), paragraph(words)))
}

fn residuals(outcome: &Outcome, report: &Report) -> String {
    let all: Vec<_> = outcome.residuals.iter().flat_map(|frame| frame.on_reference.iter().copied()).collect();
    let size = outcome.picture.image.size();
    let mut inside = String::new();
    if let Some(chart) = report_charts::arrows(&all, size, outcome.picture.orientation) {
        let words =
            "From where each star belongs by the reference frame to where another frame, brought to it, shows it.";
        let _ = write!(inside, "{chart}\n{}", paragraph(words));
    }
    if let Some(chart) = report_charts::by_radius(&report.frames) {
        let words = "The same as root mean square, from the middle to the corner: a dot a frame, the line through all.";
        let _ = write!(inside, "{chart}\n{}", paragraph(words));
    }
    if inside.is_empty() { String::new() } else { section("How well the stars fall together", &inside) }
}

fn frames(report: &Report) -> String {
    let number =
        |value: Option<f64>, digits: usize| value.map_or("–".to_owned(), |value| format!("{value:.digits$}"));
    let row = |frame: &FrameReport| {
        let verdict = match (frame.used, frame.reason.is_empty()) {
            (true, true) => "used".to_owned(),
            (true, false) => format!("used; {}", frame.reason),
            (false, _) => format!("not used: {}", frame.reason),
        };
        let aligned = frame.registration_reason.as_ref().map(|reason| format!("; {reason}")).unwrap_or_default();
        let cells = [
            file_name(&frame.file),
            frame.capture_time.as_deref().and_then(|time| time.get(11..19)).unwrap_or("–").to_owned(),
            frame.stars.to_string(),
            number(frame.fwhm_px.map(f64::from), 2),
            number(frame.sky_level.map(f64::from), 4),
            if frame.used { format!("{:.2}", frame.weight) } else { "–".to_owned() },
            frame.matched.to_string(),
            number(frame.rms_px, 3),
            format!("{verdict}{aligned}"),
        ];
        let class = if frame.used { "" } else { " class=\"aside\"" };
        let cells: String = cells.iter().map(|cell| format!("<td>{}</td>", escaped(cell))).collect();
        format!("<tr{class}>{cells}</tr>\n")
    };
    let names = ["Frame", "Time", "Stars", "Width, px", "Sky", "Weight", "Pairs", "Rms, px", "What became of it"];
    let names: String = names.iter().map(|name| format!("<th scope=\"col\">{name}</th>")).collect();
    let rows: String = report.frames.iter().map(row).collect();
    let table = format!(
        "<div class=\"wide\"><table>\n<thead><tr>{names}</tr></thead>\n<tbody>\n{rows}</tbody>\n</table></div>\n"
    );
    section("Frames", &table)
}

fn lens(report: &Report) -> String {
    let Some(lens) = &report.lens else { return String::new() };
    let how = if lens.fitted { "fitted to" } else { "held as it was known, beside" };
    let text = format!(
        "The lens was {how} {} stars seen {} times; an ordinary sighting is off by {:.2} of what its noise explains.",
        lens.stars, lens.sightings, lens.noise_ratio
    );
    let rows = lens.parameters.iter().map(|one| (one.name.clone(), format!("{:.6} ± {:.6}", one.value, one.sigma)));
    section("The lens", &format!("{}{}", paragraph(&text), pairs(rows)))
}

fn list(title: &str, lines: &[String]) -> String {
    if lines.is_empty() {
        return String::new();
    }
    let lines: String = lines.iter().map(|line| format!("<li>{}</li>\n", escaped(&sentence(line)))).collect();
    section(title, &format!("<ul>\n{lines}</ul>\n"))
}

/// Every setting by its name in the JSON report, and the words that ask for the same again.
fn repeat(report: &Report) -> String {
    let mut rows = Vec::new();
    flatten("", &as_written(&report.settings), &mut rows);
    if let Some(export) = &report.export {
        flatten("", &as_written(export), &mut rows);
    }
    let command = report.command.as_ref().map(|command| {
        format!("{}<pre>{}</pre>\n", paragraph("The same again, from the same folder:"), escaped(command))
    });
    section("Settings", &format!("{}{}", command.unwrap_or_default(), pairs(rows.into_iter())))
}

/// By way of text, in which single-precision numbers have the digits that a person gave them.
fn as_written(settings: &impl serde::Serialize) -> serde_json::Value {
    let text = serde_json::to_string(settings).expect("plain data");
    serde_json::from_str(&text).expect("our own text")
}

fn flatten(name: &str, value: &serde_json::Value, rows: &mut Vec<(String, String)>) {
    use serde_json::Value;
    match value {
        Value::Object(fields) => {
            for (field, value) in fields {
                let name = if name.is_empty() { field.clone() } else { format!("{name}.{field}") };
                flatten(&name, value, rows);
            }
        }
        Value::Null => rows.push((name.to_owned(), "none".to_owned())),
        Value::String(text) => rows.push((name.to_owned(), text.clone())),
        Value::Array(values) if values.is_empty() => rows.push((name.to_owned(), "none".to_owned())),
        Value::Array(values) => {
            let words = values.iter().map(|value| value.as_str().map_or_else(|| value.to_string(), str::to_owned));
            rows.push((name.to_owned(), words.collect::<Vec<_>>().join(", ")));
        }
        Value::Bool(_) | Value::Number(_) => rows.push((name.to_owned(), value.to_string())),
    }
}

fn work(report: &Report) -> String {
    let seconds = report.seconds.0.iter().map(|(stage, secs)| (stage.clone(), format!("{secs:.2} s")));
    let memory = report.peak_memory_bytes.map(|bytes| ("most memory".to_owned(), format!("{} MiB", bytes >> 20)));
    let defects = ("pixels repaired".to_owned(), report.defects_repaired.to_string());
    section("The work", &pairs(seconds.chain(memory).chain([defects])))
}

fn pairs(rows: impl Iterator<Item = (String, String)>) -> String {
    let rows: String =
        rows.map(|(name, value)| format!("<dt>{}</dt><dd>{}</dd>\n", escaped(&name), escaped(&value))).collect();
    format!("<dl>\n{rows}</dl>\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_break_out_of_the_page() {
        let text = escaped("<script>\"&\u{7}");
        assert_eq!(text, "&lt;script&gt;&quot;&amp;\u{FFFD}", "as it stands in the page");
    }

    #[test]
    fn settings_are_listed_by_their_names_in_the_report() {
        let mut rows = Vec::new();
        let value = serde_json::json!({ "look": { "space": "srgb", "neutral": [0.5, 1] }, "darks": [], "skip": null });
        flatten("", &value, &mut rows);
        let text: Vec<String> = rows.iter().map(|(name, value)| format!("{name}={value}")).collect();
        assert_eq!(text, ["darks=none", "look.neutral=0.5, 1", "look.space=srgb", "skip=none"], "one line a setting");
    }
}
