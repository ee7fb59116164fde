//! The order of the modules: each uses only those before it, and the two front ends use six.

use std::fs;
use std::path::{Path, PathBuf};

/// A module may use `crate::` paths only into modules to its left.
const ORDER: [&str; 21] = [
    "pixels",
    "system",
    "job",
    "raw",
    "synthetic",
    "calibrate",
    "demosaic",
    "foreground",
    "detect",
    "register",
    "resample",
    "stack",
    "scratch",
    "develop",
    "plan",
    "export",
    "error",
    "settings",
    "pipeline",
    "cli",
    "gui",
];

/// What the front ends may use; `pipeline` re-exports what a request is made of, `plan` stands alone.
const FRONT_END_USES: [&str; 6] = ["pixels", "job", "plan", "error", "settings", "pipeline"];

#[test]
fn a_module_uses_only_modules_to_its_left() {
    let mut broken = Vec::new();
    for file in rust_files(&source_folder()) {
        let Some(module) = module_of(&file) else { continue };
        let place = place(&module).unwrap_or_else(|| panic!("{module} is not in the order of the modules"));
        let text = fs::read_to_string(&file).expect("a source file is text");
        for used in used_modules(&text) {
            let allowed = match module.as_str() {
                "cli" | "gui" => used == module || FRONT_END_USES.contains(&used.as_str()),
                _ => self::place(&used).is_some_and(|used_place| used_place <= place),
            };
            if !allowed {
                broken.push(format!("{} uses crate::{used}", file.display()));
            }
        }
    }
    assert!(broken.is_empty(), "later modules are used by earlier ones:\n{}", broken.join("\n"));
}

#[test]
fn every_source_file_opens_by_saying_what_it_is() {
    let silent: Vec<_> = rust_files(&source_folder())
        .into_iter()
        .filter(|file| !fs::read_to_string(file).expect("a source file is text").starts_with("//!"))
        .collect();
    assert!(silent.is_empty(), "these files do not open with `//!`: {silent:?}");
}

#[test]
fn imports_are_written_one_module_a_line() {
    let grouped: Vec<_> = rust_files(&source_folder())
        .into_iter()
        .filter(|file| fs::read_to_string(file).expect("a source file is text").contains(concat!("crate::", "{")))
        .collect();
    assert!(grouped.is_empty(), "imports of several modules at once hide the order: {grouped:?}");
}

fn source_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

fn place(module: &str) -> Option<usize> {
    ORDER.iter().position(|&name| name == module)
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).expect("the source folder can be listed") {
        let path = entry.expect("an entry of the source folder").path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
    files.sort();
    files
}

/// The top-level module of a file; `None` for `lib.rs` and the programs.
fn module_of(file: &Path) -> Option<String> {
    let inside = file.strip_prefix(source_folder()).expect("a file of the source folder");
    let first = inside.components().next()?.as_os_str().to_string_lossy().into_owned();
    let module = first.trim_end_matches(".rs").to_owned();
    (module != "lib" && module != "bin").then_some(module)
}

fn used_modules(text: &str) -> Vec<String> {
    text.split("crate::")
        .skip(1)
        .map(|rest| rest.chars().take_while(|&letter| letter.is_alphanumeric() || letter == '_').collect())
        .filter(|name: &String| !name.is_empty())
        .collect()
}
