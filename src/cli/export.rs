//! `nightsheaf-cli export`: a saved sheaf to the picture that the window makes of it.

use std::io::{self, Write};
use std::iter::once;
use std::path::Path;

use crate::cli::args::ExportArguments;
use crate::cli::progress::monitor;
use crate::cli::stack::{Told, make};
use crate::cli::{Failure, use_threads};
use crate::error::Error;
use crate::job::CancelToken;
use crate::pipeline::{self, Request};
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
    let request = Request {
        scratch_folder: arguments.scratch.clone(),
        output_folder: arguments.output.parent().map(Path::to_owned),
        memory_bytes: arguments.memory,
        ..arguments.beside.of(sheaf.request())
    };
    if let Some(path) =
        once(&arguments.output).chain(arguments.beside.paths()).find(|path| is_same_file(path, &arguments.sheaf))
    {
        let what = "is the sheaf itself and will not be written over: choose another name".to_owned();
        return Err(Error::Sheaf { path: path.clone(), what }.into());
    }
    pipeline::check_output(&request, &arguments.output)?;
    let export = sheaf.export_settings(arguments.file_format(sheaf.format)?);
    export.check()?;
    arguments.beside.check(&request)?;
    let (target, told) = (&arguments.output, Told { quiet: arguments.quiet, timings: arguments.timings });
    make(&monitor, &request, target, &export, &arguments.beside, told)
}

fn is_same_file(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}
