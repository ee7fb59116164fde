//! What is colourless, pointed at; and whether the glow is shown in place of the picture.

use eframe::egui::Pos2;

use crate::gui::app::App;
use crate::gui::state::{Section, Subject};
use crate::gui::tone::Aspect;
use crate::pipeline::WhiteBalance;
use crate::pixels::nearest_index;

/// The spot is so many pixels of the picture wide.
const SPOT_PX: usize = 15;

/// Less light than this in a channel, 1.0 at the white level, tells no colour.
const LEAST_LIGHT: f64 = 1e-4;

impl App {
    pub(super) fn toggle_picking(&mut self) {
        let begins = !self.state.picking && self.shown_size().is_some();
        self.lay_brush_down();
        self.state.picking = begins;
        if begins {
            self.unfold(Section::Picture);
        }
    }

    pub(super) fn pick_white(&mut self, place: Pos2) {
        let Some(layer) = self.layers.shown(self.state.shown) else { return };
        let pyramid = layer.pyramid();
        let size = pyramid.size();
        let column = nearest_index(f64::from(place.x) - 0.5, size.width);
        let row = nearest_index(f64::from(place.y) - 0.5, size.height);
        let (Some(column), Some(row)) = (column, row) else { return };
        let around =
            |middle: usize, len: usize| middle.saturating_sub(SPOT_PX / 2)..(middle + SPOT_PX / 2 + 1).min(len);
        let (rows, columns) = (around(row, size.height), around(column, size.width));
        let n = (rows.len() * columns.len()) as f64;
        let mut mean = [0.0; 3];
        for y in rows {
            for x in columns.clone() {
                for (sum, light) in mean.iter_mut().zip(pyramid.sample(x, y)) {
                    *sum += f64::from(light) / n;
                }
            }
        }
        self.state.picking = false;
        self.state.settle(Subject::Grey);
        if mean.iter().any(|&light| light < LEAST_LIGHT) {
            return self
                .state
                .fail(Subject::Grey, "this spot is too dark to tell a color: click on something brighter");
        }
        let mut choices = self.state.sheaf.choices.clone();
        choices.develop.white_balance = WhiteBalance::Picked(mean.map(|light| light / mean[1]));
        self.choose(choices);
    }

    pub(super) fn toggle_glow(&mut self) {
        self.state.glow_shown = !self.state.glow_shown;
        self.develop();
    }

    /// What the stack's side of the canvas shows.
    pub(super) fn aspect(&self) -> Aspect {
        if self.state.glow_shown { Aspect::Glow } else { Aspect::Picture }
    }
}
