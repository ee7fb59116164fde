//! The window: one canvas, a side column, and the night line. It calls no stage; it sends a request
//! to the pipeline and shows the outcome.
//!
//! Panels show values and return an [`action::Action`]; [`app::App::apply`] is the only place that acts.

pub mod action;
pub mod app;
mod canvas;
mod dialogs;
mod hatching;
pub mod history;
mod keyboard;
pub mod lane;
mod layer;
mod open;
pub mod panels;
mod pyramid;
pub mod sheaf;
pub mod state;
pub mod strokes;
pub mod theme;
mod tiles;
pub mod timeline;
mod tone;
mod view;
mod widgets;
mod works;

pub use open::{OpenError, open};
pub use view::{View, Zoom};
