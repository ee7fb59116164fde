//! Preferences and what the window remembers by itself: taken in, acted upon, written.

use std::path::Path;
use std::time::{Duration, Instant};

use crate::error::{Error, WithSources};
use crate::gui::app::App;
use crate::gui::keep::{light_of, theme_of};
use crate::gui::state::{Section, Subject};
use crate::gui::theme::Theme;
use crate::settings::{Preferences, Remembered};

/// Changes are written once nothing changed for so long: a slider that is dragged is one change.
const SETTLED: Duration = Duration::from_millis(700);

/// Sections by the names that are remembered.
const SECTIONS: [(Section, &str); 6] = [
    (Section::Frames, "frames"),
    (Section::Foreground, "foreground"),
    (Section::Sky, "sky"),
    (Section::Landscape, "landscape"),
    (Section::Picture, "picture"),
    (Section::File, "file"),
];

impl App {
    /// Reads what was chosen and remembered before.
    pub(super) fn read_own_files(&mut self) {
        let Some(folders) = self.keeper.folders.clone() else { return };
        let (preferences, note) = Preferences::load(&folders.preferences());
        let (remembered, other_note) = Remembered::load(&folders.remembered());
        for note in note.into_iter().chain(other_note) {
            self.state.note(Subject::Preferences, note);
        }
        if let Some(names) = &remembered.open_sections {
            let known = SECTIONS.iter().filter(|(_, name)| names.iter().any(|other| other == name));
            self.state.unfolded = known.map(|(section, _)| *section).collect();
        }
        self.state.keeping.recent.clone_from(&remembered.recent);
        self.state.plan_shown = remembered.drawer;
        self.state.divider = remembered.divider.unwrap_or(self.state.divider);
        self.keeper.remembered = remembered;
        self.state.theme = theme_of(preferences.light);
        self.context.set_zoom_factor(preferences.scale);
        self.state.keeping.preferences = preferences;
    }

    pub(super) fn prefer(&mut self, preferences: Preferences) {
        let before = std::mem::replace(&mut self.state.keeping.preferences, preferences);
        let now = &self.state.keeping.preferences;
        if now.scale != before.scale {
            self.context.set_zoom_factor(now.scale);
        }
        if now.light != before.light {
            self.state.theme = theme_of(now.light);
            self.state.theme.apply(&self.context);
        }
        self.keeper.changed = Some(Instant::now());
    }

    /// Another light, which is a preference too.
    pub(super) fn use_theme(&mut self, theme: Theme) {
        let preferences = Preferences { light: light_of(theme), ..self.state.keeping.preferences.clone() };
        self.state.theme = theme;
        theme.apply(&self.context);
        self.prefer(preferences);
    }

    pub(super) fn remember_recent(&mut self, path: &Path) {
        self.keeper.remembered.note_recent(path);
        self.state.keeping.recent.clone_from(&self.keeper.remembered.recent);
        self.keeper.changed = Some(Instant::now());
    }

    /// Notes sections, drawer, divider, size, place and scale as they are, which change by the desktop's hand too.
    pub(super) fn note_layout(&mut self) {
        let open = SECTIONS.iter().filter(|(section, _)| self.state.unfolded.contains(section));
        let open: Vec<String> = open.map(|(_, name)| (*name).to_owned()).collect();
        let zoom = self.context.zoom_factor();
        let (size, place, maximized) = self.context.input(|input| {
            let viewport = input.viewport();
            let size = viewport.inner_rect.map(|rect| rect.size() * zoom);
            (size, viewport.outer_rect.map(|rect| rect.min * zoom), viewport.maximized.unwrap_or(false))
        });
        let remembered = &mut self.keeper.remembered;
        let before = remembered.clone();
        let usual = crate::gui::state::State::default().unfolded;
        let is_usual = usual.len() == self.state.unfolded.len()
            && usual.iter().all(|section| self.state.unfolded.contains(section));
        remembered.open_sections = (!is_usual || before.open_sections.is_some()).then_some(open);
        remembered.maximized = maximized;
        if let Some(size) = size.filter(|_| !maximized) {
            remembered.window_size = Some([size.x.round(), size.y.round()]);
        }
        if let Some(place) = place.filter(|_| !maximized) {
            remembered.window_position = Some([place.x.round(), place.y.round()]);
        }
        remembered.drawer = self.state.plan_shown;
        let divider = self.state.divider;
        remembered.divider = (divider != crate::gui::state::State::default().divider).then_some(divider);
        let changed = *remembered != before;
        // A scale asked for here comes with the next frame; one that comes by itself was asked for by keys.
        if std::mem::replace(&mut self.keeper.last_zoom, zoom) != zoom
            && zoom != self.state.keeping.preferences.scale
            && Preferences::SCALE.contains(&zoom)
        {
            self.state.keeping.preferences.scale = zoom;
            self.keeper.changed = Some(Instant::now());
        }
        if changed {
            self.keeper.changed = Some(Instant::now());
        }
    }

    /// Writes preferences and layout once they have settled, or `now`.
    pub(super) fn write_own_files(&mut self, now: bool) {
        let Some(changed) = self.keeper.changed else { return };
        let Some(folders) = &self.keeper.folders else {
            self.keeper.changed = None;
            return;
        };
        let waited = changed.elapsed();
        if !now && waited < SETTLED {
            return self.context.request_repaint_after(SETTLED - waited);
        }
        self.keeper.changed = None;
        let written = write(&self.state.keeping.preferences, &self.keeper.remembered, folders);
        if let Err(error) = written {
            let text = WithSources(&error).to_string();
            self.state.fail(Subject::Preferences, format!("preferences cannot be kept for the next start: {text}"));
        }
    }
}

fn write(preferences: &Preferences, remembered: &Remembered, folders: &crate::settings::Folders) -> Result<(), Error> {
    preferences.save(&folders.preferences())?;
    remembered.save(&folders.remembered())
}
