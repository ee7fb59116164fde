//! The terminal makes of a saved sheaf, byte for byte, what the window makes of the night it shows.

use std::fs;
use std::path::Path;
use std::process::Command;

use eframe::egui::Pos2;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::keep::Keep;
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::{PathFor, Section, Shown, State};
use nightsheaf::gui::strokes::{Brush, BrushKind};
use nightsheaf::pipeline::{
    Colors, Combine, Compression, FileFormat, GradientRemoval, OutputSpace, WhiteBalance, Writing,
};

use crate::support::{self, Window, longer, night};

fn export_by_terminal(sheaf: &Path, output: &Path) {
    export_with(sheaf, output, &[]);
}

/// The same, with something written beside the picture: each an option and its path.
fn export_with(sheaf: &Path, output: &Path, beside: &[(&str, &Path)]) {
    let mut program = Command::new(env!("CARGO_BIN_EXE_nightsheaf-cli"));
    program.arg("export").arg(sheaf).arg("--output").arg(output);
    for (option, path) in beside {
        program.arg(option).arg(path);
    }
    let ran = program.output().expect("the program was built");
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
}

/// Stacks and exports in the window, saves, exports by the terminal, and compares.
fn check(window: &mut Window, home: &Path, name: &str) {
    let path = home.join(format!("window-{name}"));
    window.apply(Action::Stack);
    window.wait("the stack is there", |state| state.report.is_some() && !state.stack_is_old);
    window.apply(Action::Export(path.clone()));
    window.wait("the picture is written", |state| state.exported.as_ref() == Some(&path));
    let sheaf = home.join("tarn.toml");
    window.apply(Action::Keep(Keep::SaveTo(sheaf.clone())));
    window.wait("it is saved", |state| state.keeping.path.is_some() && !state.keeping.unsaved);
    let by_terminal = home.join(format!("terminal-{name}"));
    export_by_terminal(&sheaf, &by_terminal);
    assert!(fs::read(&path).expect("written") == fs::read(&by_terminal).expect("written"), "{name}: the same bytes");
}

#[test]
fn the_terminal_writes_the_same_bytes_for_every_kind_of_choice() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("a frame is shown", |state| {
        state.sheaf.frames.len() == 4 && !state.measuring && !state.opening && state.shown.is_some()
    });
    check(&mut window, home.path(), "plain.tif");

    window.apply(Action::Show(Shown::Frame(0)));
    window.apply(Action::ToggleAside);
    let mut choices = window.state().sheaf.choices.clone();
    choices.combine = Combine::ClippedMean;
    choices.drop_above_sigma = 2.3;
    choices.develop.exposure_ev = 1.0 / 3.0;
    choices.develop.white_balance = WhiteBalance::Picked([0.123_456_789, 1.0, 0.7]);
    choices.develop.gradient = GradientRemoval::On { strength: 0.7 };
    choices.develop.space = OutputSpace::Rec2020;
    choices.format = FileFormat::Tiff32f;
    choices.colors = Colors::Interpolated;
    choices.writing = Writing { compression: Compression::Deflate, jpeg_quality: 61, keep_place: true };
    window.apply(Action::Choose(Box::new(choices)));
    // A soft brush leaves weights that have no end in binary.
    let brush = Brush { kind: BrushKind::Add, radius_px: 61.3 };
    window.wait("a frame is shown", |state| !state.opening && !state.correcting);
    window.apply(Action::ToggleSnap);
    window.apply(Action::Paint { brush, from: Pos2::new(40.3, 290.1), to: Pos2::new(433.7, 301.9) });
    window.apply(Action::EndStroke);
    window.wait("it is painted", |state| state.sheaf.land == Land::Painted && !state.correcting);
    check(&mut window, home.path(), "painted.tif");

    let without = fs::read(home.path().join("window-painted.tif")).expect("written");
    window.apply(Action::AddLandFrames(vec![longer()]));
    window.wait("both are there", |state| state.sheaf.calibration.land.len() == 2);
    assert!(window.state().stack_is_old, "the landscape is to be made anew");
    check(&mut window, home.path(), "longer.tif");
    let land = &window.state().report.as_ref().expect("stacked").land;
    assert!(land.len() == 2 && land.iter().all(|frame| frame.used), "{land:?}");
    let with = fs::read(home.path().join("window-longer.tif")).expect("written");
    assert!(with != without, "another landscape than that of the light frames");

    let mut choices = window.state().sheaf.choices.clone();
    choices.drop_above_sigma = 2.7;
    window.apply(Action::Choose(Box::new(choices)));
    check(&mut window, home.path(), "small.jpg");
}

