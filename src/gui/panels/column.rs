//! The side column: its sections from top to bottom in the order of the work.

use eframe::egui::{Align, Rect, ScrollArea, Ui, pos2};

use crate::gui::action::Action;
use crate::gui::panels::{file, foreground, frames, landscape, picture, sky};
use crate::gui::state::{Section, State};
use crate::gui::widgets::{SCROLL_BAR, section_line};

/// The order of the work.
const SECTIONS: [Section; 6] =
    [Section::Frames, Section::Foreground, Section::Sky, Section::Landscape, Section::Picture, Section::File];

/// All sections.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let mut action = None;
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.set_max_width(ui.available_width() - SCROLL_BAR);
        for section in SECTIONS {
            let unfolded = state.unfolded.contains(&section);
            let (title, summary) = (title(section), summary(section, state));
            let top = ui.cursor().min;
            if section_line(ui, title, &summary, unfolded) {
                action = Some(Action::ToggleSection(section));
            }
            if unfolded {
                let asked = ui.push_id(title, |ui| contents(ui, section, state)).inner;
                action = asked.or(action.take());
                ui.add_space(10.0);
            }
            if state.sought == Some(section) {
                // Below the edge of a small window a click would seem to do nothing.
                let whole = Rect::from_min_max(top, pos2(top.x + ui.available_width(), ui.cursor().min.y));
                let align = if whole.height() > ui.clip_rect().height() { Some(Align::Min) } else { None };
                ui.scroll_to_rect(whole, align);
            }
        }
    });
    action
}

fn contents(ui: &mut Ui, section: Section, state: &State) -> Option<Action> {
    match section {
        Section::Frames => frames::show(ui, state),
        Section::Foreground => foreground::show(ui, state),
        Section::Sky => sky::show(ui, state),
        Section::Landscape => landscape::show(ui, state),
        Section::Picture => picture::show(ui, state),
        Section::File => file::show(ui, state),
    }
}

fn title(section: Section) -> &'static str {
    match section {
        Section::Frames => "Frames",
        Section::Foreground => "Foreground",
        Section::Sky => "Sky",
        Section::Landscape => "Landscape",
        Section::Picture => "Picture",
        Section::File => "File",
    }
}

fn summary(section: Section, state: &State) -> String {
    match section {
        Section::Frames => frames::summary(&state.sheaf),
        Section::Foreground => foreground::summary(&state.sheaf).to_owned(),
        Section::Sky => sky::summary(&state.sheaf.choices),
        Section::Landscape => landscape::summary(&state.sheaf),
        Section::Picture => picture::summary(&state.sheaf.choices),
        Section::File => file::summary(&state.sheaf.choices).to_owned(),
    }
}
