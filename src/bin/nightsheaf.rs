//! The window: takes files and folders, so that "open with" works.

#![cfg_attr(windows, windows_subsystem = "windows")]

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    if let Some(code) = nightsheaf::raw::serve_if_asked() {
        return code;
    }
    nightsheaf::system::prefer_large_pages();
    let paths = std::env::args_os().skip(1).map(PathBuf::from).collect();
    match nightsheaf::gui::open(paths) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Where there is no window there may still be a terminal; without one there is nobody to tell.
            let _ = writeln!(std::io::stderr(), "nightsheaf: {error}");
            ExitCode::FAILURE
        }
    }
}
