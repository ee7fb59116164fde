//! Desktop entry, icon and AppStream metainfo fit together and name what the build makes.

#[cfg(feature = "gui")]
#[path = "support/raster.rs"]
mod raster;
#[cfg(feature = "gui")]
#[path = "support/stage.rs"]
#[allow(dead_code, reason = "shared with tests that need more of it")]
mod stage;

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use nightsheaf::settings::{SHEAF_ENDING, looks_like_sheaf};

fn asset(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("assets").join(name)
}

fn text(name: &str) -> String {
    fs::read_to_string(asset(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// Kinds by their names in the shared MIME-info database of freedesktop.org, with the ending of each there.
const KINDS: [(&str, &str); 19] = [
    ("image/x-adobe-dng", "dng"),
    ("image/x-canon-cr2", "cr2"),
    ("image/x-canon-cr3", "cr3"),
    ("image/x-canon-crw", "crw"),
    ("image/x-fuji-raf", "raf"),
    ("image/x-kodak-dcr", "dcr"),
    ("image/x-kodak-kdc", "kdc"),
    ("image/x-minolta-mrw", "mrw"),
    ("image/x-nikon-nef", "nef"),
    ("image/x-nikon-nrw", "nrw"),
    ("image/x-olympus-orf", "orf"),
    ("image/x-panasonic-rw", "raw"),
    ("image/x-panasonic-rw2", "rw2"),
    ("image/x-pentax-pef", "pef"),
    ("image/x-sony-arw", "arw"),
    ("image/tiff", "tif"),
    ("image/png", "png"),
    ("image/jpeg", "jpg"),
    ("application/toml", SHEAF_ENDING),
];

/// Every kind but that of sheaf files is a frame; the decoders know the kinds of raws by these endings.
#[test]
fn every_kind_that_is_listed_is_taken_for_what_it_is() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    for (kind, ending) in KINDS {
        let path = folder.path().join(format!("night.{ending}"));
        fs::write(&path, "x").expect("a small file");
        let taken = nightsheaf::pipeline::collect_frames(&[folder.path().to_owned()]).unwrap_or_default();
        assert_eq!(
            (taken.contains(&path), looks_like_sheaf(&path)),
            (ending != SHEAF_ENDING, ending == SHEAF_ENDING),
            "{kind}"
        );
        let is_raw = kind.starts_with("image/x-");
        let known = rawler::decoders::supported_extensions().iter().any(|known| known.eq_ignore_ascii_case(ending));
        assert!(!is_raw || known, "no decoder knows {ending}");
    }
}

/// `nightsheaf FILE` for one of each kind that can be made here: it is listed and measured, or its night is opened.
#[cfg(feature = "gui")]
#[test]
fn the_window_opens_a_file_of_each_kind() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let at = |name: &str| folder.path().join(name);
    let frame = asset("../sample-frames/night-001.dng");
    let raw = asset("../tests/reference/dng_variants/second_decoder.3fr");
    let sky = image::RgbImage::from_fn(120, 90, |x, y| image::Rgb([10 + (x * y % 7) as u8; 3]));
    let pictures = ["a.tif", "a.png", "a.jpg"].map(at);
    for path in &pictures {
        sky.save(path).expect("room for a small picture");
    }
    let sheaf = at("tarn.toml");
    let light = nightsheaf::settings::Light { path: frame.clone(), mark: None };
    let night = nightsheaf::settings::Sheaf { lights: vec![light], ..nightsheaf::settings::Sheaf::default() };
    nightsheaf::settings::save_sheaf(&sheaf, &night).expect("room for a small file");
    for path in pictures.into_iter().chain([frame, raw, sheaf]) {
        let decoder = Path::new(env!("CARGO_BIN_EXE_nightsheaf-cli"));
        let mut stage = stage::Stage::open(vec![path.clone()], Some(decoder));
        stage.wait("one frame is measured", |state| {
            let [frame] = &state.sheaf.frames[..] else { return false };
            !state.measuring && frame.finding.as_ref().is_some_and(|finding| finding.size.is_some())
        });
        let named = stage.state().keeping.path.clone();
        assert_eq!(named.is_some(), looks_like_sheaf(&path), "{}: the sheaf file", path.display());
    }
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
    let kinds = value("MimeType");
    for kind in KINDS.iter().map(|(kind, _)| *kind).chain(["inode/directory"]) {
        assert!(kinds.split(';').any(|listed| listed == kind), "{kind} is opened and not listed");
    }
    let known = |listed: &str| listed == "inode/directory" || KINDS.iter().any(|(kind, _)| *kind == listed);
    assert!(kinds.trim_end_matches(';').split(';').all(known), "{kinds} has more than is opened");
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
    let version = format!("<release version=\"{}\"", env!("CARGO_PKG_VERSION"));
    let first = info.split_once("<releases>").map(|(_, rest)| rest.trim_start());
    assert!(first.is_some_and(|rest| rest.starts_with(&version)), "the newest release is that of the manifest");
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
