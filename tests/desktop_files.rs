//! Desktop entry, icon and AppStream metainfo fit together and name what the build makes.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

fn asset(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("assets").join(name)
}

fn text(name: &str) -> String {
    fs::read_to_string(asset(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// Keys as the Desktop Entry Specification 1.5 of freedesktop.org has them.
#[test]
fn the_desktop_entry_starts_the_window_with_the_files_opened() {
    let entry = text("nightsheaf.desktop");
    let value = |key: &str| {
        let found = entry.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix('='));
        found.unwrap_or_else(|| panic!("{key} is missing")).to_owned()
    };
    assert_eq!(entry.lines().next(), Some("[Desktop Entry]"), "its first line");
    assert_eq!((value("Type"), value("Terminal")), ("Application".into(), "false".into()), "a window");
    let exec = value("Exec");
    let program = exec.split(' ').next().unwrap_or_default();
    let bins = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml")).expect("the manifest");
    assert!(bins.contains(&format!("[[bin]]\nname = \"{program}\"")), "{program} is a program of this build");
    assert!(exec.ends_with("%F"), "it takes several files: {exec}");
    assert!(value("MimeType").split(';').any(|kind| kind == "inode/directory"), "and folders");
    assert!(asset(&format!("{}.svg", value("Icon"))).is_file(), "its icon is there");
}

#[test]
fn the_icon_is_there_in_the_sizes_that_its_names_say() {
    for size in [32, 64, 128, 256, 512] {
        let icon = image::open(asset(&format!("nightsheaf-{size}.png"))).expect("an icon").into_rgba8();
        assert_eq!(icon.dimensions(), (size, size), "in points");
        assert_eq!(icon.get_pixel(0, 0).0[3], 0, "its corner is clear at {size}");
        assert!(icon.pixels().any(|pixel| pixel.0[3] == 255), "its middle is not at {size}");
    }
}

/// Elements as the AppStream specification 1.0 of freedesktop.org has them for a desktop application.
#[test]
fn the_metainfo_launches_the_desktop_entry_and_names_the_programs() {
    let info = text("nightsheaf.metainfo.xml");
    let inside = |tag: &str| {
        let (_, rest) = info.split_once(&format!("<{tag}")).unwrap_or_else(|| panic!("{tag} is missing"));
        rest.split_once('>').and_then(|(_, rest)| rest.split_once("</")).map(|(found, _)| found.trim().to_owned())
    };
    assert!(info.contains("<component type=\"desktop-application\">"), "of this kind");
    let launched = inside("launchable").expect("a desktop entry");
    assert!(asset(&launched).is_file(), "{launched} is there");
    for tag in ["id", "metadata_license", "name", "summary", "description"] {
        assert!(inside(tag).is_some(), "{tag} has a value");
    }
    assert_eq!(inside("project_license").as_deref(), Some("MIT OR Apache-2.0"), "as in the manifest");
    for program in ["nightsheaf", "nightsheaf-cli"] {
        assert!(info.contains(&format!("<binary>{program}</binary>")), "{program} is provided");
    }
}

/// The desktop's own checks: desktop-file-utils and AppStream.
#[test]
fn the_desktops_own_checks_find_nothing_wrong() {
    for (tool, words, file) in [
        ("desktop-file-validate", &[] as &[&str], "nightsheaf.desktop"),
        ("appstreamcli", &["validate", "--no-net"], "nightsheaf.metainfo.xml"),
    ] {
        let Ok(output) = Command::new(tool).args(words).arg(asset(file)).output() else {
            assert!(std::env::var_os("NIGHTSHEAF_REQUIRE_TOOLS").is_none(), "{tool} is needed");
            let _ = writeln!(std::io::stdout(), "skipped: no {tool} on this machine");
            continue;
        };
        let said = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success(), "{tool} says of {file}: {said}");
    }
}