#[test]
fn a_sheaf_opened_again_stacks_to_the_same_bytes() {
    let home = support::home();
    let sheaf = support::saved_night(home.path());
    let by_terminal = home.path().join("terminal.png");
    export_by_terminal(&sheaf, &by_terminal);
    let mut window = Window::open(&[sheaf], home.path());
    window.wait("it is open and measured", |state| state.keeping.path.is_some() && !state.measuring && !state.opening);
    window.apply(Action::Stack);
    window.wait("the stack is there", |state| state.report.is_some());
    let path = home.path().join("window.png");
    window.apply(Action::Export(path.clone()));
    window.wait("the picture is written", |state| state.exported.is_some());
    assert!(fs::read(&path).expect("written") == fs::read(&by_terminal).expect("written"), "the same bytes");
}

fn told(state: &State) -> Vec<&str> {
    state.notices.iter().map(|notice| notice.text.as_str()).collect()
}

/// Names in a folder, sorted.
fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").file_name());
    let mut names: Vec<String> = entries.map(|name| name.to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// A page without what differs by nature: the words of the command line, which the window has none of, and timings.
fn without_words_and_times(page: &Path) -> String {
    let text = fs::read_to_string(page).expect("a page");
    let (before, times) = text.split_once("<section>\n<h2>The work</h2>").expect("the last section");
    assert!(times.contains(" s</dd>"), "what is taken away is the timings: {times}");
    match before.split_once("<p>The same again, from the same folder:</p>\n<pre>") {
        None => before.to_owned(),
        Some((before, after)) => before.to_owned() + after.split_once("</pre>\n").expect("its end").1,
    }
}

/// By the names of the buttons, as a person does; what was drawn has soft edges, and the look changes after the run.
#[test]
fn layers_and_report_are_written_from_the_window_as_by_the_terminal() {
    let home = support::home();
    let mut window = Window::open(&[night()], home.path());
    window.wait("a frame is shown", |state| {
        state.sheaf.frames.len() == 4 && !state.measuring && !state.opening && state.shown.is_some()
    });
    window.apply(Action::ToggleSnap);
    let brush = Brush { kind: BrushKind::Add, radius_px: 61.3 };
    window.apply(Action::Paint { brush, from: Pos2::new(40.3, 290.1), to: Pos2::new(433.7, 301.9) });
    window.apply(Action::EndStroke);
    window.wait("it is painted", |state| state.sheaf.land == Land::Painted && !state.correcting);
    window.apply(Action::Stack);
    window.wait("the stack is there", |state| state.report.is_some());
    let mut choices = window.state().sheaf.choices.clone();
    choices.develop.exposure_ev = 0.5;
    window.apply(Action::Choose(Box::new(choices)));
    let sheaf = home.path().join("tarn.toml");
    window.apply(Action::Keep(Keep::SaveTo(sheaf.clone())));
    window.wait("it is saved", |state| state.keeping.path.is_some() && !state.keeping.unsaved);

    window.apply(Action::ToggleSection(Section::File));
    let (layers, page) = (home.path().join("apart"), home.path().join("window.html"));
    window.write_by("Layers: sky, land, mask…", &layers);
    assert!(window.state().filing, "the frames are stacked once more");
    window.apply(Action::Stack);
    assert!(told(window.state()).iter().any(|text| text.contains("a file is being read or written")), "one at a time");
    let of_layers = format!("Sky, land and mask are written to {}", layers.display());
    window.wait("they are written", |state| told(state).contains(&of_layers.as_str()));
    // A name without an ending is that of a page.
    window.write_by("Report page…", &page.with_extension(""));
    let of_page = format!("The report is written to {}", page.display());
    window.wait("it is written", |state| told(state).contains(&of_page.as_str()));
    assert!(!told(window.state()).contains(&of_layers.as_str()), "what is done makes room for what is done next");

    let by_terminal = |name: &str| home.path().join(format!("terminal-{name}"));
    export_with(&sheaf, &by_terminal("a.tif"), &[("--layers", &by_terminal("apart"))]);
    export_with(&sheaf, &by_terminal("b.tif"), &[("--report", &by_terminal("page.html"))]);
    assert_eq!(names(&layers), ["land.tiff", "mask.png", "sky.tiff"], "three files and nothing else");
    assert_eq!(names(&by_terminal("apart")), names(&layers), "by the same names");
    for name in names(&layers) {
        let [here, there] = [layers.join(&name), by_terminal("apart").join(&name)].map(|path| fs::read(path).ok());
        assert!(here.is_some() && here == there, "{name}: the same bytes");
    }
    let pages = [&page, &by_terminal("page.html")].map(|page| without_words_and_times(page));
    assert!(pages[0] == pages[1], "the page of the same run");
    let [here, there] = [&pages[0], &pages[1]].map(|page| page.matches("<img").count());
    assert_eq!((here, there), (4, 4), "before and after, whole and in detail");
}

#[test]
fn layers_that_are_given_up_or_would_cover_a_frame_leave_all_as_it_was() {
    let home = support::home();
    let frames = home.path().join("frames");
    support::copy_night(&frames);
    // By its name it is what a layer would be.
    fs::rename(frames.join("night-004.dng"), frames.join("sky.tiff")).expect("our own file");
    let mut window = Window::open(std::slice::from_ref(&frames), home.path());
    window.wait("the frames are there", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    window.apply(Action::ChooseLayersTarget);
    let text = "that is made from a stack, and there is none yet: stack the frames first";
    assert_eq!(told(window.state()), [text], "nothing is ignored");
    window.apply(Action::ChooseLand(Land::Nothing));
    window.apply(Action::Stack);
    window.wait("the stack is there", |state| state.report.is_some());

    let before = fs::read(frames.join("sky.tiff")).expect("a frame");
    window.apply(Action::ToggleSection(Section::File));
    window.write_by("Layers: sky, land, mask…", &frames);
    let refused = "sky.tiff is one of the frames and will not be written over";
    assert!(told(window.state()).iter().any(|text| text.contains(refused)), "{:?}", window.state().notices);
    assert_eq!(window.state().path_for, Some(PathFor::Layers), "what was typed is there to be corrected");
    window.apply(Action::StepBack);
    let sheaf = home.path().join("tarn.toml");
    window.apply(Action::Keep(Keep::SaveTo(sheaf.clone())));
    window.wait("it is saved", |state| state.keeping.path.is_some());
    window.apply(Action::SaveLensProfile(sheaf));
    assert!(told(window.state()).iter().any(|text| text.contains("is the sheaf itself")), "{:?}", told(window.state()));
    window.apply(Action::SaveReport(frames.join("night-001.dng")));
    assert!(told(window.state()).iter().any(|text| text.contains("name it .html")), "{:?}", told(window.state()));

    let layers = home.path().join("apart");
    window.apply(Action::SaveLayers(layers.clone()));
    assert!(window.state().filing, "the frames are stacked once more");
    window.press("Cancel");
    window.wait("it is given up", |state| !state.filing);
    assert!(!layers.exists(), "no folder is there");
    assert!(fs::read(frames.join("sky.tiff")).expect("a frame") == before, "and the frame as it was");
    window.apply(Action::SaveLayers(layers.clone()));
    window.wait("they are written", |state| told(state).iter().any(|text| text.contains("are written to")));
    assert_eq!(names(&layers), ["mask.png", "sky.tiff"], "no land without a landscape");
}
