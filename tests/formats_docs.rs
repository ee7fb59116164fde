//! The figures of docs/formats.md, counted anew from the decoders' own lists, so that they cannot rot.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

fn docs() -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/formats.md")).expect("the documentation")
}

/// Maker and model of each camera, without the modes of one camera; whether its filter array is one of 6 × 6.
fn of_second_decoder() -> BTreeSet<(String, String, bool)> {
    let cameras = rawler::global_loader().get_cameras().values();
    cameras.map(|camera| (camera.clean_make.clone(), camera.clean_model.clone(), camera.cfa.width == 6)).collect()
}

/// The first decoder shows its list in its debugging output alone.
fn of_first_decoder() -> BTreeSet<(String, String, bool)> {
    let text = format!("{:?}", rawloader::RawLoader::new());
    let value = |text: &str| text.split('"').next().unwrap_or_default().to_owned();
    let after = |text: &str, name: &str| text.split(name).nth(1).unwrap_or_default().to_owned();
    let has_large_array =
        |rest: &str| after(rest, "cfa: CFA { ").split(' ').next().is_some_and(|name| name.len() == 36);
    text.split("clean_make: \"")
        .skip(1)
        .map(|rest| (value(rest), value(&after(rest, "clean_model: \"")), has_large_array(rest)))
        .collect()
}

#[test]
fn the_number_of_cameras_is_that_of_the_decoders_lists() {
    let (first, second) = (of_first_decoder(), of_second_decoder());
    let both: BTreeSet<_> = first.union(&second).cloned().collect();
    let docs = docs();
    for (name, list) in [("first", &first), ("second", &second), ("together", &both)] {
        let cameras: BTreeSet<_> = list.iter().map(|(make, model, _)| (make, model)).collect();
        let refused: BTreeSet<_> =
            list.iter().filter(|(.., is_large)| *is_large).map(|(make, model, _)| (make, model)).collect();
        let (n, n_refused) = (cameras.len(), refused.len());
        assert!(n > 300 && n_refused > 0, "the {name} list was found: {n}, {n_refused}");
        let row = format!("| {name} | {n} | {n_refused} |");
        assert!(docs.contains(&row), "docs/formats.md does not say {row}");
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
