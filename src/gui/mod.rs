//! The window: one canvas, a side column, and the night line. It calls no stage; it sends a request
//! to the pipeline and shows the outcome.
//!
//! Panels show values and return an [`action::Action`]; [`app::App::apply`] is the only place that acts.

pub mod action;
pub mod app;
pub mod arrows;
pub mod calibration;
pub mod canvas;
pub mod commands;
pub mod correcting;
pub mod dialogs;
pub mod doubts;
pub mod drawing;
pub mod frame_clock;
pub mod hatching;
pub mod history;
pub mod keep;
pub mod keyboard;
pub mod lane;
pub mod layer;
pub mod open;
pub mod panels;
pub mod plan_form;
pub mod plates;
pub mod pyramid;
pub mod readout;
pub mod reasons;
pub mod sheaf;
pub mod shortcuts;
pub mod state;
pub mod strokes;
pub mod theme;
pub mod tiles;
pub mod timeline;
pub mod title;
pub mod tone;
pub mod view;
pub mod whole;
pub mod widgets;
pub mod works;

pub use open::{OpenError, open};
pub use view::{View, Zoom};
