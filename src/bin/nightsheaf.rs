//! The window's `main`.

use std::process::ExitCode;

fn main() -> ExitCode {
    if let Some(code) = nightsheaf::raw::serve_if_asked() {
        return code;
    }
    ExitCode::SUCCESS
}
