//! The whole window without a screen, driven by names and keys, drawn as pixels.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use eframe::egui::{Context, Key, Modifiers, Pos2, Rect, Ui, UiBuilder, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use image::RgbImage;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::app::App;
use nightsheaf::gui::state::State;

use crate::raster::Textures;

/// The usual size of the window.
pub(crate) const SIZE: [u32; 2] = [1280, 800];

/// The slowest step allowed: a debug build on a busy machine.
const PATIENCE: Duration = Duration::from_secs(300);

/// The window.
pub(crate) struct Stage {
    harness: Harness<'static, Option<App>>,
    textures: Textures,
    size: [u32; 2],
    /// Presses of the pointer so far.
    pub(crate) n_clicks: usize,
}

impl Stage {
    /// Opens the window; frames are decoded by `decoder` where that is not this program.
    pub(crate) fn open(paths: Vec<PathBuf>, decoder: Option<&Path>) -> Self {
        Self::open_sized(paths, decoder, SIZE)
    }

    /// Opens the window at another size.
    pub(crate) fn open_sized(paths: Vec<PathBuf>, decoder: Option<&Path>, size: [u32; 2]) -> Self {
        if let Some(decoder) = decoder {
            nightsheaf::pipeline::decode_by(decoder.to_owned());
        }
        let draw = move |ui: &mut Ui, app: &mut Option<App>| {
            let context: Context = ui.ctx().clone();
            let app = app.get_or_insert_with(|| {
                let mut app = App::new(&context, paths.clone()).expect("threads for the tiles");
                app.type_paths();
                app
            });
            app.listen(&context);
            // The harness leaves a margin around what it draws; a window has none.
            let whole = context.content_rect();
            let mut inner = ui.new_child(UiBuilder::new().max_rect(whole));
            inner.set_clip_rect(whole);
            app.draw(&mut inner);
        };
        let textures = Textures::default();
        let builder =
            Harness::builder().with_size(Vec2::new(size[0] as f32, size[1] as f32)).with_pixels_per_point(1.0);
        let harness = builder.renderer(textures.clone()).build_ui_state(draw, None);
        Self { harness, textures, size, n_clicks: 0 }
    }

    pub(crate) fn state(&self) -> &State {
        self.harness.state().as_ref().expect("the window was drawn").state()
    }

    pub(crate) fn apply(&mut self, action: Action) {
        self.harness.state_mut().as_mut().expect("the window was drawn").apply(action);
        self.rest();
    }

    /// Asks for one thing after the other before anything is drawn or any work is heard of.
    pub(crate) fn at_once(&mut self, actions: impl IntoIterator<Item = Action>) {
        let app = self.harness.state_mut().as_mut().expect("the window was drawn");
        actions.into_iter().for_each(|action| app.apply(action));
    }

    /// Asks for something and draws a single frame of the screen.
    pub(crate) fn begin(&mut self, action: Action) -> RgbImage {
        self.harness.state_mut().as_mut().expect("the window was drawn").apply(action);
        self.harness.step();
        self.harness.step();
        self.textures.draw(&self.harness.ctx, self.harness.output(), self.size)
    }

    /// Draws until what is asked for is there.
    pub(crate) fn wait(&mut self, what: &str, met: impl Fn(&State) -> bool) {
        let deadline = Instant::now() + PATIENCE;
        while !met(self.state()) {
            let notices: Vec<&str> = self.state().notices.iter().map(|notice| notice.text.as_str()).collect();
            assert!(Instant::now() < deadline, "waited until {what}; the window says {notices:?}");
            std::thread::sleep(Duration::from_millis(10));
            self.harness.step();
        }
        self.rest();
    }

    /// Draws until a button of this name is there.
    pub(crate) fn wait_for_button(&mut self, name: &str) {
        let deadline = Instant::now() + PATIENCE;
        while self.harness.query_by_label(name).is_none() {
            assert!(Instant::now() < deadline, "waited for the button {name}");
            std::thread::sleep(Duration::from_millis(10));
            self.harness.step();
        }
    }

    /// Draws until nothing moves any more: tiles are colored, and previews begin, beside the window.
    pub(crate) fn rest(&mut self) {
        let mut n_still = 0;
        for _ in 0..40 {
            std::thread::sleep(Duration::from_millis(5));
            self.harness.step();
            let still = self.harness.state().as_ref().is_some_and(App::is_at_rest) && !self.asks_for_a_frame();
            n_still = if still { n_still + 1 } else { 0 };
            if n_still == 4 {
                return;
            }
        }
    }

    /// Whether the window wants to be drawn again at once.
    fn asks_for_a_frame(&self) -> bool {
        self.harness.output().viewport_output.values().any(|viewport| viewport.repaint_delay.is_zero())
    }

    /// Presses what has this name.
    pub(crate) fn click(&mut self, name: &str) {
        self.n_clicks += 1;
        let node = self.harness.get_by_label(name);
        let place = node.rect().center();
        let screen = Rect::from_min_size(Pos2::ZERO, Vec2::new(self.size[0] as f32, self.size[1] as f32));
        // A pointer reaches no farther: what is scrolled out of sight cannot be pressed.
        assert!(screen.contains(place), "{name} is out of sight at {place:?}");
        node.click();
        self.harness.step();
        self.rest();
    }

    /// Presses the last of several that have this name.
    pub(crate) fn click_last(&mut self, name: &str) {
        self.n_clicks += 1;
        self.harness.get_all_by_label(name).last().expect("there is one").click();
        self.harness.step();
        self.rest();
    }

    /// Types into the field that has the focus.
    pub(crate) fn type_over(&mut self, text: &str) {
        self.key(Modifiers::COMMAND, Key::A);
        self.harness.event(eframe::egui::Event::Text(text.to_owned()));
        self.rest();
    }

    pub(crate) fn key(&mut self, modifiers: Modifiers, key: Key) {
        self.harness.key_press_modifiers(modifiers, key);
        self.rest();
    }

    /// Draws a line with the pointer held down.
    pub(crate) fn drag(&mut self, places: &[Pos2]) {
        let Some((&first, rest)) = places.split_first() else { return };
        self.harness.drag_at(first);
        self.harness.step();
        for &place in rest {
            self.harness.hover_at(place);
            self.harness.step();
        }
        self.harness.drop_at(places[places.len() - 1]);
        self.rest();
    }

    /// What is on the screen.
    pub(crate) fn picture(&mut self) -> RgbImage {
        self.harness.remove_cursor();
        self.rest();
        let deadline = Instant::now() + PATIENCE;
        while !self.harness.state().as_ref().is_some_and(App::is_at_rest) {
            assert!(Instant::now() < deadline, "the picture is not drawn whole");
            std::thread::sleep(Duration::from_millis(10));
            self.harness.step();
        }
        // What arrived last is drawn with the next frame of the screen.
        self.rest();
        self.textures.draw(&self.harness.ctx, self.harness.output(), self.size)
    }

    pub(crate) fn harness(&mut self) -> &mut Harness<'static, Option<App>> {
        &mut self.harness
    }
}
