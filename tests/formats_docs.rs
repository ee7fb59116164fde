//! The figures of docs/formats.md, counted anew from the decoders' own lists, so that they cannot rot.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

fn docs() -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/formats.md")).expect("the documentation")
}

/// Maker and model of each camera, without the modes of one camera.
fn of_second_decoder() -> BTreeSet<(String, String)> {
    let cameras = rawler::global_loader().get_cameras().values();
    cameras.map(|camera| (camera.clean_make.clone(), camera.clean_model.clone())).collect()
}

/// The first decoder shows its list in its debugging output alone.
fn of_first_decoder() -> BTreeSet<(String, String)> {
    let text = format!("{:?}", rawloader::RawLoader::new());
    let value = |text: &str| text.split('"').next().unwrap_or_default().to_owned();
    text.split("clean_make: \"")
        .skip(1)
        .map(|rest| (value(rest), value(rest.split("clean_model: \"").nth(1).unwrap_or_default())))
        .collect()
}

#[test]
fn the_number_of_cameras_is_that_of_the_decoders_lists() {
    let (first, second) = (of_first_decoder(), of_second_decoder());
    let both: BTreeSet<_> = first.union(&second).collect();
    let docs = docs();
    for (name, n) in [("first", first.len()), ("second", second.len()), ("together", both.len())] {
        assert!(n > 300, "the {name} list was found: {n}");
        assert!(docs.contains(&format!("| {name} | {n} |")), "docs/formats.md does not say | {name} | {n} |");
    }
}

#[test]
fn every_ending_that_a_decoder_knows_is_listed_and_taken_from_a_folder() {
    let docs = docs().to_lowercase();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let endings = rawler::decoders::supported_extensions();
    for ending in endings {
        assert!(docs.contains(&format!("`{}`", ending.to_lowercase())), "{ending} is not in docs/formats.md");
        fs::write(folder.path().join(format!("frame.{ending}")), b"x").expect("a small file");
    }
    let taken = nightsheaf::pipeline::collect_frames(&[folder.path().to_owned()]).expect("frames");
    assert_eq!(taken.len(), endings.len(), "taken: {taken:?}");
}
