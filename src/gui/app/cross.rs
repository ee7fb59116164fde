//! The keyboard's cross on the picture: moved by arrow keys, used as the pointer is.

use eframe::egui::{Pos2, Vec2};

use crate::gui::action::Action;
use crate::gui::app::App;
use crate::gui::correcting::Tool;
use crate::gui::drawing::CORNER_REACH;

/// The cross keeps so far from the edge of the canvas; beyond it the picture moves instead.
const MARGIN: f32 = 24.0;

impl App {
    /// Where the cross is on the screen; in the middle of what is seen until it is moved.
    fn cross_place(&self) -> Option<Pos2> {
        let placement = self.placement()?;
        let seen = placement.rect().intersect(self.canvas);
        let place = self.state.cross.map_or(seen.center(), |cross| placement.screen_from_stored(cross));
        // After a zoom it may be out of sight.
        seen.is_positive().then(|| place.clamp(seen.min, seen.max))
    }

    pub(super) fn move_cross(&mut self, by: Vec2) {
        let (Some(place), Some(placement)) = (self.cross_place(), self.placement()) else { return };
        let wanted = place + by;
        let room = self.canvas.shrink(MARGIN);
        let beyond = wanted - wanted.clamp(room.min, room.max);
        self.state.view = self.state.view.panned(-beyond, &placement);
        let Some(moved) = self.placement() else { return };
        let shift = moved.rect().min - placement.rect().min;
        let whole = moved.rect();
        let place = (wanted + shift).clamp(whole.min, whole.max);
        self.state.cross = Some(moved.stored_from_screen(place));
    }

    pub(super) fn use_cross(&mut self, ends: bool) {
        let (Some(place), Some(placement)) = (self.cross_place(), self.placement()) else { return };
        let cross = placement.stored_from_screen(place);
        self.state.cross = Some(cross);
        let is_here = |corner: &Pos2| placement.screen_from_stored(*corner).distance(place) < CORNER_REACH;
        if self.state.picking {
            return self.apply(Action::PickWhite(cross));
        }
        if !self.state.painting {
            return;
        }
        match self.state.tool {
            Tool::Brush => {
                let brush = self.state.brush;
                self.apply(Action::Paint { brush, from: cross, to: cross });
                self.apply(Action::EndStroke);
            }
            Tool::Polygon | Tool::LevelLine => {
                let corners = &self.state.corners;
                let is_polygon = self.state.tool == Tool::Polygon && corners.len() > 2;
                let closes = (ends && corners.last().is_some_and(is_here))
                    || (is_polygon && corners.first().is_some_and(is_here));
                self.apply(if closes { Action::CloseShape } else { Action::AddCorner(cross) });
            }
        }
    }
}
