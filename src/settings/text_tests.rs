//! Sheaf to text and back, by hand and by chance.

use std::path::PathBuf;

use proptest::prelude::*;

use super::*;
use crate::develop::OutputSpace;
use crate::foreground::ForegroundMask;
use crate::pixels::{Plane, Size};
use crate::settings::mask::round_mask;

const BASE: &str = "/nights";

fn night() -> Sheaf {
    let light = |name: &str, mark| Light { path: PathBuf::from(format!("/nights/tarn/{name}")), mark };
    let mark = |aside, by, reason: &str| Some(Mark { aside, by, reason: reason.to_owned() });
    let mask = ForegroundMask(Plane::from_fn(Size { width: 40, height: 30 }, |x, y| (x * y) as f32 / 1131.0));
    Sheaf {
        lights: vec![
            light("a.dng", mark(false, Decider::Measure, "")),
            light("b.dng", mark(true, Decider::Measure, "shaken: stars 5.1 px wide")),
            light("c.dng", mark(true, Decider::Person, "")),
            light("d.dng", None),
        ],
        darks: vec![PathBuf::from("/nights/darks/x.dng")],
        land: vec![PathBuf::from("/nights/tarn/long/e.dng"), PathBuf::from("/other/f.dng")],
        landscape: Landscape::Mask,
        mask: Some(MaskSource::Inside(Arc::new(round_mask(&mask)))),
        drop_above_sigma: 2.7,
        reference: Some(PathBuf::from("/nights/tarn/a.dng")),
        lens_profile: Some(PathBuf::from("/other/lens.toml")),
        develop: DevelopSettings { exposure_ev: -0.3, space: OutputSpace::Rec2020, ..DevelopSettings::default() },
        colors: Colors::Sampled,
        format: FileFormat::Png,
        writing: Writing { compression: Compression::Deflate, jpeg_quality: 71, keep_place: true },
        ..Sheaf::default()
    }
}

fn text_of(sheaf: &Sheaf) -> String {
    to_text(sheaf, Some(Path::new(BASE)), None).expect("plain names")
}

fn read(text: &str) -> Result<Read, Problem> {
    from_text(text, Path::new(BASE))
}

fn problem(text: &str) -> (Option<usize>, String) {
    match read(text) {
        Err(Problem::Wrong(line, what)) => (line, what),
        other => panic!("read as {other:?}"),
    }
}

#[test]
fn a_sheaf_comes_back_from_its_text() {
    let text = text_of(&night());
    let back = read(&text).expect("our own text");
    assert_eq!(back.sheaf, night(), "from {text}");
    assert_eq!(back.unknown, [] as [String; 0], "all keys are known");
    assert!(text.contains("file = \"tarn/b.dng\""), "relative to the file: {text}");
    assert!(text.contains("lens_profile = \"/other/lens.toml\""), "absolute in another tree: {text}");
    let land = "[land]\nframes = [\n    \"tarn/long/e.dng\",\n    \"/other/f.dng\",\n]\n";
    assert!(text.contains(land), "frames for the landscape, by the same rule: {text}");
    assert!(!text_of(&Sheaf::default()).contains("[land]"), "and nothing where there are none");
    assert!(text.contains("exposure_ev = -0.3\n"), "numbers as a person writes them: {text}");
    assert!(text.contains("reason = \"shaken: stars 5.1 px wide\""), "the reason can be read: {text}");
}

#[test]
fn a_short_text_by_hand_takes_the_defaults_and_unknown_keys_are_named() {
    let read = read("version = 1\nmood = 3\n[[lights]]\nfile = 'a.dng'\naside = true\n[picture]\nglow = 1\n");
    let read = read.expect("a sheaf by hand");
    assert_eq!(read.unknown, ["mood", "picture.glow"], "named");
    let mark = Some(Mark { aside: true, by: Decider::Person, reason: String::new() });
    let lights = vec![Light { path: PathBuf::from("/nights/a.dng"), mark }];
    assert_eq!(read.sheaf, Sheaf { lights, ..Sheaf::default() }, "the rest is default");
}

#[test]
fn what_is_wrong_is_told_with_its_line() {
    let start = "version = 1\nlights = []\n";
    for (text, line, part) in [
        ("version = 1\nlights = [\n".to_owned(), None, ""),
        (format!("{start}[sky]\ncombine = \"best\"\n"), Some(4), "best"),
        (format!("{start}[sky]\ndrop_above_sigma = -1\n"), Some(4), "above 0"),
        (format!("{start}[sky]\ndrop_below_sigma = nan\n"), Some(4), "not a number"),
        (format!("{start}[picture.stretch.auto]\nsky_level = 7\n"), Some(4), "from 0 to 1"),
        (format!("{start}[mask]\npng = \"clouds\"\n"), Some(4), "mask"),
        ("version = 1\n".to_owned(), None, "lights"),
        ("version = \"one\"\nlights = []\n".to_owned(), Some(1), "version"),
        ("lights = []\n".to_owned(), None, "no version"),
    ] {
        let (found, what) = problem(&text);
        assert!(what.contains(part), "{text}: {what}");
        assert!(line.is_none() || found == line, "{text}: line {found:?}");
    }
}

#[test]
fn a_newer_version_is_told_apart_whatever_else_it_says() {
    let newer = read("version = 7\nlights = 3\n[sky]\ncombine = \"braid\"\n");
    assert!(matches!(newer, Err(Problem::Newer(7))), "{newer:?}");
}

fn numbers() -> impl Strategy<Value = f32> {
    prop_oneof![-1e6_f32..1e6, proptest::num::f32::NORMAL]
}

proptest! {
    /// Every number that a slider can give is the same after a save: the export depends on its last bit.
    #[test]
    fn numbers_survive_to_the_last_bit(
        exposure_ev in numbers(), black_offset in numbers(), sigma in 1e-30_f32..1e30, stops in numbers(),
        picked in proptest::array::uniform3(1e-9_f64..1e9),
    ) {
        let develop = DevelopSettings {
            exposure_ev, black_offset, stretch: Stretch::Stops(stops), white_balance: WhiteBalance::Picked(picked),
            ..DevelopSettings::default()
        };
        let sheaf = Sheaf { develop, drop_above_sigma: sigma, drop_below_sigma: sigma / 3.0, ..Sheaf::default() };
        prop_assert_eq!(read(&text_of(&sheaf)).expect("our own text").sheaf, sheaf);
    }

    /// A damaged text is a sheaf or a problem, never a panic and never a number that cannot be used.
    #[test]
    fn damage_is_told_and_never_ends_the_program(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        cut in proptest::option::of(any::<prop::sample::Index>()),
    ) {
        let mut bytes = text_of(&night()).into_bytes();
        for (place, byte) in changes {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        if let Ok(text) = String::from_utf8(bytes)
            && let Ok(read) = read(&text)
        {
            prop_assert!(read.sheaf.drop_above_sigma > 0.0 && read.sheaf.develop.exposure_ev.is_finite());
        }
    }
}
