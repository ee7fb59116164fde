//! The page of a plan as a file.

use std::io::Write;
use std::path::Path;

use crate::error::Error;
use crate::export::{self, ExportError, plan_page};
use crate::plan::Plan;

/// Whether the page can be written there, by writing none of it.
pub fn check_page_target(path: &Path) -> Result<(), Error> {
    if !path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("pdf")) {
        return Err(Error::Settings { what: "the page of a plan is a PDF: let its name end with .pdf" });
    }
    export::check_target(path).map_err(|source| Error::Export { path: path.to_owned(), source })
}

/// Writes a plan as one PDF page for the phone and the printer, whole or not at all.
pub fn save_plan_page(path: &Path, plan: &Plan) -> Result<(), Error> {
    check_page_target(path)?;
    let bytes = plan_page(plan);
    let written = export::replace_file(path, bytes.len() as u64, |file| Ok(file.write_all(&bytes)?));
    written.map_err(|source: ExportError| Error::Export { path: path.to_owned(), source })
}
