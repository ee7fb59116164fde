//! File dialogs of the desktop, on threads of their own.
//!
//! Where the desktop has no dialog, the answer is nothing at once, just as when a person cancels.
//! Nobody cancels within 300 ms: then the window shows a field for a typed path.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use std::{io, thread};

use eframe::egui::Context;

use crate::gui::state::PathFor;
use crate::settings::SHEAF_ENDING;

/// Faster than this, nothing means that there is no dialog.
const NO_DIALOG: Duration = Duration::from_millis(300);

/// What is asked for.
#[derive(Clone, Debug)]
pub struct Question {
    /// What the path is for.
    pub path_for: PathFor,
    /// Whether a folder is wanted instead of files.
    pub folder: bool,
    /// Name to begin with, for a file to write.
    pub file_name: String,
    /// Folder to begin in, where one is known.
    pub start: Option<PathBuf>,
}

/// What came of it.
#[derive(Clone, Debug)]
pub enum Answer {
    /// These paths.
    Chosen(PathFor, Vec<PathBuf>),
    /// The person changed their mind.
    Cancelled,
    /// The desktop has no dialog.
    NoDialog(Question),
}

/// A dialog that is open.
pub struct Dialog(Receiver<Answer>);

impl Dialog {
    /// Opens it.
    pub fn open(context: &Context, question: Question) -> io::Result<Self> {
        let (sender, answer) = channel();
        let context = context.clone();
        thread::Builder::new().name("dialog".to_owned()).spawn(move || {
            let asked = Instant::now();
            let paths = ask(&question);
            let answer = if !paths.is_empty() {
                Answer::Chosen(question.path_for, paths)
            } else if asked.elapsed() < NO_DIALOG {
                Answer::NoDialog(question)
            } else {
                Answer::Cancelled
            };
            // The window may have closed meanwhile.
            let _ = sender.send(answer);
            context.request_repaint();
        })?;
        Ok(Self(answer))
    }

    /// The answer, once it is there.
    #[must_use]
    pub fn answer(&self) -> Option<Answer> {
        match self.0.try_recv() {
            Ok(answer) => Some(answer),
            Err(std::sync::mpsc::TryRecvError::Empty) => None,
            // The dialog's thread ended without an answer.
            Err(std::sync::mpsc::TryRecvError::Disconnected) => Some(Answer::Cancelled),
        }
    }
}

fn ask(question: &Question) -> Vec<PathBuf> {
    let mut dialog = rfd::FileDialog::new();
    if let Some(folder) = &question.start {
        dialog = dialog.set_directory(folder);
    }
    match question.path_for {
        PathFor::Frames if question.folder => dialog.set_title("Folder of frames").pick_folders().unwrap_or_default(),
        PathFor::Frames => dialog.set_title("Frames of one night, or a saved sheaf").pick_files().unwrap_or_default(),
        PathFor::MaskToLoad => {
            let dialog =
                dialog.set_title("Mask: white is landscape").add_filter("Pictures", &["png", "tif", "tiff", "jpg"]);
            dialog.pick_file().into_iter().collect()
        }
        PathFor::MaskToSave => {
            let dialog =
                dialog.set_title("Write the mask").add_filter("PNG", &["png"]).set_file_name(&question.file_name);
            dialog.save_file().into_iter().collect()
        }
        PathFor::LeftOut => {
            let dialog = dialog.set_title("Write what was left out").add_filter("PNG", &["png"]);
            dialog.set_file_name(&question.file_name).save_file().into_iter().collect()
        }
        PathFor::Layers => {
            // A new folder has a name of its own; a dialog for folders knows only those that are there.
            let dialog = dialog.set_title("New folder for sky, land and mask").set_file_name(&question.file_name);
            dialog.save_file().into_iter().collect()
        }
        PathFor::Report => {
            let dialog = dialog.set_title("Write the report").add_filter("HTML", &["html", "htm"]);
            dialog.set_file_name(&question.file_name).save_file().into_iter().collect()
        }
        PathFor::FolderToWatch => dialog.set_title("Folder that frames come into").pick_folder().into_iter().collect(),
        PathFor::PlanPage => {
            let dialog =
                dialog.set_title("Write the plan").add_filter("PDF", &["pdf"]).set_file_name(&question.file_name);
            dialog.save_file().into_iter().collect()
        }
        PathFor::Calibration(kind) => dialog.set_title(kind.name()).pick_files().unwrap_or_default(),
        PathFor::LandFrames if question.folder => {
            dialog.set_title("Folder of frames for the landscape").pick_folders().unwrap_or_default()
        }
        PathFor::LandFrames => dialog.set_title("Frames for the landscape").pick_files().unwrap_or_default(),
        PathFor::LensProfileToLoad => {
            dialog.set_title("Lens profile").add_filter("TOML", &["toml"]).pick_file().into_iter().collect()
        }
        PathFor::LensProfileToSave => {
            let dialog = dialog.set_title("Write the lens profile").add_filter("TOML", &["toml"]);
            dialog.set_file_name(&question.file_name).save_file().into_iter().collect()
        }
        PathFor::SheafToSave => {
            let dialog = dialog.set_title("Save the sheaf").add_filter("Sheaf", &[SHEAF_ENDING]);
            dialog.set_file_name(&question.file_name).save_file().into_iter().collect()
        }
        PathFor::MovedFrames => {
            dialog.set_title("Folder that the frames are in now").pick_folder().into_iter().collect()
        }
        PathFor::ScratchFolder => dialog.set_title("Folder for scratch files").pick_folder().into_iter().collect(),
        PathFor::Export => {
            dialog.set_title("Write the picture").set_file_name(&question.file_name).save_file().into_iter().collect()
        }
    }
}
