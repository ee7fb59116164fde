//! A window without a screen, a small invented night, and a folder instead of the person's own.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use eframe::App as _;
use eframe::egui::{Context, DroppedFile, Event, Key, Modifiers, Ui, ViewportCommand, ViewportEvent, ViewportId};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use nightsheaf::gui::action::Action;
use nightsheaf::gui::app::App;
use nightsheaf::gui::state::State;
use nightsheaf::gui::title::title;
use nightsheaf::settings::{Decider, Folders, Light, Mark, Sheaf, save_sheaf};
use nightsheaf::synthetic::{Burst, Scene};

/// A folder for one test.
pub(crate) fn home() -> tempfile::TempDir {
    tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("the build folder can be written")
}

/// Four small frames and a dark one, written once.
pub(crate) fn night() -> PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    let folder = FOLDER.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("gui-saving");
        if folder.exists() {
            fs::remove_dir_all(&folder).expect("our own folder");
        }
        let scene = Scene { zero_point_electrons_per_sec: 18_000.0, ..Scene::small() };
        Burst::new(scene).write(&folder, 1).expect("room for a small burst");
        // A name that does not say what lies in it: the window is given the lights alone.
        fs::rename(folder.join("darks"), folder.join("no-light")).expect("our own folder");
        folder
    });
    folder.clone()
}

/// Two longer exposures of the same landscape, written once.
pub(crate) fn longer() -> PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    let folder = FOLDER.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("gui-saving-longer");
        if folder.exists() {
            fs::remove_dir_all(&folder).expect("our own folder");
        }
        Burst::new(Scene { exposure_secs: 60.0, n_lights: 2, ..Scene::small() })
            .write(&folder, 0)
            .expect("room for a small burst");
        folder
    });
    folder.clone()
}

/// The same frames in a folder that a test may change.
pub(crate) fn copy_night(folder: &Path) {
    fs::create_dir_all(folder.join("no-light")).expect("our own folder");
    let names = (1..=4).map(|number| format!("night-{number:03}.dng")).chain(["no-light/dark-001.dng".to_owned()]);
    for name in names {
        fs::copy(night().join(&name), folder.join(&name)).expect("room for a small burst");
    }
}

/// A sheaf `tarn.toml` in `home` of the frames in `frames`: two of four aside, brighter, with a dark frame.
pub(crate) fn saved(home: &Path, frames: &Path) -> PathBuf {
    let mark = |aside, by, reason: &str| Some(Mark { aside, by, reason: reason.to_owned() });
    let marks = [
        mark(false, Decider::Measure, ""),
        mark(true, Decider::Measure, "shaken"),
        mark(true, Decider::Person, ""),
        mark(false, Decider::Measure, ""),
    ];
    let light = |(idx, mark)| Light { path: frames.join(format!("night-{:03}.dng", idx + 1)), mark };
    let mut sheaf = Sheaf { lights: marks.into_iter().enumerate().map(light).collect(), ..Sheaf::default() };
    sheaf.darks = vec![frames.join("no-light/dark-001.dng")];
    sheaf.develop.exposure_ev = 0.5;
    let path = home.join("tarn.toml");
    save_sheaf(&path, &sheaf).expect("room for a small file");
    path
}

pub(crate) fn saved_night(home: &Path) -> PathBuf {
    saved(home, &night())
}

/// The whole window.
pub(crate) struct Window {
    pub(crate) harness: Harness<'static, Option<App>>,
    /// Whether it asked the desktop to be closed.
    asked_to_close: bool,
}

impl Window {
    /// Opens it with these paths; its own files are in `home`.
    pub(crate) fn open(paths: &[PathBuf], home: &Path) -> Self {
        // A test is no program that decodes frames.
        nightsheaf::pipeline::decode_by(env!("CARGO_BIN_EXE_nightsheaf-cli").into());
        let (paths, folders) = (paths.to_vec(), Folders::inside(&home.join("own")));
        let draw = move |ui: &mut Ui, app: &mut Option<App>| {
            let context: Context = ui.ctx().clone();
            let app = app.get_or_insert_with(|| {
                let app = App::with_folders(&context, paths.clone(), Some(folders.clone()));
                let mut app = app.expect("threads for the tiles");
                app.type_paths();
                app
            });
            app.listen(&context);
            app.draw(ui);
        };
        let harness = Harness::builder().with_size([1280.0, 800.0]).build_ui_state(draw, None);
        let mut window = Self { harness, asked_to_close: false };
        window.step();
        window
    }

