//! Draws the pictures of docs/guide.md: the window itself at work on the sample frames, without a screen.
//!
//! `cargo run --release --example guide_pictures` writes them to docs/pictures.
#![cfg(feature = "gui")]

#[path = "../tests/support/raster.rs"]
mod raster;
#[path = "../tests/support/stage.rs"]
#[allow(dead_code, reason = "the tests press and type, the guide only looks")]
mod stage;

use std::path::Path;
use std::process::ExitCode;

use eframe::egui::{Key, Modifiers, Pos2};
use image::codecs::png::{CompressionType, FilterType as PngFilter, PngEncoder};
use image::imageops::{FilterType, resize};
use image::{ExtendedColorType, ImageEncoder, RgbImage};
use nightsheaf::gui::action::Action;
use nightsheaf::gui::correcting::Tool;
use nightsheaf::gui::state::Section;
use nightsheaf::gui::theme::Theme;
use nightsheaf::gui::view::Zoom;
use stage::{SIZE, Stage};

/// Size of a picture in the guide.
const SHOWN: [u32; 2] = [960, 600];

/// Steps of color that are told apart: the noise of a single frame would make the files large.
const STEP: u8 = 4;

fn main() -> ExitCode {
    // The window decodes frames in a process of this very program.
    if let Some(code) = nightsheaf::raw::serve_if_asked() {
        return code;
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let pictures = root.join("docs/pictures");
    let save = |name: &str, picture: &RgbImage| save(&pictures.join(name), picture).expect("docs/pictures is there");

    let mut empty = Stage::open(Vec::new(), None);
    save("empty.png", &empty.picture());

    let mut stage = Stage::open(vec![root.join("sample-frames")], None);
    stage.wait("the frames are measured", |state| state.sheaf.n_lights() == 11 && !state.measuring);
    stage.wait("the preview is there", |state| state.preview.is_some() && !state.previewing);
    save("frames.png", &stage.picture());

    fold(&mut stage, &[Section::Frames, Section::Picture, Section::Foreground]);
    stage.key(Modifiers::NONE, Key::P);
    stage.drag(&[Pos2::new(150.0, 560.0), Pos2::new(220.0, 585.0), Pos2::new(300.0, 590.0)]);
    stage.wait("the hint is answered", |state| !state.correcting);
    stage.apply(Action::TakeTool(Tool::LevelLine));
    let size = (1080.0, 720.0);
    for (x, y) in [(0.05, 0.74), (0.24, 0.64), (0.33, 0.68), (0.50, 0.62), (0.72, 0.77)] {
        stage.apply(Action::AddCorner(Pos2::new(x * size.0, y * size.1)));
    }
    save("foreground.png", &stage.picture());
    stage.apply(Action::LayBrushDown);
    while stage.state().can_travel.0 {
        stage.apply(Action::Undo);
    }

    fold(&mut stage, &[Section::Foreground, Section::Picture]);
    stage.apply(Action::Stack);
    stage.wait("the stack is there", |state| state.report.is_some());
    save("done.png", &stage.picture());
    stage.apply(Action::Zoom(Zoom::Scale(2.0)));
    save("compare.png", &stage.picture());
    stage.apply(Action::Zoom(Zoom::Fit));
    stage.apply(Action::ToggleKeys);
    save("commands.png", &stage.picture());
    stage.apply(Action::ToggleKeys);
    stage.apply(Action::UseTheme(Theme::Red));
    save("red.png", &stage.picture());
    ExitCode::SUCCESS
}

fn fold(stage: &mut Stage, sections: &[Section]) {
    for &section in sections {
        stage.apply(Action::ToggleSection(section));
    }
}

fn save(path: &Path, picture: &RgbImage) -> image::ImageResult<()> {
    assert_eq!([picture.width(), picture.height()], SIZE, "the whole window");
    let mut small = resize(picture, SHOWN[0], SHOWN[1], FilterType::Triangle);
    for value in small.iter_mut() {
        *value = value.saturating_add(STEP / 2) / STEP * STEP;
    }
    let file = std::io::BufWriter::new(std::fs::File::create(path)?);
    let encoder = PngEncoder::new_with_quality(file, CompressionType::Best, PngFilter::Adaptive);
    encoder.write_image(&small, SHOWN[0], SHOWN[1], ExtendedColorType::Rgb8)
}
