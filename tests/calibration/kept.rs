//! Averaged calibration frames kept from run to run.

use std::path::Path;

use nightsheaf::pipeline::{MasterCache, Outcome, Request};

use crate::night::{Night, run, scene};

fn origins(outcome: &Outcome) -> Vec<(&str, bool)> {
    outcome.report.masters.iter().map(|made| (made.kind.as_str(), made.from_cache)).collect()
}

fn masters_in(folder: &Path) -> Vec<std::path::PathBuf> {
    let mut files: Vec<_> =
        std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("a file").path()).collect();
    files.sort();
    files
}

#[test]
fn masters_are_kept_found_by_content_and_made_anew_when_damaged() {
    let night = Night::with_lights(scene());
    let darks =
        |folder: &str| (0..3).map(|idx| night.write(&format!("{folder}/{idx}.dng"), &night.burst.dark(idx))).collect();
    let flats: Vec<_> = (0..3).map(|idx| night.write(&format!("flats/{idx}.dng"), &night.burst.flat(idx))).collect();
    let folder = night.path("kept");
    let request =
        Request { darks: darks("darks"), flats, master_cache: MasterCache::Folder(folder.clone()), ..night.request() };
    let first = run(&request);
    assert_eq!(origins(&first), [("dark", false), ("flat", false)], "nothing was kept before");
    // The same frames under other names.
    let renamed = Request { darks: darks("copied"), ..request.clone() };
    let second = run(&renamed);
    assert_eq!(origins(&second), [("dark", true), ("flat", true)], "found by content");
    assert!(first.picture.image == second.picture.image, "the same picture");
    let kept = masters_in(&folder);
    assert_eq!(kept.len(), 2, "one file each: {kept:?}");
    let mut damaged = std::fs::read(&kept[0]).expect("a file");
    let middle = damaged.len() / 2;
    damaged[middle] ^= 1;
    std::fs::write(&kept[0], &damaged).expect("our own file");
    let third = run(&request);
    assert_eq!(origins(&third).iter().filter(|(_, from_cache)| *from_cache).count(), 1, "one is made anew");
    assert!(first.picture.image == third.picture.image, "the same picture");
    assert_eq!(origins(&run(&request)), [("dark", true), ("flat", true)], "both are kept again");
    // Another content is another master.
    std::fs::copy(&request.darks[1], &request.darks[0]).expect("our own file");
    assert_eq!(origins(&run(&request)), [("dark", false), ("flat", true)], "the dark has changed");
}

#[test]
fn a_folder_that_cannot_be_written_costs_nothing_but_the_time() {
    let night = Night::with_lights(scene());
    let darks = vec![night.write("darks/0.dng", &night.burst.dark(0))];
    // A file stands where the folder should be.
    let in_the_way = night.path("darks/0.dng").join("below");
    let request = Request { darks, master_cache: MasterCache::Folder(in_the_way), ..night.request() };
    for _ in 0..2 {
        assert_eq!(origins(&run(&request)), [("dark", false)], "averaged each time");
    }
}
