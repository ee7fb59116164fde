//! The terminal makes of a saved sheaf, byte for byte, what the window makes of the night it shows.

use std::fs;
use std::path::Path;
use std::process::Command;

use eframe::egui::Pos2;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::keep::Keep;
use nightsheaf::gui::sheaf::Land;
use nightsheaf::gui::state::Shown;
use nightsheaf::gui::strokes::{Brush, BrushKind};
use nightsheaf::pipeline::{
    Colors, Combine, Compression, FileFormat, GradientRemoval, OutputSpace, WhiteBalance, Writing,
};

use crate::support::{self, Window, longer, night};

fn export_by_terminal(sheaf: &Path, output: &Path) {
    let mut program = Command::new(env!("CARGO_BIN_EXE_nightsheaf-cli"));
    let ran = program.arg("export").arg(sheaf).arg("--output").arg(output).output().expect("the program was built");
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