    pub(crate) fn state(&self) -> &State {
        self.harness.state().as_ref().expect("the window was drawn").state()
    }

    pub(crate) fn title(&self) -> String {
        title(self.state(), None)
    }

    pub(crate) fn step(&mut self) {
        self.harness.step();
        self.asked_to_close |= self.commands().contains(&ViewportCommand::Close);
    }

    /// As if something on the screen had asked for it.
    pub(crate) fn apply(&mut self, action: Action) {
        self.harness.state_mut().as_mut().expect("the window was drawn").apply(action);
        self.step();
    }

    /// As a screen reader presses it: wherever it is scrolled to.
    pub(crate) fn press(&mut self, name: &str) {
        self.step();
        self.harness.get_by_label(name).click_accesskit();
        self.step();
        self.step();
    }

    /// Presses a button that asks where to write something, and answers with a typed path.
    pub(crate) fn write_by(&mut self, button: &str, path: &Path) {
        self.press(button);
        assert!(self.state().path_for.is_some(), "{button} asks for the place");
        self.key(Modifiers::COMMAND, Key::A);
        self.harness.event(Event::Text(path.display().to_string()));
        self.step();
        self.press("Write");
    }

    pub(crate) fn key(&mut self, modifiers: Modifiers, key: Key) {
        self.harness.key_press_modifiers(modifiers, key);
        self.step();
        self.step();
    }

    pub(crate) fn wait(&mut self, what: &str, met: impl Fn(&State) -> bool) {
        let deadline = Instant::now() + Duration::from_secs(180);
        while !met(self.state()) {
            let state = self.state();
            let (n, measuring) = (state.sheaf.frames.len(), state.measuring);
            let (leaving, unsaved) = (&state.keeping.leaving, state.keeping.unsaved);
            assert!(
                Instant::now() < deadline,
                "waited 180 s until {what}: {n} frames, measuring: {measuring}, leaving: {leaving:?}, unsaved: {unsaved}, \
                 told: {:?}",
                state.notices
            );
            std::thread::sleep(Duration::from_millis(10));
            self.step();
        }
    }

    /// Asks the window to close as the desktop does; whether it does not object.
    pub(crate) fn closes(&mut self) -> bool {
        let viewports = &mut self.harness.input_mut().viewports;
        viewports.entry(ViewportId::ROOT).or_default().events.push(ViewportEvent::Close);
        self.step();
        let objects = self.commands().contains(&ViewportCommand::CancelClose);
        self.step();
        !objects
    }

    /// Waits until the window asks the desktop to be closed.
    pub(crate) fn wait_for_close(&mut self) {
        let deadline = Instant::now() + Duration::from_secs(180);
        while !self.asked_to_close {
            assert!(Instant::now() < deadline, "the window does not close");
            std::thread::sleep(Duration::from_millis(10));
            self.step();
        }
    }

    fn commands(&self) -> Vec<ViewportCommand> {
        self.harness.output().viewport_output[&ViewportId::ROOT].commands.clone()
    }

    pub(crate) fn drop_file(&mut self, path: &Path) {
        self.harness.input_mut().dropped_files.push(Arc::new(Dropped(path.to_owned())));
        self.step();
    }

    /// Closes the window in order.
    pub(crate) fn end(mut self) {
        if let Some(app) = self.harness.state_mut() {
            app.on_exit(None);
        }
    }

    /// Ends the window as a crash does: nothing is put in order.
    pub(crate) fn crash(self) {
        drop(self);
    }
}

#[derive(Debug)]
struct Dropped(PathBuf);

impl DroppedFile for Dropped {
    fn path(&self) -> &Path {
        &self.0
    }

    fn bytes(&self) -> Result<Vec<u8>, String> {
        fs::read(&self.0).map_err(|error| error.to_string())
    }
}
