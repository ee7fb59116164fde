//! The report of a run: every field of its JSON is documented, and its page is valid, whole and needs nothing else.

#[path = "cli/support.rs"]
#[allow(dead_code, unused_imports, unused_macros, reason = "shared with the tests of the command line")]
mod support;

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use scraper::{Html, Selector};
use serde_json::Value;
use support::{done, json, new_folder, night};

/// A run of the invented night with one frame that is none and whose name is hostile to pages.
fn reported(folder: &Path) -> (Value, String) {
    let frames = folder.join("frames");
    fs::create_dir(&frames).expect("a new folder");
    for entry in fs::read_dir(night()).expect("the invented night") {
        let path = entry.expect("an entry").path();
        if path.is_file() {
            fs::copy(&path, frames.join(path.file_name().expect("a name"))).expect("room for a small frame");
        }
    }
    fs::write(frames.join("zz <b> & \"q\".dng"), "Clouds until midnight.\n").expect("a small file");
    let (output, page, data) = (folder.join("night.tiff"), folder.join("night.html"), folder.join("night.json"));
    let mask = night().join("truth/mask.png");
    let land = folder.join("land.dng");
    fs::copy(night().join("night-001.dng"), &land).expect("room for a small frame");
    done!(
        "stack",
        frames,
        "--darks",
        night().join("darks"),
        "--mask",
        mask,
        "--land",
        land,
        "-o",
        output,
        "--report",
        page,
        "--report",
        data
    );
    (json(&data), fs::read_to_string(&page).expect("a page"))
}

fn all(page: &Html, selector: &str) -> Vec<scraper::node::Element> {
    let selector = Selector::parse(selector).expect("a selector");
    page.select(&selector).map(|element| element.value().clone()).collect()
}

fn texts(page: &Html, selector: &str) -> Vec<String> {
    let selector = Selector::parse(selector).expect("a selector");
    page.select(&selector).map(|element| element.text().collect::<String>()).collect()
}

#[test]
fn the_page_is_valid_whole_and_needs_nothing_else() {
    let folder = new_folder();
    let (data, text) = reported(folder.path());
    let page = Html::parse_document(&text);
    assert!(page.errors.is_empty(), "the parser of the HTML standard complains: {:?}", page.errors);
    for word in ["<script", "<link", "<iframe", "http:", "https:", "url(", "@import", "srcset"] {
        assert!(!text.contains(word), "the page has {word}");
    }
    for element in all(&page, "[src], [href]") {
        let address = element.attr("src").or(element.attr("href")).unwrap_or_default();
        assert!(address.starts_with("data:image/jpeg;base64,"), "{} leads out of the page", element.name());
    }
    let viewport = all(&page, "meta[name=viewport]");
    assert!(
        viewport.first().and_then(|meta| meta.attr("content")).is_some_and(|words| words.contains("device-width")),
        "a phone shows it in its own width"
    );

    let pictures = all(&page, "img");
    assert_eq!(pictures.len(), 4, "before and after, whole and in detail");
    for picture in pictures {
        let bytes = decoded(picture.attr("src").unwrap_or_default());
        let found = image::load_from_memory_with_format(&bytes, image::ImageFormat::Jpeg).expect("a whole JPEG");
        assert_eq!(Some(found.width().to_string().as_str()), picture.attr("width"), "the width that the page states");
        assert!(picture.attr("alt").is_some_and(|words| !words.is_empty()), "words for those who do not see it");
    }
    assert!(all(&page, "svg").len() >= 4, "noise, night line, arrows, residuals by radius");
    let n_frames = data["frames"].as_array().expect("a list").len();
    assert_eq!(all(&page, "svg[aria-label^=Each] rect").len(), n_frames, "a mark a frame on the night line");
    assert_eq!(all(&page, "svg[aria-label^=Each] rect.aside").len(), 1, "hollow: the letter");
    assert_eq!(texts(&page, "tbody tr").len(), n_frames, "a line a frame");
    let aside = texts(&page, "tr.aside td");
    assert_eq!(aside.first().map(String::as_str), Some("zz <b> & \"q\".dng"), "the hostile name is text");
    let reason = data["frames"][n_frames - 1]["reason"].as_str().expect("a reason");
    assert!(aside.last().is_some_and(|words| words.contains(reason)), "why not: {aside:?}");

    let words = texts(&page, "main").concat();
    let gain = data["noise"]["gain"].as_f64().expect("noise was measured");
    let error = data["noise"]["gain_sigma"].as_f64().expect("and its error");
    assert!(words.contains(&format!("{gain:.2} ± {error:.2} times less noise")), "the gain");
    assert!(words.contains("√4 = 2.00"), "what four frames would allow");
    let command = data["command"].as_str().expect("a run from the command line");
    assert!(
        texts(&page, "pre").concat() == command && command.contains(" stack "),
        "the words to repeat it: {command}"
    );
    let names = texts(&page, "dt");
    for name in ["combine", "drop_above_sigma", "develop.space", "develop.white_balance", "format", "mask", "darks"] {
        assert!(names.iter().any(|found| found == name), "{name} is not among {names:?}");
    }
}

