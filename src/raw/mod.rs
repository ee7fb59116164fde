//! A file in, [`RawFrame`] out; the decoders themselves are outside crates, run in a child process.

pub mod frame;

pub use frame::{CameraColor, CaptureTime, Metadata, RawFrame, TransferFunction};
