//! The same frames and choices give the same bytes in every file, on any number of threads and again.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use crate::support::{done, json, new_folder, night, program};

/// Every file of a run with this many threads, by name; the report without times and memory. No masters are kept from
/// other tests: the first of these runs averages them, and the next ones find them.
fn written(threads: &str, folder: &Path, cache: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    let at_folder = |name: &str| folder.join(name);
    let output_names = ["night.tiff", "night.dng", "night.jpg", "night.png", "light.tiff"];
    for (index, name) in output_names.into_iter().enumerate() {
        let at = |name: &str| folder.join(name);
        let mut words: Vec<String> =
            ["--threads", threads, "--compression", "deflate", "--gradient", "on"].map(str::to_owned).to_vec();
        if name == "light.tiff" {
            words.extend(["--format", "tiff32f"].map(str::to_owned));
        }
        if index == 0 {
            for (word, file) in [
                ("--report", "night.json"),
                ("--report", "night.html"),
                ("--layers", "layers"),
                ("--mask-output", "mask.png"),
                ("--residuals", "arrows.png"),
                ("--clipped", "clipped.png"),
            ] {
                words.extend([word.to_owned(), at(file).display().to_string()]);
            }
        }
        let darks = night().join("darks");
        let mut all: Vec<&dyn AsRef<std::ffi::OsStr>> = Vec::new();
        let (night, output) = (night(), at(name));
        all.extend([&"stack" as &dyn AsRef<std::ffi::OsStr>, &night, &"--darks", &darks, &"-o", &output]);
        all.extend(words.iter().map(|word| word as &dyn AsRef<std::ffi::OsStr>));
        all.extend([&"--master-cache" as &dyn AsRef<std::ffi::OsStr>, &cache]);
        let ran = crate::support::run_words(&all);
        assert_eq!(ran.code, Some(0), "{ran:?}");
    }
    let mut report = json(&folder.join("night.json"));
    for name in ["seconds", "peak_memory_bytes", "command"] {
        report.as_object_mut().expect("an object").remove(name).expect("a report has it");
    }
    let mask = at_folder("proposed.png");
    let measured = program().env("RAYON_NUM_THREADS", threads).arg("measure").arg(night()).arg("--json").output();
    files.insert("measures".to_owned(), measured.expect("the program was built").stdout);
    done!("mask", night(), "--threads", threads, "-o", mask);
    let land = night().join("night-001.dng");
    let sampled = at_folder("sampled.tiff");
    done!("stack", night(), "--threads", threads, "--colors", "sampled", "--mask", mask, "--land", land, "-o", sampled);
    for combine in ["maximum", "median", "mean"] {
        let output = at_folder(&format!("{combine}.tiff"));
        done!("stack", night(), "--threads", threads, "--combine", combine, "--mask", mask, "-o", output);
    }
    files.insert("report".to_owned(), report.to_string().into_bytes());
    files.insert("page".to_owned(), lasting(&fs::read_to_string(at_folder("night.html")).expect("a page")).into());
    let layers = ["layers/sky.tiff", "layers/land.tiff", "layers/mask.png"];
    let others = ["proposed.png", "sampled.tiff", "maximum.tiff", "median.tiff", "mean.tiff"];
    for name in output_names.into_iter().chain(["mask.png", "arrows.png", "clipped.png"]).chain(layers).chain(others) {
        files.insert(name.to_owned(), fs::read(folder.join(name)).unwrap_or_default());
    }
    files
}

/// The page without the words of its command line and without what the work took: the seconds of each stage and the
/// memory. The pictures, the charts and everything else stay.
fn lasting(page: &str) -> String {
    assert!(page.ends_with("</html>\n"), "a whole page");
    let (head, rest) = page.split_once("<pre>").expect("the command");
    let (_, rest) = rest.split_once("</pre>").expect("its end");
    let (middle, work) = rest.split_once("<h2>The work</h2>").expect("what the work took");
    let (spent, end) = work.split_once("</section>").expect("its end");
    let rows = spent.matches("<dt>").count();
    let taken = |row: &str| row.ends_with(" s</dd>") || row.starts_with("<dt>most memory</dt>");
    let kept: Vec<&str> = spent.lines().filter(|row| !taken(row)).collect();
    assert!(rows > 5 && kept.iter().any(|row| row.starts_with("<dt>pixels repaired</dt>")), "{spent}");
    [head, middle, &kept.join("\n"), end].concat()
}

#[test]
fn every_file_is_the_same_on_one_two_and_seven_threads() {
    let folder = new_folder();
    let cache = new_folder();
    let first = written("1", folder.path(), cache.path());
    let empty: Vec<_> = first.iter().filter(|(_, bytes)| bytes.is_empty()).map(|(name, _)| name).collect();
    assert!(empty.is_empty(), "not written: {empty:?}");
    for threads in ["2", "7", "7"] {
        let folder = new_folder();
        let again = written(threads, folder.path(), cache.path());
        for (name, bytes) in &first {
            assert!(bytes == &again[name], "{name} on {threads} threads");
        }
    }
}
