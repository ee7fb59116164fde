//! What lasts from one evening to the next: the sheaf file, autosaved copies, and preferences.
//!
//! Knows files and choices and nothing of windows. What a sheaf asks of a run is made of it in `pipeline`.

mod autosave;
mod check;
mod choices;
mod folders;
mod mask;
mod paths;
mod preferences;
mod sheaf;
mod store;
mod text;

pub use autosave::{Autosave, Leftover, leftovers, remove_leftover};
pub use check::toml_fault;
pub use choices::{Colors, Combine, FileFormat, Writing};
pub use folders::{FOLDER_VARIABLE, Folders, pictures_folder, typed_path};
pub use mask::round_mask;
pub use preferences::{Light as ScreenLight, MOST_RECENT, Preferences, Remembered};
pub use sheaf::{Decider, Landscape, Light, Mark, MaskSource, Sheaf};
pub use store::{Loaded, SHEAF_ENDING, load_sheaf, looks_like_sheaf, save_sheaf, save_sheaf_watched};

/// The version of sheaf files that this program writes, and the highest that it reads.
pub const SHEAF_VERSION: u32 = 1;
