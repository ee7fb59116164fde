//! Opens the window, and says what is missing where it cannot.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Instant;

use eframe::egui::{IconData, ViewportBuilder};

use crate::gui::app::App;
use crate::settings::{Folders, Remembered};

/// Why there is no window.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The desktop or its graphics refused.
    #[error("the window cannot be opened: {0}. Start it from a graphical session; nightsheaf-cli works without one")]
    Refused(String),
    /// A library that the windowing crate loads at run time is missing, which it tells by a panic.
    #[error(
        "the window cannot be opened: {0}. On Linux it needs libX11, libX11-xcb, libXcursor, libXi, libxkbcommon, \
         libxkbcommon-x11 and libGL (or the Wayland client library); nightsheaf-cli works without them"
    )]
    Library(String),
    /// The window was open and stopped by a fault of this program.
    #[error("the window stopped by a fault of this program: {0}. No frame was changed; please report it")]
    Fault(String),
}

/// Opens the window with these files and folders and returns when it is closed.
pub fn open(paths: Vec<PathBuf>) -> Result<(), OpenError> {
    let began = Instant::now();
    let folders = Folders::of_person();
    // Its note is told by the window, which reads it again.
    let remembered = folders.as_ref().map(|folders| Remembered::load(&folders.remembered()).0).unwrap_or_default();
    let mut viewport = ViewportBuilder::default()
        .with_title("Nightsheaf")
        .with_app_id("nightsheaf")
        .with_inner_size(remembered.window_size.unwrap_or([1280.0, 800.0]))
        .with_maximized(remembered.maximized)
        .with_min_inner_size([880.0, 560.0])
        .with_icon(Arc::new(icon()));
    if let Some(place) = remembered.window_position {
        viewport = viewport.with_position(place);
    }
    let options = eframe::NativeOptions { viewport, ..eframe::NativeOptions::default() };
    let opened = Arc::new(AtomicBool::new(false));
    let is_open = Arc::clone(&opened);
    let run = || {
        let create: eframe::AppCreator<'_> = Box::new(move |creation| {
            is_open.store(true, Ordering::Relaxed);
            let mut app = App::with_folders(&creation.egui_ctx, paths, folders)?;
            app.began_at(began);
            Ok(Box::new(app))
        });
        eframe::run_native("nightsheaf", options, create)
    };
    match catch_unwind(AssertUnwindSafe(run)) {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(OpenError::Refused(error.to_string())),
        Err(panic) => {
            let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
            let text = text.or_else(|| panic.downcast_ref::<String>().cloned());
            let text = text.unwrap_or_else(|| "no message".to_owned());
            Err(if opened.load(Ordering::Relaxed) { OpenError::Fault(text) } else { OpenError::Library(text) })
        }
    }
}

/// The icon of the window: our own drawing, rendered from `assets/nightsheaf.svg`.
fn icon() -> IconData {
    let png = include_bytes!("../../assets/nightsheaf-256.png");
    let picture = image::load_from_memory(png).expect("the icon is a PNG of ours").into_rgba8();
    let (width, height) = picture.dimensions();
    IconData { rgba: picture.into_raw(), width, height }
}
