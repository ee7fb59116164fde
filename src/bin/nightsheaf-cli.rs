//! Command line of Nightsheaf.

use std::process::ExitCode;

fn main() -> ExitCode {
    // A child process of a run decodes one frame and ends here.
    nightsheaf::raw::serve_if_asked().unwrap_or_else(nightsheaf::cli::main)
}
