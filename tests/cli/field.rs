//! The night before and the hour in the field, from the terminal.

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::Stdio;

use nightsheaf::synthetic::Burst;

use crate::support::{Ran, done, light, names, new_folder, night, program, run, scene};
use crate::tools::{printed, run_tool};

/// A night in the Alps.
const NIGHT: [&str; 8] =
    ["--latitude", "46.5", "--longitude", "8", "--date", "2027-03-10", "--time-zone", "Europe/Zurich"];

fn plan(words: &[&str]) -> Ran {
    program().arg("plan").args(NIGHT).args(words).output().expect("the program was built").into()
}

fn planned(words: &[&str]) -> serde_json::Value {
    let ran = plan(&[words, &["--json"]].concat());
    assert_eq!(ran.code, Some(0), "{ran:?}");
    serde_json::from_str(&ran.out).expect("JSON and nothing else")
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a plain name")
}

fn number(value: &serde_json::Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[test]
fn a_plan_tells_three_opinions_with_their_origin_and_the_cautions() {
    let ran = plan(&[]);
    assert_eq!(ran.code, Some(0), "{ran:?}");
    // Lines are broken where the terminal ends; the words are looked for.
    let told = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in [
        "300 over focal length",
        "25 s (common practice)",
        "7.4 s (F. Michaud, Société astronomique du Havre)",
        // 12 mm over 23.5 mm / 6000 px, 15.041″/s: 0.22342 px/s. The corner is at tan²θ = (11.75² + 7.833²) / 12² =
        // 1.3849, so sec²θ = 2.3849 and 0.5328 px/s. 3 px take 13.43 s and 5.63 s.
        "13.4 s in the middle, 5.6 s in the fastest corner (exact for the lens)",
        "16 frames of 25 s",
        "Small return",
        "More frames help most",
        // The rule's 25 s are far beyond those limits, and the burst is made of them.
        "25 s trail stars by 5.6 px in the middle and 13.3 px in the fastest corner, where 3 px are accepted",
        "Local rules and rangers come first",
    ] {
        assert!(told.contains(part), "{part:?} is missing in:\n{}", ran.out);
    }
}

#[test]
fn a_date_in_another_order_is_told_the_wanted_one() {
    let words = ["--latitude", "46.5", "--longitude", "8", "--utc-offset", "+01:00", "--date", "10.3.2027"];
    let ran = Ran::from(program().arg("plan").args(words).output().expect("the program was built"));
    assert_eq!(ran.code, Some(2), "{ran:?}");
    let line = ran.err.lines().next().expect("a message");
    let expected =
        "error: invalid value '10.3.2027' for '--date <DATE>': needs a date as in 2027-03-10: year, month, day";
    assert_eq!(line, expected, "{}", ran.err);
    let short = plan(&["--exposure", "5.6"]);
    assert!(short.code == Some(0) && !short.out.contains("Caution"), "short enough everywhere: {}", short.out);
}

#[test]
fn a_plan_follows_pointing_trail_and_burst() {
    let level = planned(&["--azimuth", "180", "--altitude", "43.5", "--trail-circle", "30"]);
    assert!((number(&level["wanted_trail_px"]) - 7.66).abs() < 0.01, "30 µm on 3.92 µm: {}", level["wanted_trail_px"]);
    assert!(number(&level["declination_deg"]).abs() < 1e-6, "{}", level["declination_deg"]);
    assert!(level["declination_range_deg"].is_array(), "the pointing is known");
    let half = planned(&["--trail", "1.5"]);
    assert!((number(&half["longest_shutter_secs"]) - 6.714).abs() < 1e-3, "half of 13.43 s: {half}");
    let burst = planned(&["--frames", "25", "--exposure", "10", "--gap", "2", "--center-above", "5"]);
    assert_eq!(number(&burst["frames"]["total_secs"]), 298.0, "25 exposures and 24 pauses");
    assert_eq!(number(&burst["frames"]["gain"]), 5.0, "√25");
    assert_eq!(number(&burst["galactic_above_deg"]), 5.0, "as asked");
    let noisy = planned(&["--sky", "22", "--read-noise", "20", "--exposure", "13"]);
    let advice = noisy["frames"]["advice"].as_str().expect("a sentence");
    assert!(advice.starts_with("A higher ISO helps most"), "{advice}");
    for words in [vec!["--azimuth", "10"], vec!["--trail", "2", "--trail-circle", "20"], vec!["--frames", "0"]] {
        let ran = plan(&words);
        assert_eq!((ran.code, ran.out.as_str()), (Some(2), ""), "{words:?}: {ran:?}");
    }
}

/// The frames of the night: 16 s at 9 mm on 13.2 mm. Truth: the median of green electrons before noise, in the sky.
#[test]
fn a_test_frame_tells_its_light_and_its_camera() {
    let frame = light(1);
    let by_frame = planned(&["--test-frame", text(&frame)]);
    assert_eq!(number(&by_frame["focal_mm"]), 9.0, "the lens of the frame");
    assert_eq!(number(&by_frame["frames"]["exposure_secs"]), 16.0, "its exposure");
    assert!(by_frame["sky"].is_null(), "no class of sky was taken for it");
    let sky = number(&by_frame["frames"]["sky_electrons"]);
    let truth = true_sky_electrons();
    // Faint stars, dense in so small a frame, and the texture of the ridge count as noise: up to 1.45 times the photon
    // noise in the blocks of one level. So electrons are counted too few, never many too many.
    assert!((0.62..1.1).contains(&(sky / truth)), "{sky} electrons of sky for {truth}");
    let longer = planned(&["--test-frame", text(&frame), "--exposure", "32"]);
    assert!((number(&longer["frames"]["sky_electrons"]) / sky - 2.0).abs() < 1e-9, "twice the time, twice the sky");
    let folder = new_folder();
    let picture = folder.path().join("flat.png");
    image::RgbImage::from_pixel(64, 48, image::Rgb([90, 90, 90])).save(&picture).expect("a small picture");
    let ran = plan(&["--test-frame", text(&picture)]);
    assert!(ran.code == Some(1) && ran.err.contains("flat.png: every sample is 90"), "{ran:?}");
}

fn true_sky_electrons() -> f64 {
    let burst = Burst::new(scene());
    let (electrons, size) = (burst.light_electrons(0), scene().size);
    let sky_green = (0..size.area())
        .map(|index| (index % size.width, index / size.width))
        .filter(|&(x, y)| scene().cfa.color_at(x, y) as usize == 1 && burst.foreground().at(x, y) == 0.0);
    let mut levels: Vec<f32> = sky_green.map(|(x, y)| electrons.at(x, y)).collect();
    f64::from(nightsheaf::pixels::statistics::median(&mut levels).expect("half the frame is sky"))
}

/// Ghostscript reads the page, where it is there; without it the test says so and ends.
#[test]
fn the_page_of_a_plan_is_a_pdf_that_another_program_reads() {
    let folder = new_folder();
    let page = folder.path().join("plan.pdf");
    let ran = plan(&["--page", text(&page)]);
    assert!(ran.code == Some(0) && ran.out.contains("wrote "), "{ran:?}");
    assert_eq!(names(folder.path()), ["plan.pdf"], "nothing else is left");
    let wrong = plan(&["--page", text(&folder.path().join("plan.png"))]);
    assert!(wrong.code == Some(1) && wrong.err.contains(".pdf"), "{wrong:?}");
    let lost = plan(&["--page", text(&folder.path().join("gone").join("plan.pdf"))]);
    assert!(lost.code == Some(1) && lost.err.contains("folder does not exist"), "{lost:?}");
    let words = ["-q", "-dSAFER", "-dBATCH", "-dNOPAUSE", "-sDEVICE=txtwrite", "-sOutputFile=-", text(&page)];
    let Some(read) = run_tool("gs", &words, "") else { return };
    assert!(read.stderr.is_empty(), "{read:?}");
    let told = printed(&read);
    for part in ["Night of 2027-03-10", "Sunset", "Galactic center", "rangers", "µm", "Société"] {
        assert!(told.contains(part), "{part:?} is missing in:\n{told}");
    }
}

#[test]
fn one_frame_alone_gets_the_field_check() {
    let ran = done!("measure", light(1));
    for part in ["Stars", "Focus", "Shape", "Trail", "Sky", "Zones", "one frame cannot tell", "predicted at most"] {
        assert!(ran.out.contains(part), "{part:?} is missing in:\n{}", ran.out);
    }
    let burst = done!("measure", night(), "--check");
    assert_eq!(burst.out.matches("best of this burst").count(), 4, "{}", burst.out);
    let pointed = done!("measure", light(1), "--azimuth", "158", "--altitude", "21", "--latitude", "46.5", "--json");
    let rows: serde_json::Value = serde_json::from_str(&pointed.out).expect("JSON and nothing else");
    let row = &rows[0];
    let (found, predicted) = (number(&row["middle_trail_px"]), number(&row["predicted_trail_px"]));
    assert!((found - predicted).abs() < 0.8, "measured {found} px, predicted {predicted} px");
    assert_eq!(row["zones"].as_array().map(Vec::len), Some(9), "{row}");
    assert!(row["suggestion"].as_str().is_some_and(|words| !words.is_empty()), "{row}");
    let half = run!("measure", light(1), "--azimuth", "158");
    assert_eq!(half.code, Some(2), "a direction has an altitude and a latitude: {half:?}");
}

#[cfg(unix)]
#[test]
fn a_live_folder_is_measured_until_it_is_interrupted() {
    let folder = new_folder();
    let two = run!("measure", "--live", folder.path(), folder.path());
    assert!(two.code == Some(2) && two.err.contains("one folder"), "{two:?}");
    let mut child = program()
        .args(["measure", "--live", "--json"])
        .arg(folder.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program was built");
    fs::copy(light(2), folder.path().join("night-002.dng")).expect("room for a frame");
    let mut line = String::new();
    let mut out = BufReader::new(child.stdout.take().expect("its output is piped"));
    out.read_line(&mut line).expect("a line");
    let sent = std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    assert!(sent.is_ok_and(|sent| sent.success()), "the signal of Ctrl-C is sent");
    let mut said = String::new();
    child.stderr.take().expect("it is piped").read_to_string(&mut said).expect("text");
    assert_eq!(child.wait().expect("our own child").code(), Some(0), "how watching ends: {said}");
    assert_eq!(said, format!("stopped watching {}: 1 frame measured\n", folder.path().display()), "and nothing else");
    let row: serde_json::Value = serde_json::from_str(&line).expect("one JSON object a line");
    assert!(row["file"].as_str().is_some_and(|file| file.ends_with("night-002.dng")), "{row}");
    assert!(row["stars"].as_u64().is_some_and(|stars| stars > 20), "{row}");
    let mut rest = String::new();
    out.read_to_string(&mut rest).expect("its output is ended");
    assert!(rest.is_empty(), "one frame, one line: {rest}");
}
