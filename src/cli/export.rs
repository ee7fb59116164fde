//! `nightsheaf-cli export`: a saved sheaf to the picture that the window makes of it.

use std::io::{self, Write};
use std::path::Path;

use crate::cli::args::{ExportArguments, is_page};
use crate::cli::progress::monitor;
use crate::cli::stack::{check_reports, command_line, summary, timings};
use crate::cli::{Failure, use_threads};
use crate::error::Error;
use crate::job::CancelToken;
use crate::pipeline;
use crate::settings::load_sheaf;

pub(super) fn run(arguments: &ExportArguments, cancel: &CancelToken) -> Result<(), Failure> {
    use_threads(arguments.threads);
    let monitor = monitor(cancel, arguments.quiet);
    let loaded = load_sheaf(&arguments.sheaf)?;
    // Said even when quiet: a damaged sheaf may not be the one that was meant.
    for note in &loaded.notes {
        let _ = writeln!(io::stderr(), "note: {note}");
    }
    let mut sheaf = loaded.sheaf;
    if let Some(folder) = &arguments.frames {
        sheaf.relocate(folder);
    }
    let remedy = "give the folder they are in now with --frames, or save the sheaf anew without them";
    sheaf.check_files(&arguments.sheaf, remedy)?;
    let request = pipeline::Request {
        scratch_folder: arguments.scratch.clone(),
        output_folder: arguments.output.parent().map(Path::to_owned),
        memory_bytes: arguments.memory,
        keep_single: arguments.report.iter().any(|path| is_page(path)),
        ..sheaf.request()
    };
    for path in [&arguments.output].into_iter().chain(&arguments.report) {
        if is_same_file(path, &arguments.sheaf) {
            let what = "is the sheaf itself and will not be written over: choose another name".to_owned();
            return Err(Error::Sheaf { path: path.clone(), what }.into());
        }
        pipeline::check_output(&request, path)?;
    }
    let export = sheaf.export_settings(arguments.file_format(sheaf.format)?);
    export.check()?;
    check_reports(&arguments.report)?;
    let mut outcome = pipeline::run(&monitor, &request)?;
    outcome.report.command = Some(command_line());
    outcome.report.export = Some(export.clone());
    pipeline::export(&monitor, &outcome, &arguments.output, &export)?;
    for path in &arguments.report {
        if is_page(path) { pipeline::save_report_page(&outcome, path)? } else { outcome.report.save(path)? }
    }
    if !arguments.quiet {
        let summary = summary(&outcome.report, arguments.timings);
        writeln!(io::stdout(), "{summary}wrote {}", arguments.output.display())?;
    } else if arguments.timings {
        write!(io::stdout(), "{}", timings(&outcome.report))?;
    }
    Ok(())
}

fn is_same_file(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}