/// RFC 4648, for the test to look inside.
fn decoded(address: &str) -> Vec<u8> {
    let text = address.trim_start_matches("data:image/jpeg;base64,").trim_end_matches('=');
    let value = |letter: u8| match letter {
        b'A'..=b'Z' => letter - b'A',
        b'a'..=b'z' => letter - b'a' + 26,
        b'0'..=b'9' => letter - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let mut bytes = Vec::new();
    for chunk in text.as_bytes().chunks(4) {
        let held = chunk.iter().fold(0_u32, |held, &letter| held << 6 | u32::from(value(letter)));
        let held = held << (6 * (4 - chunk.len()));
        bytes.extend(&held.to_be_bytes()[1..chunk.len()]);
    }
    bytes
}

/// Every place of a value in the report, lists as `[]`; the stages of `seconds` have names of their own.
fn paths(value: &Value, path: &str, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(fields) if path != "seconds" => {
            for (name, value) in fields {
                let path = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
                found.insert(path.clone());
                paths(value, &path, found);
            }
        }
        Value::Array(values) => values.iter().for_each(|value| paths(value, &format!("{path}[]"), found)),
        _ => {}
    }
}

#[test]
fn every_field_of_the_report_is_documented_and_every_documented_field_is_there() {
    let folder = new_folder();
    let (data, _) = reported(folder.path());
    let mut found = BTreeSet::new();
    paths(&data, "", &mut found);
    let docs =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/report.md")).expect("the documentation");
    let first_cells = docs.lines().filter_map(|line| line.strip_prefix("| `")?.split('`').next());
    let documented: BTreeSet<String> = first_cells.map(str::to_owned).collect();
    let missing: Vec<_> = found.difference(&documented).collect();
    assert!(missing.is_empty(), "not in docs/report.md: {missing:?}");
    let invented: Vec<_> = documented.difference(&found).collect();
    assert!(invented.is_empty(), "in docs/report.md and in no report: {invented:?}");
}

/// What the report says of itself is true: its words, given to a shell, make the same picture.
#[cfg(unix)]
#[test]
fn the_words_of_the_report_make_the_same_picture_again() {
    let folder = new_folder();
    let (data, _) = reported(folder.path());
    let picture = folder.path().join("night.tiff");
    let first = fs::read(&picture).expect("a picture");
    fs::remove_file(&picture).expect("our own file");
    let command = data["command"].as_str().expect("a run from the command line");
    let again = std::process::Command::new("sh").args(["-c", command]).output().expect("a shell");
    assert!(again.status.success(), "{command}: {}", String::from_utf8_lossy(&again.stderr));
    assert!(fs::read(&picture).expect("a picture") == first, "another picture by {command}");
}
