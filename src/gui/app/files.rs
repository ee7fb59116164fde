//! Where files come from and go to: dialogs, typed paths, and the exported picture.

use std::path::{Path, PathBuf};

use crate::gui::action::Action;
use crate::gui::app::App;
use crate::gui::dialogs::{Dialog, Question};
use crate::gui::state::PathFor;
use crate::gui::works;
use crate::pipeline::{ExportSettings, FileFormat};

impl App {
    pub(super) fn choose_export_target(&mut self) {
        if self.outcome.is_none() {
            return;
        }
        let name = format!("night.{}", ending(self.state.sheaf.choices.format));
        self.ask(PathFor::Export, false, &name);
    }

    pub(super) fn export(&mut self, path: PathBuf) {
        let Some(outcome) = self.outcome.clone() else { return };
        let choices = &self.state.sheaf.choices;
        let (format, path) = match format_for(&path, choices.format) {
            Ok(found) => found,
            Err(text) => return self.state.fail(text),
        };
        let settings = ExportSettings { format, develop: choices.develop.clone() };
        let work = move |monitor: &_| works::export(monitor, &outcome, path, &settings);
        let failed = self.lanes.file.submit(&self.context, work);
        self.tell_broken(failed);
    }

    pub(super) fn ask(&mut self, path_for: PathFor, folder: bool, file_name: &str) {
        if self.dialog.is_some() {
            return;
        }
        let start = self.given.first().filter(|_| self.sample_folder.is_none());
        let start =
            start.map(|path| if path.is_dir() { path.clone() } else { path.parent().unwrap_or(path).to_owned() });
        let question = Question { path_for, folder, file_name: file_name.to_owned(), start };
        match Dialog::open(&self.context, question) {
            Ok(dialog) => self.dialog = Some(dialog),
            Err(error) => self.state.fail(format!("the system gives no thread for a dialog: {error}")),
        }
    }

    pub(super) fn use_typed_path(&mut self) {
        let path_for = self.state.path_for.take().unwrap_or(PathFor::Frames);
        let path = PathBuf::from(self.state.typed_path.trim());
        self.state.typed_path.clear();
        self.use_paths(path_for, vec![path]);
    }

    /// Does with paths what they were asked for.
    pub(super) fn use_paths(&mut self, path_for: PathFor, paths: Vec<PathBuf>) {
        let first = paths.first().cloned();
        match (path_for, first) {
            (PathFor::Frames, _) => self.apply(Action::AddPaths(paths)),
            (PathFor::MaskToLoad, Some(path)) => self.apply(Action::LoadMask(path)),
            (PathFor::MaskToSave, Some(path)) => self.apply(Action::SaveMask(path)),
            (PathFor::Export, Some(path)) => self.apply(Action::Export(path)),
            (PathFor::FolderToWatch, Some(path)) => self.apply(Action::WatchFolder(path)),
            (PathFor::PlanPage, Some(path)) => self.apply(Action::SavePage(path)),
            (_, None) => {}
        }
    }
}

/// The kind of file that a path asks for by its ending; the chosen kind, and its ending, where it has none.
fn format_for(path: &Path, chosen: FileFormat) -> Result<(FileFormat, PathBuf), String> {
    if path.extension().is_none() {
        return Ok((chosen, path.with_extension(ending(chosen))));
    }
    match (FileFormat::from_ending(path), chosen) {
        (Some(FileFormat::Tiff16), FileFormat::Tiff32f) => Ok((chosen, path.to_owned())),
        (Some(found), _) => Ok((found, path.to_owned())),
        (None, _) => Err(format!(
            "{} has an ending that stands for no picture: name the file .tif, .dng, .png or .jpg",
            path.display()
        )),
    }
}

fn ending(format: FileFormat) -> &'static str {
    match format {
        FileFormat::Tiff16 | FileFormat::Tiff32f => "tif",
        FileFormat::Dng => "dng",
        FileFormat::Png => "png",
        FileFormat::Jpeg => "jpg",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ending_decides_and_a_missing_one_is_added() {
        let check = |path: &str, chosen, expected: Option<(FileFormat, &str)>| {
            let expected = expected.map(|(format, path)| (format, PathBuf::from(path)));
            assert_eq!(format_for(Path::new(path), chosen).ok(), expected, "{path} with {chosen:?}");
        };
        check("night", FileFormat::Png, Some((FileFormat::Png, "night.png")));
        check("night.jpg", FileFormat::Tiff16, Some((FileFormat::Jpeg, "night.jpg")));
        check("night.tif", FileFormat::Tiff32f, Some((FileFormat::Tiff32f, "night.tif")));
        check("night.txt", FileFormat::Tiff16, None);
    }
}
