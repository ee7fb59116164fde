//! Command line of Nightsheaf.

use std::process::ExitCode;

fn main() -> ExitCode {
    // A child process of a run decodes one frame and ends here.
    if let Some(code) = nightsheaf::raw::serve_if_asked() {
        return code;
    }
    nightsheaf::cli::main(nightsheaf::system::prefer_large_pages)
}
