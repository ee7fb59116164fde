//! A file in, [`RawFrame`] out; the decoders themselves are outside crates, run in a child process.
//!
//! A damaged file can make a decoder panic, abort, ask for more memory than there is, or never end. So
//! [`Decoder::decode`] starts this program once more with a private first argument, and the child
//! ([`serve_if_asked`], the first call of both programs) limits itself before it opens the file. Whatever
//! becomes of the child is the fate of one frame: a [`DecodeError`].

mod adapters;
mod child;
mod content;
mod decoder;
mod depths;
mod dng;
mod error;
mod facts;
pub mod frame;
#[cfg(test)]
mod fuzz;
mod halve;
pub mod margins;
mod message;
mod metadata;
mod packed;
mod pictures;
mod plausible;
mod profile;
mod rawler_adapter;
mod tiff_structure;

pub use child::{decode_unprotected, serve_if_asked};
pub use content::{is_camera_raw, kind_of_content};
pub use decoder::{Decoder, Limits, largest_child_bytes};
pub use error::DecodeError;
pub use facts::FrameFacts;
pub use frame::{CameraColor, CaptureTime, Metadata, Place, RawFrame, TransferFunction};
pub use halve::FrameScale;
pub use margins::{LineMeans, Margins};
